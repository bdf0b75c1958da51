"""Every value ever entered in a book: when, by whom, corrections, removals and undos included."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pandas as pd

from tyrekit.errors import BookError
from tyrekit.record import ledger
from tyrekit.record.book_file import opened
from tyrekit.record.tables import columns_of
from tyrekit.terms import CORNERS

COLUMNS = ("at", "who", "did", "table", "row", "entry", "values")
IDS = ("tyre_id", "run_id", "after_run", "session", *CORNERS)
READ = "read in"  # from a CSV file
ENTERED, CORRECTED, REMOVED, BACK = "entered", "corrected", "removed", "took back"


def history(book: Path, zone: ZoneInfo, table: str = "", ident: str = "") -> pd.DataFrame:
    """Return what was done to a book's rows, oldest first.

    Parameters
    ----------
    book : Path
        book.sqlite, or any copy of one.
    zone : ZoneInfo
        Times are in this zone.
    table : str
        One of the book's tables; all when empty.
    ident : str
        Only rows with this id (tyre, run, session) in a cell at any time, or the row or entry of
        this number; all when empty.

    Returns
    -------
    DataFrame
        One row per entry: `at` (in `zone`), `who`, `did`, `table`, `row` (the
        number of a row's first entry, which stays), `entry` (its own number), `values` in words;
        of a correction each value before and after.

    Raises
    ------
    BookError
        There is no such table or row, or the book cannot be read.
    """
    if table:
        columns_of(table)
    with opened(book, zone) as connection:
        told = ledger.story(connection)
    first: dict[int, int] = {}
    before: dict[int, ledger.Entry] = {}
    wanted: set[int] = set()
    rows = []
    for entry, who, at, undoes in told:
        row = first[entry.row_id] = first.get(entry.supersedes or 0, entry.row_id)
        if _is_of(entry, ident) or ident in (str(row), str(entry.row_id)):
            wanted.add(row)
        moment, did = datetime.fromisoformat(at).astimezone(zone), _did(entry, undoes)
        values = _words(entry, before.get(row))
        rows.append((moment, who, did, entry.sheet, row, entry.row_id, values))
        before[row] = entry
    kept = [r for r in rows if (not table or r[3] == table) and (not ident or r[4] in wanted)]
    if ident and not kept:
        raise BookError(
            f"{table or 'the book'} has never held {ident!r}",
            rule="a tyre's, run's or session's id or a row's number is looked for",
            next_step="See `tyrekit book FOLDER history` for all.",
        )
    return pd.DataFrame(kept, columns=list(COLUMNS))


def _did(entry: ledger.Entry, undoes: int | None) -> str:
    if undoes is not None:
        return BACK
    if entry.removed:
        return REMOVED
    if entry.line is not None:
        return READ
    return ENTERED if entry.supersedes is None else CORRECTED


def _words(entry: ledger.Entry, old: ledger.Entry | None) -> str:
    """Return an entry's cells in words; of a row that stood before, what changed."""
    if entry.removed:
        return "gone: " + _cells(entry.cells)
    if old is None or old.removed:
        return _cells(entry.cells)
    names = dict.fromkeys([*old.cells, *entry.cells])
    pairs = [(name, old.cells.get(name, ""), entry.cells.get(name, "")) for name in names]
    changed = [f"{n} {a or 'empty'} -> {b or 'empty'}" for n, a, b in pairs if a != b]
    return ", ".join(changed) or "the same values"


def _cells(cells: dict[str, str]) -> str:
    return ", ".join(f"{name} {text}" for name, text in cells.items() if text)


def _is_of(entry: ledger.Entry, ident: str) -> bool:
    return any(entry.cells.get(name) == ident for name in IDS)
