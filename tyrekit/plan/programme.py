"""How far and how fast a session still to come is expected to run."""

from __future__ import annotations

import math

import pandas as pd

from tyrekit.fit.lap_design import DEFAULTS, FUEL_KG, SETTLED_LAP
from tyrekit.fit.lap_time import LapTimeResults
from tyrekit.fit.result import NORMAL_90
from tyrekit.record.event import Event, Session

SHORTEST_MIN = 0.1  # a race to time is at least the lap that is begun
MIDDLE_AGE_LAPS = 8.0  # of tyres over a race; ours
PIT_SHARE = 0.35  # of a practice or qualifying session spent standing; common practice, no source


def laps_to_run(session: Session, lap_s: float) -> int:
    """Return the laps one car is expected to run in a session, out- and in-laps included.

    What the session says wins: planned laps, then race laps, then its minutes divided by the lap
    time (a race to time: the lap under way when time is up is finished; other sessions: less the
    share of the time spent in the pits).
    """
    if session.planned_laps is not None:
        return session.planned_laps
    by_time = math.inf
    if session.minutes is not None:
        running_s = session.minutes * 60.0
        if session.kind != "race":
            running_s *= 1 - PIT_SHARE
        by_time = math.ceil(running_s / lap_s)
    by_laps = session.laps if session.laps is not None else math.inf
    return max(1, int(min(by_time, by_laps)))


def less_stops(event: Event, session: Session) -> Session:
    """Return a race to time with the time its stops must take, at the least, off its minutes."""
    stops = session.stops
    if stops is None or session.minutes is None or stops.minimum == 0:
        return session
    lane_s = event.circuit.pit_loss_s
    if session.caution is not None:
        lane_s = min(lane_s, session.caution.pit_loss_s)
    taken_min = stops.minimum * (lane_s + stops.stationary_s) / 60.0
    return session.model_copy(update={"minutes": max(session.minutes - taken_min, SHORTEST_MIN)})


def lap_time_s(lap_time: LapTimeResults, session: Session) -> tuple[float, float]:
    """Return a session's clean lap on tyres of middle age in the fit's reference conditions, in s.

    Mean, and the standard deviation of the normal with the same 90 % interval.
    """
    row = {
        **DEFAULTS, "session": session.id, "age_laps": MIDDLE_AGE_LAPS, "heat_cycles": 1.0,
        "fuel_kg": FUEL_KG, "flying_lap": SETTLED_LAP,
    }  # fmt: skip
    found = lap_time.predict(pd.DataFrame([row]), level=0.9).iloc[0]
    return float(found["mean"]), float(found["upper"] - found["lower"]) / (2 * NORMAL_90)
