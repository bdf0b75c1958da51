"""A log between its crossings of the line: stretches of running, repaired where one was missed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tyrekit.record.chain import laps_between, likely_chain
from tyrekit.record.motion import Motion
from tyrekit.record.pit_lane import LANE_MOST_MPS, STOOD_S, lane_marks, usual_speed
from tyrekit.record.pulses import Crossings

FloatArray = NDArray[np.float64]
LEAST_SHARE = 0.3  # of a lap: a shorter stretch at a run's end is no lap
LEAST_BY_TIME = 0.6  # the same by time alone, in which the car may have stood and crept as well
EDGES = ("log", "track")  # not bounded by the line
ON_TRACK_MPS = 12.0  # a log that begins or ends faster than this does so on the track
SPLIT_SE_S = 0.5  # of a crossing put where the distance says
JOINED = "a crossing too many: two parts joined"
SPLIT = "a crossing was missed: split by distance"
MOST_LAPS = 4000  # between two crossings: more is no distance a car runs
FROM_STAND_S = 15.0


@dataclass(frozen=True)
class Segment:
    """Running between two moments of a log, s since its start.

    `run_m` is the distance run, `share` the same in laps. `begins` and `ends` say what bounds it:
    the line, the lane (the line crossed in the pit lane), the log (the car's first or last
    movement) or the track (the log begins or ends while the car is running). `stood_s` is the
    longest standstill in it, `from_stand` whether it began from a stand on the track, `slow` the
    share of it run far below the run's usual speed there, `flying` whether the log had begun at
    speed on the lap before it.
    """

    start_s: float
    end_s: float
    se_s: float
    run_m: float
    share: float = 1.0
    begins: str = "line"
    ends: str = "line"
    stood_s: float = 0.0
    note: str = ""
    from_stand: bool = False
    slow: float = float("nan")
    flying: bool = False

    @property
    def duration_s(self) -> float:
        """Time from start to end."""
        return self.end_s - self.start_s

    @property
    def whole(self) -> bool:
        """Whether the line bounds it at both ends."""
        return self.begins not in EDGES and self.ends not in EDGES


def segments(
    motion: Motion,
    crossings: Crossings,
    length_m: float,
    *,
    sample_s: float,
    sideways_m: FloatArray | None = None,
) -> list[Segment]:
    """Return a run's stretches in order; those too short to be a lap are left out.

    Parameters
    ----------
    motion : Motion
        Of this run alone.
    crossings : Crossings
        Of this run alone.
    length_m : float
        Length of the circuit, m.
    sample_s : float
        Time between samples, s, the standard error of a stretch not bounded by the line.
    sideways_m : ndarray, optional
        Where across the line each crossing was, m; NaN unknown.
    """
    first, last = motion.moving()
    inside = (crossings.time_s > first) & (crossings.time_s < last)
    at, se = crossings.time_s[inside], crossings.se_s[inside]
    aside = np.full(len(at), np.nan) if sideways_m is None else sideways_m[inside]
    usual_mps = usual_speed(motion, at)
    marks = lane_marks(motion, at, aside, usual_mps)
    times = np.concatenate([[first], at, [last]])
    names = [_edge(motion, first), *marks, _edge(motion, last)]
    errors = np.concatenate([[sample_s], se, [sample_s]])
    run = np.interp(times, motion.time_s, motion.run_m) if motion.known else None
    lap_m = length_m if run is None else usual_m(np.diff(run[1:-1]), length_m)
    kept = list(range(len(times)))
    if run is not None:
        kept = likely_chain(run.tolist(), lap_m, [m == "lane" for m in names])
    found = [
        Segment(
            float(times[i]), float(times[j]), float(np.hypot(errors[i], errors[j])),
            motion.distance_m(float(times[i]), float(times[j])), begins=names[i], ends=names[j],
            note=JOINED if j - i > 1 else "",
        )
        for i, j in pairwise(kept)
    ]  # fmt: skip
    split = [part for s in _shares(found, lap_m) for part in _split(s, motion, lap_m, usual_mps)]
    least = LEAST_BY_TIME if run is None else LEAST_SHARE
    laps = [_stood(s, motion) for s in split if s.whole or not s.share < least]
    if laps and laps[0].start_s > split[0].start_s and split[0].begins == "track":
        fast = float(motion.speed_mps[0]) > LANE_MOST_MPS
        laps[0] = replace(laps[0], flying=fast and laps[0].begins == "line")
    return laps


def usual_m(distances_m: FloatArray, length_m: float) -> float:
    """Return a lap's distance as this log measures it: its own median when laps agree on one.

    Distances of several laps, where crossings were missed, count as so many.
    """
    laps = np.round(distances_m / length_m)
    near = (laps >= 1) & (np.abs(distances_m / length_m - laps) < 0.08 * laps)
    if near.sum() >= 3 and near.sum() > 0.5 * len(distances_m):
        return float(np.median(distances_m[near] / laps[near]))
    if len(distances_m) < 3:
        return length_m
    low, median, high = np.percentile(distances_m, [25, 50, 75])
    return float(median) if high - low < 0.05 * median else length_m


def _edge(motion: Motion, time: float) -> str:
    """Return whether a log's end stands in the pits (or is unknown) or on the track."""
    ends = time <= motion.time_s[0] + 1.0 or time >= motion.time_s[-1] - 1.0
    fast = motion.known and float(motion.speed_at(np.array([time]))[0]) > ON_TRACK_MPS
    return "track" if ends and fast else "log"


