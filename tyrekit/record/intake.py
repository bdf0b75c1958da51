"""book/*.csv read into the book: whole at the first opening, and later when asked."""

from __future__ import annotations

import hashlib
import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path
from zoneinfo import ZoneInfo

from tyrekit.errors import BookError, InputError
from tyrekit.record import ledger, seals
from tyrekit.record.book import Book
from tyrekit.record.book_file import gone
from tyrekit.record.copies import copies_of
from tyrekit.record.event import Event, load_event
from tyrekit.record.foreign import own_book
from tyrekit.record.own_files import own_file, own_folder
from tyrekit.record.spreadsheet import Sheet, read_sheet
from tyrekit.record.tables import TABLES, completed, header_problems
from tyrekit.record.whole_file import folder_to_disk, part_of, write_part

FILE_NAME = "book.sqlite"
FOLDER_NAME = "book"
FIRST = "book/*.csv"  # who entered the rows of the first opening
KEYS: dict[str, tuple[str, ...]] = {
    "tyres": ("tyre_id",),
    "runs": ("run_id",),
    "laps": ("run_id", "lap"),
    "tread": ("taken_at", "tyre_id"),
    "pressures": ("taken_at", "run_id", "corner"),
    "temperatures": ("taken_at", "run_id", "corner"),
    "fuel": ("taken_at", "run_id", "kind"),
    "weather": ("taken_at",),
    "locks": ("session",),
    "left_out": ("run_id", "lap"),
}


def open_book(folder: Path, event: Event) -> Book:
    """Return a weekend's book; before the first `keep` it is an image made from book/*.csv.

    Raises
    ------
    BookError
        A file, a row or what the rows say together breaks a rule; all of it is in the message.
    """
    path = folder / FILE_NAME
    own_book(path)
    if missing := gone(path, event.meeting.zone):
        raise missing
    book = Book(path, event)
    if not path.exists() or book.is_empty():
        book = Book(draft(folder), event)
    if found := book.problems():
        raise BookError.joined(found)
    return book


def find_book(place: Path) -> tuple[Path, ZoneInfo]:
    """Return the book's file of a weekend's folder, or the file itself, and the event's time zone.

    An event.toml that cannot be read does not stand in the way: times are then in UTC.

    Raises
    ------
    BookError
        There is neither a book nor a copy of one.
    """
    path = place if place.is_file() else place / FILE_NAME
    zone = ZoneInfo("UTC")
    own_book(path)
    for folder in path.absolute().parents:
        if (folder / "event.toml").is_file():
            with suppress(InputError):
                zone = load_event(folder / "event.toml").meeting.zone
            break
    if not path.exists() and not copies_of(path):
        raise BookError(
            "there is no book here yet, nor a copy of one", where=str(path),
            next_step="Name the weekend's folder; the book is made when the weekend is first"
            " opened: `tyrekit check FOLDER`.",
        )  # fmt: skip
    return path, zone


def draft(folder: Path) -> bytes:
    """Return the image of a book made from book/*.csv, cells unchecked."""
    sheets = read_sheets(folder)
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.executescript(ledger.SCHEMA)
        save_id = ledger.new_save(connection, FIRST)
        for table, sheet in sheets.items():
            _record_file(connection, folder, table, save_id)
            for line, cells in sheet.rows.items():
                ledger.add(connection, save_id, table, completed(table, cells), line=line)
        seals.seal_new(connection)
        connection.commit()
        return connection.serialize()


def read_sheets(folder: Path) -> dict[str, Sheet]:
    """Return the CSV files of a weekend by table; a table without a file is left out.

    Raises
    ------
    BookError
        A file cannot be read or lacks a column; every such file is in the message.
    """
    sheets: dict[str, Sheet] = {}
    found: list[BookError] = []
    own_folder(folder / FOLDER_NAME, FOLDER_NAME)
    for table in TABLES:
        path, where = csv_path(folder, table), f"book/{table}.csv"
        own_file(path, where, BookError)
        if not path.exists():
            continue
        try:
            sheets[table] = read_sheet(path, where)
            if sheets[table].header:
                found += header_problems(table, sheets[table].header, where)
        except BookError as error:
            found += [p for p in error.problems if isinstance(p, BookError)]
    if found:
        raise BookError.joined(found)
    return sheets


