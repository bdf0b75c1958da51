"""The book's file: opened in one transaction, seen to be sound, its troubles said in words."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from zoneinfo import ZoneInfo

from tyrekit.errors import BookError
from tyrekit.record import copies, ledger, seals

BUSY_S = 10.0  # how long to wait while another program writes
FROM_CSV = "move {} away; the book is then made again from book/*.csv"
# what SQLite complains of when the file itself is as it should be
_REMEDIES = {
    sqlite3.SQLITE_BUSY: "Another program is writing; close it, or try again.",
    sqlite3.SQLITE_LOCKED: "Another program is writing; close it, or try again.",
    sqlite3.SQLITE_READONLY: "Copy the folder to a disk that can be written.",
    sqlite3.SQLITE_CANTOPEN: "Copy the folder to a disk that can be read and written.",
    sqlite3.SQLITE_FULL: "Make room on the disk and try again; nothing was saved.",
    sqlite3.SQLITE_IOERR: "Make room on the disk, or copy the folder to a sound one, and try again;"
    " nothing was saved.",
}
NEWER = "it was written by a newer tyrekit"
_REPLACED = "Another book was put in its place meanwhile; open the weekend again."


class DamagedBookError(BookError):
    """The file is no longer the book that was saved."""


@contextmanager
def opened(path: Path, zone: ZoneInfo, *, write: bool = False) -> Iterator[sqlite3.Connection]:
    """Open book.sqlite for one transaction, which is on disk when this ends without an error.

    Parameters
    ----------
    path : Path
        book.sqlite; it must be there.
    zone : ZoneInfo
        Times in messages are in this zone.
    write : bool
        Take the right to write at once, waiting up to `BUSY_S` for other programs.

    Raises
    ------
    DamagedBookError
        A value is not the one that was saved, or the file's structure is broken; names the newest
        good copy and how to put it back.
    BookError
        It cannot be read or written; nothing is saved then.
    """
    try:
        with closing(_connect(path)) as connection:
            connection.execute("PRAGMA trusted_schema = OFF")
            connection.execute("PRAGMA cell_size_check = ON")
            try:
                _begin(connection, write)
            except UnicodeDecodeError as error:
                raise sqlite3.DatabaseError("its words cannot be read") from error
            try:
                yield connection
                connection.execute("COMMIT")
            except BaseException:
                with suppress(sqlite3.Error):  # some errors have rolled back by themselves
                    connection.execute("ROLLBACK")
                raise
    except sqlite3.Error as error:
        raise _said(path, zone, error) from error


def gone(path: Path, zone: ZoneInfo) -> BookError | None:
    """Return what to say when a book is missing that has copies; None when none is missing."""
    if path.exists() or not copies.copies_of(path):
        return None
    rule, put_back = _to_put_back(path, zone)
    return BookError(
        "the book is gone, but there are copies of it",
        where=path.name,
        rule=rule,
        next_step=f"{put_back} Or {FROM_CSV.format(f'{path.name}-copies')}.",
    )


def _connect(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(
        f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=BUSY_S, isolation_level=None
    )


def _begin(connection: sqlite3.Connection, write: bool) -> None:
    """Begin a transaction and see that the book in it is sound."""
    connection.execute("PRAGMA synchronous = EXTRA")
    connection.execute("PRAGMA fullfsync = ON")
    connection.execute("PRAGMA foreign_keys = ON")
    if write:  # a damaged WAL would lose saves unseen; a damaged journal is told
        connection.execute("PRAGMA journal_mode = DELETE")
    connection.execute("BEGIN IMMEDIATE" if write else "BEGIN")
    if connection.execute("PRAGMA application_id").fetchone()[0] != ledger.APPLICATION_ID:
        raise sqlite3.DatabaseError("it is not a tyrekit book")
    if seals.version(connection) > ledger.VERSION:
        raise sqlite3.DatabaseError(NEWER)
    if found := seals.trouble(connection):
        raise sqlite3.DatabaseError(found)


def _said(path: Path, zone: ZoneInfo, error: sqlite3.Error) -> BookError:
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT)
    if code == sqlite3.SQLITE_READONLY_DBMOVED:
        remedy: str | None = _REPLACED
    else:
        remedy = _REMEDIES.get(code & 0xFF)
    if remedy is not None:
        return BookError(f"the book cannot be used: {error}", where=path.name, next_step=remedy)
    first = "If there is a newer tyrekit here, use that. Else: " if str(error) == NEWER else ""
    rule, put_back = _to_put_back(path, zone)
    return DamagedBookError(
        f"the book cannot be used: {error}",
        where=path.name,
        rule=rule,
        next_step=f"{first}{put_back} Nothing is thrown away: the file is set aside first.",
    )


def _to_put_back(path: Path, zone: ZoneInfo) -> tuple[str, str]:
    """Return in words what the newest good copy holds, and the command that puts it back."""
    command = f'tyrekit book "{path.parent}" restore'
    found = copies.newest_good(path)
    if found is None:
        return (
            "there is no good copy of it yet",
            f"Put back what can still be proven: {command} readable.",
        )
    copy, state = found
    at = copy.made_at.astimezone(zone)
    return (
        f"its newest good copy is of {at:%a %d %b, %H:%M:%S}: {state.words(zone)}",
        f"Put it and what came later back: {command} newest.",
    )
