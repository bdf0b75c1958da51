"""The slow error of a position receiver: what no smoothing takes out of a crossing."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.record.line import REACH_S, Track, track_amid
from tyrekit.record.motion import Motion
from tyrekit.record.pulses import Crossings

FloatArray = NDArray[np.float64]
WANDER_M = 1.0  # where the log cannot tell: common practice for a 10 Hz receiver, no source
REMAINS = 0.92  # of it in a mean over 8 s, if it lasts WANDER_S: closed form, correlated noise
LEAST_M, MOST_M = 0.05, 3.0
WANDER_S = 15.0  # how long the slow part lasts: common practice, no source
ENOUGH = 20  # differences from which it is measured
NORMAL_MEDIAN = 0.4549  # median of the square of a standard normal: chi-square with 1 df


def with_wander(found: Crossings, channels: pd.DataFrame, motion: Motion) -> Crossings:
    """Return crossings by position with the receiver's slow error in their standard errors."""
    if not len(found.time_s):
        return found
    measured = wander_m(channels, motion, found.time_s)
    slow_m = WANDER_M if measured is None else REMAINS * measured
    speed = np.maximum(motion.speed_at(found.time_s), 1.0)
    how = "taken as" if measured is None else "measured against the speed channel as"
    words = f"slow error of the position receiver {how} {slow_m:.1f} m"
    return replace(found, se_s=np.hypot(found.se_s, slow_m / speed), notes=(*found.notes, words))


def wander_m(channels: pd.DataFrame, motion: Motion, crossed_s: FloatArray) -> float | None:
    """Return the slow error along the track, m, or None when the log cannot tell it.

    Parameters
    ----------
    channels : DataFrame
        `time_s`, `latitude_deg` and `longitude_deg`.
    motion : Motion
        With a speed channel of its own; without one there is nothing to measure against.
    crossed_s : ndarray
        Times over the line, s.

    Notes
    -----
    Where the car has run the same distance of two laps in a row, by speed and scaled to the lap,
    its two positions differ along the track by the receiver's errors; what the speed channel has
    wrong at the same place every lap drops out. Means over two seconds shed the quick part, and
    how far they part over `WANDER_S` gives the slow part, taken as exponentially correlated over
    that time. Other errors of speed count as the receiver's: the answer is high rather than low.
    """
    if not motion.own or len(crossed_s) < 3:
        return None
    track = track_amid(channels)
    if len(track.time_s) < 100 or np.median(np.diff(track.time_s)) > 0.25 * REACH_S:
        return None
    parted, quick = [], []
    for one, two in pairwise(pairwise(crossed_s.tolist())):
        if found := _between(track, motion, one, two):
            parted.append(found[0])
            quick.append(found[1])
    pairs = np.concatenate(parted) if parted else np.empty(0)
    if len(pairs) < ENOUGH:
        return None
    kept = pairs[np.abs(pairs) <= 5 * np.median(np.abs(pairs)) + 1e-9]
    # two laps, each with two ends: four means with the quick error, twice the slow difference
    slow = np.mean(kept**2) - 4 * float(np.mean(quick))
    # the laps' own ends are wrong by it too, and stretch the distances
    stretch = (WANDER_S / float(np.median(np.diff(crossed_s)))) ** 2
    part = 4 * (1 - np.exp(-_lag() * REACH_S / WANDER_S) + min(stretch, 1.0))
    return float(np.clip(np.sqrt(max(slow / part, 0.0)), LEAST_M, MOST_M))


def _lag() -> int:
    return max(1, round(WANDER_S / REACH_S))


def _between(
    track: Track, motion: Motion, one: tuple[float, float], two: tuple[float, float]
) -> tuple[FloatArray, float] | None:
    """Return how far two laps' distances part over `WANDER_S`, and the quick variance of a mean."""
    runs = [motion.distance_m(*lap) for lap in (one, two)]
    if min(runs) <= 0 or abs(runs[0] / runs[1] - 1) > 0.03:
        return None
    t, shares, places = [], [], []
    for lap, run_m in zip((one, two), runs, strict=True):
        inside = (track.time_s >= lap[0] - REACH_S) & (track.time_s <= lap[1] + REACH_S)
        begun = float(np.interp(lap[0], motion.time_s, motion.run_m))
        at = track.time_s[inside]
        shares.append((np.interp(at, motion.time_s, motion.run_m) - begun) / run_m)
        places.append(np.array([track.along_m[inside], track.across_m[inside]]))
        t.append(at)
    if min(len(at) for at in t) < 50:
        return None
    ahead = np.array([_ahead(t[0], x) for x in places[0]])
    ahead /= np.maximum(np.hypot(*ahead), 1e-9)
    other = np.array([np.interp(shares[0], shares[1], x) for x in places[1]])
    error = np.sum((places[0] - other) * ahead, axis=0)
    second = np.sum(np.diff(places[0], 2, axis=1) * ahead[:, 1:-1], axis=0)
    moving = motion.speed_at(t[0]) > 10.0
    means, count = _means(t[0], np.where(moving, error, np.nan))
    quick = float(np.median(second**2)) / NORMAL_MEDIAN / 6
    parted = means[_lag() :] - means[: -_lag()]
    return parted[np.isfinite(parted)], quick / max(count, 1.0)


def _ahead(t: FloatArray, x: FloatArray) -> FloatArray:
    """Return how far a coordinate moves from a second before to a second after."""
    ends = np.clip([t - 1.0, t + 1.0], t[0], t[-1])
    step: FloatArray = np.interp(ends[1], t, x) - np.interp(ends[0], t, x)
    return step


def _means(t: FloatArray, error: FloatArray) -> tuple[FloatArray, float]:
    """Return means over `REACH_S` (NaN where much is missing) and the usual count in one."""
    block = ((t - t[0]) // REACH_S).astype(np.intp)
    good = np.isfinite(error)
    counts = np.bincount(block[good], minlength=int(block[-1]) + 1)
    sums = np.bincount(block[good], error[good], minlength=int(block[-1]) + 1)
    usual = float(np.median(counts[counts > 0])) if good.any() else 0.0
    means = np.where(counts >= max(1.0, 0.8 * usual), sums / np.maximum(counts, 1), np.nan)
    return means, usual
