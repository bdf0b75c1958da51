"""Tread readings and laps as rows of the driving fit: what each run took off each tyre."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from tyrekit.fit.tread_result import TreadResults
from tyrekit.fit.tread_rows import PLACES, first_laps_share, laps_at_pace, usable

WEAR_COLUMNS = (
    "session", "driver", "run_ids", "tyre_id", "corner", "laps", "wear_mm_per_lap",
    "usual_mm_per_lap", "wear_pct", "wear_pct_se",
)  # fmt: skip
KEYS = ("session", "driver")
LEAST_LAPS = 3  # fewer wear off less than a gauge tells


def run_wear(
    readings: pd.DataFrame, laps: pd.DataFrame, tread: TreadResults
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return what each stretch between two readings wore off each tyre, and what was passed over.

    Parameters
    ----------
    readings : DataFrame
        `Weekend.tread`.
    laps : DataFrame
        `Weekend.laps`; says who drove, and when.
    tread : TreadResults
        What the corner usually wears, a new tyre's first laps, what a slow lap wears, and the
        gauge's scatter.

    Returns
    -------
    DataFrame
        `WEAR_COLUMNS`: wear against the corner's usual in per cent, with its standard error from
        the gauge and from tyres that differ. A stretch with two drivers or sessions is passed
        over, since nothing tells their shares apart.
    """
    kept, _ = usable(readings)
    rows, passed = [], []
    for tyre_id, own in kept.groupby("tyre_id", sort=False):
        for i in range(1, len(own)):
            before, after = own.iloc[i - 1], own.iloc[i]
            driven = _between(laps, str(tyre_id), before, after)
            if not len(driven) or float(after["age_laps"] - before["age_laps"]) < LEAST_LAPS:
                continue
            if len(driven[["session", "driver"]].drop_duplicates()) > 1:
                passed.append(f"{tyre_id} ran in {', '.join(dict.fromkeys(driven['run_id']))}")
                continue
            row = _stretch(str(tyre_id), before, after, driven, tread)
            if row is not None:
                rows.append(row)
    notes = (f"no reading between drivers or sessions: {'; '.join(passed)}",) if passed else ()
    return pd.DataFrame(rows, columns=list(WEAR_COLUMNS)), notes


def driver_sessions(
    wear: pd.DataFrame, measures: pd.DataFrame, names: Sequence[str]
) -> pd.DataFrame:
    """Return one row per driver and session: mean wear of its tyres, and its measures.

    Parameters
    ----------
    wear : DataFrame
        From `run_wear`.
    measures : DataFrame
        One row per lap or run: session, driver and the measures.
    names : sequence of str
        The measures.
    """
    driven = measures.groupby(list(KEYS), sort=False)[list(names)].mean()
    return weighted_means(wear, "wear_pct").join(driven, how="inner").reset_index()


def weighted_means(rows: pd.DataFrame, name: str) -> pd.DataFrame:
    """Return a column's mean by session and driver, weighted by its errors in ``{name}_se``.

    Index session and driver; columns `name` and ``{name}_se``, the mean's own error.
    """
    weight = 1 / np.square(rows[f"{name}_se"])
    table = rows[list(KEYS)].assign(w=weight, wx=weight * rows[name])
    summed = table.groupby(list(KEYS), sort=False).sum()
    return pd.DataFrame({name: summed["wx"] / summed["w"], f"{name}_se": summed["w"] ** -0.5})


def _between(laps: pd.DataFrame, tyre_id: str, before: pd.Series, after: pd.Series) -> pd.DataFrame:
    """Return the laps on a tyre between two readings."""
    corner = str(after["corner"]).lower()
    age = laps[f"age_{corner}_laps"]
    on = (laps[corner] == tyre_id) & (age >= before["age_laps"]) & (age < after["age_laps"])
    found: pd.DataFrame = laps[on]
    return found


def _stretch(
    tyre_id: str, before: pd.Series, after: pd.Series, driven: pd.DataFrame, tread: TreadResults
) -> tuple[object, ...] | None:
    columns = [f"{place}_mm" for place in PLACES]
    lost = before[columns].to_numpy(dtype=np.float64) - after[columns].to_numpy(dtype=np.float64)
    seen = np.isfinite(lost)
    if not seen.any():
        return None
    corner, n = str(after["corner"]), float(after["age_laps"] - before["age_laps"])
    rate = tread.wear_mm_per_lap(corner).mean
    slow = float((driven["kind"] != "timed").sum()) if "kind" in driven else 0.0
    paced = laps_at_pace(np.array(n), np.array(slow), float(tread.params["slow_lap_share"]))
    usual = rate * float(paced) + _first_laps(tread, float(before["age_laps"]), n)
    gauge = tread.reading_mm * math.sqrt(2 / int(seen.sum()))
    pct = 100 * (float(lost[seen].mean()) / usual - 1)
    se = 100 * math.hypot(gauge / usual, tread.tyre_spread_pct / 100)
    first = driven.iloc[0]
    runs = " ".join(dict.fromkeys(driven["run_id"]))
    return (
        first["session"], first["driver"], runs, tyre_id, corner, n, float(lost[seen].mean()) / n,
        usual / n, pct, se,
    )  # fmt: skip


def _first_laps(tread: TreadResults, age: float, n: float) -> float:
    """Return what a tyre of this age loses beyond its rate over `n` laps."""
    early, tau = float(tread.params["first_laps_mm"]), float(tread.params["first_laps_laps"])
    return early * float(first_laps_share(np.array(age), np.array(age + n), tau)[0])
