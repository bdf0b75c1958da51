"""What the doubts are judged on: the weekend as read, before anything is fitted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from tyrekit.record.book import Book
from tyrekit.record.event import Event
from tyrekit.record.running import Ran
from tyrekit.record.timing import Timed


@dataclass(frozen=True)
class Doubt:
    """Something in the data that is probably not what it claims to be.

    Attributes
    ----------
    name : str
        What kind of doubt it is.
    evidence : str
        The numbers it rests on.
    sure : float
        How sure, 0 to 1: a judgement that puts doubts in order, no measured frequency.
    where : str
        The file and row or key to look at.
    next_step : str
        What to do about it.
    """

    name: str
    evidence: str
    sure: float
    where: str
    next_step: str


@dataclass(frozen=True)
class Evidence:
    """A weekend as read.

    `changed` is table -> what became of its CSV file since it was read into the book; `assumed`
    is run id -> laps put on its tyres beyond those seen, and on what ground; `timed` is what the
    official times say.
    """

    folder: Path
    event: Event
    book: Book
    tables: Mapping[str, pd.DataFrame]
    ran: Sequence[Ran]
    laps: pd.DataFrame
    tread: pd.DataFrame
    changed: Mapping[str, str]
    assumed: Mapping[str, tuple[int, str]] = field(default_factory=dict)
    timed: Timed | None = None

    def run_row(self, run_id: str) -> str:
        """Return where a run stands in the book."""
        runs = self.tables["runs"]
        return self.book.place("runs", int(runs.index[runs["run_id"] == run_id][0]))

    def row(self, table: str, row_id: object) -> str:
        """Return where a row stands in the book."""
        return self.book.place(table, int(str(row_id)))
