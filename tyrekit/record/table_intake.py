"""A spreadsheet's tables into a weekend: whole into a new one, as rows of one save into a book."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from zoneinfo import ZoneInfo

from tyrekit.errors import BookError
from tyrekit.record import ledger
from tyrekit.record.book import Book
from tyrekit.record.event import Event
from tyrekit.record.intake import KEYS, csv_path
from tyrekit.record.spreadsheet import write_sheet
from tyrekit.record.table_files import EXTRA, Found, FoundTable
from tyrekit.record.tables import TABLES, completed, meaning, row_problems


def check(found: Found, event: Event) -> None:
    """See that tables could stand as a book of this event.

    Raises
    ------
    BookError
        A cell breaks a rule, or what the tables say together; every problem with its sheet, row
        and column.
    """
    problems = list(_cell_problems(found, event))
    if not problems:
        problems = [_placed(problem, found) for problem in Book(_image(found), event).problems()]
    if problems:
        raise BookError.joined(problems)


def write_csv(found: Found, folder: Path) -> None:
    """Write the tables as book/*.csv of a new weekend; one not found gets its header alone."""
    for table, columns in TABLES.items():
        names = dict.fromkeys(column.name for column in columns)
        rows = []
        if table in found.tables:
            sheet = found.tables[table].sheet
            names |= dict.fromkeys(sheet.header)
            rows = [completed(table, cells) for cells in sheet.rows.values()]
        write_sheet(csv_path(folder, table), names, rows)


def take_in(book: Book, found: Found, who: str) -> list[str]:
    """Add a spreadsheet's rows to a book in one save; return what was done, in words.

    A row that the book holds, or has held before it was corrected or removed, is passed over. One
    with the same key (a tyre's id, a run's id, the moment of a reading) corrects that row.

    Raises
    ------
    BookError
        A row breaks a rule; nothing is saved then.
    """
    problems = list(_cell_problems(found, book.event))
    if problems:
        raise BookError.joined(problems)
    said: list[str] = []
    places: dict[int, str] = {}
    try:
        with book.writing(who) as connection:
            save_id = ledger.new_save(connection, who)
            for table in _of_book(found):
                rows = _Rows(connection, table, book.event.meeting.zone)
                said += _merge(rows, save_id, found.tables[table], places)
    except BookError as error:
        raise BookError.joined([_at_row(p, places) for p in error.problems]) from None
    return said


def _of_book(found: Found) -> list[str]:
    return [table for table in found.tables if table not in EXTRA]


class _Rows:
    """A table's rows by what they say and by their key, while rows are added."""

    def __init__(self, connection: sqlite3.Connection, table: str, zone: ZoneInfo) -> None:
        self.connection, self.table, self.zone = connection, table, zone
        self.ever = {self.said(entry.cells) for entry in ledger.every(connection, table)}
        self.now: dict[tuple[object, ...], list[tuple[int, dict[str, str]]]] = {}
        for entry in ledger.current(connection, table):
            self.now.setdefault(self.key(entry.cells), []).append((entry.row_id, entry.cells))

    def said(self, cells: dict[str, str]) -> frozenset[tuple[str, object]]:
        return frozenset(meaning(self.table, cells, self.zone).items())

    def key(self, cells: dict[str, str]) -> tuple[object, ...]:
        found = meaning(self.table, cells, self.zone)
        return tuple(found.get(name) for name in KEYS[self.table])

    def add(self, save_id: int, cells: dict[str, str]) -> tuple[int, bool]:
        """Add a row, correcting the one with the same key; return its id and whether it did."""
        same = self.now.get(self.key(cells), [])
        old, before = same[0] if len(same) == 1 else (None, {})
        cells = {**before, **cells}
        row_id = ledger.add(self.connection, save_id, self.table, cells, supersedes=old)
        self.now[self.key(cells)] = [(row_id, cells)]
        self.ever.add(self.said(cells))
        return row_id, old is not None


def _merge(rows: _Rows, save_id: int, found: FoundTable, places: dict[int, str]) -> Iterator[str]:
    for row, typed in found.sheet.rows.items():
        cells = completed(rows.table, typed)
        if rows.said(cells) in rows.ever:
            continue
        row_id, corrects = rows.add(save_id, cells)
        places[row_id] = found.where(row)
        yield f"{found.where(row)}: {'corrects' if corrects else 'adds'} a row of {rows.table}"


def _cell_problems(found: Found, event: Event) -> Iterator[BookError]:
    for table in _of_book(found):
        one = found.tables[table]
        for row, typed in one.sheet.rows.items():
            cells = completed(table, typed)
            for problem in row_problems(table, cells, one.where(row), event.meeting.zone):
                column = problem.what.split(" ", 1)[0]
                yield _moved(problem, one.where(row, column))


def _image(found: Found) -> bytes:
    """Return the image of a book of these tables, each row under its row in the file."""
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.executescript(ledger.SCHEMA)
        save_id = ledger.new_save(connection, "spreadsheet")
        for table in _of_book(found):
            for row, cells in found.tables[table].sheet.rows.items():
                ledger.add(connection, save_id, table, completed(table, cells), line=row)
        connection.commit()
        return connection.serialize()


def _placed(problem: BookError, found: Found) -> BookError:
    """Return a problem of the image at its place in the spreadsheet."""
    where = problem.where
    for table in _of_book(found):
        where = where.replace(f"book/{table}.csv", found.tables[table].place)
    return _moved(problem, where)


def _at_row(problem: Exception, places: dict[int, str]) -> BookError:
    """Return a problem of a row just added at its place in the spreadsheet."""
    assert isinstance(problem, BookError)
    for row_id, place in places.items():
        if problem.where.endswith(f"row id {row_id}"):
            return _moved(problem, place)
    return problem


def _moved(problem: BookError, where: str) -> BookError:
    return BookError(
        problem.what, where=where, rule=problem.rule, got=problem.got, next_step=problem.next_step
    )
