"""Whether the line was crossed on the track or in the pit lane: by speed, stops and position."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tyrekit.record.motion import Motion

FloatArray = NDArray[np.float64]
STOOD_S = 3.0
LANE_MOST_MPS = 25.0  # 90 km/h: pit lanes are slower; common practice, no source
SLOW_SHARE = 0.75  # of the usual speed over the line
THROUGH_SHARE = 0.55  # slower than this, and than the minute around, is the lane without a stop
STOP_SHARE = 0.5  # slower than this near a stop is the lane, steady or not
NEAR_STOP_S = 90.0
STEADY_S, STEADY_MPS = 4.0, 3.0  # the limiter holds the speed: spread of the middle 80 %
ASIDE_M = 8.0  # from where laps usually cross the line


def usual_speed(motion: Motion, at: FloatArray) -> float:
    """Return how fast laps usually cross the line, m/s; NaN when unknown."""
    if not motion.known or not len(at):
        return float("nan")
    moving = motion.speed_mps[motion.speed_mps > 5.0]
    typical = float(np.median(moving)) if len(moving) else 0.0
    return max(float(np.median(motion.speed_at(at))), typical)


def lane_marks(
    motion: Motion, at: FloatArray, sideways_m: FloatArray, usual_mps: float
) -> list[str]:
    """Return for each crossing ``line`` (on the track) or ``lane`` (in the pit lane).

    Parameters
    ----------
    motion : Motion
        Of the run.
    at : ndarray
        Times of crossing, s.
    sideways_m : ndarray
        How far to the right of the line's middle the car was, m; NaN unknown.
    usual_mps : float
        How fast laps usually cross, m/s.

    Notes
    -----
    A crossing is in the lane when it is slower than laps usually cross and either

    - well aside of where they do, or
    - near a stop: steady as a limiter holds it, or very slow and not the start from a stand, or
    - steady, and far slower than usual and than the minute around it: driven through, no stop.
    """
    if not motion.known or not len(at):
        return ["line"] * len(at)
    speed = motion.speed_at(at)
    fast = speed >= SLOW_SHARE * usual_mps
    middle = (
        float(np.nanmedian(sideways_m[fast])) if np.isfinite(sideways_m[fast]).any() else np.nan
    )
    first, last = motion.moving()
    stops = [*motion.standstills(STOOD_S), (first, first), (last, last)]
    marks = []
    for time, v, quick, aside in zip(at, speed, fast, np.abs(sideways_m - middle), strict=True):
        near = any(a - NEAR_STOP_S < time < b + NEAR_STOP_S for a, b in stops)
        slow = not quick and v < LANE_MOST_MPS
        steady = _steady(motion, float(time))
        stopping = near and (steady or (v < STOP_SHARE * usual_mps and not _starting(motion, time)))
        through = (
            steady and v < THROUGH_SHARE * usual_mps and v < 0.8 * _around(motion, float(time))
        )
        marks.append("lane" if slow and (aside > ASIDE_M or stopping or through) else "line")
    return marks


def _steady(motion: Motion, time: float) -> bool:
    """Whether the speed is held for some seconds before or after a time."""
    for a, b in ((time - STEADY_S, time), (time, time + STEADY_S)):
        inside = (motion.time_s >= a) & (motion.time_s <= b)
        if inside.sum() < 3:
            continue
        low, mid, high = np.percentile(motion.speed_mps[inside], [10, 50, 90])
        if 4.0 < mid < LANE_MOST_MPS and high - low < STEADY_MPS:
            return True
    return False


def _starting(motion: Motion, time: float) -> bool:
    """Whether the car leaves a stand on the track: it is soon faster than any lane allows."""
    after = motion.speed_at(np.array([time, time + 8.0]))
    return bool(after[1] > LANE_MOST_MPS > after[0])


def _around(motion: Motion, time: float) -> float:
    """Return the median speed of the minute before and after a time."""
    inside = np.abs(motion.time_s - time) < 60.0
    return float(np.median(motion.speed_mps[inside]))
