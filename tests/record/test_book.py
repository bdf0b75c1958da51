"""The book: rows only added, superseded with who and when, saved whole or not at all."""

import sqlite3
import subprocess
import sys
import threading

import pandas as pd
import pytest

from tyrekit.errors import BookError
from tyrekit.record import book as book_module
from tyrekit.record import book_file
from tyrekit.record.book import Book
from tyrekit.record.intake import changed_files, import_csv, keep, open_book

READING = {
    "taken_at": "2026-05-16T09:40",
    "tyre_id": "N1",
    "inner_mm": 5.9,
    "centre_mm": "5,8",
    "outer_mm": 5.85,
}


@pytest.fixture
def book(folder, event) -> Book:
    return keep(open_book(folder, event), folder)


def test_tables_are_typed_and_ids_stay_text(book):
    tyres, runs = book.read("tyres"), book.read("runs")
    assert list(tyres["tyre_id"])[4] == "007"
    assert tyres["new"].dtype == bool and tyres["age_laps"].dtype == float
    assert runs["start"].dtype == "datetime64[us, Europe/London]"
    assert runs["start"].iloc[0].isoformat() == "2026-05-16T09:02:00+01:00"
    assert pd.isna(runs["cold_rl_bar"]).all()
    assert list(book.read("temperatures").columns)[:3] == ["taken_at", "run_id", "corner"]


def test_decimal_commas_and_semicolons_are_read(book):
    assert list(book.read("weather")["track_c"]) == [20.0, 26.0]


def test_corner_and_kind_take_any_case(book):
    assert list(book.read("pressures")["corner"]) == ["FL", "FR"]


def test_a_saved_row_is_on_disk_for_another_program(book, folder, event):
    row_id = book.append("tread", READING, "Kim")
    other = Book(folder / "book.sqlite", event)
    assert other.read("tread").loc[row_id, "centre_mm"] == 5.8


def test_a_correction_supersedes_and_the_old_row_stays_readable(book):
    first = book.append("tread", READING, "Kim")
    second = book.correct(first, {"inner_mm": 5.7}, "Lee")
    assert first not in book.read("tread").index
    assert book.read("tread").loc[second, "inner_mm"] == 5.7
    history = book.history(second)
    assert list(history["who"]) == ["Kim", "Lee"]
    assert list(history["inner_mm"]) == ["5.9", "5.7"]
    assert history["at"].is_monotonic_increasing
    assert book.history(first).equals(history)


def test_a_row_corrected_meanwhile_is_not_corrected_blindly(book):
    first = book.append("tread", READING, "Kim")
    book.correct(first, {"inner_mm": 5.7}, "Lee")
    with pytest.raises(BookError, match="changed by Lee"):
        book.correct(first, {"inner_mm": 5.6}, "Kim")


def test_a_removed_row_is_gone_from_the_table_and_kept_in_history(book):
    first = book.append("tread", READING, "Kim")
    second = book.remove(first, "Kim")
    assert first not in book.read("tread").index and second not in book.read("tread").index
    assert list(book.history(first)["removed"]) == [False, True]
    with pytest.raises(BookError):
        book.correct(second, {"inner_mm": 1.0}, "Kim")


def test_undo_walks_back_save_by_save_and_never_past_the_import(book):
    before = book.digest()
    first = book.append("tread", READING, "Kim")
    typed = book.digest()
    book.correct(first, {"inner_mm": 5.7}, "Kim")
    assert book.undo("Kim") and book.digest() == typed
    assert book.undo("Kim") and book.digest() == before
    assert book.undo("Kim") == [] and book.digest() == before
    assert len(book.history(first)) == 4


def test_undo_takes_back_a_whole_save_and_a_removal(book):
    before = book.digest()
    book.append_all("tread", [READING, {**READING, "tyre_id": "N2"}], "Kim")
    assert len(book.undo("Kim")) == 2 and book.digest() == before
    row_id = int(book.read("tread").index[0])
    book.remove(row_id, "Kim")
    book.undo("Kim")
    assert book.digest() == before


def test_nothing_is_saved_when_one_row_of_a_save_is_wrong(book):
    before = book.digest()
    with pytest.raises(BookError, match=r"'N9' is not in the tyre list; it has N1\.\.N4, 007"):
        book.append_all("tread", [READING, {**READING, "tyre_id": "N9"}], "Kim")
    assert book.digest() == before and book.typed_saves() == 0


def test_the_file_itself_refuses_changes(book, folder):
    connection = sqlite3.connect(folder / "book.sqlite")
    for sql in ("UPDATE entries SET cells = '{}'", "DELETE FROM entries", "DELETE FROM saves"):
        with pytest.raises(sqlite3.IntegrityError, match="only added to"):
            connection.execute(sql)
    connection.close()


def test_a_save_needs_a_name(book):
    with pytest.raises(BookError, match="who is writing"):
        book.append("tread", READING, " ")


def test_two_programs_write_at_once_and_nothing_is_lost(book, folder, event):
    def write(who):
        for i in range(10):
            mine = Book(folder / "book.sqlite", event)
            mine.append("tread", {**READING, "inner_mm": 5.0 + i / 100}, who)

    writers = [threading.Thread(target=write, args=(who,)) for who in ("Kim", "Lee")]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert len(book.read("tread")) == 3 + 20 and book.typed_saves() == 20


