"""How much of each lap was run far below the run's usual speed at the same place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tyrekit.record.motion import Motion
from tyrekit.record.segments import Segment

FloatArray = NDArray[np.float64]
POINTS = 100  # places round a lap
FAR_BELOW = 0.65  # of the usual speed at the place: no racing line or traffic costs as much
ENOUGH = 3  # laps that tell what is usual


def with_pace(laps: Sequence[Segment], motion: Motion) -> list[Segment]:
    """Return the stretches with `slow`: the share run far below the usual speed at the place.

    Usual is the median of the whole laps within a tenth of the fastest; NaN with too few of them.
    The last tenth of a lap into the pits and the first of one out of them are not looked at.
    """
    whole = [s for s in laps if s.whole and abs(s.share - 1) < 0.05]
    if not motion.known or len(whole) < ENOUGH:
        return list(laps)
    limit_s = 1.1 * min(s.duration_s for s in whole)
    quick = [_speeds(s, motion) for s in whole if s.duration_s < limit_s]
    if len(quick) < ENOUGH:
        return list(laps)
    usual = np.median(quick, axis=0)
    return [replace(s, slow=_slow(s, motion, usual)) for s in laps]


def _places(s: Segment) -> FloatArray:
    """Return the places round the lap, 0 to 1, that a stretch ran over."""
    at = (np.arange(POINTS) + 0.5) / POINTS
    if s.whole:
        return at
    begins = s.begins not in ("log", "track")
    return at[at < s.share] if begins else at[at > 1 - s.share]


def _speeds(s: Segment, motion: Motion) -> FloatArray:
    at = _places(s)
    begun, ended = np.interp([s.start_s, s.end_s], motion.time_s, motion.run_m)
    if s.whole:
        run = begun + at * (ended - begun)
    elif s.begins in ("log", "track"):
        run = ended - (1 - at) * s.run_m / max(s.share, 1e-9)
    else:
        run = begun + at * s.run_m / max(s.share, 1e-9)
    return motion.speed_at(np.interp(run, motion.run_m, motion.time_s))


def _slow(s: Segment, motion: Motion, usual: FloatArray) -> float:
    at = _places(s)
    speed = _speeds(s, motion)
    looked = np.ones(len(at), dtype=bool)
    if s.begins != "line":
        looked &= at > at.min(initial=1.0) + 0.1
    if s.ends != "line":
        looked &= at < at.max(initial=0.0) - 0.1
    if looked.sum() < 10:
        return float("nan")
    below = speed < FAR_BELOW * usual[np.minimum((at * POINTS).astype(int), POINTS - 1)]
    return float(np.mean(below[looked]))
