"""Dated copies of the book, putting one back, and the history of every value."""

import csv
import os
import shutil
import sqlite3
import time
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from book_model import read_model, readings
from book_trials import event_of, seen_by_kit, weekend, writer

from tyrekit.commands import main
from tyrekit.errors import BookError
from tyrekit.record import book as book_module
from tyrekit.record import copies
from tyrekit.record.book import Book
from tyrekit.record.book_file import DamagedBookError
from tyrekit.record.book_history import history
from tyrekit.record.drafts import Drafts
from tyrekit.record.restoration import restore
from tyrekit.record.weekend import Weekend
from tyrekit.show.panel_review import ReviewPanel

ZONE = ZoneInfo("Europe/London")
NOW = datetime(2026, 5, 16, 9, 30, tzinfo=UTC)  # 10:30 in London


class Clock(datetime):
    """A clock that tests set."""

    moment = NOW

    @classmethod
    def now(cls, tz=None):
        return cls.moment.astimezone(tz)


@pytest.fixture
def clock(monkeypatch):
    monkeypatch.setattr(book_module, "datetime", Clock)
    Clock.moment = NOW
    return Clock


@pytest.fixture
def folder(tmp_path):
    return weekend(tmp_path / "weekend")


@pytest.fixture
def path(folder):
    return folder / "book.sqlite"


@pytest.fixture
def book(folder, path, clock) -> Book:
    return Book(path, event_of(folder))


def one(second: int = 0) -> dict[str, str]:
    return readings(np.random.default_rng(second), second)[0]


def damage(path, save: int = 2) -> bytes:
    """Flip a bit in a value of a save and return the file's bytes."""
    with closing(sqlite3.connect(path)) as connection:
        cells = connection.execute(
            "SELECT cells FROM entries WHERE save_id = ?", (save,)
        ).fetchone()[0]
    raw = path.read_bytes()
    place = raw.index(cells.encode()) + cells.index('_mm": "') + 7
    raw = raw[:place] + bytes([raw[place] ^ 1]) + raw[place + 1 :]
    path.write_bytes(raw)
    return raw


def names(path) -> list[str]:
    return [copy.path.name for copy in copies.copies_of(path)]


def test_the_first_save_is_copied_and_then_one_every_few_minutes(book, path, clock):
    book.append("tread", one(0), "Kim")
    assert names(path) == ["20260516T093000Z-save-2.sqlite"]
    clock.moment = NOW + timedelta(minutes=4)
    book.append("tread", one(1), "Kim")
    assert len(names(path)) == 1
    clock.moment = NOW + timedelta(minutes=6)
    book.append("tread", one(2), "Kim")
    assert names(path)[0] == "20260516T093600Z-save-4.sqlite"
    assert read_model(copies.copies_of(path)[0].path) == read_model(path)


def test_a_clock_set_back_stops_no_copies(book, path, clock):
    book.append("tread", one(0), "Kim")
    clock.moment = NOW - timedelta(days=1)
    book.append("tread", one(1), "Kim")
    assert len(names(path)) == 2


def test_many_saves_in_a_few_minutes_are_copied_too(book, path):
    for second in range(copies.SAVES + 1):
        book.append("tread", one(second), "Kim")
    assert [copy.save_id for copy in copies.copies_of(path)] == [2 + copies.SAVES, 2]


def test_a_book_that_nobody_typed_into_is_not_copied(folder, path):
    Weekend.open(folder)
    assert names(path) == []


def test_opening_copies_what_was_typed_since_the_last_copy(folder, book, path, clock):
    book.append("tread", one(0), "Kim")
    book.append("tread", one(1), "Kim")
    clock.moment = NOW + timedelta(minutes=6)
    Weekend.open(folder)
    Weekend.open(folder)
    assert [copy.save_id for copy in copies.copies_of(path)] == [3, 2]


def test_copies_are_thinned_to_the_last_ten_and_one_a_day(book, path, clock):
    book.append("tread", one(0), "Kim")
    for hour in range(60):
        copies.make(path, NOW + timedelta(hours=hour))
    there = [copy.made_at for copy in copies.copies_of(path)]
    assert there[:10] == [NOW + timedelta(hours=59 - i) for i in range(10)]
    assert [at.date().day for at in there[10:]] == [17, 16] and len(there) == 12
    assert there[11].hour == 23


def test_what_a_killed_program_left_is_taken_away(book, path):
    """Of a copy by the next copy, of a book by the next time one is put back."""
    folder = path.with_name("book.sqlite-copies")
    folder.mkdir()
    left = {".book.sqlite.1.part": 3600, ".book.sqlite.1.part-journal": 3600,
            ".book.sqlite.2.part": 0, ".event.toml.1.part": 3600}  # fmt: skip
    kept = {".book.sqlite.2.part", ".event.toml.1.part"}
    for place in (folder, path.parent):
        for name, age in left.items():
            (place / name).write_bytes(b"half")
            os.utime(place / name, (time.time() - age,) * 2)
    book.append("tread", one(0), "Kim")
    assert {p.name for p in folder.glob(".*")} == kept and len(names(path)) == 1
    restore(path, "newest", book.event.meeting.zone)
    assert {p.name for p in path.parent.glob(".*")} == kept