def test_a_lock_held_too_long_is_said(book, folder, monkeypatch):
    monkeypatch.setattr(book_file, "BUSY_S", 0.05)
    other = sqlite3.connect(folder / "book.sqlite", isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    with pytest.raises(BookError, match="Another program is writing"):
        book.append("tread", READING, "Kim")
    other.close()


def test_a_file_that_is_no_book_is_said(folder, event):
    (folder / "book.sqlite").write_bytes(b"not a database at all, only some words" * 40)
    with pytest.raises(BookError, match=r"book\.sqlite.*cannot be used"):
        open_book(folder, event)
    assert (folder / "book.sqlite").stat().st_size == 38 * 40


def test_a_csv_that_changed_is_said_and_not_read_again(book, folder, edit):
    edit("book/tread.csv", "3.8,4.0,3.9", "3.5,4.0,3.9")
    edit("book/fuel.csv", whole="taken_at,kind,volume_l\n")
    (folder / "book/weather.csv").unlink()
    assert changed_files(book, folder) == {
        "tread": "has changed", "fuel": "is new", "weather": "is gone",
    }  # fmt: skip
    assert 3.5 not in list(book.read("tread")["inner_mm"])


def test_taking_a_changed_csv_in_keeps_what_was_typed(book, folder, edit):
    rows = book.read("tread")
    corrected = book.correct(int(rows.index[0]), {"inner_mm": 4.15}, "Kim")
    edit("book/tread.csv", "3.8,4.0,3.9", "3.5,4.0,3.9")
    edit(
        "book/tread.csv",
        "\n2026-05-16T08:05",
        "\n2026-05-16T09:14,008,P1-1,3.7,3.9,3.8\n2026-05-16T08:05",
    )
    said = import_csv(book, folder, "Kim")
    assert [words.split(": ")[1] for words in said] == ["corrects a row", "adds a row"]
    assert changed_files(book, folder) == {}
    now = book.read("tread")
    assert now.loc[corrected, "inner_mm"] == 4.15
    assert sorted(now["inner_mm"]) == [3.5, 3.7, 4.15, 6.0]
    assert import_csv(book, folder, "Kim") == []


def test_export_can_be_read_in_again(book, folder, tmp_path, event):
    book.append("tread", READING, "Kim")
    copy = tmp_path / "copy"
    book.export_csv(copy / "book")
    assert open_book(copy, event).digest() == book.digest()


def test_a_folder_that_cannot_be_written_is_read_and_nothing_typed(folder, event, monkeypatch):
    monkeypatch.setattr("tyrekit.record.intake.os.link", _refuse)
    monkeypatch.setattr("tyrekit.record.intake.os.replace", _refuse)
    book = keep(open_book(folder, event), folder)
    assert isinstance(book.source, bytes) and len(book.read("runs")) == 2
    with pytest.raises(BookError, match="cannot be written"):
        book.append("tread", READING, "Kim")
    assert not list(folder.glob("*.sqlite*")) and not list(folder.glob(".book*"))


def _refuse(*_):
    raise PermissionError(13, "read only")


def test_a_book_without_rows_is_filled_when_the_files_are(folder, event, edit):
    full = (folder / "book/tyres.csv").read_text()
    for path in (folder / "book").glob("*.csv"):
        path.write_text(path.read_text().splitlines()[0] + "\n")
    empty = keep(open_book(folder, event), folder)
    assert empty.is_empty()
    edit("book/tyres.csv", whole=full)
    filled = keep(open_book(folder, event), folder)
    assert len(filled.read("tyres")) == 8 and filled.typed_saves() == 0


WRITER = """
import sys
from pathlib import Path
from tyrekit.record.book import Book
from tyrekit.record.event import load_event
folder = Path(sys.argv[1])
book = Book(folder / "book.sqlite", load_event(folder / "event.toml"))
row = {"taken_at": "2026-05-16T09:40", "tyre_id": "N1", "centre_mm": 5, "outer_mm": 5}
for i in range(10_000):
    print(book.append("tread", {**row, "inner_mm": i}, "Kim"), flush=True)
"""


def test_what_was_confirmed_survives_the_program_being_killed(book, folder):
    writer = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(folder)], stdout=subprocess.PIPE, text=True
    )
    assert writer.stdout is not None
    confirmed = [int(writer.stdout.readline()) for _ in range(5)]
    writer.kill()
    confirmed += [int(line) for line in writer.stdout.read().split()]
    writer.stdout.close()
    writer.wait()
    rows = book.read("tread")
    assert set(confirmed) <= set(rows.index) and len(rows) <= 3 + len(confirmed) + 1
    book.append("tread", READING, "Lee")


def test_a_save_that_never_reached_the_disk_vouches_for_nothing(book, monkeypatch):
    """The number of a save rolled back is given again: the next one is checked all the same."""
    book.append("tread", READING, "Kim")

    answers = [book.latest_save()]

    def fails_after_the_check(connection):
        if not answers:
            raise OSError("disk full")
        return answers.pop()

    with monkeypatch.context() as patch:
        patch.setattr(book_module.ledger, "latest_save", fails_after_the_check)
        with pytest.raises(OSError):
            book.append("tread", READING, "Kim")
    with pytest.raises(BookError, match="tyre 'N99' is not in the tyre list"):
        book.append("tread", {**READING, "tyre_id": "N99"}, "Kim")
    assert len(book.problems()) == 0
