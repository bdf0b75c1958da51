"""Dated copies of the book, made by the kit beside it and thinned to the last few and one a day.

They stand in book.sqlite-copies/, each a whole book by itself, named by the moment (UTC) and the
last save it holds. A copy is only made of a book found sound, and is itself read before it counts.
"""

from __future__ import annotations

import os
import re
import sqlite3
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from tyrekit.record import ledger, seals
from tyrekit.record.whole_file import folder_to_disk, part_of, to_disk

EVERY = timedelta(minutes=5)  # a copy is due when the last one is older than this
SAVES = 20  # or when this many saves were made since
LAST = 10  # so many of the newest are kept, and the newest of each day
_NAME = re.compile(r"(\d{8}T\d{6})Z-save-(\d+)\.sqlite")


@dataclass(frozen=True)
class Copy:
    """A dated copy: its file, when it was made (UTC) and the number of its last save."""

    path: Path
    made_at: datetime
    save_id: int

    def moment(self, zone: ZoneInfo) -> str:
        """Return when it was made as people name it: ``2026-05-16T10:10:05``, local time."""
        return f"{self.made_at.astimezone(zone):%Y-%m-%dT%H:%M:%S}"


@dataclass(frozen=True)
class State:
    """What a book's file holds; `trouble` says what is broken in it, "" when nothing is."""

    trouble: str
    entries: int = 0
    saves: int = 0
    who: str = ""
    at: str = ""

    def words(self, zone: ZoneInfo) -> str:
        """Return in words how much it holds and who saved last."""
        if not self.saves:
            return "nothing"
        at = datetime.fromisoformat(self.at).astimezone(zone)
        return f"{self.entries} entries, the last by {self.who} on {at:%a %d %b at %H:%M:%S}"


def copies_of(book: Path) -> list[Copy]:
    """Return a book's copies, the newest first; whether they are sound is not looked at."""
    found = []
    for path in _folder(book).glob("*.sqlite"):
        if match := _NAME.fullmatch(path.name):
            with suppress(ValueError):
                made = datetime.strptime(match[1], "%Y%m%dT%H%M%S").replace(tzinfo=UTC)
                found.append(Copy(path, made, int(match[2])))
    return sorted(found, key=lambda copy: (copy.made_at, copy.save_id), reverse=True)


def newest_good(book: Path) -> tuple[Copy, State] | None:
    """Return the newest copy that is sound, with what it holds."""
    for copy in copies_of(book):
        if not (state := state_of(copy.path)).trouble:
            return copy, state
    return None


def is_due(book: Path, save_id: int, now: datetime) -> bool:
    """Whether a book that ends with this save should be copied now.

    Times are compared both ways, so that a clock set back stops no copies.
    """
    last = next(iter(copies_of(book)), None)
    if last is None:
        return True
    if last.save_id == save_id:
        return False
    return abs(now - last.made_at) >= EVERY or abs(save_id - last.save_id) >= SAVES


def make(book: Path, now: datetime) -> Copy:
    """Copy a book beside it, on disk on return, and thin the older copies.

    Raises
    ------
    OSError, sqlite3.Error
        It cannot be copied; the copies there are stay.
    """
    folder = _folder(book)
    folder.mkdir(exist_ok=True)
    part = part_of(folder / book.name)
    try:
        part.unlink(missing_ok=True)
        with closing(reading(book)) as source, closing(sqlite3.connect(part)) as target:
            target.execute("PRAGMA journal_mode = OFF")
            target.execute("PRAGMA synchronous = OFF")  # the whole file is brought to disk below
            source.backup(target)
        with part.open("rb+") as file:
            to_disk(file.fileno())
        with closing(reading(part)) as copied:
            if found := seals.trouble(copied):
                raise sqlite3.DatabaseError(found)
            save_id = ledger.latest_save(copied)
        path = folder / f"{now.astimezone(UTC):%Y%m%dT%H%M%S}Z-save-{save_id}.sqlite"
        os.replace(part, path)
        folder_to_disk(folder)
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
    thin(book)
    return Copy(path, now.astimezone(UTC).replace(microsecond=0), save_id)


def thin(book: Path) -> None:
    """Take away all but the last few copies and the newest of each day (UTC)."""
    days: set[object] = set()
    for number, copy in enumerate(copies_of(book)):
        day = copy.made_at.date()
        if number >= LAST and day in days:
            copy.path.unlink(missing_ok=True)
        days.add(day)


def state_of(path: Path) -> State:
    """Return what a book's file holds, and what is broken in it."""
    try:
        with closing(reading(path)) as connection:
            if found := seals.trouble(connection):
                return State(found)
            who, at = connection.execute(
                "SELECT who, at FROM saves ORDER BY save_id DESC LIMIT 1"
            ).fetchone() or ("", "")
            saves = ledger.latest_save(connection)
            return State("", ledger.count(connection), saves, who, at)
    except (*seals.UNREADABLE, OSError) as error:
        return State(str(error))


def reading(path: Path) -> sqlite3.Connection:
    """Open a book's file to read it; nothing is looked at yet."""
    return sqlite3.connect(
        f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None, timeout=1.0
    )


def _folder(book: Path) -> Path:
    return book.with_name(f"{book.name}-copies")
