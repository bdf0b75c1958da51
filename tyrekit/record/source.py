"""What every log reader hands over: a file's columns before any is read, and then some of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tyrekit.errors import LogError

FloatArray = NDArray[np.float64]
MOST_COLUMNS = 10_000
LONGEST = 1_000  # characters of a column's name
MOST_VALUES = 1 << 27  # 1 GB in memory; an hour of 60 channels at 100 Hz is 22 million


@dataclass(frozen=True)
class Columns:
    """Columns of numbers by their place in the file, and what was lost on the way.

    Attributes
    ----------
    values : dict
        A column of numbers for each place; what is no number is NaN.
    bad_rows : int
        Rows that were incomplete or whose data were cut off.
    damage : str
        How the file ends too early or is damaged; empty when it is whole.
    clock : frozenset of int
        Places that held clock times, which became seconds.
    notes : tuple of str
        What else was decided.
    block_rows : int
        Rows in the largest block, where a file that is cut off loses whole blocks; else 0.
    """

    values: dict[int, FloatArray]
    bad_rows: int = 0
    damage: str = ""
    clock: frozenset[int] = frozenset()
    notes: tuple[str, ...] = ()
    block_rows: int = 0


@dataclass(frozen=True)
class Source:
    """A file's columns before any is read: names, units given, and how to read some.

    `read` takes places in the file, each with our name of the channel that stands there.
    """

    names: tuple[str, ...]
    units: tuple[str | None, ...]
    words: str
    read: Callable[[Mapping[int, str]], Columns]

    def __post_init__(self) -> None:
        """Let no name or unit hold what cannot be seen: both stand in notes and messages."""
        object.__setattr__(self, "names", tuple(_seen(name) for name in self.names))
        units = tuple(unit if unit is None else _seen(unit) for unit in self.units)
        object.__setattr__(self, "units", units)


def _seen(text: str) -> str:
    """Return a text without characters that have no picture, and without long tails."""
    return "".join(c for c in text if c.isprintable())[:LONGEST]


def check_width(columns: int, where: str) -> None:
    """Refuse a file with more columns than any logger has channels."""
    if columns > MOST_COLUMNS:
        raise LogError(
            f"the file has {columns} columns",
            where=where,
            rule=f"at most {MOST_COLUMNS} are read",
            next_step="Export fewer channels.",
        )


def check_size(rows: int, columns: int, where: str) -> None:
    """Refuse more values than fit comfortably into a laptop's memory."""
    if rows * max(columns, 1) > MOST_VALUES:
        raise LogError(
            "the log is too large",
            where=where,
            rule=f"at most {MOST_VALUES // 10**6} million values are read",
            got=f"{rows} rows of {columns} channels",
            next_step="Export fewer channels, a lower rate, or one run at a time.",
        )


def unreadable(what: str, where: str) -> LogError:
    """Return the error for a damaged file of a known format."""
    return LogError(
        what,
        where=where,
        rule="a log is read only when it can be read without guessing",
        next_step="Copy the file from the logger again, or export the log as CSV.",
    )


class Growing:
    """A column that is filled piece by piece; room not yet filled costs no memory.

    Parameters
    ----------
    expected : int
        Rows that may come; a good guess saves moving the column to a larger place.
    """

    def __init__(self, expected: int) -> None:
        self._room = np.empty(max(expected, 1))
        self._rows = 0

    def add(self, values: FloatArray) -> None:
        """Append values."""
        rows = self._rows + len(values)
        if rows > len(self._room):
            room = np.empty(2 * rows)
            room[: self._rows] = self._room[: self._rows]
            self._room = room
        self._room[self._rows : rows] = values
        self._rows = rows

    def values(self) -> FloatArray:
        """Return what was added."""
        return self._room[: self._rows]
