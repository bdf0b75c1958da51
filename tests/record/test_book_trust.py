"""The book killed, raced, damaged, without room: a few cases of each; study_book.py runs many."""

import json
import sqlite3
import stat
from contextlib import closing

import numpy as np
import pandas as pd
import pytest
from book_damage import PAGE, cut_power, frozen_at_rest, kill_restores
from book_model import next_op, read_model, readings
from book_obstacles import held, no_room, read_only
from book_trials import event_of, kill_saves, race, seen_by_kit, weekend
from book_writer import do

from tyrekit.errors import BookError
from tyrekit.record import copies, whole_file
from tyrekit.record.book import Book
from tyrekit.record.book_file import DamagedBookError, opened
from tyrekit.record.drafts import Drafts
from tyrekit.record.mapping import MappingProposal
from tyrekit.record.restoration import restore
from tyrekit.record.whole_file import write_whole

# the schema as it was before there were seals, from the project's history
UNSEALED = """
PRAGMA application_id = 1954116203; PRAGMA user_version = 1;
CREATE TABLE saves (
    save_id INTEGER PRIMARY KEY, who TEXT NOT NULL, at TEXT NOT NULL,
    undoes INTEGER UNIQUE REFERENCES saves);
CREATE TABLE entries (
    row_id INTEGER PRIMARY KEY, save_id INTEGER NOT NULL REFERENCES saves, sheet TEXT NOT NULL,
    line INTEGER, supersedes INTEGER UNIQUE REFERENCES entries,
    first INTEGER REFERENCES entries, removed INTEGER NOT NULL, cells TEXT NOT NULL);
CREATE TABLE files (
    sheet TEXT NOT NULL, sha256 TEXT NOT NULL, save_id INTEGER NOT NULL REFERENCES saves);
CREATE TABLE drafts (name TEXT PRIMARY KEY, at TEXT NOT NULL, content TEXT NOT NULL);
"""


@pytest.fixture
def folder(tmp_path):
    return weekend(tmp_path / "weekend")


@pytest.fixture
def book(folder) -> Book:
    return Book(folder / "book.sqlite", event_of(folder))


@pytest.fixture(scope="module")
def kills(tmp_path_factory):
    place = tmp_path_factory.mktemp("kills")
    return kill_saves(place, 8, np.random.default_rng(1), keep_frozen=8)


def clean(row) -> bool:
    return (row.lost, row.twice, row.wrong) == (0, 0, 0) and row.cases > 0


def test_what_was_confirmed_survives_kills_inside_saves_and_the_rest_is_whole_or_absent(kills):
    assert clean(kills.row()) and kills.inside >= 8


def test_two_processes_at_once_lose_nothing_and_save_nothing_twice(tmp_path):
    row = race(tmp_path, 5, np.random.default_rng(2))
    assert clean(row) and row.note.startswith("10 confirmed, 0 refused")


def test_damage_is_read_right_or_told_and_the_copy_put_back(tmp_path, kills):
    rng = np.random.default_rng(3)
    done = cut_power(tmp_path, [*kills.frozen, *frozen_at_rest(tmp_path, 1, rng)], 24, rng)
    assert clean(done.row()) and not done.faults
    assert done.right + done.told == 24 and min(done.right, done.told, done.whole_again) > 0


def test_putting_a_copy_back_may_be_killed_and_done_again(tmp_path):
    assert clean(kill_restores(tmp_path, 3, np.random.default_rng(11)))


def test_without_room_a_save_is_refused_whole(tmp_path):
    row = no_room(tmp_path, 2, np.random.default_rng(4))
    assert clean(row) and not row.note.startswith("0 ")


def test_a_folder_that_cannot_be_written_is_said_and_stays_as_it_was(kills):
    row = read_only(2, np.random.default_rng(5), kills.frozen)
    assert clean(row) and row.note.startswith("4 ")


def test_a_book_held_by_another_program_is_said_and_saved_when_let_go(tmp_path):
    assert clean(held(tmp_path, 2, np.random.default_rng(6)))


