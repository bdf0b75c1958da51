"""Stints that do not fit the rest: each is predicted from all the others.

A set written down wrongly, a fuel entry gone wrong or a change to the car shows as a step. Tread
readings tell a wrong set more surely; this is the second witness.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd

from tyrekit.fit.lap_result import LapTimeEstimates
from tyrekit.fit.lap_time import LapTimeModel
from tyrekit.fit.result import t_quantile

LEAST_LAPS = 3  # fewer laps cannot be told from traffic
ONE_SD = 0.6826895


def stint_steps(model: LapTimeModel) -> pd.DataFrame:
    """Return how far each stint lies from what all other stints say of it.

    Returns
    -------
    DataFrame
        run_id, session, laps, step_s (median of lap time minus prediction, s; above 0 is slower),
        sd_s (what it is expected to scatter by), spreads (step / sd).
    """
    whole = model.fit()
    table = whole.laps
    rows = [
        _step(model, table[table["run_id"] == run])
        for run in dict.fromkeys(table["run_id"])
        if (table["run_id"] == run).sum() >= LEAST_LAPS
    ]
    names = ["run_id", "session", "laps", "step_s", "sd_s", "spreads"]
    return pd.DataFrame([row for row in rows if row is not None], columns=names)


def _step(model: LapTimeModel, stint: pd.DataFrame) -> tuple[object, ...] | None:
    run, lap = str(stint["run_id"].iloc[0]), set(stint["lap"])
    taken = {*model.without, *((run, number) for number in lap)}
    others = dataclasses.replace(model, without=taken).fit()
    if others.n_rows == 0:
        return None
    laps = model.laps
    rows = laps[(laps["run_id"].astype(str) == run) & laps["lap"].isin(lap)]
    rows = rows.drop_duplicates("lap").astype({"lap_time_s": float})
    step = float(np.median(rows["lap_time_s"] - others.predict(rows)["mean"]))
    sd = _spread(others, rows)
    return run, stint["session"].iloc[0], len(rows), step, sd, step / sd


def _spread(others: LapTimeEstimates, rows: pd.DataFrame) -> float:
    """What the mean of this stint is expected to scatter by; its median, a little more."""
    told = others.combined(rows, np.full(len(rows), 1.0 / len(rows)), ONE_SD).iloc[0]
    half = 0.5 * (float(told["upper"]) - float(told["lower"]))
    return half / t_quantile(0.5 + ONE_SD / 2, others.df)
