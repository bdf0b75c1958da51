"""Which rows of a log count: those with a time, in which time rises, on the logger's beat."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
OFF_BEAT = 0.1  # of a step: a stamp this far from the middle of its neighbours is off the beat
REGULAR_SHARE, STRAY_SHARE = 0.95, 0.001
GAP_STEPS, GAP_SHARE = 1.5, 0.05
RUNS_ON_S, LEAST_ROWS = 10.0, 9  # for so long time must run on before it has begun again
BACK_SHARE = 0.05  # of the time passed: so near its start time falls back
SAME_SHARE = 0.99  # of rows equal: they were written twice


@dataclass(frozen=True)
class RowTimes:
    """The rows that count and why others do not.

    `kept` marks the rows; `untimed` rows have no time, in `backward` ones it does not rise,
    `stray` ones stand off the logger's beat; `sample_s` is the usual step, NaN of one row.
    """

    kept: BoolArray
    untimed: int
    backward: int
    stray: int
    sample_s: float
    notes: tuple[str, ...]


def row_times(time_s: FloatArray) -> RowTimes:
    """Return which rows of a log count.

    Notes
    -----
    The longest rising series of stamps is kept, so that one wrong stamp costs its own row and
    not all that follow. Where nearly every step is the same, a lone stamp off that beat, its
    neighbours on it, is passed over too: a crossing between would be timed wrongly.
    """
    timed = np.isfinite(time_s)
    kept = timed.copy()
    at = np.flatnonzero(timed)
    kept[at] = _rising(time_s[at])
    backward = int(timed.sum() - kept.sum())
    stray = np.flatnonzero(kept)[_strays(time_s[kept])]
    kept[stray] = False
    steps = np.diff(time_s[kept])
    sample_s = float(np.median(steps)) if len(steps) else float("nan")
    notes = _notes(time_s[kept], steps, sample_s, len(stray))
    return RowTimes(kept, int((~timed).sum()), backward, len(stray), sample_s, notes)


def _rising(time_s: FloatArray) -> BoolArray:
    """Mark the longest strictly rising series; of equal stamps the first counts."""
    if bool((np.diff(time_s) > 0).all()):
        return np.ones(len(time_s), dtype=bool)
    ends: list[float] = []  # the lowest last stamp of a rising series of each length
    rows: list[int] = []
    came_from: list[int] = []
    for row, stamp in enumerate(time_s.tolist()):
        at = len(ends) if not ends or stamp > ends[-1] else bisect_left(ends, stamp)
        came_from.append(rows[at - 1] if at else -1)
        if at == len(ends):
            ends.append(stamp)
            rows.append(row)
        elif stamp < ends[at]:
            ends[at], rows[at] = stamp, row
    kept = np.zeros(len(time_s), dtype=bool)
    row = rows[-1] if rows else -1
    while row >= 0:
        kept[row] = True
        row = came_from[row]
    return kept


def _strays(time_s: FloatArray) -> NDArray[np.intp]:
    """Return lone stamps off a regular beat; none where many are, for that is the logger's way."""
    steps = np.diff(time_s)
    if len(steps) < 10:
        return np.empty(0, dtype=np.intp)
    step = float(np.median(steps))
    off = np.abs(steps - step) > OFF_BEAT * step
    if off.mean() > 1 - REGULAR_SHARE:
        return np.empty(0, dtype=np.intp)
    around = np.abs(steps[1:] + steps[:-1] - 2 * step) <= OFF_BEAT * step
    stray = np.flatnonzero(off[1:] & off[:-1] & around) + 1
    return stray if len(stray) <= max(3, STRAY_SHARE * len(time_s)) else stray[:0]


def _notes(time_s: FloatArray, steps: FloatArray, sample_s: float, strays: int) -> tuple[str, ...]:
    notes = []
    if strays:
        notes.append(f"{strays} row(s) whose time is off the logger's beat are passed over")
    gaps = np.flatnonzero(steps > GAP_STEPS * sample_s)
    if 0 < len(gaps) <= GAP_SHARE * len(steps):
        longest = int(gaps[np.argmax(steps[gaps])])
        missing_s = float((steps[gaps] - sample_s).sum())
        notes.append(
            f"{missing_s:.2f} s are not recorded, in {len(gaps)} gap(s); the longest,"
            f" {steps[longest]:.2f} s, begins at {time_s[longest]:.2f} s"
        )
    return tuple(notes)


def begun_again(data: Mapping[str, FloatArray]) -> list[int]:
    """Return the rows at which a log's time begins again for good.

    Parameters
    ----------
    data : mapping of ndarray
        `time_s` and the other channels, row by row as in the file.

    Notes
    -----
    Time falls back to where the log began, within 5 % of what had passed, and over the next ten
    seconds runs on from there. A few wrong stamps do not, a clock set back falls less far, and
    rows written twice are those that were there: none of these is another piece.
    """
    time_s = data["time_s"]
    at = np.flatnonzero(np.isfinite(time_s))
    t = time_s[at]
    falls = np.flatnonzero(np.diff(t) < 0) + 1
    steps = np.diff(t)
    if not len(falls) or not (steps > 0).any():
        return []
    rows = RUNS_ON_S / float(np.median(steps[steps > 0]))
    if rows > len(t):
        return []
    window = max(LEAST_ROWS, round(rows))
    begun = [0]
    for i in falls.tolist():
        level = float(np.median(t[max(begun[-1], i - 9) : i]))
        passed, after = level - float(t[begun[-1]]), t[i : i + window]
        if (
            i - begun[-1] >= window
            and level - t[i] > 2 * RUNS_ON_S
            and t[i] - t[begun[-1]] <= BACK_SHARE * passed
            and len(after) == window
            and np.quantile(after, 0.9) - t[i] <= 2 * RUNS_ON_S
            and not any(_same_rows(data, int(at[one]), int(at[i])) for one in begun)
        ):
            begun.append(i)
    return [int(at[i]) for i in begun[1:]]


def _same_rows(data: Mapping[str, FloatArray], one: int, two: int) -> bool:
    """Whether rows from `two` on are those from `one` on, written twice."""
    rows = min(two - one, len(data["time_s"]) - two)
    same = np.ones(rows, dtype=bool)
    for values in data.values():
        a, b = values[one : one + rows], values[two : two + rows]
        same &= (a == b) | (np.isnan(a) & np.isnan(b))
    return bool(same.mean() > SAME_SHARE)
