"""Two clocks that timed the same laps: which lap is which, and how far the clocks differ."""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tyrekit.record.spread import robust_sd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

SPREAD_S = 10.0  # laps that are not the same differ by anything within this
MOST_DRIFT = 0.006
DRIFTING = 0.01  # share of clocks believed to drift by more than a lap time shows
SHEET_S, SHEET_WRONG = 60.0, 0.1  # a run sheet's clock: usual error, and how often it is no guide
DAY_S = 86_400.0
LEAST_LAPS = 2  # that agree; one agrees with any
LEAST_SURE = 0.999
LACKING = 0.02  # how often one side lacks a lap
SAME_SD = 4.0
CROSSING_WITHIN = 0.25  # of a lap


class Alignment(NamedTuple):
    """Official lap numbers of a run's laps.

    `numbers` is one per lap; 0 where none is known. `same` marks laps whose two times agree but
    for one common ratio. `sure` is the chance that no other alignment is right, and `other` the
    number the first lap would have by the next best one.
    """

    numbers: IntArray
    same: BoolArray
    sure: float
    first: int
    other: int

    @property
    def found(self) -> bool:
        """Whether laps agree in one way only."""
        return bool(self.same.sum() >= LEAST_LAPS and self.sure >= LEAST_SURE)


class Line(NamedTuple):
    """A slope in parts per million with its standard error, and the points it rests on."""

    ppm: float
    se_ppm: float
    points: int


def aligned(
    time_s: FloatArray,
    se_s: FloatArray,
    official_s: FloatArray,
    official_se_s: float,
    apart_s: FloatArray | None = None,
    ratio: float = 0.0,
) -> Alignment:
    """Return which official lap each of a run's laps is.

    Every shift of one sequence along the other is given its probability: laps agree within their
    errors or are anything within `SPREAD_S`; the clock may drift by up to `MOST_DRIFT`. Where
    official clock times are known, `apart_s` weighs the shifts as a run sheet's clock does.
    From the likeliest shift on, the best path through all shifts [VITERBI1967] tells where one
    side lacks a lap.

    Parameters
    ----------
    time_s, se_s : (n,) array
        The run's laps in order, s; NaN for those that are not from line to line.
    official_s : (m,) array
        Official times by number, from 1; NaN where there is none.
    official_se_s : float
        Standard error of an official time, s.
    apart_s : (n, m) array, optional
        The timing's clock at the end of each official lap less ours at the end of each lap, s.
    ratio : float
        Official times over ours, less one, if other runs of this logger tell.
    """
    n, m = len(time_s), len(official_s)
    shifts = np.arange(1 - n, m)
    at = np.arange(n) + shifts[:, None]
    inside = (at >= 0) & (at < m)
    beside = np.full(at.shape, np.nan)
    beside[inside] = official_s[at[inside]]
    beside[:, ~np.isfinite(time_s)] = np.nan
    if not np.isfinite(beside).any():
        return Alignment(np.zeros(n, dtype=np.int64), np.zeros(n, dtype=np.bool_), 0.0, 0, 0)
    sd = np.where(np.isfinite(beside), np.maximum(np.hypot(se_s, official_se_s), 1e-3), np.nan)
    near = None if apart_s is None else np.where(
        inside, apart_s[np.arange(n), np.clip(at, 0, m - 1)], np.nan
    )  # fmt: skip
    best, other, sure, ratio = _best_shift(time_s, beside, sd, near, ratio)
    each, same = _agreeing(beside - (1 + ratio) * time_s, sd)
    lap_s = float(np.nanmedian(time_s))
    if near is not None and same[best].any():
        offset_s = np.nanmedian(near[best, same[best]])
        with np.errstate(invalid="ignore"):
            another = np.abs(near - offset_s) > CROSSING_WITHIN * lap_s
        each, same = np.where(another, 0.0, each), same & ~another
    path = _path(each)
    agree = same[path, np.arange(n)]
    numbers = np.where(agree, at[path, np.arange(n)] + 1, 0).astype(np.int64)
    found = Alignment(numbers, agree, sure, int(shifts[best]) + 1, int(shifts[other]) + 1)
    if apart_s is None:
        found = _without_strays(found)
    if not found.found:
        return found
    if apart_s is None:
        return found._replace(numbers=_between(found, np.isfinite(time_s)))
    return found._replace(numbers=_by_crossing(found, apart_s, lap_s))


