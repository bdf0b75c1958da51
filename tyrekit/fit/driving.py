"""How a lap was driven: measures that do not depend on the logger's rate or noise.

Every channel is averaged over `WINDOW_S` before anything is taken from it, so the same drive
logged at 10, 20 or 100 Hz gives the same numbers (a test states how closely). Thresholds are
common practice, no source. ISO8855 axes: forward and left positive.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.errors import InputError
from tyrekit.terms import CORNERS

FloatArray = NDArray[np.float64]
Averaged = Mapping[str, FloatArray]

STEP_S, WINDOW_S = 0.1, 0.4
MOVING_MPS = 8.0
BRAKING_MPS2, TURNING_MPS2 = 2.0, 3.0
PEDAL_ON_PCT, PEDAL_CLOSED_PCT, PEDAL_FULL_PCT = 8.0, 20.0, 80.0
BRAKE_ON_SHARE = 0.06  # of the lap's own highest brake pressure
REVERSAL_DEG = 12.0
SLIDING, SLIDING_S = 0.10, 0.2  # wheel against ground speed, and for how long
WHEELS = tuple(f"wheel_speed_{corner}_mps" for corner in CORNERS)
USED = (
    "speed_mps", "acceleration_long_mps2", "acceleration_lat_mps2", "throttle_pct", "brake_bar",
    "steering_deg", *WHEELS,
)  # fmt: skip


@dataclass(frozen=True)
class Measure:
    """One thing a driver does, as a number per lap.

    Attributes
    ----------
    name : str
        Column name.
    unit : str
        Its unit.
    words : str
        What it is, in one sentence.
    needs : tuple of str
        Channels without which it is not known.
    of : callable
        From the averaged channels of a lap to the number.
    """

    name: str
    unit: str
    words: str
    needs: tuple[str, ...]
    of: Callable[[Averaged], float]


def measure(lap: pd.DataFrame) -> dict[str, float]:
    """Return every measure of one lap; NaN where a channel it needs was not logged.

    Parameters
    ----------
    lap : DataFrame
        `time_s`, rising, and the channels of the lap under the kit's names and units.

    Raises
    ------
    InputError
        No time, or less than two seconds of it.
    """
    if "time_s" not in lap or len(lap) < 2 or np.ptp(lap["time_s"].to_numpy()) < 2.0:
        raise InputError(
            "a lap's channels hold less than two seconds",
            rule="a measure needs a lap's rows, with time_s",
            next_step="Leave the lap out.",
        )
    at = averaged(lap)
    return {
        one.name: one.of(at) if all(_logged(at, name) for name in one.needs) else float("nan")
        for one in MEASURES
    }


def averaged(lap: pd.DataFrame) -> dict[str, FloatArray]:
    """Return a lap's channels every `STEP_S`, each the mean over `WINDOW_S` round it.

    The mean is a difference of the channel's integral, so it is exact for what was logged,
    whatever the rate; gaps are bridged by a straight line.
    """
    time_s = lap["time_s"].to_numpy(dtype=np.float64)
    grid = np.arange(time_s[0] + WINDOW_S / 2, time_s[-1] - WINDOW_S / 2, STEP_S)
    found = {"time_s": grid}
    for name in USED:
        if name in lap:
            found[name] = _window_mean(time_s, lap[name].to_numpy(dtype=np.float64), grid)
    return found


def _window_mean(time_s: FloatArray, values: FloatArray, grid: FloatArray) -> FloatArray:
    known = np.isfinite(values)
    if known.sum() < max(2, 0.5 * len(values)):
        return np.full(len(grid), np.nan)
    time, value = time_s[known], values[known]
    integral = np.concatenate([[0.0], np.cumsum(np.diff(time) * (value[1:] + value[:-1]) / 2)])
    ends = [_integral_at(time, value, integral, grid + side * WINDOW_S / 2) for side in (-1, 1)]
    mean: FloatArray = (ends[1] - ends[0]) / WINDOW_S
    return mean


def _integral_at(
    time: FloatArray, value: FloatArray, integral: FloatArray, at: FloatArray
) -> FloatArray:
    """Return the integral of the straight lines between samples, flat beyond the ends."""
    left = np.clip(np.searchsorted(time, at, side="right") - 1, 0, len(time) - 1)
    here = np.interp(at, time, value)
    part: FloatArray = integral[left] + (at - time[left]) * (value[left] + here) / 2
    return part


def _logged(at: Averaged, name: str) -> bool:
    return name in at and bool(np.isfinite(at[name]).all())


def _braking(at: Averaged) -> NDArray[np.bool_]:
    if _logged(at, "brake_bar"):
        pressure = at["brake_bar"] - np.quantile(at["brake_bar"], 0.2)
        on: NDArray[np.bool_] = pressure > max(BRAKE_ON_SHARE * float(pressure.max()), 0.5)
        return on
    return at["acceleration_long_mps2"] < -BRAKING_MPS2


def _braking_work(at: Averaged) -> float:
    power = np.maximum(-at["acceleration_long_mps2"], 0.0) * at["speed_mps"]
    return float(np.sum(power[_braking(at)]) * STEP_S / 1000)


def _braking_peak(at: Averaged) -> float:
    return float(np.quantile(np.maximum(-at["acceleration_long_mps2"], 0.0), 0.98))


def _overlap(at: Averaged) -> float:
    return _share(at, _braking(at) & (at["throttle_pct"] > PEDAL_ON_PCT))


def _coasting(at: Averaged) -> float:
    return _share(at, ~_braking(at) & (at["throttle_pct"] < PEDAL_ON_PCT))


def _share(at: Averaged, on: NDArray[np.bool_]) -> float:
    moving = at["speed_mps"] > MOVING_MPS
    return float(100.0 * (on & moving).sum() / max(int(moving.sum()), 1))


def _throttle_rate(at: Averaged) -> float:
    """Median over the rises from 20 to 80 %; NaN without one."""
    pedal, rates, since = at["throttle_pct"], [], -1
    for i, value in enumerate(pedal):
        if value < PEDAL_CLOSED_PCT:
            since = i
        elif value > PEDAL_FULL_PCT and since >= 0:
            steps = _crossed(pedal, i - 1, PEDAL_FULL_PCT) - _crossed(
                pedal, since, PEDAL_CLOSED_PCT
            )
            rates.append((PEDAL_FULL_PCT - PEDAL_CLOSED_PCT) / (steps * STEP_S))
            since = -1
    return float(np.median(rates)) if rates else float("nan")


def _crossed(pedal: FloatArray, before: int, level: float) -> float:
    """Return where, in steps, the pedal passes a level after row `before`."""
    return before + float((level - pedal[before]) / (pedal[before + 1] - pedal[before]))


def _steering_work(at: Averaged) -> float:
    """Turns smaller than `REVERSAL_DEG` are the sensor's noise, and left out."""
    return float(np.abs(np.diff(_turning_points(at["steering_deg"]))).sum())


