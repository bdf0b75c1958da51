"""The book: the hand-entered tables in an SQLite file in which nothing is ever overwritten.

A correction is a new row that supersedes an older one, with who and when; the older one stays
readable. Every save is one transaction, on disk before it is confirmed.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from tyrekit.errors import BookError
from tyrekit.record import agreement, copies, ledger, seals
from tyrekit.record.book_file import opened
from tyrekit.record.event import Event
from tyrekit.record.spreadsheet import write_sheet
from tyrekit.record.tables import TABLES, columns_of, completed, frame, row_problems

SUPPOSED = "supposed"  # who enters rows that are only supposed

Row = Mapping[str, object]


@dataclass(frozen=True)
class Book:
    """The hand-entered tables of a weekend.

    Parameters
    ----------
    source : Path or bytes
        book.sqlite; or an image of one, which can be read but not added to.
    event : Event
        What rows are checked against; clock times without an offset are in its time zone.
    """

    source: Path | bytes
    event: Event
    _sound: dict[str, int] = field(default_factory=dict, init=False, repr=False, compare=False)

    def read(self, table: str) -> pd.DataFrame:
        """Return a table's current rows, typed, indexed by row id."""
        columns_of(table)
        return self.tables()[table]

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return every table's current rows, all of one moment."""
        with self._reading() as connection:
            return self._tables(connection)

    def place(self, table: str, row_id: int) -> str:
        """Return where a row stands: ``book/runs.csv row 7``, or the book's row if typed."""
        with self._reading() as connection:
            return _place(ledger.entry(connection, row_id))

    def append(self, table: str, row: Row, who: str) -> int:
        """Add one row and return its row id. Errors as `append_all`."""
        return self.append_all(table, [row], who)[0]

    def append_all(self, table: str, rows: Sequence[Row], who: str) -> list[int]:
        """Add rows in one save and return their row ids; they are on disk by then.

        Raises
        ------
        BookError
            A row breaks a rule, or the book cannot be written; nothing is saved then.
        """
        columns_of(table)
        with self.writing(who) as connection:
            save_id = ledger.new_save(connection, who)
            cells = [completed(table, as_cells(row)) for row in rows]
            return [ledger.add(connection, save_id, table, row) for row in cells]

    def correct(self, row_id: int, row: Row, who: str) -> int:
        """Supersede a row by one in which the given cells differ; return the new row id.

        Raises
        ------
        BookError
            There is no such row, it was changed meanwhile, or the new one breaks a rule.
        """
        with self.writing(who) as connection:
            old = ledger.live_entry(connection, row_id)
            cells = completed(old.sheet, {**old.cells, **as_cells(row)})
            save_id = ledger.new_save(connection, who)
            return ledger.add(connection, save_id, old.sheet, cells, supersedes=row_id)

    def remove(self, row_id: int, who: str) -> int:
        """Take a row out of the current ones; it stays in the history. Errors as `correct`."""
        with self.writing(who) as connection:
            old = ledger.live_entry(connection, row_id)
            save_id = ledger.new_save(connection, who)
            return ledger.add(
                connection, save_id, old.sheet, old.cells, supersedes=row_id, removed=True
            )

    def undo(self, who: str) -> list[int]:
        """Take back the last typed save that stands; return the row ids this adds.

        The undone rows stay in the history. Rows read from book/*.csv are not taken back: with
        nothing typed the result is empty.
        """
        with self.writing(who) as connection:
            return ledger.take_back(connection, who)

    def with_rows(self, table: str, rows: Sequence[Row]) -> Book:
        """Return the book as it would stand with more rows: an image; nothing is written.

        Raises
        ------
        BookError
            A row breaks a rule.
        """
        columns_of(table)
        with self._reading() as connection:
            image = connection.serialize()
        with closing(sqlite3.connect(":memory:")) as connection:
            connection.deserialize(image)
            before = {str(problem) for problem in self._problems(connection)}
            save_id = ledger.new_save(connection, SUPPOSED)
            for row in rows:
                ledger.add(connection, save_id, table, completed(table, as_cells(row)))
            found = [p for p in self._problems(connection) if str(p) not in before]
            if found:
                raise BookError.joined(found)
            connection.commit()
            return Book(connection.serialize(), self.event)

    def latest_save(self) -> int:
        """Return the number of the last save; it rises when any program has saved."""
        with self._reading() as connection:
            return ledger.latest_save(connection)

    def entry(self, row_id: int) -> tuple[str, dict[str, str]]:
        """Return the table of a row, current or not, and its cells as typed."""
        with self._reading() as connection:
            found = ledger.entry(connection, row_id)
        return found.sheet, found.cells

    def last_typed(self) -> tuple[str, ...]:
        """Return the tables that `undo` would change; none when nothing typed stands."""
        with self._reading() as connection:
            return tuple({entry.sheet: None for entry in ledger.last_typed(connection)})

    def history(self, row_id: int) -> pd.DataFrame:
        """Return what a row has been, oldest first: who, at, removed and its cells as typed."""
        with self._reading() as connection:
            chain = ledger.chain(connection, row_id)
        rows = [{"who": who, "at": at, "removed": e.removed, **e.cells} for e, who, at in chain]
        return pd.DataFrame(rows, index=pd.Index([e.row_id for e, _, _ in chain], name="row_id"))

    def export_csv(self, folder: Path) -> list[Path]:
        """Write every table's current rows as CSV into a folder; return the files' paths."""
        folder.mkdir(parents=True, exist_ok=True)
        paths = []
        with self._reading() as connection:
            for table in TABLES:
                rows = [entry.cells for entry in ledger.current(connection, table)]
                names = dict.fromkeys(column.name for column in TABLES[table])
                names |= dict.fromkeys(name for row in rows for name in row)
                paths.append(folder / f"{table}.csv")
                write_sheet(paths[-1], names, rows)
        return paths

    def digest(self) -> str:
        """Return a sha256 of the current rows: the same for the same content."""
        with self._reading() as connection:
            entries = [e for table in TABLES for e in ledger.current(connection, table)]
        rows = [[e.sheet, {k: v for k, v in e.cells.items() if v}] for e in entries]
        return hashlib.sha256(json.dumps(rows, sort_keys=True).encode()).hexdigest()

    def is_empty(self) -> bool:
        """Whether the book has never held a row."""
        with self._reading() as connection:
            return ledger.count(connection) == 0

    def typed_saves(self) -> int:
        """Return how many saves people made since the CSV files were read in."""
        with self._reading() as connection:
            return ledger.typed_saves(connection)

    def imported(self) -> dict[str, str]:
        """Return table -> sha256 of the CSV file it was read from."""
        with self._reading() as connection:
            return {table: sha256 for table, (sha256, _) in ledger.imported(connection).items()}

    @contextmanager
    def writing(self, who: str) -> Iterator[sqlite3.Connection]:
        """Open a transaction that is checked and then saved whole, or not at all.

        Raises
        ------
        BookError
            What was added breaks a rule, or the book cannot be written.
        """
        if not who.strip():
            raise BookError("a save needs a name", next_step="Say who is writing.")
        if isinstance(self.source, bytes):
            raise BookError(
                "the weekend's folder cannot be written, so nothing can be saved",
                next_step="Copy the folder to a disk that can be written and open it there.",
            )
        with opened(self.source, self.event.meeting.zone, write=True) as connection:
            before = {str(problem) for problem in self._checked(connection)}
            yield connection
            after = list(self._problems(connection))
            if found := [p for p in after if str(p) not in before]:
                raise BookError.joined(found)
            seals.seal_new(connection)
            typed, latest = ledger.typed_saves(connection), ledger.latest_save(connection)
        self._sound["save"] = latest if not after else -1
        self._copy_if_due(typed, latest)

    def copy_if_due(self) -> str:
        """Make a dated copy when one is due; return what stood in the way, "" when nothing.

        A book in which nothing was typed is made again from its CSV files and needs none.
        """
        try:
            with self._reading() as connection:
                typed, latest = ledger.typed_saves(connection), ledger.latest_save(connection)
        except (*seals.UNREADABLE, OSError, BookError) as error:
            return _not_copied(error)
        return self._copy_if_due(typed, latest)

    def _copy_if_due(self, typed: int, latest: int) -> str:
        """Make a copy of a book with so many typed saves, its last one known, when one is due."""
        if isinstance(self.source, bytes) or not typed:
            return ""
        now = datetime.now(UTC)
        try:
            if copies.is_due(self.source, latest, now):
                copies.make(self.source, now)
        except (*seals.UNREADABLE, OSError) as error:
            return _not_copied(error)
        return ""

    def problems(self) -> list[BookError]:
        """Return what is wrong with the current rows: cells, and what they say together."""
        with self._reading() as connection:
            return self._checked(connection)

    def _checked(self, connection: sqlite3.Connection) -> list[BookError]:
        """Return what is wrong; not worked out again while the last save is one found sound."""
        latest = ledger.latest_save(connection)
        if self._sound.get("save") == latest:
            return []
        found = list(self._problems(connection))
        if not found:
            self._sound["save"] = latest
        return found

    def _problems(self, connection: sqlite3.Connection) -> Iterator[BookError]:
        zone, found = self.event.meeting.zone, False
        entries = [e for table in TABLES for e in ledger.current(connection, table)]
        for e in entries:
            for problem in row_problems(e.sheet, e.cells, _place(e), zone):
                found = True
                yield problem
        if not found:
            places = {(e.sheet, e.row_id): _place(e) for e in entries}
            yield from agreement.problems(
                self._tables(connection), self.event, lambda table, row: places[table, row]
            )

    def _tables(self, connection: sqlite3.Connection) -> dict[str, pd.DataFrame]:
        zone = self.event.meeting.zone
        rows = {
            table: {e.row_id: e.cells for e in ledger.current(connection, table)}
            for table in TABLES
        }
        return {table: frame(table, rows[table], zone) for table in TABLES}

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        if isinstance(self.source, bytes):
            with closing(sqlite3.connect(":memory:")) as connection:
                connection.deserialize(self.source)
                yield connection
            return
        with opened(self.source, self.event.meeting.zone) as connection:
            yield connection


def as_cells(row: Row) -> dict[str, str]:
    """Return a row's values as the text a person would have typed."""
    return {str(name): _as_text(value) for name, value in row.items()}


def _as_text(value: object) -> str:
    if value is None or value is pd.NaT or (isinstance(value, float) and value != value):
        return ""
    if isinstance(value, bool):
        return "1" if value else "0"
    return value.isoformat() if isinstance(value, datetime) else str(value).strip()


def _place(entry: ledger.Entry) -> str:
    if entry.line is not None:
        return f"book/{entry.sheet}.csv row {entry.line}"
    return f"book {entry.sheet}, row id {entry.row_id}"


def _not_copied(error: Exception) -> str:
    return f"the book was not copied ({error}); what was saved is in the book"
