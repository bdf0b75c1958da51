"""A log between its crossings of the line: stretches of running, repaired where one was missed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tyrekit.record.crossings import Crossings
from tyrekit.record.motion import Motion

FloatArray = NDArray[np.float64]
LEAST_SHARE = 0.3  # of a lap: a shorter stretch at a run's end is no lap
STOOD_S = 3.0
PIT_SHARE = 0.5  # of the usual speed over the line: slower, and near a stop, is the pit lane
NEAR_STOP_S = 90.0


@dataclass(frozen=True)
class Segment:
    """Running between two moments of a log, s since its start.

    `run_m` is the distance run, `share` the same in laps. `begins` and `ends` say what bounds it:
    the line, the lane (the line crossed in the pit lane), or the log (the car's first or last
    movement). `stood_s` is the longest standstill in it.
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

    @property
    def duration_s(self) -> float:
        """Time from start to end."""
        return self.end_s - self.start_s


def segments(
    motion: Motion, crossings: Crossings, length_m: float, *, sample_s: float
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
    """
    first, last = motion.moving()
    inside = (crossings.time_s > first) & (crossings.time_s < last)
    at, se = crossings.time_s[inside], crossings.se_s[inside]
    bounds = [first, *at.tolist(), last]
    marks = ["log", *_marks(motion, at), "log"]
    errors = [sample_s, *se.tolist(), sample_s]
    found = [
        Segment(
            bounds[i], bounds[i + 1], float(np.hypot(errors[i], errors[i + 1])),
            motion.distance_m(bounds[i], bounds[i + 1]), begins=marks[i], ends=marks[i + 1],
        )
        for i in range(len(bounds) - 1)
    ]  # fmt: skip
    return [_stood(s, motion) for s in _repaired(_shares(found, length_m), motion)]


def _marks(motion: Motion, at: FloatArray) -> list[str]:
    """Return for each crossing whether it was on the track or in the pit lane."""
    speed = motion.speed_at(at)
    if not motion.known or len(at) < 2:
        return ["line"] * len(at)
    first, last = motion.moving()
    stops = [*motion.standstills(STOOD_S), (first, first), (last, last)]
    slow = speed < PIT_SHARE * np.median(speed)
    near = [any(a - NEAR_STOP_S < time < b + NEAR_STOP_S for a, b in stops) for time in at]
    return ["lane" if s and n else "line" for s, n in zip(slow, near, strict=True)]


def _shares(found: list[Segment], length_m: float) -> list[Segment]:
    """Turn distance into laps; without a distance, time against the usual lap stands in."""
    whole = [s for s in found if s.begins != "log" and s.ends != "log"]
    if all(np.isfinite(s.run_m) for s in found):
        usual_m = _usual([s.run_m for s in whole], length_m)
        return [replace(s, share=s.run_m / usual_m) for s in found]
    usual_s = float(np.median([s.duration_s for s in whole])) if whole else float("nan")
    return [replace(s, share=1.0 if s in whole else s.duration_s / usual_s) for s in found]


def _usual(distances_m: Sequence[float], length_m: float) -> float:
    """Return a lap's distance as this log measures it: its own median when laps agree on one."""
    if len(distances_m) < 3:
        return length_m
    low, median, high = np.percentile(distances_m, [25, 50, 75])
    return float(median) if high - low < 0.05 * median else length_m


def _repaired(found: list[Segment], motion: Motion) -> list[Segment]:
    """Split where a crossing was missed, join where there was one too many, drop scraps."""
    joined: list[Segment] = []
    for s in found:
        before = joined[-1] if joined else None
        if before is not None and _one_too_many(before, s):
            note = "a crossing too many: two parts joined"
            joined[-1] = replace(
                s, start_s=before.start_s, begins=before.begins, run_m=before.run_m + s.run_m,
                share=before.share + s.share,
                se_s=float(np.hypot(before.se_s, s.se_s)), note=note,
            )  # fmt: skip
        else:
            joined.append(s)
    split = [part for s in joined for part in _split(s, motion)]
    return [
        s for s in split if not s.share < LEAST_SHARE or not (s.begins == "log" or s.ends == "log")
    ]


def _one_too_many(one: Segment, two: Segment) -> bool:
    whole = one.begins == "line" and two.ends == "line" and one.ends == two.begins == "line"
    short = max(one.share, two.share) < 0.93
    return whole and short and abs(one.share + two.share - 1) < 0.07


def _split(s: Segment, motion: Motion) -> list[Segment]:
    """Cut a stretch of two or more laps where the distance of one ends."""
    laps = round(s.share) if np.isfinite(s.share) else 1
    if not motion.known or laps < 2 or laps > 4 or "log" in (s.begins, s.ends):
        return [s]
    if abs(s.share / laps - 1) > 0.05:
        return [replace(s, note=f"{s.share:.1f} laps without a crossing")]
    begun, ended = np.interp([s.start_s, s.end_s], motion.time_s, motion.run_m)
    cuts = np.linspace(float(begun), float(ended), laps + 1)[1:-1]
    at = [s.start_s, *np.interp(cuts, motion.run_m, motion.time_s).tolist(), s.end_s]
    marks = [s.begins, *["line"] * (laps - 1), s.ends]
    note = "a crossing was missed: split by distance"
    return [
        Segment(
            at[i],
            at[i + 1],
            max(s.se_s, 0.5),
            s.run_m / laps,
            s.share / laps,
            marks[i],
            marks[i + 1],
            note=note,
        )
        for i in range(laps)
    ]


def _stood(s: Segment, motion: Motion) -> Segment:
    """Note the longest standstill within a stretch."""
    overlaps = [min(b, s.end_s) - max(a, s.start_s) for a, b in motion.standstills(STOOD_S)]
    return replace(s, stood_s=max([0.0, *overlaps]))
