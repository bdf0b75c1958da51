"""The channels a logger may give, under the kit's own names and units."""

from __future__ import annotations

from tyrekit.terms import CORNERS
from tyrekit.units import SUFFIXES, suffix_unit

CHANNELS: tuple[str, ...] = (
    "time_s", "lap", "beacon", "crossing_s", "latitude_deg", "longitude_deg", "speed_mps",
    "acceleration_long_mps2", "acceleration_lat_mps2", "throttle_pct", "brake_bar",
    "steering_deg", "engine_rpm", "gear", "fuel_flow_l_per_h", "fuel_used_l",
    "injector_duty_pct", "fuel_pressure_bar", "fuel_c", "intake_air_c", "coolant_c", "oil_c",
    "air_c", "track_c",
    *(f"tyre_pressure_{corner}_bar" for corner in CORNERS),
    *(f"tyre_temp_{corner}_c" for corner in CORNERS),
    *(f"wheel_speed_{corner}_mps" for corner in CORNERS),
    "battery_v",
)  # fmt: skip


def stem(channel: str) -> str:
    """Return a channel's name as [log] writes it: without the unit at the end."""
    for suffix in sorted(SUFFIXES, key=len, reverse=True):
        if channel.endswith(suffix):
            return channel.removesuffix(suffix)
    return channel


# `fuel` alone could mean flow, volume or temperature: only `fuel_c` is taken.
STEMS: dict[str, str] = {stem(name): name for name in CHANNELS if name != "fuel_c"}


def own_name(key: str) -> str | None:
    """Return our channel for a key of [log] (``speed`` or ``speed_mps``), or None."""
    return key if key in CHANNELS else STEMS.get(key)


def unit_of(channel: str) -> str:
    """Return the unit the kit keeps a channel in; empty for a count."""
    return suffix_unit(channel) or ""