def _best_shift(
    time_s: FloatArray, beside: FloatArray, sd: FloatArray, near: FloatArray | None, ratio: float
) -> tuple[int, int, float, float]:
    """Return the likeliest shift, the next, how sure the first is, and the clocks' ratio."""
    gap = beside - (1 + ratio) * time_s
    each, price, same, extra = _scores(time_s, gap, sd)
    if near is not None:
        price = price + _by_clock(np.where(np.isfinite(beside), near, np.nan))
    best = int(np.argmax(each.sum(axis=1) + price))
    # a shift that explains other laps is no rival: a lap may lack in between
    score = each[:, same[best]].sum(axis=1) + price
    unrelated = len(score) * np.exp(-score[best])  # as likely beforehand as all shifts together
    sure = 1 / (np.exp(score - score[best]).sum() + unrelated)
    others = np.where(np.arange(len(score)) == best, -np.inf, score)
    return best, int(np.argmax(others)), float(sure), ratio + float(extra[best])


def _path(each: FloatArray) -> IntArray:
    """Return the shift of each lap on the likeliest path; a change of shift has its price."""
    shifts, laps = each.shape
    change = np.log(LACKING / shifts)
    score, came = each[:, 0].copy(), np.zeros((laps, shifts), dtype=np.int64)
    for k in range(1, laps):
        top = int(np.argmax(score))
        stay = score >= score[top] + change
        came[k] = np.where(stay, np.arange(shifts), top)
        score = np.where(stay, score, score[top] + change) + each[:, k]
    path = np.empty(laps, dtype=np.int64)
    path[-1] = int(np.argmax(score))
    for k in range(laps - 1, 0, -1):
        path[k - 1] = came[k, path[k]]
    return path


def _without_strays(found: Alignment) -> Alignment:
    """Drop laps that agree beside others that do not: one lap agrees with a wrong one at times."""
    before, after = np.roll(found.same, 1), np.roll(found.same, -1)
    before[0], after[-1] = False, False
    same = found.same & (before | after)
    return found._replace(numbers=np.where(same, found.numbers, 0), same=same)


def _between(found: Alignment, usable: BoolArray) -> IntArray:
    """Number laps that do not agree by their neighbours that do; 0 where that is not certain."""
    numbers, at = found.numbers.copy(), np.flatnonzero(found.same)
    for one, two in pairwise(at):
        if numbers[two] - numbers[one] == two - one:
            numbers[one:two] = numbers[one] + np.arange(two - one)
    for edge, step in ((int(at[0]), -1), (int(at[-1]), 1)):
        beyond = edge + step
        if 0 <= beyond < len(numbers) and not usable[beyond]:  # out, in, from the grid
            numbers[beyond] = numbers[edge] + step
    return numbers


def _by_crossing(found: Alignment, apart_s: FloatArray, lap_s: float) -> IntArray:
    """Number laps that do not agree by the clock: the official crossing nearest to their end."""
    numbers, at = found.numbers.copy(), np.flatnonzero(found.same)
    for k in np.flatnonzero(~found.same):
        near = at[np.argmin(np.abs(at - k))]
        off = np.abs(apart_s[k] - apart_s[near, numbers[near] - 1])
        if np.isfinite(off).any() and np.nanmin(off) < CROSSING_WITHIN * lap_s:
            numbers[k] = int(np.nanargmin(off)) + 1
    return numbers


def _scores(
    time_s: FloatArray, gap: FloatArray, sd: FloatArray
) -> tuple[FloatArray, FloatArray, BoolArray, FloatArray]:
    """Return each shift's log likelihood over that of unrelated laps, and which laps agree.

    By lap, with what is to be added for a shift that needs a drift to explain them, and the drift.
    """
    exact, same_exact = _agreeing(gap, sd)
    ratio = _median(gap / time_s)
    spread_s = 2 * MOST_DRIFT * np.nanmedian(time_s)
    laps = np.maximum(np.isfinite(gap).sum(axis=1), 1)
    width_s = np.sqrt(2 * np.pi / laps) * np.nan_to_num(_median(sd), nan=spread_s)
    price = np.log(DRIFTING) + np.log(np.minimum(width_s / spread_s, 1.0))
    free, same_free = _agreeing(gap - ratio[:, None] * time_s, sd)
    with np.errstate(invalid="ignore"):
        may = np.abs(ratio) < MOST_DRIFT
    drifts = may & (free.sum(axis=1) + price > exact.sum(axis=1))
    return (
        np.where(drifts[:, None], free, exact),
        np.where(drifts, price, 0.0),
        np.where(drifts[:, None], same_free, same_exact),
        np.where(drifts, ratio, 0.0),
    )