def _reversals(at: Averaged) -> float:
    return float(max(len(_turning_points(at["steering_deg"])) - 2, 0))


def _turning_points(angle: FloatArray) -> FloatArray:
    """Return the angles at which the wheel turns back by more than `REVERSAL_DEG`."""
    points, last, way = [angle[0]], angle[0], 0.0
    for value in angle[1:]:
        if way == 0.0:
            way = float(np.sign(value - last)) if abs(value - last) > REVERSAL_DEG else 0.0
            last = value if way else last
        elif (value - last) * way > 0:
            last = value
        elif (last - value) * way > REVERSAL_DEG:
            points.append(last)
            last, way = value, -way
    points.append(last)
    return np.array(points)


def _combined(at: Averaged) -> float:
    turning = np.abs(at["acceleration_lat_mps2"]) > TURNING_MPS2
    total = np.hypot(at["acceleration_long_mps2"], at["acceleration_lat_mps2"])
    return float(total[turning].mean()) if turning.any() else float("nan")


def _trail(at: Averaged) -> float:
    return _share(at, _braking(at) & (np.abs(at["acceleration_lat_mps2"]) > TURNING_MPS2))


def _slides(at: Averaged, way: float) -> float:
    """Count stretches of `SLIDING_S` or more in which any wheel runs off the ground's speed."""
    fast = np.where(at["speed_mps"] > MOVING_MPS, at["speed_mps"], np.nan)
    off = np.nanmax(np.stack([way * (at[w] / fast - 1) for w in WHEELS]), axis=0, initial=-1.0)
    on = np.concatenate([[False], off > SLIDING, [False]]).astype(np.int8)
    starts, ends = np.flatnonzero(np.diff(on) == 1), np.flatnonzero(np.diff(on) == -1)
    return float(((ends - starts) * STEP_S >= SLIDING_S - 1e-9).sum())


_MOTION = ("speed_mps", "acceleration_long_mps2")
_PEDALS = (*_MOTION, "throttle_pct")
MEASURES: tuple[Measure, ...] = (
    Measure(
        "braking_work_kj_per_kg", "kJ/kg", "Energy taken out by braking, per kg of car.",
        _MOTION, _braking_work,
    ),
    Measure(
        "braking_peak_mps2", "m/s2", "Deceleration passed in 2 % of the lap.",
        _MOTION, _braking_peak,
    ),
    Measure(
        "overlap_pct", "%", "Share of the lap with brake and throttle on together.",
        _PEDALS, _overlap,
    ),
    Measure(
        "coasting_pct", "%", "Share of the lap with neither brake nor throttle.",
        _PEDALS, _coasting,
    ),
    Measure(
        "throttle_rate_pct_per_s", "%/s", "How fast the throttle goes from closed to open.",
        ("throttle_pct",), _throttle_rate,
    ),
    Measure(
        "steering_work_deg", "deg", "Steering wheel travel over the lap.",
        ("steering_deg",), _steering_work,
    ),
    Measure(
        "steering_reversals", "", "Times the steering wheel turns back.",
        ("steering_deg",), _reversals,
    ),
    Measure(
        "combined_mps2", "m/s2", "Mean of the whole horizontal acceleration while turning.",
        (*_MOTION, "acceleration_lat_mps2"), _combined,
    ),
    Measure(
        "trail_braking_pct", "%", "Share of the lap braking and turning together.",
        (*_MOTION, "acceleration_lat_mps2"), _trail,
    ),
    Measure(
        "lock_ups", "", "Times a wheel turns 10 % or more slower than the ground for 0.2 s.",
        ("speed_mps", *WHEELS), lambda at: _slides(at, -1.0),
    ),
    Measure(
        "wheelspins", "", "Times a wheel turns 10 % or more faster than the ground for 0.2 s.",
        ("speed_mps", *WHEELS), lambda at: _slides(at, 1.0),
    ),
)  # fmt: skip
