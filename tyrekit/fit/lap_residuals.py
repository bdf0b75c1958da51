"""What the lap-time fit's residuals say about the laps: spread by session, lap-to-lap memory."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from scipy import stats

from tyrekit.fit.lap_result import LapTimeEstimates

LEAST_LAPS = 5
COLUMNS = ["session", "laps", "mean_s", "spread_s", "correlation", "chance"]


def residual_spread(result: LapTimeEstimates) -> pd.DataFrame:
    """Return how the residuals of the laps kept behave in each session.

    Returns
    -------
    DataFrame
        session, laps, mean_s, spread_s (s), correlation (of neighbouring laps within a stint,
        NaN with fewer than five pairs) and chance (that a session as wide as this one comes
        about when all scatter alike; F distribution against the other sessions, 1 with too few
        laps to say).
    """
    kept = result.laps[result.laps["kept"]]
    rows = [_session(kept, str(name)) for name in dict.fromkeys(kept["session"])]
    return pd.DataFrame(rows, columns=COLUMNS)


def _session(kept: pd.DataFrame, name: str) -> tuple[object, ...]:
    own, rest = kept[kept["session"] == name], kept[kept["session"] != name]
    left = own["residual_s"].to_numpy()
    chance = _wider(left, rest["residual_s"].to_numpy())
    return name, len(left), left.mean(), left.std(), _neighbours(own), chance


def _wider(left: np.ndarray, rest: np.ndarray) -> float:
    if min(len(left), len(rest)) < LEAST_LAPS or not rest.any():
        return 1.0
    ratio = float(np.mean(left**2) / np.mean(rest**2))
    return float(stats.f.sf(ratio, len(left) - 1, len(rest) - 1))


def _neighbours(own: pd.DataFrame) -> float:
    """Correlation of a lap's residual with the next one's, over pairs that follow directly."""
    run, lap = own["run_id"].to_numpy(dtype=object), own["lap"].to_numpy()
    left = own["residual_s"].to_numpy()
    pair = np.flatnonzero((run[1:] == run[:-1]) & (np.diff(lap) == 1))
    if len(pair) < LEAST_LAPS or not left.any():
        return math.nan
    return float(np.mean(left[pair] * left[pair + 1]) / np.mean(left**2))
