"""Doubts about pressures and temperatures: one cell typed wrongly, left and right exchanged.

Both look at a table of runs by corners less what each run and each corner has in common: what is
left of a cell tells a slip of the pen, what is left of a run turned round tells swapped sides.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.record.evidence import Doubt, Evidence
from tyrekit.record.spread import robust_sd
from tyrekit.terms import CORNERS

FloatArray = NDArray[np.float64]
LEAST_RUNS = 4
CELL_BAR, CELL_SPREADS = 0.12, 8.0
SPREAD_BAR, SPREAD_K = 0.008, 1.5  # readings are no finer than that
SIDES_GAIN = 8.0  # log likelihood, by heavy tails
ODDS = 20.0


def cells(e: Evidence) -> Iterator[Doubt]:
    """A pressure that is not what its run and its corner say."""
    for table, column, rows, values in _pressures(e):
        left, spread = _rest(values)
        if not np.isfinite(spread):
            continue
        far = np.argwhere(np.abs(left) > max(CELL_BAR, CELL_SPREADS * spread))
        for i, k in far:
            name = column if column == "hot_bar" else f"cold_{CORNERS[k]}_bar"
            should = values[i, k] - left[i, k]
            yield Doubt(
                "pressure reading",
                f"{name} is {values[i, k]:g} at {CORNERS[k].upper()}; by the other corners and runs"
                f" it would be {should:.2f}: a typing error?",
                0.85,
                e.row(table, rows[i, k]),
                f"Correct the row if it is one; {should:.2f} would fit.",
            )


def swapped(e: Evidence) -> Iterator[Doubt]:
    """Readings of one run that fit the other runs once left and right are exchanged."""
    for table, column, rows, values in (*_pressures(e, rises=True), *_temperatures(e)):
        floor = SPREAD_K if table == "temperatures" else SPREAD_BAR
        for i in range(len(values)):
            gain = _gain(values, i, floor)
            if gain > SIDES_GAIN:
                yield Doubt(
                    f"{table}: left and right swapped",
                    f"run {_runs(e, table)[i]}: {column} with left and right exchanged"
                    f" fit the other runs {np.exp(gain):.0f} times better",
                    float(min(0.98, 1 / (1 + ODDS * np.exp(-gain / 2)))),
                    e.row(table, rows[i, 0]),
                    "Correct the corners of these readings, if they were written the wrong way.",
                )


def _gain(values: FloatArray, i: int, floor: float) -> float:
    """Return the log likelihood gained by exchanging the sides of run `i`.

    By the differences left to right, front and rear: heavy tails, from the other runs' spread.
    """
    difference = values[:, [0, 2]] - values[:, [1, 3]]
    others = np.delete(difference, i, axis=0)
    others = others[np.isfinite(others).all(axis=1)]
    if len(others) < LEAST_RUNS - 1 or not np.isfinite(difference[i]).all():
        return 0.0
    middle = np.median(others, axis=0)
    sd = np.maximum(robust_sd(others - middle), others.std(axis=0, ddof=1))
    sd = np.maximum(sd, floor) * np.sqrt(1 + 1.5 / len(others))
    df = len(others) - 1

    def log_t(x: FloatArray) -> float:
        return float(-0.5 * (df + 1) * np.log1p(((x - middle) / sd) ** 2 / df).sum())

    return log_t(-difference[i]) - log_t(difference[i])


def _rest(values: FloatArray) -> tuple[FloatArray, float]:
    """Return what is left of each cell after its run's and corner's median, and its spread."""
    if (np.isfinite(values).sum(axis=0) >= LEAST_RUNS).sum() < 2:
        return np.full_like(values, np.nan), float("nan")
    left = values.copy()
    for _ in range(6):
        left = left - _median(left, 0)[None, :]
        left = left - _median(left, 1)[:, None]
    # with two or three cells a run's own median cannot tell which of them is off
    left[np.isfinite(values).sum(axis=1) < 3] = np.nan
    known = left[np.isfinite(left)]
    spread = float(robust_sd(known)) if len(known) else float("nan")
    return left, max(spread, SPREAD_BAR)


def _median(values: FloatArray, axis: int) -> FloatArray:
    kept = np.where(np.isfinite(values).any(axis=axis, keepdims=True), values, 0.0)
    return np.asarray(np.nanmedian(kept, axis=axis), dtype=np.float64)


def _runs(e: Evidence, table: str) -> list[str]:
    runs = e.tables["runs"].sort_values("start")["run_id"]
    return [str(run) for run in runs if table == "runs" or (e.tables[table]["run_id"] == run).any()]


def _pressures(
    e: Evidence, rises: bool = False
) -> Iterator[tuple[str, str, NDArray[np.object_], FloatArray]]:
    """Return table, column, row ids and values (runs, corners); hot ones over cold if `rises`."""
    sheets = e.tables["runs"].sort_values("start")
    cold = sheets[[f"cold_{corner}_bar" for corner in CORNERS]].to_numpy(dtype=np.float64)
    if not rises and len(sheets):
        ids = np.repeat(sheets.index.to_numpy(dtype=object)[:, None], len(CORNERS), axis=1)
        yield "runs", "cold", ids, _in_bar(cold)
    table = e.tables["pressures"]
    runs = _runs(e, "pressures")
    if not runs:
        return
    ids, hot = _grid(table, runs, "hot_bar")
    base = _in_bar(cold)[[sheets["run_id"].tolist().index(run) for run in runs]]
    hot = _in_bar(hot)
    yield "pressures", "hot_bar", ids, hot - base if rises and np.isfinite(base).all() else hot


def _temperatures(
    e: Evidence,
) -> Iterator[tuple[str, str, NDArray[np.object_], FloatArray]]:
    table, runs = e.tables["temperatures"], _runs(e, "temperatures")
    if runs:
        mean = table.assign(mean_c=table[["inner_c", "centre_c", "outer_c"]].mean(axis=1))
        ids, values = _grid(mean, runs, "mean_c")
        yield "temperatures", "temperatures", ids, values


def _grid(
    table: pd.DataFrame, runs: list[str], column: str
) -> tuple[NDArray[np.object_], FloatArray]:
    """Return row ids and values by run and corner, the last reading of each."""
    ids = np.full((len(runs), len(CORNERS)), -1, dtype=object)
    values = np.full(ids.shape, np.nan)
    at = {run: i for i, run in enumerate(runs)}
    for row_id, run, corner, value in table[["run_id", "corner", column]].itertuples():
        i, k = at[str(run)], CORNERS.index(str(corner).lower())
        ids[i, k], values[i, k] = row_id, value
    return ids, values


def _in_bar(values: FloatArray) -> FloatArray:
    """Leave out what is another unit's; it has a doubt of its own."""
    kept: FloatArray = np.where((values > 0.2) & (values < 9.5), values, np.nan)
    return kept


CHECKS = (cells, swapped)
