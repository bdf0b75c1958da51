"""The engineer's own decisions in the book: tyres locked or scrapped, laps left out."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import pandas as pd

from tyrekit.errors import BookError
from tyrekit.record.book import Book
from tyrekit.record.event import Event, Lock
from tyrekit.record.limit import Corner
from tyrekit.record.tables import id_ranges
from tyrekit.record.wet_tyres import scrapped_tyres
from tyrekit.terms import CORNERS

LEFT_OUT = "left out by the engineer"
SCRAPPED = "scrapped: "


def locks_of(table: pd.DataFrame) -> tuple[Lock, ...]:
    """Return the book's `locks` table as limits, a row each."""
    return tuple(
        Lock(
            kind="lock",
            session=str(row["session"]),
            tyres={c.upper(): str(row[c]) for c in CORNERS if row[c]},  # type: ignore[misc]
        )
        for _, row in table.iterrows()
    )


def with_locks(event: Event, table: pd.DataFrame) -> Event:
    """Return the event with the book's locks after its own limits."""
    if not len(table):
        return event
    return event.model_copy(update={"limits": (*event.limits, *locks_of(table))})


def clashes(event: Event, table: pd.DataFrame) -> list[str]:
    """Return in words where event.toml and the book lock the same session differently."""
    own = [limit for limit in event.limits if isinstance(limit, Lock)]
    found = []
    for lock in locks_of(table):
        for other in own:
            if other.session == lock.session and not _agree(other.tyres, lock.tyres):
                found.append(
                    f"two locks of {lock.session} cannot both hold: event.toml has"
                    f" {_words(other)}, the book has {_words(lock)}; take one away"
                )
    return found


def _agree(one: Mapping[Corner, str], two: Mapping[Corner, str]) -> bool:
    """Return whether two sets of corners and tyres can hold together."""
    return all(
        (corner == other) == (tyre == another)
        for corner, tyre in one.items()
        for other, another in two.items()
    )


def _words(lock: Lock) -> str:
    return ", ".join(f"{corner} {tyre}" for corner, tyre in lock.tyres.items())


def save_lock(book: Book, session: str, corner: str, tyre_id: str, who: str) -> None:
    """Lock a tyre to a corner of a session in the book, or with "" set the corner free.

    A tyre locked to another corner of the session moves. One save, which `Book.undo` takes back.

    Raises
    ------
    BookError
        The session or tyre is not known, or the book cannot be written; nothing is saved then.
    """
    table = book.read("locks")
    own = table[table["session"] == session]
    before = {c: str(own[c].iloc[0]) for c in CORNERS} if len(own) else {}
    cells = {c: t for c, t in before.items() if t != tyre_id}
    cells = {c: cells.get(c, "") for c in CORNERS} | {corner.lower(): tyre_id}
    if cells == (before or dict.fromkeys(CORNERS, "")):
        return
    if not len(own):
        book.append("locks", {"session": session, **cells}, who)
    elif any(cells.values()):
        book.correct(int(own.index[0]), cells, who)
    else:
        book.remove(int(own.index[0]), who)


def save_scrapped(book: Book, tyre_id: str, scrapped: bool, reason: str, who: str) -> None:
    """Mark a tyre as scrapped, the reason at the end of its note, or take both back.

    Raises
    ------
    BookError
        The tyre is not listed, there is no reason to scrap it, or the book cannot be written;
        nothing is saved then.
    """
    table = book.read("tyres")
    own = table[table["tyre_id"] == tyre_id]
    if not len(own):
        raise BookError(f"tyre {tyre_id!r} is not in the tyre list", next_step="Choose another.")
    if scrapped and not reason:
        raise BookError("there is no reason", next_step="Say what is wrong with the tyre.")
    if bool(scrapped_tyres(own).iloc[0]) == scrapped:
        return
    note, _, _ = str(own["note"].iloc[0]).partition(SCRAPPED)
    note = "; ".join(filter(None, [note.strip("; "), f"{SCRAPPED}{reason}" if scrapped else ""]))
    cells = {"scrapped": "yes" if scrapped else "no", "note": note}
    book.correct(int(own.index[0]), cells, who)


def save_left_out(
    book: Book, laps: Collection[tuple[str, int]], reason: str, who: str
) -> list[int]:
    """Leave laps, given as (run_id, lap), out with one reason, in one save; return the row ids.

    Laps that are left out already keep their reason.

    Raises
    ------
    BookError
        A run is not known, there is no reason, or the book cannot be written.
    """
    table = book.read("left_out")
    known = set(zip(table["run_id"], table["lap"], strict=True))
    rows = [{"run_id": r, "lap": lap, "reason": reason} for r, lap in laps if (r, lap) not in known]
    return book.append_all("left_out", rows, who) if rows else []


def leave_out(laps: pd.DataFrame, left_out: pd.DataFrame, book: Book) -> pd.DataFrame:
    """Return the laps, those left out by the engineer no longer counting, with the reason.

    Raises
    ------
    BookError
        A run that has laps does not have one that is left out.
    """
    laps, found = laps.copy(), []
    for row_id, row in left_out.iterrows():
        run = laps["run_id"] == row["run_id"]
        at = run & (laps["lap"] == row["lap"])
        if run.any() and not at.any():
            found.append(_no_such_lap(row, laps.loc[run, "lap"], int(str(row_id)), book))
        before = laps.loc[at, "reason"].map(lambda why: f"{why}; " if why else "")
        laps.loc[at, "reason"] = before + f"{LEFT_OUT}: {row['reason']}"
        laps.loc[at, "counts"] = False
    if found:
        raise BookError.joined(found)
    return laps


def _no_such_lap(row: pd.Series, laps: pd.Series, row_id: int, book: Book) -> BookError:
    return BookError(
        f"lap {row['lap']} is not in run {row['run_id']!r}",
        where=book.place("left_out", row_id),
        rule=f"it has {id_ranges(str(lap) for lap in laps)}",
        next_step="Correct the lap or remove the row.",
    )