def _agreeing(gap: FloatArray, sd: FloatArray) -> tuple[FloatArray, BoolArray]:
    with np.errstate(invalid="ignore"):
        each = np.log(SPREAD_S / (sd * np.sqrt(2 * np.pi))) - 0.5 * (gap / sd) ** 2
        same = np.abs(gap) <= SAME_SD * sd
    return np.where(each > 0, each, 0.0), same


def _median(values: FloatArray) -> FloatArray:
    """Return each row's median, NaN for rows without a value."""
    some = np.isfinite(values).any(axis=1)
    found = np.full(len(values), np.nan)
    found[some] = np.nanmedian(values[some], axis=1)
    return found


def _by_clock(near: FloatArray) -> FloatArray:
    """Return the log of how likely each shift is by the clock of the run sheet."""
    off = np.nan_to_num(np.abs(_median(near)), nan=DAY_S)
    close = (1 - SHEET_WRONG) * np.exp(-off / SHEET_S) / (2 * SHEET_S)
    prior = np.log(close + SHEET_WRONG / DAY_S)
    return np.asarray(prior - prior.max(), dtype=np.float64)


def drift(
    ours_s: FloatArray, official_s: FloatArray, block: IntArray, se_s: float, step_se_s: float
) -> Line:
    """Return how fast our clock runs against the official one: ppm, positive when ours is fast.

    The median of the slopes of all pairs [THEIL1950], which a third of wrong points cannot move.
    Pairs are taken within a block: between blocks the distance of two clocks is not known.

    Parameters
    ----------
    ours_s, official_s : (n,) array
        The same moments by both clocks, s.
    block : (n,) array of int
        Which of them belong together.
    se_s : float
        Standard error of a moment, s; the spread about the line is used where it is larger.
    step_se_s : float
        Standard error of an official lap time, s: moments are sums of them and wander.
    """
    i, j = np.triu_indices(len(ours_s), 1)
    joined = (block[i] == block[j]) & (official_s[i] != official_s[j])
    i, j = i[joined], j[joined]
    if not len(i):
        return Line(float("nan"), float("nan"), 0)
    slopes = (ours_s[j] - ours_s[i]) / (official_s[j] - official_s[i]) - 1
    slope = float(np.median(slopes))
    left, weight_s2, wander_s2, points = [], 0.0, 0.0, 0
    for name in np.unique(block):
        own = block == name
        rest = ours_s[own] - (1 + slope) * official_s[own]
        left.append(rest - np.median(rest))
        part_s2 = float(np.sum((official_s[own] - official_s[own].mean()) ** 2))
        weight_s2 += part_s2
        # slope of a random walk of n steps over a time t: 6/5 n (step / t)^2 [DP1988], weighed
        steps, length_s = int(own.sum()) - 1, float(np.ptp(official_s[own]))
        if steps:
            wander_s2 += part_s2**2 * 1.2 * steps * (step_se_s / length_s) ** 2
            points += steps + 1
    scatter_s = float(robust_sd(np.concatenate(left)))
    se = 1.05 * max(se_s, scatter_s) / np.sqrt(weight_s2)  # 1.05: what the median costs
    se = np.hypot(se, np.sqrt(wander_s2) / weight_s2)
    return Line(1e6 * slope, 1e6 * float(se), points)


def pooled(ppm: FloatArray, se_ppm: FloatArray) -> tuple[float, float]:
    """Return several drifts of one clock as one, with its standard error.

    Weighted by their errors; the error grows with the spread when they differ by more.
    """
    known = np.isfinite(ppm) & np.isfinite(se_ppm)
    if not known.any():
        return float("nan"), float("nan")
    weight = 1 / se_ppm[known] ** 2
    mean = float(np.sum(weight * ppm[known]) / weight.sum())
    chi = float(np.sum(weight * (ppm[known] - mean) ** 2)) / max(1, int(known.sum()) - 1)
    return mean, float(np.sqrt(max(1.0, chi) / weight.sum()))
