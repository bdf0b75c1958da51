"""The book's SQL: rows are only ever added, each belonging to a save that says who and when."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from tyrekit.errors import BookError

APPLICATION_ID = 0x7479726B  # marks an SQLite file as a book
VERSION = 3  # 1 had no seals, 2 none of the drafts together
_TABLES = """
CREATE TABLE saves (
    save_id INTEGER PRIMARY KEY, who TEXT NOT NULL, at TEXT NOT NULL,
    undoes INTEGER UNIQUE REFERENCES saves);
CREATE TABLE entries (
    row_id INTEGER PRIMARY KEY, save_id INTEGER NOT NULL REFERENCES saves, sheet TEXT NOT NULL,
    line INTEGER, supersedes INTEGER UNIQUE REFERENCES entries,
    first INTEGER REFERENCES entries, removed INTEGER NOT NULL, cells TEXT NOT NULL);
CREATE TABLE files (
    sheet TEXT NOT NULL, sha256 TEXT NOT NULL, save_id INTEGER NOT NULL REFERENCES saves);
"""


def _only_added(*tables: str) -> tuple[str, ...]:
    return tuple(
        f"CREATE TRIGGER {table}_{verb} BEFORE {verb} ON {table} "
        "BEGIN SELECT RAISE(ABORT, 'the book is only added to'); END;\n"
        for table in tables
        for verb in ("UPDATE", "DELETE")
    )


SEALS = (
    "CREATE TABLE seals (save_id INTEGER PRIMARY KEY REFERENCES saves, sha256 TEXT NOT NULL);\n",
    *_only_added("seals"),
)
DRAFTS = (
    "CREATE TABLE IF NOT EXISTS drafts ("
    "name TEXT PRIMARY KEY, at TEXT NOT NULL, content TEXT NOT NULL, sha256 TEXT);\n"
)
DRAFTS_SEAL = (
    "CREATE TABLE drafts_seal (id INTEGER PRIMARY KEY CHECK (id = 1), sha256 TEXT NOT NULL);\n"
)
SCHEMA = (
    f"PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {VERSION};"
    + _TABLES
    + "".join(_only_added("saves", "entries", "files"))
    + "".join(SEALS)
    + DRAFTS
    + DRAFTS_SEAL
)
_FIELDS = "row_id, save_id, sheet, line, supersedes, removed, cells"
_CURRENT = f"""
SELECT {_FIELDS} FROM entries AS e WHERE sheet = ? AND NOT removed
AND NOT EXISTS (SELECT 1 FROM entries AS later WHERE later.supersedes = e.row_id)
ORDER BY coalesce(first, row_id)"""
_LAST_SAVE = """
SELECT max(save_id) FROM saves AS s WHERE undoes IS NULL
AND NOT EXISTS (SELECT 1 FROM saves AS u WHERE u.undoes = s.save_id)
AND NOT EXISTS (SELECT 1 FROM files AS f WHERE f.save_id = s.save_id)"""


@dataclass(frozen=True)
class Entry:
    """One row of the book; `line` is where it stood in the CSV file it was read from."""

    row_id: int
    save_id: int
    sheet: str
    line: int | None
    supersedes: int | None
    removed: bool
    cells: dict[str, str]


def new_save(connection: sqlite3.Connection, who: str, undoes: int | None = None) -> int:
    """Begin a save and return its id."""
    at = datetime.now(UTC).isoformat(timespec="milliseconds")
    cursor = connection.execute(
        "INSERT INTO saves (who, at, undoes) VALUES (?, ?, ?)", (who, at, undoes)
    )
    return int(cursor.lastrowid or 0)


def add(
    connection: sqlite3.Connection,
    save_id: int,
    sheet: str,
    cells: Mapping[str, str],
    *,
    supersedes: int | None = None,
    removed: bool = False,
    line: int | None = None,
) -> int:
    """Add one entry and return its row id."""
    first = None if supersedes is None else _first(connection, supersedes)
    text = json.dumps(dict(cells), ensure_ascii=False)
    cursor = connection.execute(
        "INSERT INTO entries (save_id, sheet, line, supersedes, first, removed, cells)"
        " VALUES (?, ?, ?, ?, ?, ?, ?)",
        (save_id, sheet, line, supersedes, first, removed, text),
    )
    return int(cursor.lastrowid or 0)


def current(connection: sqlite3.Connection, sheet: str) -> list[Entry]:
    """Return the rows of a table that nothing supersedes."""
    return [_entry(row) for row in connection.execute(_CURRENT, (sheet,))]


def every(connection: sqlite3.Connection, sheet: str) -> list[Entry]:
    """Return every row a table has ever held, superseded and removed ones included."""
    found = connection.execute(
        f"SELECT {_FIELDS} FROM entries WHERE sheet = ? ORDER BY row_id", (sheet,)
    )
    return [_entry(row) for row in found]


def of_save(connection: sqlite3.Connection, save_id: int) -> list[Entry]:
    """Return the entries one save made, in order."""
    found = connection.execute(
        f"SELECT {_FIELDS} FROM entries WHERE save_id = ? ORDER BY row_id", (save_id,)
    )
    return [_entry(row) for row in found]


def entry(connection: sqlite3.Connection, row_id: int) -> Entry:
    """Return the entry with this row id.

    Raises
    ------
    BookError
        There is none.
    """
    found = connection.execute(
        f"SELECT {_FIELDS} FROM entries WHERE row_id = ?", (row_id,)
    ).fetchone()
    if found is None:
        raise BookError(f"the book has no row {row_id}", next_step="Read the table again.")
    return _entry(found)


def live_entry(connection: sqlite3.Connection, row_id: int) -> Entry:
    """Return an entry that may be corrected.

    Raises
    ------
    BookError
        There is none, it was removed, or someone has corrected it meanwhile; says who and when.
    """
    found = entry(connection, row_id)
    later = connection.execute(
        "SELECT who, at FROM entries JOIN saves USING (save_id) WHERE supersedes = ?", (row_id,)
    ).fetchone()
    if later is not None or found.removed:
        by = f" by {later[0]} at {later[1]}" if later is not None else ""
        raise BookError(
            f"row {row_id} of {found.sheet} has been changed{by}",
            rule="only the row that counts now can be corrected",
            next_step="Read the table again and correct the row as it stands.",
        )
    return found


def chain(connection: sqlite3.Connection, row_id: int) -> list[tuple[Entry, str, str]]:
    """Return all a row has been, oldest first, each with who and when."""
    rows = connection.execute(
        "SELECT row_id, who, at FROM entries JOIN saves USING (save_id)"
        " WHERE coalesce(first, row_id) = ? ORDER BY row_id",
        (_first(connection, row_id),),
    ).fetchall()
    return [(entry(connection, row), who, at) for row, who, at in rows]


def story(connection: sqlite3.Connection) -> list[tuple[Entry, str, str, int | None]]:
    """Return every entry in order, each with who, when, and the save that its own save undoes."""
    rows = connection.execute(
        f"SELECT {_FIELDS}, who, at, undoes FROM entries JOIN saves USING (save_id) ORDER BY row_id"
    )
    return [(_entry(row[:7]), *row[7:]) for row in rows]


def _first(connection: sqlite3.Connection, row_id: int) -> int:
    """Return the row id under which a row was first entered."""
    entry(connection, row_id)
    found = connection.execute(
        "SELECT coalesce(first, row_id) FROM entries WHERE row_id = ?", (row_id,)
    )
    first = found.fetchone()[0]
    if not isinstance(first, int):
        raise BookError(
            f"the book does not say which row {row_id} began as",
            next_step="See its copies: tyrekit book FOLDER copies.",
        )
    return first


def take_back(connection: sqlite3.Connection, who: str) -> list[int]:
    """Undo the last typed save that still stands; return the row ids this adds."""
    last = connection.execute(_LAST_SAVE).fetchone()[0]
    if last is None:
        return []
    save_id = new_save(connection, who, undoes=last)
    return [_reverse(connection, save_id, e) for e in reversed(of_save(connection, last))]


def last_typed(connection: sqlite3.Connection) -> list[Entry]:
    """Return the entries of the save that `take_back` would undo; none when nothing is typed."""
    last = connection.execute(_LAST_SAVE).fetchone()[0]
    return [] if last is None else of_save(connection, last)


def _reverse(connection: sqlite3.Connection, save_id: int, typed: Entry) -> int:
    """Supersede what became of an entry by what stood before it, or by its removal."""
    before = typed if typed.supersedes is None else entry(connection, typed.supersedes)
    removed = typed.supersedes is None or before.removed
    tip, _, _ = chain(connection, typed.row_id)[-1]
    return add(
        connection, save_id, typed.sheet, before.cells,
        supersedes=tip.row_id, removed=removed, line=before.line,
    )  # fmt: skip


def imported(connection: sqlite3.Connection) -> dict[str, tuple[str, int]]:
    """Return sheet -> (sha256 of the CSV file last read in, its save)."""
    rows: Iterator[tuple[str, str, int]] = connection.execute(
        "SELECT sheet, sha256, save_id FROM files ORDER BY rowid"
    )
    return {sheet: (sha256, save_id) for sheet, sha256, save_id in rows}


def count(connection: sqlite3.Connection) -> int:
    """Return how many entries there are, superseded ones included."""
    return int(connection.execute("SELECT count(*) FROM entries").fetchone()[0])


def latest_save(connection: sqlite3.Connection) -> int:
    """Return the id of the last save, 0 before the first."""
    return int(connection.execute("SELECT coalesce(max(save_id), 0) FROM saves").fetchone()[0])


def typed_saves(connection: sqlite3.Connection) -> int:
    """Return how many saves people made, apart from reading in CSV files."""
    found = connection.execute(
        "SELECT count(*) FROM saves WHERE save_id NOT IN (SELECT save_id FROM files)"
    )
    return int(found.fetchone()[0])


def _entry(row: tuple[int, int, str, int | None, int | None, int, str]) -> Entry:
    row_id, save_id, sheet, line, supersedes, removed, cells = row
    try:
        told = json.loads(cells)
    except (ValueError, TypeError, RecursionError):
        told = None
    if not isinstance(told, dict) or not all(isinstance(text, str) for text in told.values()):
        raise sqlite3.DatabaseError(f"entry {row_id} cannot be read")
    return Entry(row_id, save_id, sheet, line, supersedes, bool(removed), told)
