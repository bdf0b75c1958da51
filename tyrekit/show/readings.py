"""What is measured after a run, between the entry table and the book: saved, corrected, undone."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import pandas as pd

from tyrekit.record.weekend import Weekend
from tyrekit.show.entry_table import Column
from tyrekit.show.tables import CORNERS
from tyrekit.show.words import number

WHO = "next session panel"
# Ranges catch slips of the finger, not odd tyres; the book has no upper limits of its own.
COLUMNS = (
    Column("hot_bar", "hot", "bar", 0.8, 4.0, 2, "pressure"),
    Column("inner_mm", "inner", "mm", 0.0, 12.0, 1, "tread"),
    Column("centre_mm", "centre", "mm", 0.0, 12.0, 1, "tread"),
    Column("outer_mm", "outer", "mm", 0.0, 12.0, 1, "tread"),
)
TABLE = {"pressure": "pressures", "tread": "tread"}


class Readings:
    """The readings taken after the last run of a weekend, one row per tyre on the car.

    A reading typed again corrects the row in the book; the earlier one stays in its history.
    """

    def __init__(self, weekend: Weekend) -> None:
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
            return "No run is in the book yet: add the first one to book/runs.csv."
        return (
            f"After run {self.run['run_id']} ({self.run['session']}). Tab, Enter, arrows; 52 is"
            " read as 5.2; a block can be pasted from a spreadsheet. Saved row by row."
        )

    def texts(self) -> dict[str, dict[str, str]]:
        """Return what the book already holds for the last run, by tyre, as typed texts."""
        found: dict[str, dict[str, str]] = {key: {} for key, _ in self.rows()}
        for column in COLUMNS:
            for key in found:
                row = self._in_book(key, column.group)
                if row is not None:
                    found[key][column.name] = number(float(row[column.name]), column.digits)
        return found

    def save(self, key: str, group: str, values: dict[str, float]) -> str:
        """Put one tyre's readings into the book and say when they were on disk.

        Raises
        ------
        BookError
            The book refuses the row, and says why.
        """
        if self.run is None:
            raise ValueError("no run is in the book yet")
        old = self._in_book(key, group)
        if old is not None:
            self.weekend.book.correct(int(str(old.name)), values, WHO)
            return f"{group} corrected {self._clock()}"
        self.weekend.book.append(TABLE[group], {**self._about(key, group), **values}, WHO)
        return f"{group} saved {self._clock()}"

    def undo(self) -> str:
        """Take back the last thing typed into the book and say so."""
        touched = self.weekend.book.undo(WHO)
        return "the last entry is taken back" if touched else "nothing was typed yet"

    def _about(self, key: str, group: str) -> dict[str, object]:
        """Return the columns of a new row beside the readings themselves."""
        assert self.run is not None
        taken_at = max(self._now(), self.run["start"].to_pydatetime())
        run_id = str(self.run["run_id"])
        if group == "tread":
            return {"taken_at": taken_at, "tyre_id": key, "after_run": run_id}
        return {"taken_at": taken_at, "run_id": run_id, "corner": self._corner(key)}

    def _in_book(self, key: str, group: str) -> pd.Series[Any] | None:
        """Return the book's newest row of these readings, named by its row id, or None."""
        if self.run is None:
            return None
        table = self.weekend.book.read(TABLE[group])
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