def keep(book: Book, folder: Path) -> Book:
    """Write a book's image to disk whole and return the book on disk.

    A folder that cannot be written leaves the book as it is, to be read only. When another
    program has made the file meanwhile, that one is used; one without any row is filled.
    """
    if isinstance(book.source, Path):
        return book
    path, part = folder / FILE_NAME, part_of(folder / FILE_NAME)
    try:
        write_part(part, book.source)
        try:
            os.link(part, path)  # fails when the file is there, unlike a rename
        except FileExistsError:
            pass
        except OSError:  # a disk without links
            os.replace(part, path)
        folder_to_disk(folder)
    except OSError:
        return book
    finally:
        part.unlink(missing_ok=True)
    kept = Book(path, book.event)
    if kept.is_empty() and changed_files(kept, folder):
        import_csv(kept, folder, FIRST)
    return kept


def changed_files(book: Book, folder: Path) -> dict[str, str]:
    """Return table -> what happened to its CSV file since it was read into the book."""
    known, changes = book.imported(), {}
    for table in TABLES:
        path = csv_path(folder, table)
        if not path.is_file() and table in known:
            changes[table] = "is gone"
        elif path.is_file() and table not in known:
            changes[table] = "is new"
        elif path.is_file() and _sha256(path) != known[table]:
            changes[table] = "has changed"
    return changes


def import_csv(book: Book, folder: Path, who: str) -> list[str]:
    """Take changed book/*.csv files into the book, as corrections and new rows of one save.

    A row that says what it said when last read is passed over, so that what was typed since
    stands; rows gone from a file stay in the book. Returns what was done, in words.

    Raises
    ------
    BookError
        A file or row breaks a rule; nothing is saved then.
    """
    sheets, changes = read_sheets(folder), changed_files(book, folder)
    said: list[str] = []
    with book.writing(who) as connection:
        save_id = ledger.new_save(connection, who)
        for table in changes:
            if table in sheets:
                said += _merge(connection, save_id, table, sheets[table])
                _record_file(connection, folder, table, save_id)
    return said


def _merge(connection: sqlite3.Connection, save_id: int, table: str, sheet: Sheet) -> Iterator[str]:
    now = ledger.current(connection, table)
    read_before = [_filled(e.cells) for e in now if e.line is not None]
    read_before += [_filled(cells) for cells in _superseded(connection, table)]
    for line, typed in sheet.rows.items():
        cells, where = completed(table, typed), f"book/{table}.csv row {line}"
        told = _filled(cells)  # a column added and left empty says nothing new
        if told in read_before or any(_filled(e.cells) == told for e in now):
            continue
        same = [e for e in now if _key(table, e.cells) == _key(table, cells)]
        old = same[0].row_id if len(same) == 1 else None
        ledger.add(connection, save_id, table, cells, supersedes=old, line=line)
        yield f"{where}: {'corrects' if old else 'adds'} a row"


def _filled(cells: dict[str, str]) -> dict[str, str]:
    return {name: text for name, text in cells.items() if text}


def _superseded(connection: sqlite3.Connection, table: str) -> list[dict[str, str]]:
    """Return the cells of rows that came from a file and have been superseded since."""
    rows = connection.execute(
        "SELECT row_id FROM entries AS e WHERE sheet = ? AND line IS NOT NULL AND EXISTS"
        " (SELECT 1 FROM entries AS later WHERE later.supersedes = e.row_id)",
        (table,),
    ).fetchall()
    return [ledger.entry(connection, row_id).cells for (row_id,) in rows]


def _key(table: str, cells: dict[str, str]) -> tuple[str, ...]:
    return tuple(cells.get(name, "") for name in KEYS[table])


def csv_path(folder: Path, table: str) -> Path:
    """Return where a table's CSV file stands."""
    return folder / FOLDER_NAME / f"{table}.csv"


def _record_file(connection: sqlite3.Connection, folder: Path, table: str, save_id: int) -> None:
    connection.execute(
        "INSERT INTO files VALUES (?, ?, ?)", (table, _sha256(csv_path(folder, table)), save_id)
    )


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