def _shares(found: list[Segment], lap_m: float) -> list[Segment]:
    """Turn distance into laps; without a distance, time against the usual lap stands in."""
    if all(np.isfinite(s.run_m) for s in found):
        return [replace(s, share=s.run_m / lap_m) for s in found]
    whole = [s for s in found if s.whole]
    usual_s = float(np.median([s.duration_s for s in whole])) if whole else float("nan")
    return [replace(s, share=1.0 if s in whole else s.duration_s / usual_s) for s in found]


def _split(s: Segment, motion: Motion, lap_m: float, usual_mps: float) -> list[Segment]:
    """Cut a stretch of two or more laps where the distance of one ends."""
    if not motion.known:
        return [s]
    begun, ended = (float(x) for x in np.interp([s.start_s, s.end_s], motion.time_s, motion.run_m))
    laps = laps_between(begun, ended, lap_m, edge=not s.whole)
    if not 0 < laps <= MOST_LAPS:
        return [replace(s, note=_odd(s))]
    if laps == 1:
        return [s]
    cuts: FloatArray
    if s.whole:
        cuts = np.linspace(begun, ended, laps + 1)[1:-1]
    elif s.begins in EDGES and s.ends in EDGES:
        return [s]
    elif s.begins in EDGES:
        cuts = ended - lap_m * np.arange(laps - 1.0, 0.0, -1.0)
    else:
        cuts = begun + lap_m * np.arange(1.0, laps)
    times = np.interp(cuts, motion.run_m, motion.time_s)
    at = [s.start_s, *times.tolist(), s.end_s]
    run = [begun, *cuts.tolist(), ended]
    unknown = np.full(len(times), np.nan)
    marks = [s.begins, *lane_marks(motion, times, unknown, usual_mps), s.ends]
    return [
        replace(
            s, start_s=at[i], end_s=at[i + 1], se_s=max(s.se_s, SPLIT_SE_S),
            run_m=run[i + 1] - run[i], share=(run[i + 1] - run[i]) / lap_m,
            begins=marks[i], ends=marks[i + 1], note=SPLIT,
        )
        for i in range(laps)
    ]  # fmt: skip


def _odd(s: Segment) -> str:
    """Say what is wrong with a stretch that is no whole number of laps; the lane excuses it."""
    if "lane" in (s.begins, s.ends) and 0.5 < s.share < 1.3:
        return s.note
    return f"{s.share:.2f} of a lap between crossings: one too many, missed, or another way round"


def _stood(s: Segment, motion: Motion) -> Segment:
    """Note the longest standstill within a stretch, and whether it began from one."""
    stops: Sequence[tuple[float, float]] = motion.standstills(STOOD_S)
    overlaps = [min(b, s.end_s) - max(a, s.start_s) for a, b in stops]
    started = any(-0.5 < s.start_s - b < FROM_STAND_S for _, b in stops)
    from_stand = started and s.begins == "line"
    return replace(s, stood_s=max([0.0, *overlaps]), from_stand=from_stand)
