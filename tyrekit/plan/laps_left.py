"""How far a tyre may still run under the event's life and tread limits."""

from __future__ import annotations

import math

from tyrekit.plan.problem import AllocationProblem
from tyrekit.record.event import Event, LongestLife, MinimumTread

NO_LIMIT_LAPS = 999  # what a tyre without limits may still run


def laps_left(
    event: Event,
    problem: AllocationProblem,
    corner: int,
    *,
    age_laps: float,
    distance_km: float,
    tread_low_mm: float,
) -> int:
    """Return the whole laps that limits leave to a tyre in this state; below 0 when past them.

    Parameters
    ----------
    corner : int
        Where it runs on, 0 to 3; wear there is taken at the limits' highest confidence.
    tread_low_mm : float
        Depth of its thinnest place.
    """
    left = float(NO_LIMIT_LAPS)
    for limit in event.rules:
        if isinstance(limit, LongestLife):
            by_laps = math.inf if limit.laps is None else limit.laps - age_laps
            by_km = math.inf if limit.km is None else (limit.km - distance_km) / problem.lap_km
            left = min(left, by_laps, by_km)
        elif isinstance(limit, MinimumTread):
            wear_mm = problem.wear_high[max(problem.wear_high)].run_in_mm[corner]
            rate = float(wear_mm[-1]) / (len(wear_mm) - 1)
            left = min(left, (tread_low_mm - limit.mm) / rate if rate > 0 else math.inf)
    return math.floor(left + 1e-9)
