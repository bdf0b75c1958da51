"""What the values of a column say of the channel it may be: range, behaviour, other columns."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tyrekit.record.channels import unit_of
from tyrekit.record.motion import integral
from tyrekit.terms import CORNERS
from tyrekit.units import UNITS, convert, known_unit

FloatArray = NDArray[np.float64]
# Between which values the middle 98 % lie, and the largest: common practice, no source.
RANGES: dict[str, tuple[float, float, float, float]] = {
    "latitude_deg": (-90, 90, -90, 90), "longitude_deg": (-180, 180, -180, 180),
    "speed_mps": (-1, 100, 25, 100),
    "acceleration_long_mps2": (-25, 20, 1.5, 20), "acceleration_lat_mps2": (-25, 25, 3, 25),
    "throttle_pct": (-5, 110, 60, 110), "brake_bar": (-3, 160, 5, 160),
    "steering_deg": (-540, 540, 4, 540), "engine_rpm": (0, 12_000, 3000, 12_000),
    "gear": (-1, 9, 3, 9), "fuel_flow_l_per_h": (-1, 200, 12, 200),
    "fuel_used_l": (-0.1, 150, 0.5, 150), "injector_duty_pct": (0, 105, 30, 105),
    "fuel_pressure_bar": (1.5, 250, 2.5, 250), "fuel_c": (0, 75, 8, 75),
    "intake_air_c": (0, 90, 8, 90), "coolant_c": (15, 130, 65, 130), "oil_c": (15, 165, 65, 165),
    "air_c": (-10, 48, -5, 48), "track_c": (-10, 75, 0, 75), "battery_v": (9, 16.5, 11, 16.5),
} | {f"tyre_pressure_{c}_bar": (0.9, 3.5, 1.3, 3.5) for c in CORNERS} | {
    f"tyre_temp_{c}_c": (5, 150, 30, 150) for c in CORNERS
} | {f"wheel_speed_{c}_mps": (-1, 105, 25, 105) for c in CORNERS}  # fmt: skip
TRIED = {
    "speed": ("m/s", "km/h", "mph", "kn"), "time": ("s", "ms", "min"),
    "pressure": ("bar", "kPa", "psi"), "temperature": ("degC", "degF", "K"),
    "flow": ("l/h", "l/min", "cc/min", "gal/h"), "volume": ("l", "ml", "gal"),
    "acceleration": ("m/s2", "g"), "share": ("%", "ratio"), "angle": ("deg", "rad"),
    "rotation": ("rpm",), "voltage": ("V", "mV"), "count": ("",),
}  # fmt: skip
MOST_ROWS = 40_000
IMPOSSIBLE = -5.0  # points at which a column cannot be the channel


@dataclass(frozen=True)
class Column:
    """A column of an unknown file: its name, the unit given for it (None unknown), its values."""

    name: str
    unit: str | None
    values: FloatArray

    @cached_property
    def filled(self) -> FloatArray:
        """The values that are numbers."""
        return self.values[np.isfinite(self.values)]

    @cached_property
    def ends(self) -> FloatArray:
        """Between which values the middle 98 % lie."""
        return np.percentile(self.filled, [1, 99])


@dataclass(frozen=True)
class Says:
    """Points for (or against) a channel, and the evidence in words."""

    points: float
    words: str


def units_tried(channel: str, column: Column) -> list[str]:
    """Return the units a column may have as a channel: the one given, else common ones."""
    own = unit_of(channel)
    quantity = UNITS[own].quantity if own in UNITS else "count"
    if column.unit:
        unit = known_unit(column.unit)
        if quantity == "count" or not unit:
            return [""] if not unit and quantity == "count" else []
        return [unit] if UNITS[unit].quantity == quantity else []
    return list(TRIED.get(quantity, (own,)))


def by_range(channel: str, unit: str, column: Column) -> Says | None:
    """Return whether values lie where the channel's do; None when they cannot be it."""
    values = column.filled
    if len(values) < 20 or np.ptp(values) == 0:
        return None
    if channel not in RANGES:
        own = convert(values, unit, unit_of(channel)) if unit else values
        said = SPECIAL[channel](own, column.values) if channel in SPECIAL else None
        return said if said is not None and said.points > IMPOSSIBLE else None
    low, high, least_top, most_top = RANGES[channel]
    bottom, top = convert(column.ends, unit, unit_of(channel)) if unit else column.ends
    reach = max(abs(bottom), top) if low < -5 and channel.endswith(("mps2", "_deg")) else top
    if bottom < low or reach > high or not least_top <= reach <= most_top:
        return None
    if channel in SPECIAL:
        own = convert(values, unit, unit_of(channel)) if unit else values
        if (said := SPECIAL[channel](own, column.values)) is not None:
            return said if said.points > IMPOSSIBLE else None
    return Says(1.0, f"values {bottom:.4g} to {top:.4g} {unit_of(channel)}".strip())


