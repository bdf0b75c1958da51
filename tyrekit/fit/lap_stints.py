"""Stint against stint and driver against driver, at equal tyre age and fuel, from the lap fit."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from tyrekit.fit.lap_design import SETTLED_LAP
from tyrekit.fit.lap_result import LapTimeEstimates
from tyrekit.fit.result import Floats, check_level, t_quantile
from tyrekit.fit.style_rows import weighted_means

STINT_COLUMNS = (
    "run_id", "session", "driver", "set_id", "laps", "age_first_laps", "age_last_laps", "level_s",
    "lower_s", "upper_s", "drop_off_ms_per_lap", "drop_off_ms_per_lap_se", "consistency_s",
)  # fmt: skip
DRIVER_COLUMNS = ("driver", "other", "mean_s", "lower_s", "upper_s", "laps", "other_laps", "runs",
                  "other_runs")  # fmt: skip
CONDITIONS = ("age_laps", "fuel_kg", "heat_cycles", "track_c", "field_laps")
LEAST_LAPS = 4  # fewer tell no trend


def stint_table(laps: pd.DataFrame, result: LapTimeEstimates, level: float = 0.9) -> pd.DataFrame:
    """Return each stint's clean lap and drop-off, made comparable.

    Parameters
    ----------
    laps : DataFrame
        The laps of the fit, as `show.answer.Fits.laps` or `Weekend.laps`.
    result : LapTimeEstimates
        Their fit.
    level : float
        Of the interval of the clean lap; between 0 and 1.

    Returns
    -------
    DataFrame
        `STINT_COLUMNS`. ``level_s`` is the stint's mean clean lap brought to the middle age,
        fuel, temperature and rubber of all laps; ``drop_off_ms_per_lap`` its own trend with age
        against the fit's, with standard error (NaN under four laps); ``consistency_s`` the spread
        of its clean laps about the fit (NaN under three).
    """
    kept = _kept(laps, result)
    middle = {name: float(kept[name].median()) for name in CONDITIONS} if len(kept) else {}
    rows = [
        _stint(own, result, middle, check_level(level))
        for _, own in kept.groupby("run_id", sort=False)
    ]
    return pd.DataFrame(rows, columns=list(STINT_COLUMNS))


def driver_table(laps: pd.DataFrame, result: LapTimeEstimates, level: float = 0.9) -> pd.DataFrame:
    """Return every pair of drivers: how much slower the first is on equal tyres and fuel.

    `DRIVER_COLUMNS`; empty with one driver.
    """
    half = t_quantile(0.5 + check_level(level) / 2, result.df)
    kept = _kept(laps, result)
    count = kept["driver"].value_counts()
    runs = kept.groupby("driver")["run_id"].agg(lambda ids: ", ".join(dict.fromkeys(ids)))
    cov, rows = result.cov.to_numpy(dtype=np.float64), []
    at = {str(name): i for i, name in enumerate(result.params.index)}
    for i, one in enumerate(result.drivers):
        for other in result.drivers[i + 1 :]:
            a, b = at[f"driver_s:{one}"], at[f"driver_s:{other}"]
            mean = float(result.params.iloc[a] - result.params.iloc[b])
            variance = float(cov[a, a] + cov[b, b] - 2 * cov[a, b])
            reach = half * math.sqrt(max(variance, 0.0))
            counts = int(count.get(one, 0)), int(count.get(other, 0))
            ran = str(runs.get(one, "")), str(runs.get(other, ""))
            rows.append((one, other, mean, mean - reach, mean + reach, *counts, *ran))
    return pd.DataFrame(rows, columns=list(DRIVER_COLUMNS))


def drop_off_rows(stints: pd.DataFrame) -> pd.DataFrame:
    """Return one row per driver and session for the driving fit: the drop-off and its error."""
    told = stints[stints["drop_off_ms_per_lap_se"].notna()]
    return weighted_means(told, "drop_off_ms_per_lap").reset_index()


def _kept(laps: pd.DataFrame, result: LapTimeEstimates) -> pd.DataFrame:
    """Return the laps that the fit rests on."""
    if not len(result.laps):
        return laps.iloc[:0]
    kept = result.laps.loc[result.laps["kept"], ["run_id", "lap", "residual_s"]]
    return laps.assign(lap=laps["lap"].astype(float)).merge(
        kept.assign(lap=kept["lap"].astype(float)), on=["run_id", "lap"], how="inner"
    )


def _stint(
    own: pd.DataFrame, result: LapTimeEstimates, middle: dict[str, float], level: float
) -> tuple[object, ...]:
    first, count = own.iloc[0], len(own)
    moved = own.iloc[[0]].assign(**middle, flying_lap=float(SETTLED_LAP))
    rows = pd.concat([own, moved], ignore_index=True)
    weights = np.append(np.full(count, -1.0 / count), 1.0)
    shift = result.combined(rows, weights, level, noise=False).iloc[0]
    noise = result.noise_s * math.sqrt(result.linger / count)
    reach = math.hypot(
        float(shift["upper"] - shift["lower"]) / 2,
        noise * t_quantile(0.5 + level / 2, result.df),
    )
    mean = float(own["lap_time_s"].mean() + shift["mean"])
    spread = float(own["residual_s"].std(ddof=1)) if count > 2 else math.nan
    return (
        first["run_id"], first["session"], first["driver"], first["set_id"], count,
        float(own["age_laps"].min()), float(own["age_laps"].max()), mean, mean - reach,
        mean + reach, *_trend(own, result), spread,
    )  # fmt: skip


def _trend(own: pd.DataFrame, result: LapTimeEstimates) -> tuple[float, float]:
    """Return the slope of lap times against the fit, ms per lap of age, and its error."""
    age: Floats = own["age_laps"].to_numpy(dtype=np.float64)
    off = age - age.mean()
    size = float(off @ off)
    if len(own) < LEAST_LAPS or size == 0.0:
        return math.nan, math.nan
    against = own["lap_time_s"].to_numpy(dtype=np.float64) - result.predict(own)["mean"].to_numpy()
    se = result.noise_s * math.sqrt(result.linger / size)
    return 1000 * float(off @ against) / size, 1000 * se
