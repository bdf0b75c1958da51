"""Channels sampled on several clocks put on one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
# These find the laps: only what was recorded counts, at the time it was recorded.
EXACT = ("lap", "beacon", "crossing_s", "latitude_deg", "longitude_deg")
HELD = ("gear",)
SAME_STAMP_S = 1e-5
DROP_OUT_STEPS, DROP_OUT_S = 10.0, 1.0
RULE = (
    "the fastest channel's clock is the time base; slower channels are interpolated, a gear is"
    " held, laps, beacons and positions stand only where they were recorded"
)


@dataclass(frozen=True)
class Sampled:
    """A channel's values on a clock of its own, which rises."""

    time_s: FloatArray
    values: FloatArray


def on_one_base(channels: Mapping[str, Sampled]) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Return one time base, s, and every channel on it.

    Parameters
    ----------
    channels : mapping of str to Sampled
        By our channel names.

    Notes
    -----
    The base is the clock of the fastest channel; before its start and after its end that of the
    next fastest; and every stamp of the channels that find laps. A channel is NaN outside its own
    span and in its drop-outs (longer than ten of its steps and one second).
    """
    base = np.empty(0)
    for one in sorted(channels.values(), key=lambda one: step_s(one.time_s)):
        base = _added(base, one.time_s, outside=True)
    for name in EXACT:
        if name in channels:
            base = _added(base, channels[name].time_s, outside=False)
    return base, {name: _moved(name, one, base) for name, one in channels.items()}


def step_s(time_s: FloatArray) -> float:
    """Return the usual step of a clock, s; infinite with fewer than two stamps."""
    return float(np.median(np.diff(time_s))) if len(time_s) > 1 else np.inf


def _added(base: FloatArray, time_s: FloatArray, *, outside: bool) -> FloatArray:
    """Return the base with stamps it lacks: all of them, or those before and after it."""
    if not len(base) or not len(time_s):
        return time_s if not len(base) else base
    near = _nearest(base, time_s)
    lacking = np.abs(base[near] - time_s) > SAME_STAMP_S
    if outside:
        lacking &= (time_s < base[0]) | (time_s > base[-1])
    return np.sort(np.concatenate([base, time_s[lacking]])) if lacking.any() else base


def _nearest(base: FloatArray, time_s: FloatArray) -> NDArray[np.intp]:
    after = np.clip(np.searchsorted(base, time_s), 1, max(1, len(base) - 1))
    if len(base) == 1:
        return np.zeros(len(time_s), dtype=np.intp)
    near: NDArray[np.intp] = after - (time_s - base[after - 1] < base[after] - time_s)
    return near


def _moved(name: str, one: Sampled, base: FloatArray) -> FloatArray:
    time_s, values = one.time_s, one.values
    if len(time_s) == len(base) and np.array_equal(time_s, base):
        return values
    moved = np.full(len(base), np.nan)
    if not len(time_s):
        return moved
    if name in EXACT:
        moved[_nearest(base, time_s)] = values
        return moved
    if name in HELD:
        before = np.searchsorted(time_s, base + SAME_STAMP_S, side="right") - 1
        moved = values[np.maximum(before, 0)]
    else:
        moved = np.interp(base, time_s, values)
    limit_s = max(DROP_OUT_S, DROP_OUT_STEPS * step_s(time_s)) if len(time_s) > 1 else np.inf
    after = np.clip(np.searchsorted(time_s, base - SAME_STAMP_S), 1, max(1, len(time_s) - 1))
    dropped = time_s[after % len(time_s)] - time_s[after - 1] > limit_s
    dropped &= ~np.isin(base, time_s)
    beyond = (base < time_s[0] - SAME_STAMP_S) | (base > time_s[-1] + SAME_STAMP_S)
    return np.where(dropped | beyond, np.nan, moved)
