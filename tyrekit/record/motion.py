"""How the car moved: speed, distance run, when it stood still, where it was on a local plane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.record.event import StartFinish

FloatArray = NDArray[np.float64]
MOVING_MPS, SUSTAINED_S = 2.0, 3.0  # slower or shorter may be a receiver's noise
EQUATORIAL_RADIUS_M, FLATTENING = 6378137.0, 1 / 298.257223563  # WGS84


@dataclass(frozen=True)
class Motion:
    """Speed and distance run over a log; `speed_mps` is NaN throughout when nothing tells it.

    `own` is whether a channel of its own tells the speed, not position.
    """

    time_s: FloatArray
    speed_mps: FloatArray
    run_m: FloatArray
    own: bool = True

    @property
    def known(self) -> bool:
        """Whether the log tells how fast the car was."""
        return bool(np.isfinite(self.speed_mps).any())

    def distance_m(self, start_s: float, end_s: float) -> float:
        """Return the distance run between two times; NaN when unknown."""
        at = np.interp([start_s, end_s], self.time_s, self.run_m)
        return float(at[1] - at[0]) if self.known else float("nan")

    def speed_at(self, time_s: FloatArray) -> FloatArray:
        """Return the speed at some times; NaN when unknown."""
        at: FloatArray = np.interp(time_s, self.time_s, self.speed_mps)
        return at

    def moving(self) -> tuple[float, float]:
        """Return when the car first and last moved; the whole log when that is unknown."""
        moved = _spans(self.time_s, self.speed_mps > MOVING_MPS, SUSTAINED_S)
        if not self.known or not moved:
            return float(self.time_s[0]), float(self.time_s[-1])
        return moved[0][0], moved[-1][1]

    def standstills(self, least_s: float) -> list[tuple[float, float]]:
        """Return start and end of every time the car stood for at least `least_s`."""
        return _spans(self.time_s, self.speed_mps < 1.0, least_s)


def _spans(
    time_s: FloatArray, holds: NDArray[np.bool_], least_s: float
) -> list[tuple[float, float]]:
    """Return start and end of every time for which something held at least so long."""
    edges = np.diff(np.concatenate([[False], holds, [False]]).astype(np.int8))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    spans = zip(time_s[starts], time_s[ends], strict=True)
    return [(float(a), float(b)) for a, b in spans if b - a >= least_s]


def motion_of(channels: pd.DataFrame) -> Motion:
    """Return how the car moved, from the speed channel, else a wheel, else position."""
    time_s = channels["time_s"].to_numpy()
    names = ["speed_mps", *(c for c in channels.columns if c.startswith("wheel_speed_"))]
    given = (channels[name].to_numpy() for name in names if name in channels)
    # a channel that never moves is dead
    speed = next((s for s in given if (np.abs(s) > MOVING_MPS).any()), None)
    own = speed is not None
    if speed is None and {"latitude_deg", "longitude_deg"} <= set(channels.columns):
        speed = _speed_from_position(channels)
    if speed is None or not np.isfinite(speed).any():
        unknown = np.full(len(time_s), np.nan)
        return Motion(time_s, unknown, unknown, own=False)
    good = np.isfinite(speed)
    filled = np.interp(time_s, time_s[good], np.abs(speed[good]))
    return Motion(time_s, filled, integral(time_s, filled), own)


def integral(time_s: FloatArray, rate: FloatArray) -> FloatArray:
    """Return the running integral of a rate by the trapezoid rule, 0 at the start."""
    steps = 0.5 * (rate[1:] + rate[:-1]) * np.diff(time_s)
    return np.concatenate([np.zeros(min(1, len(time_s))), np.cumsum(steps)])


def on_plane(
    latitude_deg: FloatArray, longitude_deg: FloatArray, line: StartFinish
) -> tuple[FloatArray, FloatArray]:
    """Return metres past the line along its heading, and to the right of its middle.

    A plane touching the WGS84 ellipsoid at the line: its radii of curvature in the meridian and
    in the prime vertical turn degrees into metres.
    """
    latitude = np.radians(line.latitude_deg)
    squared = FLATTENING * (2 - FLATTENING)
    root = np.sqrt(1 - squared * np.sin(latitude) ** 2)
    prime_vertical_m = EQUATORIAL_RADIUS_M / root
    meridian_m = EQUATORIAL_RADIUS_M * (1 - squared) / root**3
    north = np.radians(latitude_deg - line.latitude_deg) * meridian_m
    east = np.radians(longitude_deg - line.longitude_deg) * prime_vertical_m * np.cos(latitude)
    heading = np.radians(line.heading_deg)
    along = north * np.cos(heading) + east * np.sin(heading)
    across = east * np.cos(heading) - north * np.sin(heading)
    return along, across


def north_east(
    latitude_deg: FloatArray, longitude_deg: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return metres north and east of the middle of positions, on a plane that touches there.

    NaN where a position is not known.
    """
    known = np.isfinite(latitude_deg) & np.isfinite(longitude_deg)
    if not known.any():
        return np.full(len(known), np.nan), np.full(len(known), np.nan)
    middle = StartFinish(
        latitude_deg=float(np.clip(np.median(latitude_deg[known]), -90, 90)),
        longitude_deg=float(np.median(longitude_deg[known])),
        heading_deg=0.0,
    )
    return on_plane(latitude_deg, longitude_deg, middle)


def fixes(channels: pd.DataFrame) -> NDArray[np.intp]:
    """Return the samples with a fresh position: a slow receiver's values are held in between."""
    latitude, longitude = channels["latitude_deg"].to_numpy(), channels["longitude_deg"].to_numpy()
    good = np.isfinite(latitude) & np.isfinite(longitude)
    good &= (latitude != 0) | (longitude != 0)  # 0, 0 is what a receiver without a fix gives
    at = np.flatnonzero(good)
    fresh = np.ones(len(at), dtype=bool)
    fresh[1:] = (np.diff(latitude[at]) != 0) | (np.diff(longitude[at]) != 0)
    return at[fresh]


def _speed_from_position(channels: pd.DataFrame) -> FloatArray:
    """Return speed from position over two seconds."""
    time_s, at = channels["time_s"].to_numpy(), fixes(channels)
    speed = np.full(len(time_s), np.nan)
    if len(at) < 3:
        return speed
    places = (channels[name].to_numpy()[at] for name in ("latitude_deg", "longitude_deg"))
    north, east = north_east(*places)
    t, half = time_s[at], 1.0
    ends = np.clip([t - half, t + half], t[0], t[-1])
    step = [np.interp(ends[1], t, x) - np.interp(ends[0], t, x) for x in (north, east)]
    speed[:] = np.interp(time_s, t, np.hypot(*step) / np.maximum(ends[1] - ends[0], 1e-9))
    return speed
