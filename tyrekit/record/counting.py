"""Which laps count for the lap-time fit, and for each of the others the reason.

Only plain cases are left out here; doubtful laps are weighed by the fit.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.record.event import Event

SLOW = 1.07  # times the run's usual lap: traffic and errors beyond this say nothing of the tyres
SHORT = 0.93  # times the session's usual lap: faster than this no car gets
CAUTION_RUNNING, CAUTION_PEAK, CAUTION_LAPS = 1.25, 1.35, 2
DOUBLE_WITHIN = 0.08
ENOUGH = 3  # laps from which a run has a usual lap of its own


def counted(laps: pd.DataFrame, event: Event, rain: pd.Series) -> pd.DataFrame:
    """Return the laps with cautions told apart, and `counts`, `reason`, `rule`, `flying_lap` set.

    Parameters
    ----------
    laps : DataFrame
        run_id, session, lap, kind, reason, rule and lap_time_s, in order of time.
    event : Event
        The sessions.
    rain : Series of str
        dry, damp, wet or empty at the start of each lap.
    """
    laps = laps.copy()
    usual = usual_laps_s(laps, event)
    ratio = laps["lap_time_s"] / laps["session"].map(usual).astype("float64")
    for _, rows in laps.groupby("run_id", sort=False):
        _mark_cautions(laps, ratio, rows.index)
    wet = {session.id for session in event.sessions if session.wet}
    for i in laps.index:
        if not laps.at[i, "reason"] and laps.at[i, "kind"] == "timed":
            laps.at[i, "reason"] = _plain(ratio[i], rain[i], laps.at[i, "session"] in wet)
    _mark_slow(laps, usual)
    timed = laps["kind"] == "timed"
    laps.loc[~timed & (laps["reason"] == ""), "reason"] = laps["kind"]
    laps["counts"] = timed & (laps["reason"] == "") & laps["lap_time_s"].notna()
    flying = timed.groupby(laps["run_id"], sort=False).cumsum()
    laps["flying_lap"] = flying.where(laps["kind"] != "out", 0).astype("int64")
    return laps


def usual_laps_s(laps: pd.DataFrame, event: Event) -> dict[str, float]:
    """Return each session's usual clean lap, s; NaN where nothing tells it.

    The median of its timed laps within 15 % of the lower quartile; when a session was nearly all
    caution, or has no timed lap, the weekend's, else what event.toml believes.
    """
    believed = event.circuit.lap_time_s
    timed = laps[(laps["kind"] == "timed") & (laps["reason"] == "")]
    times, sessions = timed["lap_time_s"].to_numpy("float64"), timed["session"].to_numpy(object)
    weekend = _usual(times)
    if np.isnan(weekend) and believed is not None:
        weekend = believed.mean
    found = {}
    for session in event.sessions:
        own = _usual(times[sessions == session.id])
        slow = own > CAUTION_RUNNING * weekend
        found[session.id] = weekend if np.isnan(own) or slow else own
    return found


def _usual(times: NDArray[np.float64]) -> float:
    times = times[np.isfinite(times)]
    if not len(times):
        return float("nan")
    return float(np.median(times[times <= 1.15 * np.quantile(times, 0.25)]))


def _mark_cautions(laps: pd.DataFrame, ratio: pd.Series, run: pd.Index) -> None:
    """Call laps caution where at least two in a row were far slower, and mark their neighbours."""
    slow = [laps.at[i, "kind"] == "timed" and ratio[i] > CAUTION_RUNNING for i in run]
    start = 0
    while start < len(run):
        end = start
        while end < len(run) and slow[end]:
            end += 1
        block = run[start:end]
        if len(block) >= CAUTION_LAPS and ratio[block].max() > CAUTION_PEAK:
            times = f"{len(block)} laps at up to {ratio[block].max():.2f} times the usual one"
            laps.loc[block, "kind"] = "caution"
            laps.loc[block, ["reason", "rule"]] = f"caution: {times}"
        start = max(end, start + 1)
    for i, j in [*pairwise(run), *pairwise(run[::-1])]:
        beside = laps.at[i, "kind"] == "caution" and laps.at[j, "kind"] == "timed"
        if beside and ratio[j] > SLOW:
            laps.loc[j, ["reason", "rule"]] = "a caution began or ended on it"


def _plain(ratio: float, rain: str, wet_session: bool) -> str:
    """Return why a timed lap does not count by itself; empty when it may."""
    if rain in ("damp", "wet") or (not rain and wet_session):
        return f"the track was {rain or 'wet'}"
    if ratio < SHORT:
        return f"short: {ratio:.2f} of the session's usual lap; a crossing too many?"
    if abs(ratio / 2 - 1) < DOUBLE_WITHIN:
        return f"{ratio:.2f} times the session's usual lap: a crossing was missed?"
    return ""


def _mark_slow(laps: pd.DataFrame, usual: dict[str, float]) -> None:
    """Leave out timed laps well over the run's usual one, or the session's in a short run."""
    may = laps[(laps["kind"] == "timed") & (laps["reason"] == "")]
    for _, rows in may.groupby("run_id", sort=False):
        times = rows["lap_time_s"]
        session = usual[str(rows["session"].iloc[0])]
        near = times[times <= SLOW * max(session, times.min())]
        base = float(near.median()) if len(near) >= ENOUGH else session
        for i in times.index[times > SLOW * base]:
            over = times[i] - base
            laps.at[i, "reason"] = f"slow: {over:.1f} s over the run's usual lap"
