"""What is measured after a run, between the entry table and the book: saved, corrected, undone."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any

import pandas as pd

from tyrekit.record.drafts import Drafts
from tyrekit.record.weekend import Weekend
from tyrekit.show.entry_table import Column
from tyrekit.show.tables import CORNERS
from tyrekit.show.words import number

WHO = "next session panel"
# Ranges catch slips of the finger, not odd tyres; the book has no upper limits of its own. Depths
# stay below 10 mm (common practice, no source), so that 12 can be read as 1.2.
COLUMNS = (
    Column("hot_bar", "hot", "bar", 0.8, 4.0, 2, "pressure"),
    Column("inner_mm", "inner", "mm", 0.0, 9.9, 1, "tread"),
    Column("centre_mm", "centre", "mm", 0.0, 9.9, 1, "tread"),
    Column("outer_mm", "outer", "mm", 0.0, 9.9, 1, "tread"),
)
GAUGE = "settings depth gauge"
GAUGES = (("0.1 mm", 1), ("0.01 mm", 2))
TABLE = {"pressure": "pressures", "tread": "tread"}


class Readings:
    """The readings taken after the last run of a weekend, one row per tyre on the car.

    A reading typed again corrects the row in the book as it was last shown; the earlier one stays
    in its history. What another window saved meanwhile is never corrected unseen.
    """

    def __init__(self, weekend: Weekend) -> None:
        self.seen: dict[tuple[str, str], int] = {}  # row ids as last seen in the book
        self.follow(weekend)

    @property
    def gauge_digits(self) -> int:
        """Decimals the depth gauge reads to, as set in this folder."""
        return int(Drafts(self.weekend.book).of(GAUGE).get(GAUGE, {}).get("digits", "1"))

    def set_gauge(self, digits: int) -> None:
        """Keep on disk how many decimals the depth gauge reads to."""
        Drafts(self.weekend.book).keep(GAUGE, {"digits": str(digits)})

    def columns(self) -> tuple[Column, ...]:
        """Return what is asked for; depths with the gauge's decimals."""
        digits = self.gauge_digits
        return tuple(replace(c, digits=digits) if c.unit == "mm" else c for c in COLUMNS)

    def follow(self, weekend: Weekend) -> None:
        """Take the weekend as read again, with the last run it now has."""
        self.weekend = weekend
        runs = weekend.runs.sort_values("start")
        self.run: pd.Series[Any] | None = runs.iloc[-1] if len(runs) else None

    def rows(self) -> list[tuple[str, str]]:
        """Return (tyre id, words) of each tyre that came off the last run, FL first."""
        if self.run is None:
            return []
        fitted = [(corner, str(self.run[corner.lower()])) for corner in CORNERS]
        return [(tyre_id, f"{corner} {tyre_id}") for corner, tyre_id in fitted]

    def caption(self) -> str:
        """Return what the table asks for, in words."""
        if self.run is None:
            return "No run is in the book yet: check one in first."
        return (
            f"After run {self.run['run_id']} ({self.run['session']}). Digits alone are enough: 205"
            " is 2.05 bar, 42 is 4.2 mm, and the next cell follows. Tab, Enter, arrows; a block can"
            " be pasted from a spreadsheet. A row is saved when it is left."
        )

    def texts(self) -> dict[str, dict[str, str]]:
        """Return what the book now holds for the last run, by tyre, as typed texts.

        All of a column have as many decimals as the one read finest.
        """
        tables = self.weekend.book.tables()
        found: dict[str, dict[str, str]] = {key: {} for key, _ in self.rows()}
        self.seen = {}
        for group in TABLE:
            newest = {key: self._newest(tables[TABLE[group]], key, group) for key in found}
            held = {key: row for key, row in newest.items() if row is not None}
            for column in (column for column in COLUMNS if column.group == group):
                read = {key: float(row[column.name]) for key, row in held.items()}
                digits = max((_decimals(v, column.digits) for v in read.values()), default=0)
                for key, value in read.items():
                    found[key][column.name] = number(value, digits)
            self.seen |= {(key, group): int(str(row.name)) for key, row in held.items()}
        return found

    def missing(self) -> dict[str, list[str]]:
        """Return the last run's tyres without a reading in the book, by group, as last seen."""
        keys = [key for key, _ in self.rows()]
        return {group: [key for key in keys if (key, group) not in self.seen] for group in TABLE}

    def missing_words(self) -> str:
        """Return in words what is still to be typed of the last run; empty when nothing is."""
        if self.run is None:
            return ""
        parts = [f"{group} of {len(keys)}" for group, keys in self.missing().items() if keys]
        return f"{self.run['run_id']}: {' and '.join(parts)} tyres to be typed" if parts else ""

    def save(self, key: str, group: str, values: dict[str, float]) -> str:
        """Put one tyre's readings into the book and say when they were on disk.

        Raises
        ------
        BookError
            The book refuses the row, or another window has saved it meanwhile; says why.
        ValueError
            Another window has saved this reading first.
        """
        if self.run is None:
            raise ValueError("no run is in the book yet")
        seen = self.seen.get((key, group))
        book = self.weekend.book
        if seen is not None:
            row_id, done = book.correct(seen, values, WHO), "corrected"
        else:
            self._refuse_second(key, group)
            row_id = book.append(TABLE[group], {**self._about(key, group), **values}, WHO)
            done = "saved"
        self.seen[key, group] = row_id
        return f"{group} {done} {self._clock()}"

    def undo(self) -> str:
        """Take back the last thing typed into the book and say what it was."""
        touched = self.weekend.book.undo(WHO)
        if not touched:
            return "nothing was typed yet"
        sheet, cells = self.weekend.book.entry(touched[0])
        named = [cells[n] for n in ("run_id", "after_run", "tyre_id", "corner", "session", "lap")
                 if cells.get(n)]  # fmt: skip
        return f"taken back: {sheet.replace('_', ' ')} {' '.join(dict.fromkeys(named))}"

    def keep(self, key: str, texts: dict[str, str]) -> None:
        """Keep on disk what a row holds that is not saved; nothing when all is."""
        Drafts(self.weekend.book).keep(self._draft(key), texts)

    def kept(self) -> dict[str, dict[str, str]]:
        """Return what was typed for the last run and never saved, by tyre."""
        drafts = Drafts(self.weekend.book).of(self._draft(""))
        return {
            key: drafts[self._draft(key)] for key, _ in self.rows() if self._draft(key) in drafts
        }

    def _draft(self, key: str) -> str:
        run_id = "" if self.run is None else self.run["run_id"]
        return f"readings {run_id} {key}"

    def _refuse_second(self, key: str, group: str) -> None:
        """Refuse a first reading when the book has one that this panel has not shown."""
        row = self._newest(self.weekend.book.read(TABLE[group]), key, group)
        if row is not None:
            raise ValueError(f"another window has saved the {group} of {key} meanwhile")

    def _about(self, key: str, group: str) -> dict[str, object]:
        """Return the columns of a new row beside the readings themselves."""
        assert self.run is not None
        taken_at = max(self._now(), self.run["start"].to_pydatetime())
        run_id = str(self.run["run_id"])
        if group == "tread":
            return {"taken_at": taken_at, "tyre_id": key, "after_run": run_id}
        return {"taken_at": taken_at, "run_id": run_id, "corner": self._corner(key)}

    def _newest(self, table: pd.DataFrame, key: str, group: str) -> pd.Series[Any] | None:
        """Return a table's newest row of these readings, named by its row id, or None."""
        if self.run is None:
            return None
        if group == "tread":
            own = table[(table["after_run"] == self.run["run_id"]) & (table["tyre_id"] == key)]
        else:
            own = table[
                (table["run_id"] == self.run["run_id"]) & (table["corner"] == self._corner(key))
            ]
        return own.sort_values("taken_at").iloc[-1] if len(own) else None

    def _corner(self, key: str) -> str:
        assert self.run is not None
        return next(c for c in CORNERS if str(self.run[c.lower()]) == key)

    def _now(self) -> datetime:
        return datetime.now(self.weekend.event.meeting.zone).replace(microsecond=0)

    def _clock(self) -> str:
        return f"{self._now():%H:%M:%S}"


def _decimals(value: float, least: int) -> int:
    """Return the decimals a reading was taken with, at least the instrument's."""
    return next((d for d in range(least, 6) if abs(round(value, d) - value) < 1e-9), 6)
