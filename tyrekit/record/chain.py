"""Which signals are crossings: the chain whose distances best make whole laps."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
NEAR = 0.05  # of a lap: distances by speed agree as well, common practice, no source
LANE_NEAR = 0.15  # the same from or to the lane, which may be shorter or longer than the track
MOST_MISSED = 6  # crossings in a row
EXTRA, MISSED, ODD = 1.5, 1.0, 3.0  # what a false signal, a missed one, an odd distance cost
MOST_EXTRA = 12  # false signals in a row
SHORT, NO_LAP = 0.85, 0.5  # of the usual lap's time: faster than any lap; far from one
SOON, OFF = 1.0, 3.0  # what a short lap costs; what a lap off the usual one costs per lap of time
SLOW_MOST = 0.75  # what a slow one costs at most, so that two laps of a caution stay two
EDGE_LAPS = 0.65  # a run's first or last stretch may be this much longer than a whole lap short


def laps_between(one_m: float, two_m: float, lap_m: float, edge: bool = False) -> int:
    """Return how many laps a distance is; 0 when it is no whole number of them.

    At an edge, where a run begins or ends away from the line, any part of a lap may be added.
    """
    share = (two_m - one_m) / lap_m
    if edge:
        return max(1, int(share + EDGE_LAPS))
    laps = round(share)
    return laps if laps >= 1 and abs(share - laps) < NEAR * max(1.0, 0.5 * laps) else 0


def likely_chain(run_m: Sequence[float], lap_m: float, free: Sequence[bool]) -> list[int]:
    """Return the places of the crossings to keep, the first and last (the run's ends) among them.

    Parameters
    ----------
    run_m : sequence of float
        Distance run at the run's start, at each signal and at its end.
    lap_m : float
        A lap as this log measures it.
    free : sequence of bool
        Whether a signal stands in the pit lane, from and to which a distance may be further off.

    Notes
    -----
    The cheapest path by dynamic programming: each false signal, missed crossing and distance
    that is no whole number of laps costs; a distance off a whole number costs a little.
    """
    last = len(run_m) - 1

    def step(i: int, j: int) -> float:
        edge = i == 0 or j == last
        return _cost((run_m[j] - run_m[i]) / lap_m, edge, free[i] or free[j])

    return _cheapest(last, step)


def likely_times(time_s: FloatArray, usual_s: float) -> list[int]:
    """Return the places of the signals to keep where only time tells them apart.

    Parameters
    ----------
    time_s : ndarray
        Time of each signal, s.
    usual_s : float
        The usual lap, s.

    Notes
    -----
    A signal goes when laps without it are more like the usual one; two slow laps stay two, and
    two quick ones among slow laps as well.
    """
    last = len(time_s) + 1

    def step(i: int, j: int) -> float:
        if i == 0 or j == last:
            return 0.0
        share = float(time_s[j - 1] - time_s[i - 1]) / usual_s
        if share < SHORT:
            return ODD if share < NO_LAP else SOON
        return min(OFF * abs(share - 1), SLOW_MOST)

    return [place - 1 for place in _cheapest(last, step)[1:-1]]


def _cheapest(last: int, step: Callable[[int, int], float]) -> list[int]:
    """Return the cheapest way from place 0 to the last; each place passed over costs."""
    cost = [0.0] + [np.inf] * last
    came = [0] * (last + 1)
    for j in range(1, last + 1):
        for i in range(max(0, j - 1 - MOST_EXTRA), j):
            total = cost[i] + step(i, j) + EXTRA * (j - i - 1)
            if total < cost[j]:
                cost[j], came[j] = total, i
    path = [last]
    while path[-1] > 0:
        path.append(came[path[-1]])
    return path[::-1]


def _cost(share: float, edge: bool, free: bool) -> float:
    if edge:
        return MISSED * (max(1, int(share + EDGE_LAPS)) - 1)
    laps = max(1, round(share))
    if laps > 1 + MOST_MISSED:
        return ODD
    off = abs(share - laps)
    if off < NEAR * max(1.0, 0.5 * laps):
        return MISSED * (laps - 1) + 0.3 * min(1.0, off / NEAR)
    return 0.5 if free and off < LANE_NEAR else ODD