def test_every_single_digit_changed_in_the_file_is_told(folder, book):
    book.append("tread", readings(np.random.default_rng(7), 0)[0], "Kim")
    path = folder / "book.sqlite"
    raw = path.read_bytes()
    begin = raw.index(b'{"taken_at"')
    for place in range(begin, raw.index(b"}", begin) + 1):
        path.write_bytes(raw[:place] + bytes([raw[place] ^ 1]) + raw[place + 1 :])
        with pytest.raises(DamagedBookError, match=r"save 2 \(by Kim"):
            book.read("tread")
    path.write_bytes(raw)
    assert len(book.read("tread")) == 1


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("DELETE FROM entries WHERE save_id = 3", "save 3"),
        ("UPDATE saves SET who = 'Lee' WHERE save_id = 2", "save 2"),
        ("DELETE FROM seals WHERE save_id = 3", "save 3 .* has lost its seal"),
        ("DROP TABLE seals", "no such table"),
        ("UPDATE seals SET sha256 = 'x' WHERE save_id = 2", "save 2"),
        ("UPDATE entries SET removed = 1 WHERE save_id = 2", "save 2"),
        ("PRAGMA user_version = 1", "version"),
        ("PRAGMA user_version = 2", "version"),
        ("PRAGMA user_version = 9", "newer tyrekit.* use that. Else: Put it and"),
        ("PRAGMA application_id = 9", "not a tyrekit book"),
        ("""UPDATE drafts SET content = replace(content, '1', '2')""", "draft 'run' is not"),
        ("DELETE FROM drafts", "a draft is missing"),
        ("DROP TABLE drafts", "no such table"),
        ("DELETE FROM drafts_seal", "a draft is missing"),
    ],
)
def test_a_book_changed_behind_the_kits_back_is_told(folder, book, change, words):
    rng = np.random.default_rng(8)
    for second in (0, 100):
        book.append_all("tread", readings(rng, second), "Kim")
    Drafts(book).keep("run", {"lap": "1"})
    with closing(sqlite3.connect(folder / "book.sqlite")) as connection:
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'"):
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute(change)
        connection.commit()
    with pytest.raises(DamagedBookError, match=words):
        book.read("tread")
    with pytest.raises(DamagedBookError, match=words):
        book.append_all("tread", readings(rng, 200), "Kim")


def test_a_page_that_never_reached_the_disk_brings_no_earlier_drafts_back_unseen(folder, book):
    path, drafts = folder / "book.sqlite", Drafts(book)
    states = [path.read_bytes()]
    for content in ({"lap": "7"}, {}, {"lap": "8"}):
        drafts.keep("run", content)
        states.append(path.read_bytes())
    *earlier, last = states
    told = 0
    for before in earlier:
        assert len(before) == len(last)
        for at in range(0, len(last), PAGE):
            path.write_bytes(last[:at] + before[at : at + PAGE] + last[at + PAGE :])
            try:
                assert drafts.of("") == {"run": {"lap": "8"}}
            except DamagedBookError as error:
                told += "an earlier one is back" in error.what
    assert told == 4  # the seal's page each time, the drafts' where SQLite sees nothing


def test_a_book_whose_drafts_have_no_seal_together_gets_one_with_its_next_save(folder, book):
    path, drafts = folder / "book.sqlite", Drafts(book)
    drafts.keep("run 1", {"lap": "1"})
    with closing(sqlite3.connect(path)) as connection:  # as version 2 was
        connection.execute("DROP TABLE drafts_seal")
        connection.execute("PRAGMA user_version = 2")
    assert drafts.of("") == {"run 1": {"lap": "1"}}
    book.append_all("tread", readings(np.random.default_rng(9), 0), "Kim")
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (3,)
        connection.execute("DELETE FROM drafts")
        connection.commit()
    with pytest.raises(DamagedBookError, match="a draft is missing"):
        drafts.of("")


