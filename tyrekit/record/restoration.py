"""A copy put back as the book: the book there is set aside whole, and what it proves comes along.

Saves are proven by their seals: each holds the seal before it, so a save of a damaged book whose
seal follows on from the copy's last one is the save that was made, bit for bit.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from tyrekit.errors import BookError
from tyrekit.record import copies, ledger, seals
from tyrekit.record.copies import Copy, State
from tyrekit.record.foreign import BESIDE
from tyrekit.record.spreadsheet import write_sheet
from tyrekit.record.whole_file import folder_to_disk, part_of, to_disk

NEWEST = "newest"
BUSY_S = 5.0  # how long to wait while another program writes
READABLE = "readable"  # no copy: what the book there still proves
UNPROVEN = "readable.csv"
_PARTS = {**seals.PARTS, "seals": ("save_id", "sha256")}
_DRAFT = ("name", "at", "content", "sha256")


@dataclass(frozen=True)
class Restored:
    """What was put back: the copy, how many later saves were proven, where the old book stands.

    `loose` rows could be read in the old book but not proven, or belong to saves after a lost one:
    they stand in readable.csv beside it.
    """

    copy: Copy | None
    state: State
    carried: int
    aside: Path | None
    loose: int


def restore(book: Path, when: str, zone: ZoneInfo) -> Restored:
    """Put a copy back as the book; the book there is set aside first, whatever its state.

    Parameters
    ----------
    book : Path
        book.sqlite; it need not be there.
    when : str
        "newest" for the newest sound copy, a copy's moment or the beginning of it
        (``2026-05-16T10:10``), or "readable" for what the book itself still proves. Of a damaged
        book the later saves that are proven come along; of a sound one none do.
    zone : ZoneInfo
        Moments are in this zone.

    Raises
    ------
    BookError
        No copy, or several, fit, nothing is proven, or the folder cannot be written. The book is
        then as it was.
    """
    part = part_of(book)
    try:
        if book.exists():
            with _held(book):  # what a killed program left half written is taken back here
                pass
        stamp = _stamp(book)
        copy = None if when == READABLE else chosen(book, when, zone)
        damaged = book.exists() and bool(copies.state_of(book).trouble)
        found = _salvage(book) if damaged or when == READABLE else Salvage({}, [])
        carried = _make(part, copy, found)
        state = copies.state_of(part)
        if state.trouble:
            raise BookError(f"the copy does not read right: {state.trouble}", where=str(part))
        if not state.saves:
            raise BookError(
                "nothing in the book can be proven any more", where=str(book),
                next_step="Choose a copy: see `tyrekit book FOLDER copies`. Without one, move the"
                " file away; the book is then made again from book/*.csv.",
            )  # fmt: skip
        aside = _new_folder(book.with_name(f"{book.name}-aside")) if stamp else None
        loose = _write_loose(found.saves, state.saves, aside) if aside else 0
        _swap(part, book, aside, stamp)
    except (*seals.UNREADABLE, OSError) as error:
        raise BookError(
            f"the copy cannot be put back: {error}", where=str(book),
            next_step="Close other programs that have the book open and see that the folder can"
            " be written, with room on the disk; then try again.",
        ) from error  # fmt: skip
    finally:
        for tail in BESIDE:
            with suppress(OSError):
                part.with_name(part.name + tail).unlink(missing_ok=True)
    return Restored(copy, state, carried, aside, loose)


@dataclass(frozen=True)
class Salvage:
    """What can still be read in a book: save id -> rows by part, and the drafts that are proven."""

    saves: dict[int, seals.Content]
    drafts: list[seals.Row]


def chosen(book: Path, when: str, zone: ZoneInfo) -> Copy:
    """Return the sound copy that a person means."""
    if when == NEWEST:
        if found := copies.newest_good(book):
            return found[0]
        fitting = []
    else:
        wanted = when.strip().replace(" ", "T")
        fitting = [
            copy for copy in copies.copies_of(book)
            if wanted and (copy.moment(zone).startswith(wanted) or copy.path.name == wanted)
        ]  # fmt: skip
    if len(fitting) == 1 and not (trouble := copies.state_of(fitting[0].path).trouble):
        return fitting[0]
    there = ", ".join(copy.moment(zone) for copy in copies.copies_of(book)) or "none"
    if len(fitting) == 1:
        what = f"the copy of {fitting[0].moment(zone)} is damaged ({trouble})"
    else:
        what = f"{'several copies are' if fitting else 'there is no sound copy'} of {when!r}"
    raise BookError(
        what, where=str(book.parent), rule=f"the copies are of {there}",
        next_step="Name one of these moments, or a file of book.sqlite-copies.",
    )  # fmt: skip


def _make(part: Path, copy: Copy | None, found: Salvage) -> int:
    """Write the book to be, on disk; return how many saves after the copy's last are in it."""
    part.unlink(missing_ok=True)  # a link that waits there would be written through
    if copy is not None:
        shutil.copyfile(copy.path, part)
    with closing(sqlite3.connect(part, isolation_level=None)) as connection:
        if copy is None:
            connection.executescript(ledger.SCHEMA)
        connection.execute("BEGIN")
        carried = _carry_on(connection, found.saves)
        connection.executemany("INSERT OR REPLACE INTO drafts VALUES (?, ?, ?, ?)", found.drafts)
        seals.seal_drafts(connection)
        connection.execute("COMMIT")
    with part.open("rb+") as file:
        to_disk(file.fileno())
    return carried