def test_a_copy_that_cannot_be_made_is_said_and_the_save_stands(folder, book, path, monkeypatch):
    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(copies, "to_disk", full)
    row_id = book.append("tread", one(0), "Kim")
    assert row_id in book.read("tread").index
    notes = [note for note in Weekend.open(folder).notes if "not copied" in note]
    assert len(notes) == 1 and "No space left" in notes[0]
    assert "what was saved is in the book" in notes[0]
    assert list(path.with_name("book.sqlite-copies").iterdir()) == []


def test_a_damaged_book_is_not_copied_over_good_copies(book, path):
    book.append("tread", one(0), "Kim")
    damage(path)
    with pytest.raises(sqlite3.DatabaseError, match="save 2"):
        copies.make(path, NOW + timedelta(hours=1))
    assert len(names(path)) == 1
    assert [p.name for p in copies.copies_of(path)[0].path.parent.iterdir()] == names(path)


def test_opening_a_damaged_book_names_the_newest_good_copy_and_the_command(folder, book, path):
    book.append("tread", one(0), "Kim")
    copies.make(path, NOW + timedelta(minutes=1))
    damage(copies.copies_of(path)[0].path)
    damage(path)
    with pytest.raises(DamagedBookError) as caught:
        Weekend.open(folder)
    said = str(caught.value)
    assert (
        "save 2 (by Kim at" in said and "Sat 16 May, 10:30:00: 3 entries, the last by Kim" in said
    )
    assert f'tyrekit book "{folder}" restore newest' in said and "set aside" in said


def test_a_panel_shows_what_to_do_about_a_damaged_book(folder, book, path):
    book.append("tread", one(0), "Kim")
    damage(path)
    shown = ReviewPanel(folder, "").problem.value
    assert 'role="alert"' in shown and "restore newest" in shown and "Traceback" not in shown


def test_putting_a_copy_back_brings_along_the_later_saves_that_are_proven(folder, book, path):
    book.append("tread", one(0), "Kim")
    row = book.append("tread", one(1), "Kim")
    book.correct(row, {"inner_mm": "3.33"}, "Lee")
    Drafts(book).keep("run", {"lap": "7"})
    whole = read_model(path)
    raw = damage(path, save=2)
    done = restore(path, "newest", ZONE)
    assert seen_by_kit(folder) == whole and done.carried == 2 and done.loose == 0
    assert (done.aside / "book.sqlite").read_bytes() == raw
    assert done.copy.moment(ZONE) == "2026-05-16T10:30:00"
    assert book.undo("Kim")


