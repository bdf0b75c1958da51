"""Locks and left-out laps in the book, and drafts beside it: kept, undone, refused with words."""

import shutil
import sqlite3

import pytest

from tyrekit.errors import BookError
from tyrekit.record.decisions import locks_of, save_left_out, save_lock, save_scrapped
from tyrekit.record.drafts import Drafts
from tyrekit.record.event import Lock
from tyrekit.record.intake import keep, open_book
from tyrekit.record.weekend import Weekend


@pytest.fixture
def weekend(folder) -> Weekend:
    return Weekend.open(folder)


def book_locks(weekend):
    return [(lock.session, dict(lock.tyres)) for lock in locks_of(weekend.locks)]


def test_a_lock_saved_is_a_limit_of_the_weekend_opened_next(weekend, folder):
    before = len(weekend.event.limits)
    save_lock(weekend.book, "Q", "FL", "N1", "Kim")
    again = Weekend.open(folder)
    assert len(again.event.limits) == before + 1
    assert again.event.limits[-1] == Lock(kind="lock", session="Q", tyres={"FL": "N1"})
    assert weekend.with_locks().event == again.event
    assert weekend.with_locks().inputs == again.inputs != weekend.inputs


def test_a_tyre_moves_corners_go_free_and_every_step_is_undone(weekend):
    book = weekend.book
    steps = []
    for corner, tyre_id in (("FL", "N1"), ("FR", "N2"), ("FR", "N1"), ("FR", "N1"), ("FR", "")):
        save_lock(book, "Q", corner, tyre_id, "Kim")
        steps.append(book_locks(weekend.with_locks()))
    both, moved = [("Q", {"FL": "N1", "FR": "N2"})], [("Q", {"FR": "N1"})]
    assert steps == [[("Q", {"FL": "N1"})], both, moved, moved, []]
    for expected in (moved, both, [("Q", {"FL": "N1"})], []):
        book.undo("Kim")
        assert book_locks(weekend.with_locks()) == expected


def test_a_lock_against_event_toml_is_said_and_both_stand(folder):
    text = (folder / "event.toml").read_text()
    own = '\n[[limit]]\nkind = "lock"\nsession = "Q"\ntyres = { FL = "N1" }\n'
    (folder / "event.toml").write_text(text + own)
    weekend = Weekend.open(folder)
    save_lock(weekend.book, "Q", "FL", "N2", "Kim")
    found = weekend.with_locks()
    said = [note for note in found.notes if "cannot both hold" in note]
    assert len(said) == 1 and "event.toml has FL N1, the book has FL N2" in said[0]
    assert [limit.tyres for limit in found.event.limits if isinstance(limit, Lock)] == [
        {"FL": "N1"}, {"FL": "N2"},
    ]  # fmt: skip
    weekend.book.undo("Kim")
    assert found.with_locks().notes == weekend.notes


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("Z,N1,,,,", "session 'Z' is not in event.toml"),
        ("Q,N77,,,,", "tyre 'N77' is not in the tyre list"),
        ("Q,N1,N1,,,", "tyre 'N1' is on FL and FR"),
        ("Q,,,,,sure", "names no tyre"),
        ("Q,N1,,,,\nQ,,N2,,,", "session 'Q' is there twice"),
    ],
)
def test_a_wrong_lock_names_its_row(folder, row, words):
    (folder / "book/locks.csv").write_text(f"session,fl,fr,rl,rr,note\n{row}\n")
    with pytest.raises(BookError, match=r"book/locks.csv row \d") as error:
        Weekend.open(folder)
    assert words in str(error.value)


def test_a_lap_left_out_does_not_count_and_says_why(weekend, folder):
    counted = weekend.laps[weekend.laps["counts"]].iloc[2]
    out = weekend.laps[weekend.laps["kind"] == "out"].iloc[0]
    chosen = [(counted["run_id"], int(counted["lap"])), (out["run_id"], int(out["lap"]))]
    assert len(save_left_out(weekend.book, chosen, "held up", "Kim")) == 2
    assert save_left_out(weekend.book, chosen, "again", "Kim") == []
    laps = Weekend.open(folder).laps
    assert laps["counts"].sum() == weekend.laps["counts"].sum() - 1
    changed = laps[laps["reason"] != weekend.laps["reason"]]
    assert list(changed.index) == [out.name, counted.name]
    assert changed.loc[counted.name, "reason"] == "left out by the engineer: held up"
    assert changed.loc[out.name, "reason"] == f"{out['reason']}; left out by the engineer: held up"
    weekend.book.undo("Kim")
    assert Weekend.open(folder).laps.equals(weekend.laps)


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("P9-1,3,held up", "run 'P9-1' is not in the runs"),
        ("P1-1,99,held up", "lap 99 is not in run 'P1-1'; it has 1..6"),
        ("P1-1,3,", "reason is empty"),
        ("P1-1,3,a\nP1-1,3,b", "is there twice"),
    ],
)
def test_a_wrong_left_out_lap_names_its_row(folder, row, words):
    (folder / "book/left_out.csv").write_text(f"run_id,lap,reason\n{row}\n")
    with pytest.raises(BookError, match=r"book/left_out.csv row \d") as error:
        Weekend.open(folder)
    assert words in str(error.value)


def test_a_draft_outlives_the_program_and_is_no_entry(folder, event):
    book = keep(open_book(folder, event), folder)
    digest = book.digest()
    assert Drafts(book).of("tread") == {}
    Drafts(book).keep("tread P1-2 N1", {"inner_mm": "5,", "centre_mm": ""})
    Drafts(book).keep("tread P1-2 N1", {"inner_mm": "5,4", "centre_mm": "x"})
    again = Drafts(open_book(folder, event))
    assert again.of("tread P1-2") == {"tread P1-2 N1": {"inner_mm": "5,4", "centre_mm": "x"}}
    assert again.of("run") == {} and book.digest() == digest and book.undo("Kim") == []
    again.drop("tread P1-2 N1")
    assert Drafts(book).of("") == {}


def test_drafts_of_a_book_without_their_tables_and_of_one_read_only(folder, event):
    book = keep(open_book(folder, event), folder)
    with sqlite3.connect(folder / "book.sqlite") as connection:  # as version 2 was before a draft
        connection.executescript(
            "DROP TABLE drafts; DROP TABLE drafts_seal; PRAGMA user_version = 2"
        )
    connection.close()
    assert Drafts(book).of("") == {}
    Drafts(book).keep("run", {"driver": "Driver A"})
    assert Drafts(book).of("run") == {"run": {"driver": "Driver A"}}
    shutil.rmtree(folder / "book")
    (folder / "book.sqlite").unlink()
    image = open_book(folder, event)
    Drafts(image).keep("run", {"driver": "Driver A"})
    assert Drafts(image).of("") == {}


def test_a_tyre_is_scrapped_with_a_reason_and_taken_back(weekend):
    book = weekend.book
    for tyre_id, reason, words in (("N9", "cut", "not in the tyre list"), ("N1", "", "no reason")):
        with pytest.raises(BookError, match=words):
            save_scrapped(book, tyre_id, True, reason, "test")
    assert book.typed_saves() == 0
    save_scrapped(book, "N1", True, "cut", "test")
    save_scrapped(book, "N1", True, "cut", "test")  # pressed twice: one save
    assert book.typed_saves() == 1
    save_scrapped(book, "N1", False, "", "test")
    rows = book.history(int(book.read("tyres").query("tyre_id == 'N1'").index[0]))
    assert list(rows["scrapped"].iloc[1:]) == ["yes", "no"]
    assert list(rows["note"].iloc[1:]) == ["scrapped: cut", ""]