def _carry_on(connection: sqlite3.Connection, found: dict[int, seals.Content]) -> int:
    """Add the saves that follow on from the last one, as far as their seals prove them."""
    seals.seal_new(connection)  # a copy made before there were seals proves what follows too
    known = seals.read(connection)
    before = known[max(known)] if known else seals.BEFORE_FIRST
    save_id = carried = max(known, default=0)
    while (content := found.get(save_id + 1)) and content.get("seals"):
        seal = content["seals"][0][1]
        if not content["saves"] or not _is_seal(before, content, seal):
            break
        for part, names in _PARTS.items():
            marks = ", ".join("?" * len(names))
            connection.executemany(
                f"INSERT INTO {part} ({', '.join(names)}) VALUES ({marks})", content[part]
            )
        save_id, before = save_id + 1, str(seal)
    return save_id - carried


def _is_seal(before: str, content: seals.Content, seal: object) -> bool:
    try:
        return seals.seal(before, content) == seal
    except (TypeError, ValueError):
        return False


def _salvage(book: Path) -> Salvage:
    """Return every row that can still be read, from a second copy of the file."""
    rows: list[tuple[str, seals.Row]] = []
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as own:
        for tail in BESIDE:
            if (path := book.with_name(book.name + tail)).exists():
                shutil.copyfile(path, Path(own) / path.name)
        with closing(sqlite3.connect(Path(own) / book.name)) as connection:
            connection.text_factory = lambda raw: raw.decode(errors="replace")
            for part, names in _PARTS.items():
                rows += ((part, row) for row in _readable(connection, part, names))
            drafts = [row for row in _readable(connection, "drafts", _DRAFT) if _is_proven(row)]
    found: dict[int, seals.Content] = {}
    for part, row in rows:
        if isinstance(row[0], int):
            content = found.setdefault(row[0], {name: [] for name in _PARTS})
            content[part].append(row)
    return Salvage(found, drafts)


def _is_proven(draft: seals.Row) -> bool:
    name, at, content, sha256 = draft
    return seals.draft_seal(str(name), str(at), str(content)) == sha256


def _readable(
    connection: sqlite3.Connection, part: str, names: tuple[str, ...]
) -> Iterator[seals.Row]:
    """Read a table from both ends, as far as each goes; yield its rows in order."""
    rows: dict[int, seals.Row] = {}
    for way in ("ASC", "DESC"):
        query = f"SELECT rowid, {', '.join(names)} FROM {part} NOT INDEXED ORDER BY rowid {way}"
        with suppress(*seals.UNREADABLE), closing(connection.execute(query)) as cursor:
            for rowid, *row in cursor:
                rows[rowid] = tuple(row)
    return iter(row for _, row in sorted(rows.items()))


def _stamp(book: Path) -> tuple[int, int, int] | None:
    """Return what changes when a program writes the file; None when there is none."""
    if not book.exists():
        return None
    now = book.stat()
    return now.st_ino, now.st_size, now.st_mtime_ns


def _swap(part: Path, book: Path, aside: Path | None, stamp: tuple[int, int, int] | None) -> None:
    """Put a finished file in the book's place, and the book that stands there aside."""
    if aside is None:
        os.replace(part, book)
        folder_to_disk(book.parent)
        return
    with _held(book):
        if _stamp(book) != stamp:
            raise OSError("another program wrote into the book meanwhile")
        for tail in BESIDE[1:]:  # a journal belongs to its book: it must not meet another one
            if (path := book.with_name(book.name + tail)).exists():
                os.replace(path, aside / path.name)
        try:
            os.link(book, aside / book.name)
        except OSError:  # a disk without links
            os.replace(book, aside / book.name)
        folder_to_disk(aside)
        os.replace(part, book)
        folder_to_disk(book.parent)


def _new_folder(place: Path) -> Path:
    place.mkdir(exist_ok=True)
    begin = name = f"{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
    number = 1
    while (place / name).exists():
        number += 1
        name = f"{begin}-{number}"
    (place / name).mkdir()
    folder_to_disk(place)
    return place / name


@contextmanager
def _held(book: Path) -> Iterator[None]:
    """Keep other programs from writing into a book; one too damaged for that is left alone.

    A program that waited for it finds the file replaced and says so, instead of saving into the
    one set aside.
    """
    connection = sqlite3.connect(f"{book.absolute().as_uri()}?mode=rw", uri=True, timeout=BUSY_S)
    with closing(connection):
        try:
            connection.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError as error:
            if getattr(error, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_BUSY:
                raise
        except (sqlite3.DatabaseError, UnicodeDecodeError):
            pass
        yield


def _write_loose(found: dict[int, seals.Content], last: int, aside: Path) -> int:
    """Write the entries of an old book that the new one lacks; return how many there are."""
    rows = []
    for save_id, content in sorted(found.items()):
        if save_id <= last:
            continue
        _, who, at, _ = content["saves"][0] if content["saves"] else (save_id, "", "", None)
        for row in content["entries"]:
            named = dict(zip(seals.PARTS["entries"], row, strict=True))
            cells = {name: str(named[name]) for name in ("sheet", "row_id", "removed", "cells")}
            rows.append({"save": str(save_id), "who": str(who), "at": str(at), **cells})
    if rows:
        write_sheet(aside / UNPROVEN, rows[0], rows)
    return len(rows)
