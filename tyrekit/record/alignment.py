"""Two clocks that timed the same laps: which lap is which, and how far the clocks differ."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

SPREAD_S = 10.0  # laps that are not the same differ by anything within this
MOST_DRIFT = 0.006
DRIFTING = 0.01  # share of clocks believed to drift by more than a lap time shows
SHEET_S, SHEET_WRONG = 60.0, 0.1  # a run sheet's clock: usual error, and how often it is no guide
DAY_S = 86_400.0
LEAST_LAPS = 2  # that agree; one agrees with any
LEAST_SURE = 0.99
SAME_SD = 4.0


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
) -> Alignment:
    """Return which official lap each of a run's laps is.

    Every shift of one sequence along the other is given its probability: laps agree within their
    errors or are anything within `SPREAD_S`; the clock may drift by up to `MOST_DRIFT`. Where
    official clock times are known, `apart_s` weighs the shifts as a run sheet's clock does.
    A lap that one side lacks breaks the sequence in two; each part is then looked at by itself.

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
    """
    best = _one_shift(time_s, se_s, official_s, official_se_s, apart_s)
    if not best.found:
        return best
    numbers, same = best.numbers.copy(), best.same.copy()
    at = np.flatnonzero(same)
    for part, low, high in (
        (slice(0, at[0]), 0, int(numbers[at[0]]) - 1),
        (slice(at[-1] + 1, None), int(numbers[at[-1]]), len(official_s)),
    ):
        if np.isfinite(time_s[part]).sum() < 2 or high - low < 2:
            continue
        near = None if apart_s is None else apart_s[part, low:high]
        rest = aligned(time_s[part], se_s[part], official_s[low:high], official_se_s, near)
        if rest.found:
            numbers[part] = np.where(rest.numbers > 0, rest.numbers + low, 0)
            same[part] = rest.same
    return best._replace(numbers=numbers, same=same)


def _one_shift(
    time_s: FloatArray,
    se_s: FloatArray,
    official_s: FloatArray,
    official_se_s: float,
    apart_s: FloatArray | None,
) -> Alignment:
    n, m = len(time_s), len(official_s)
    shifts = np.arange(1 - n, m)
    at = np.arange(n) + shifts[:, None]
    inside = (at >= 0) & (at < m)
    beside = np.full(at.shape, np.nan)
    beside[inside] = official_s[at[inside]]
    known = np.isfinite(beside) & np.isfinite(time_s)
    if not known.any():
        return Alignment(np.zeros(n, dtype=np.int64), np.zeros(n, dtype=np.bool_), 0.0, 0, 0)
    sd = np.maximum(np.hypot(se_s, official_se_s), 1e-3)
    score, same = _scores(time_s, beside, np.where(known, sd, np.nan))
    if apart_s is not None:
        score = score + _by_clock(apart_s, at, inside & known)
    best = int(np.argmax(score))
    others = score.copy()
    others[best] = -np.inf
    unrelated = len(score) * np.exp(-score[best])  # as likely beforehand as all shifts together
    sure = 1 / (np.exp(score - score[best]).sum() + unrelated)
    numbers = np.where(inside[best], at[best] + 1, 0).astype(np.int64)
    return Alignment(numbers, same[best], float(sure), int(shifts[best]) + 1,
                     int(shifts[int(np.argmax(others))]) + 1)  # fmt: skip


def _scores(time_s: FloatArray, beside: FloatArray, sd: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Return each shift's log likelihood over that of unrelated laps, and which laps agree."""
    gap = beside - time_s
    exact, same_exact = _agreeing(gap, sd)
    ratio = _median(gap / time_s)
    drifting = np.abs(ratio) < MOST_DRIFT
    spread_s = 2 * MOST_DRIFT * np.nanmedian(time_s)
    laps = np.maximum(np.isfinite(gap).sum(axis=1), 1)
    width_s = np.sqrt(2 * np.pi / laps) * np.nan_to_num(_median(sd), nan=spread_s)
    price = np.log(DRIFTING) + np.log(np.minimum(width_s / spread_s, 1.0))
    free, same_free = _agreeing(gap - ratio[:, None] * time_s, sd)
    free = np.where(drifting, free + price, -np.inf)
    drifts = free > exact
    return np.where(drifts, free, exact), np.where(drifts[:, None], same_free, same_exact)


def _agreeing(gap: FloatArray, sd: FloatArray) -> tuple[FloatArray, BoolArray]:
    with np.errstate(invalid="ignore"):
        each = np.log(SPREAD_S / (sd * np.sqrt(2 * np.pi))) - 0.5 * (gap / sd) ** 2
        same = np.abs(gap) <= SAME_SD * sd
    score: FloatArray = np.where(each > 0, each, 0.0).sum(axis=1)
    return score, same


def _median(values: FloatArray) -> FloatArray:
    """Return each row's median, NaN for rows without a value."""
    some = np.isfinite(values).any(axis=1)
    found = np.full(len(values), np.nan)
    found[some] = np.nanmedian(values[some], axis=1)
    return found


def _by_clock(apart_s: FloatArray, at: IntArray, known: BoolArray) -> FloatArray:
    """Return the log of how likely each shift is by the clock of the run sheet."""
    n, m = apart_s.shape
    apart = np.where(known, apart_s[np.arange(n), np.clip(at, 0, m - 1)], np.nan)
    off = np.nan_to_num(np.abs(_median(apart)), nan=DAY_S)
    near = (1 - SHEET_WRONG) * np.exp(-off / SHEET_S) / (2 * SHEET_S)
    prior: FloatArray = np.log(near + SHEET_WRONG / DAY_S)
    return np.asarray(prior - prior.max(), dtype=np.float64)


def drift(ours_s: FloatArray, official_s: FloatArray, block: IntArray, se_s: float) -> Line:
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
    """
    i, j = np.triu_indices(len(ours_s), 1)
    joined = (block[i] == block[j]) & (official_s[i] != official_s[j])
    i, j = i[joined], j[joined]
    if not len(i):
        return Line(float("nan"), float("nan"), 0)
    slopes = (ours_s[j] - ours_s[i]) / (official_s[j] - official_s[i]) - 1
    slope = float(np.median(slopes))
    left, weight_s2, points = [], 0.0, 0
    for name in np.unique(block):
        own = block == name
        rest = ours_s[own] - (1 + slope) * official_s[own]
        left.append(rest - np.median(rest))
        weight_s2 += float(np.sum((official_s[own] - official_s[own].mean()) ** 2))
        points += int(own.sum()) if own.sum() > 1 else 0
    scatter_s = 1.4826 * float(np.median(np.abs(np.concatenate(left))))
    se = 1.05 * max(se_s, scatter_s) / np.sqrt(weight_s2)  # 1.05: what the median costs
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