def test_a_book_from_before_seals_is_read_and_sealed_by_its_next_save(folder, book):
    path = folder / "book.sqlite"
    old = read_model(path)
    with closing(sqlite3.connect(path)) as connection:
        tyres = [json.dumps(e.cells) for e in old.entries.values()]
    path.unlink()
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(UNSEALED)
        connection.execute(
            "INSERT INTO saves VALUES (1, 'book/*.csv', '2026-05-16T08:00:00Z', NULL)"
        )
        for number, cells in enumerate(tyres, start=1):
            connection.execute(
                "INSERT INTO entries VALUES (?, 1, 'tyres', ?, NULL, NULL, 0, ?)",
                (number, number + 1, cells),
            )
        connection.execute("INSERT INTO drafts VALUES ('run', '2026-05-16', '{\"lap\": \"1\"}')")
        connection.commit()
    assert list(book.read("tyres")["tyre_id"]) == ["N1", "N2"]
    assert Drafts(book).of("") == {"run": {"lap": "1"}}
    book.append_all("tread", readings(np.random.default_rng(9), 0), "Kim")
    assert seen_by_kit(folder).drafts == {"run": {"lap": "1"}}
    raw = path.read_bytes()
    path.write_bytes(raw.replace(b'"spec": "hard"', b'"spec": "herd"', 1))
    with pytest.raises(DamagedBookError, match="save 1"):
        book.read("tyres")


def test_a_save_is_on_disk_before_it_is_confirmed(folder, book):
    """EXTRA syncs the file and, when the journal is gone, its folder (sqlite.org/pragma.html)."""
    with opened(folder / "book.sqlite", book.event.meeting.zone, write=True) as connection:
        assert connection.execute("PRAGMA synchronous").fetchone() == (3,)
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("delete",)


def test_a_model_of_the_contract_and_the_kit_agree(folder, book):
    rng, model = np.random.default_rng(10), read_model(folder / "book.sqlite")
    for _ in range(25):
        op = next_op(model, rng)
        do(book, op, "Kim")
        model.apply(op)
    assert seen_by_kit(folder) == model


@pytest.fixture
def order(monkeypatch):
    """Record what is done to files, in order."""
    done: list[str] = []

    def fsync(descriptor):
        mode = whole_file.os.fstat(descriptor).st_mode
        done.append("folder to disk" if stat.S_ISDIR(mode) else "file to disk")

    replace = whole_file.os.replace
    monkeypatch.setattr(whole_file.os, "fsync", fsync)
    monkeypatch.setattr(
        whole_file.os, "replace", lambda a, b: (done.append("in place"), replace(a, b))[1]
    )
    return done


def test_a_file_is_on_disk_before_it_takes_its_name(tmp_path, order):
    write_whole(tmp_path / "new" / "sheet.html", "words")
    assert order == ["file to disk", "in place", "folder to disk"]
    assert (tmp_path / "new" / "sheet.html").read_text() == "words"
    assert [p.name for p in (tmp_path / "new").iterdir()] == ["sheet.html"]


def test_a_file_that_cannot_be_written_stays_as_it_was(tmp_path, monkeypatch):
    path = tmp_path / "event.toml"
    path.write_text("old")

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(whole_file, "to_disk", full)
    with pytest.raises(Exception, match="No space left on device") as caught:
        write_whole(path, "new")
    assert "Make room" in str(caught.value)
    assert path.read_text() == "old" and [p.name for p in tmp_path.iterdir()] == ["event.toml"]


def test_event_toml_is_changed_whole_or_not_at_all(folder, order):
    row = ("speed_mps", "Velocity", "km/h", 0.9, True, "its name", "")
    names = ["channel", "column", "unit", "score", "sure", "evidence", "or_else"]
    proposal = MappingProposal("x.csv", pd.DataFrame([row], columns=names), (), ())
    toml = folder / "event.toml"
    toml.write_bytes(toml.read_bytes().replace(b"\n", b"\r\n"))
    assert proposal.write(toml) == ('speed = { column = "Velocity", unit = "km/h" }',)
    assert order == ["file to disk", "in place", "folder to disk"]
    raw = toml.read_bytes()
    assert raw.count(b"\r\n") == raw.count(b"\n") and b"\r\r" not in raw


def test_a_file_whose_words_are_no_text_is_told(folder, book):
    """SQLite quotes the broken name of a table, which Python then cannot decode."""
    path = folder / "book.sqlite"
    raw = path.read_bytes()
    path.write_bytes(raw.replace(b"CREATE TABLE entries (", b"CREATE TABLE entri\xffs (", 1))
    with pytest.raises(DamagedBookError, match="cannot be used"):
        book.read("tyres")
    assert copies.state_of(path).trouble
    with pytest.raises(BookError, match="proven"):
        restore(path, "readable", book.event.meeting.zone)
    path.write_bytes(raw)
    assert len(book.read("tyres")) == 2