def test_what_is_read_but_not_proven_stands_beside_the_old_book(folder, book, path):
    for second in range(4):
        book.append("tread", one(second), "Kim")
    damage(path, save=4)
    done = restore(path, "newest", ZONE)
    assert done.carried == 1 and done.loose == 2
    with (done.aside / "readable.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["save"] for row in rows] == ["4", "5"] and rows[1]["who"] == "Kim"
    assert one(3)["token"] in rows[1]["cells"]
    assert max(seen_by_kit(folder).saves) == 3


def test_without_a_copy_what_is_proven_is_put_back(folder, book, path):
    for second in range(4):
        book.append("tread", one(second), "Kim")
    shutil.rmtree(path.with_name("book.sqlite-copies"))
    damage(path, save=5)
    with pytest.raises(DamagedBookError, match="restore readable"):
        book.read("tread")
    done = restore(path, "readable", ZONE)
    assert done.copy is None and max(seen_by_kit(folder).saves) == 4 and done.loose == 1


def test_an_older_copy_of_a_sound_book_is_put_back_as_it_was(folder, book, path, clock):
    book.append("tread", one(0), "Kim")
    first = read_model(path)
    clock.moment = NOW + timedelta(minutes=6)
    book.append("tread", one(1), "Kim")
    whole = read_model(path)
    with pytest.raises(BookError, match="several copies are of '2026-05-16'"):
        restore(path, "2026-05-16", ZONE)
    with pytest.raises(BookError, match=r"no sound copy of '11:11'.*2026-05-16T10:36:00, 2026"):
        restore(path, "11:11", ZONE)
    done = restore(path, "2026-05-16 10:30", ZONE)
    assert seen_by_kit(folder) == first and done.carried == 0
    assert read_model(done.aside / "book.sqlite") == whole
    again = restore(path, "2026-05-16T10:36", ZONE)
    assert seen_by_kit(folder) == whole and again.aside != done.aside


def test_a_book_that_is_gone_is_said_and_not_made_again_from_the_csv_files(folder, book, path):
    book.append("tread", one(0), "Kim")
    whole = read_model(path)
    path.unlink()
    with pytest.raises(BookError, match=r"the book is gone.*restore newest"):
        Weekend.open(folder)
    assert not path.exists()
    assert restore(path, "newest", ZONE).aside is None and seen_by_kit(folder) == whole


def test_a_book_held_by_another_program_is_not_replaced(book, path, monkeypatch):
    book.append("tread", one(0), "Kim")
    monkeypatch.setattr("tyrekit.record.restoration.BUSY_S", 0.05)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(BookError, match="Close other programs"):
            restore(path, "newest", ZONE)
    assert not path.with_name("book.sqlite-aside").exists()
    assert [p.name for p in path.parent.glob(".*")] == []


def test_a_program_that_waited_does_not_save_into_the_book_set_aside(folder, book, path):
    """It waits for the file that is then replaced; SQLite sees that it was moved."""
    book.append("tread", one(0), "Kim")
    with writer() as program:
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            program.send(folder, [["append", "tread", [one(1)]]])
            assert program.line() == ["try", "0"]
            wait_until_open(program, path)
            fresh = path.with_name("fresh")
            shutil.copyfile(copies.copies_of(path)[0].path, fresh)
            fresh.replace(path)
        [line] = program.to_end()
    held = one(1)["token"] in str(seen_by_kit(folder).entries)
    assert (line[0] == "saved") == held
    if line[0] == "refused":
        assert "put in its place" in line[2]


def wait_until_open(program, path) -> None:
    """Wait until a forked writer has the book's file open (Linux shows that)."""
    children = Path(f"/proc/{program.process.pid}/task/{program.process.pid}/children")
    if not children.exists():
        pytest.skip("no /proc here")
    while not any(
        name.resolve() == path.resolve()
        for pid in children.read_text().split()
        for name in Path(f"/proc/{pid}/fd").iterdir()
    ):
        time.sleep(0.01)


def test_history_shows_every_value_with_who_and_when(book, path):
    row = book.append("tread", {**one(0), "inner_mm": "5,9"}, "Kim")
    new = book.correct(row, {"inner_mm": 5.7}, "Lee")
    book.remove(new, "Kim")
    book.undo("Lee")
    told = history(path, ZONE, "tread")
    assert list(told["did"]) == ["entered", "corrected", "removed", "took back"]
    assert list(told["who"]) == ["Kim", "Lee", "Kim", "Lee"]
    assert told["values"].iloc[1] == "inner_mm 5,9 -> 5.7"
    assert "inner_mm 5,9" in told["values"].iloc[0] and "gone: " in told["values"].iloc[2]
    assert set(told["row"]) == {row} and told["at"].is_monotonic_increasing
    assert told["at"].iloc[0].tzinfo == ZONE
    every = history(path, ZONE)
    assert list(every["did"])[:2] == ["read in", "read in"] and len(every) == 6
    assert (
        len(history(path, ZONE, ident="N1")) == 5 and len(history(path, ZONE, "tyres", "N2")) == 1
    )
    assert len(history(path, ZONE, "tread", str(new))) == 4
    with pytest.raises(BookError, match="never held 'N7'"):
        history(path, ZONE, ident="N7")
    with pytest.raises(BookError, match="no table 'tyre'"):
        history(path, ZONE, "tyre")


def run(capsys, *words: object) -> tuple[int, str]:
    code = main([str(word) for word in words])
    said = capsys.readouterr()
    return code, said.out + said.err


def test_the_command_lists_tells_and_puts_back(folder, book, path, capsys):
    assert run(capsys, "book", folder)[0] == 0
    book.append("tread", {**one(0), "note [red]": "=1+1 [/]"}, "Kim [b]")
    code, said = run(capsys, "book", folder)
    assert code == 0 and "sound; 3 entries, the last by Kim [b]" in said and "1 copy" in said
    code, said = run(capsys, "book", folder, "copies")
    assert code == 0 and "2026-05-16T10:30:00" in said and "sound" in said
    code, said = run(capsys, "book", folder, "history", "tread", "N1")
    assert code == 0 and "entered" in said and "Kim [b]" in said and "=1+1 [/]" in said
    damage(path)
    code, said = run(capsys, "book", folder)
    assert code == 2 and "restore newest" in said
    code, said = run(capsys, "book", folder, "history")
    assert code == 2 and "restore newest" in said
    code, said = run(capsys, "book", folder, "restore", "newest")
    assert code == 0 and "Put back: the copy of 2026-05-16T10:30:00" in said
    assert "set aside in" in said
    aside = next(path.with_name("book.sqlite-aside").iterdir()) / "book.sqlite"
    assert run(capsys, "book", aside)[0] == 2
    assert run(capsys, "book", copies.copies_of(path)[0].path, "history", "tread")[0] == 0
    assert run(capsys, "book", folder)[0] == 0


def test_the_command_says_when_there_is_no_book(tmp_path, capsys):
    code, said = run(capsys, "book", tmp_path)
    assert code == 2 and "no book here yet" in said


def test_the_command_works_without_an_event_that_can_be_read(folder, book, path, capsys):
    book.append("tread", one(0), "Kim")
    (folder / "event.toml").write_text("[event\n")
    assert "2026-05-16T09:30:00" in run(capsys, "book", folder, "copies")[1]
    assert run(capsys, "book", folder, "restore", "newest")[0] == 0