def _time(own: FloatArray, raw: FloatArray) -> Says:
    steps = np.diff(own)
    if np.isfinite(raw).mean() < 0.99 or (steps <= 0).mean() > 0.01:
        return Says(-9.0, "")
    usual = float(np.median(steps))
    even = float(np.mean(np.abs(steps - usual) < 0.2 * usual))
    if even < 0.9 or not 0.0005 < usual <= 1.0 or not 20 < len(own) * usual < 86_400:
        return Says(-9.0, "")
    return Says(3.0, f"rises in even steps of {usual:.4g} s")


def _lap(own: FloatArray, raw: FloatArray) -> Says:
    whole = np.allclose(own, np.round(own))
    steps = np.diff(own)
    moved = steps[steps != 0]
    count = len(moved)
    if not whole or not 1 <= count <= min(300, len(own) // 50) or np.mean(moved == 1) < 0.8:
        return Says(-9.0, "")
    gaps = np.diff(np.flatnonzero(steps != 0))
    even = len(gaps) < 3 or float(np.median(np.abs(gaps / np.median(gaps) - 1))) < 0.2
    if own.min() < 0 or not even or own.max() > 400:
        return Says(-9.0, "")
    return Says(2.0, f"whole numbers that rise by one {count} times")


def _beacon(own: FloatArray, raw: FloatArray) -> Says:
    filled = np.where(np.isfinite(raw), raw, 0.0)
    low, high = float(filled.min()), float(filled.max())
    if high <= low:
        return Says(-9.0, "")
    on = filled > 0.5 * (low + high)
    on = ~on if on.mean() > 0.5 else on
    pulses = int((np.diff(on.astype(np.int8)) == 1).sum())
    two = np.mean((filled < low + 0.1 * (high - low)) | (filled > high - 0.1 * (high - low)))
    if not 1 <= pulses <= 300 or on.mean() > 0.05 or two < 0.98:
        return Says(-9.0, "")
    return Says(1.5, f"{pulses} short pulses")


def _place(own: FloatArray, raw: FloatArray) -> Says | None:
    own = own[own != 0]
    if len(own) < 20 or np.allclose(own, np.round(own)):
        return Says(-9.0, "")
    spread = np.percentile(own, 99) - np.percentile(own, 1)
    jumps = np.abs(np.diff(own))
    if not 2e-3 < spread < 0.3 or np.percentile(jumps, 99) > 0.05 * spread + 1e-4:
        return Says(-9.0, "")
    if np.max(np.abs(own)) > 180:
        return Says(-9.0, "")
    return Says(1.5, f"moves smoothly over {spread:.3f} deg")


def _gear(own: FloatArray, raw: FloatArray) -> Says | None:
    kinds = np.unique(own)
    if len(kinds) > 10 or len(kinds) < 3 or not np.allclose(kinds, np.round(kinds)):
        return Says(-9.0, "")
    return None


def _used(own: FloatArray, raw: FloatArray) -> Says | None:
    steps = np.diff(own)
    falls = int((steps < -1e-9).sum())
    if falls > 3 or len(np.unique(own)) < 10:
        return Says(-9.0, "")
    return None


def _slow(own: FloatArray, raw: FloatArray) -> Says | None:
    """Temperatures and tyre pressures change slowly."""
    steps = np.abs(np.diff(own))
    spread = float(np.ptp(own))
    if spread and np.percentile(steps, 99) > 0.25 * spread and np.std(steps) > 0.1 * spread:
        return Says(-9.0, "")
    return None


def _signed(own: FloatArray, raw: FloatArray) -> Says | None:
    if not (np.percentile(own, 5) < 0 < np.percentile(own, 95)):
        return Says(-9.0, "")
    return None


def _brake(own: FloatArray, raw: FloatArray) -> Says | None:
    return None if np.mean(own < 0.15 * np.percentile(own, 99.5)) > 0.4 else Says(-9.0, "")


def _throttle(own: FloatArray, raw: FloatArray) -> Says | None:
    high = np.percentile(own, 99)
    ends = np.mean(own > 0.9 * high) > 0.1 and np.mean(own < 0.2 * high) > 0.03
    return None if ends else Says(-9.0, "")


Special = Callable[[FloatArray, FloatArray], Says | None]
SPECIAL: dict[str, Special] = {
    "time_s": _time, "lap": _lap, "beacon": _beacon, "latitude_deg": _place,
    "longitude_deg": _place, "gear": _gear, "fuel_used_l": _used, "steering_deg": _signed,
    "acceleration_long_mps2": _signed, "acceleration_lat_mps2": _signed, "brake_bar": _brake,
    "throttle_pct": _throttle,
}  # fmt: skip
SPECIAL |= {name: _slow for name in RANGES if name.endswith("_c") or name.startswith("tyre_")}
AGAINST: dict[str, tuple[str, ...]] = {
    "speed_mps": ("position",), "acceleration_long_mps2": ("speed_mps",),
    "acceleration_lat_mps2": ("position",), "fuel_used_l": ("fuel_flow_l_per_h",),
    "fuel_flow_l_per_h": ("fuel_used_l",), "throttle_pct": ("speed_mps",),
    "brake_bar": ("speed_mps",),
} | {f"wheel_speed_{c}_mps": ("position", "speed_mps") for c in CORNERS}  # fmt: skip


def by_others(channel: str, own: FloatArray, others: Mapping[str, FloatArray]) -> Says | None:
    """Return what already known columns say of one: agreement, contradiction, or None.

    Parameters
    ----------
    channel : str
        What the column may be.
    own : ndarray
        Its values in the kit's unit.
    others : mapping
        Known columns by channel, and of position `speed` and `turn` (lateral acceleration).
    """
    t = others.get("time_s")
    if t is None:
        return None
    if channel.endswith("_mps") and "position_speed" in others:
        return _same(own, others["position_speed"], "position", 0.05)
    if channel.startswith("wheel_speed") and "speed_mps" in others:
        return _same(own, others["speed_mps"], "the speed", 0.08)
    if channel == "acceleration_lat_mps2" and "position_turn" in others:
        return _follows(own, others["position_turn"], "the turning of position", sign=False)
    if "speed_mps" in others:
        return _by_speed(channel, own, _rate(t, others["speed_mps"]))
    return None


def _by_speed(channel: str, own: FloatArray, rate: FloatArray) -> Says | None:
    if channel == "acceleration_long_mps2":
        return _follows(own, rate, "the change of speed", sign=True)
    if channel == "throttle_pct" and _correlation(own, rate) > 0.3:
        return Says(1.0, "the car gains speed with it")
    if channel == "brake_bar" and _correlation(own, rate) < -0.3:
        return Says(1.0, "the car loses speed with it")
    return None


def fuel_agrees(t: FloatArray, flow: FloatArray, used: FloatArray) -> Says:
    """Return whether the integral of a flow is what a counter counted."""
    good = np.isfinite(flow) & np.isfinite(used) & np.isfinite(t)
    burnt = float(integral(t[good], flow[good] / 3600)[-1])
    counted = float(np.sum(np.maximum(np.diff(used[good]), 0.0)))
    ratio = burnt / counted if counted > 0 else float("nan")
    if 0.9 < ratio < 1.1:
        return Says(2.0, f"flow integrated is {ratio:.2f} of the counter")
    return Says(-3.0, f"flow integrated is {ratio:.2f} of the counter")


def _same(own: FloatArray, other: FloatArray, what: str, near: float) -> Says | None:
    good = np.isfinite(own) & np.isfinite(other) & (other > 8)
    if good.sum() < 50:
        return None
    ratio = float(np.median(own[good] / other[good]))
    if abs(ratio - 1) < near and _correlation(own[good], other[good]) > 0.95:
        return Says(2.5, f"{ratio:.2f} of the speed by {what}")
    return Says(-4.0, f"{ratio:.2f} of the speed by {what}")


def _follows(own: FloatArray, other: FloatArray, what: str, *, sign: bool) -> Says | None:
    found = _correlation(_smooth(own), _smooth(other))
    good = np.isfinite(own) & np.isfinite(other)
    strength = float(np.std(_smooth(own)[good]) / max(float(np.std(_smooth(other)[good])), 1e-9))
    if (found if sign else abs(found)) > 0.7 and 0.6 < strength < 1.7:
        return Says(2.5, f"follows {what} (correlation {found:.2f})")
    return Says(-4.0, f"does not follow {what} (correlation {found:.2f})")


def _correlation(one: FloatArray, two: FloatArray) -> float:
    good = np.isfinite(one) & np.isfinite(two)
    if good.sum() < 50 or np.std(one[good]) == 0 or np.std(two[good]) == 0:
        return 0.0
    return float(np.corrcoef(one[good], two[good])[0, 1])


def _rate(t: FloatArray, values: FloatArray) -> FloatArray:
    rate: FloatArray = np.gradient(_smooth(values), t)
    return rate


def _smooth(values: FloatArray, count: int = 9) -> FloatArray:
    filled = np.where(np.isfinite(values), values, np.nanmedian(values))
    padded = np.pad(filled, count // 2, mode="edge")
    smooth: FloatArray = np.convolve(padded, np.ones(count) / count, mode="valid")
    return smooth
