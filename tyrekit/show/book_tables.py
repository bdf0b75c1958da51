"""The book's copies and history as tables for the terminal, and what a restoration did in words."""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

from rich.table import Table
from rich.text import Text

from tyrekit.record import copies
from tyrekit.record.book_history import history
from tyrekit.record.restoration import UNPROVEN, Restored


def copies_table(book: Path, zone: ZoneInfo) -> Table:
    """Return a book's copies, the newest first, each read through to see that it is sound."""
    table = Table("when", "state", "entries", "last save", "kB", box=None)
    for copy in copies.copies_of(book):
        state = copies.state_of(copy.path)
        sound = "damaged" if state.trouble else "sound"
        size = f"{copy.path.stat().st_size / 1000:.0f}"
        last = Text(state.trouble or state.words(zone).split(", the last ", 1)[-1])
        table.add_row(copy.moment(zone), sound, str(state.entries or ""), last, size)
    return table


def history_table(book: Path, zone: ZoneInfo, name: str, ident: str) -> Table:
    """Return what was done to a book's rows as a table; arguments as `book_history.history`."""
    told = history(book, zone, name, ident)
    table = Table("when", "who", "did", "table", "row", "values", box=None)
    for at, who, did, sheet, row, values in zip(
        told["at"], told["who"], told["did"], told["table"], told["row"], told["values"],
        strict=True,
    ):  # fmt: skip
        cells = (f"{at:%Y-%m-%d %H:%M:%S}", who, did, sheet, str(row), values)
        table.add_row(*map(Text, cells))
    return table


def state_words(book: Path, zone: ZoneInfo) -> str:
    """Return in words what a sound book holds and which copies there are of it."""
    state = copies.state_of(book)
    there = copies.copies_of(book)
    newest = f", the newest of {there[0].moment(zone)}" if there else ""
    number = {0: "no copy", 1: "1 copy"}.get(len(there), f"{len(there)} copies")
    return f"{book}: sound; {state.words(zone)}; {number}{newest}."


def restored_words(done: Restored, zone: ZoneInfo) -> str:
    """Return in words what was put back, what came along and where the old book stands."""
    what = f"the copy of {done.copy.moment(zone)}" if done.copy else "what could be proven"
    lines = [f"Put back: {what}; the book now holds {done.state.words(zone)}."]
    if done.copy and done.carried:
        number = "1 later save" if done.carried == 1 else f"{done.carried} later saves"
        lines.append(f"{number} of the damaged book proved whole and came along.")
    if done.aside:
        lines.append(f"The book that stood there is set aside in {done.aside}.")
    if done.loose and done.aside:
        number = "1 row" if done.loose == 1 else f"{done.loose} rows"
        lines.append(
            f"{number} could be read there but not proven: compare {done.aside / UNPROVEN} with"
            " your paper and type in what is right."
        )
    return "\n".join(lines)
