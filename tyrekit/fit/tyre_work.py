"""Sliding work of each tyre over a lap, from channels laid on distance."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import pandas as pd

from tyrekit.errors import FitError
from tyrekit.fit.result import Floats
from tyrekit.model.loads import Geometry, sliding_work_per_m, tyre_forces
from tyrekit.record.motion import north_east
from tyrekit.terms import CORNERS
from tyrekit.units import GRAVITY_MPS2

NEEDED = ("speed_mps", "acceleration_long_mps2", "acceleration_lat_mps2")
POSITION = ("latitude_deg", "longitude_deg")
WHEELS = tuple(f"wheel_speed_{corner}_mps" for corner in CORNERS)
WORK_PER_M = tuple(f"work_{corner}_j_per_m" for corner in CORNERS)
WORK_MJ = tuple(f"work_{corner}_mj" for corner in CORNERS)
DRAG_AREA_M2, ROLLING = 0.7, 0.014  # common practice, no source: a saloon, racing tyres
SLOW_MPS, EVEN_MPS2 = 8.0, 1.0
SURE_TURN = 0.5  # correlation of the accelerometer with the path's bend
MOST_SLIP = 0.5


class TyreWork(NamedTuple):
    """What the tyres did on the laps of a run.

    Attributes
    ----------
    profile : DataFrame
        A row per lap and distance: lap, distance_m, where position is logged latitude_deg and
        longitude_deg, and sliding work of each corner, J per metre.
    laps : DataFrame
        A row per lap: lap and the work of each corner over it, MJ; NaN for a lap with gaps.
    notes : tuple of str
        What was assumed or turned round.
    """

    profile: pd.DataFrame
    laps: pd.DataFrame
    notes: tuple[str, ...]


def tyre_work(
    table: pd.DataFrame,
    mass_kg: Mapping[int, float],
    geometry: Geometry,
    *,
    air_density_kg_per_m3: float = 1.2,
) -> TyreWork:
    """Return the sliding work of FL, FR, RL and RR along each lap, and over it.

    Parameters
    ----------
    table : DataFrame
        Laps on one scale of distance (`record.distance.aligned`): lap, distance_m, speed and the
        two accelerations; position and wheel speeds where logged.
    mass_kg : mapping of lap to kg
        Car, driver, ballast and the fuel at mid-lap.
    geometry : Geometry
        The car.
    air_density_kg_per_m3 : float
        For drag and downforce.

    Raises
    ------
    FitError
        A channel that is needed is not in the table.

    Notes
    -----
    `model.loads`. Drag is that of a saloon, 0.7 m2, and rolling resistance 1.4 % of the weight.
    Which way the lateral accelerometer counts is seen from the path, where position is logged.
    """
    missing = [name for name in NEEDED if name not in table]
    if missing:
        raise FitError(f"tyre work needs {', '.join(missing)}. Log them, or leave the run out.")
    sign, notes = turning_sign(table)
    mass = np.array([mass_kg.get(lap, np.nan) for lap in table["lap"]], dtype=np.float64)
    speed, along, across = (_filled(table[name]) for name in NEEDED)
    known = np.isfinite(speed) & np.isfinite(along) & np.isfinite(across) & np.isfinite(mass)
    work = np.full((len(table), 4), np.nan)
    if known.any():
        v, m = speed[known], mass[known]
        air_n = air_density_kg_per_m3 / 2 * DRAG_AREA_M2 * v**2
        drag: Floats = air_n + ROLLING * m * GRAVITY_MPS2
        forces = tyre_forces(
            geometry, m, along[known], sign * across[known], drag, v, air_density_kg_per_m3
        )
        slip = _slip(table[known], v, sign * across[known], along[known], geometry)
        work[known] = sliding_work_per_m(forces, slip=slip)
        notes += () if slip is None else ("work along the car is from wheel speeds",)
    kept = ["lap", "distance_m", *(name for name in POSITION if name in table)]
    profile = table[kept].assign(**dict(zip(WORK_PER_M, work.T, strict=True)))
    return TyreWork(profile, _over_laps(profile), notes)


def turning_sign(table: pd.DataFrame) -> tuple[float, tuple[str, ...]]:
    """Return +1 where the lateral acceleration counts to the left, else -1, and what was seen.

    The path's bend times speed squared is what the accelerometer should say.
    """
    assumed = "the lateral acceleration is taken to count to the left (ISO 8855)"
    if not all(name in table for name in POSITION):
        return 1.0, (f"{assumed}: no position is logged to tell",)
    bend = _bend(table) * np.square(table["speed_mps"].to_numpy(dtype=np.float64))
    seen = table["acceleration_lat_mps2"].to_numpy(dtype=np.float64)
    both = np.isfinite(bend) & np.isfinite(seen) & (np.abs(bend) < 40)
    if both.sum() < 50 or np.std(bend[both]) < 1e-6 or np.std(seen[both]) < 1e-6:
        return 1.0, (f"{assumed}: the path does not tell",)
    r = float(np.corrcoef(bend[both], seen[both])[0, 1])
    if abs(r) < SURE_TURN:
        return 1.0, (f"{assumed}: it follows the path's bends poorly (correlation {r:.2f})",)
    if r < 0:
        return -1.0, ("the lateral acceleration counts to the right in this log: turned round",)
    return 1.0, ()


def _bend(table: pd.DataFrame) -> Floats:
    """Return the path's curvature in 1/m, left positive, over 20 m or so each way."""
    bend = np.full(len(table), np.nan)
    for _, rows in table.groupby("lap", sort=False).indices.items():
        own = table.iloc[rows]
        north, east = north_east(*(own[name].to_numpy(dtype=np.float64) for name in POSITION))
        step = float(np.median(np.diff(own["distance_m"]))) if len(own) > 1 else 1.0
        reach = max(1, round(20.0 / step))
        if len(own) <= 2 * reach + 1:
            continue
        to = np.arctan2(north[reach:] - north[:-reach], east[reach:] - east[:-reach])
        turn = np.angle(np.exp(1j * (to[reach:] - to[:-reach])))
        bend[rows[reach:-reach]] = turn / (reach * step)
    return bend


def _slip(
    table: pd.DataFrame, speed: Floats, across: Floats, along: Floats, geometry: Geometry
) -> Floats | None:
    """Return each wheel's slip, its own rolling radius taken out; None without wheel speeds.

    In a bend the outer wheels roll faster by yaw rate times half the track.
    """
    if not all(name in table for name in WHEELS):
        return None
    fast = speed > SLOW_MPS
    yaw = np.where(fast, across / np.maximum(speed, SLOW_MPS), 0.0)
    halves = geometry.track_front_m / 2, geometry.track_rear_m / 2
    sides = np.array([-halves[0], halves[0], -halves[1], halves[1]])
    ground = speed[:, None] + yaw[:, None] * sides
    ratio = table[list(WHEELS)].to_numpy(dtype=np.float64) / np.maximum(ground, 1.0)
    rolling = fast & (np.abs(along) < EVEN_MPS2) & (np.abs(across) < EVEN_MPS2)
    if rolling.sum() < 20:
        return None
    radius = np.nanmedian(ratio[rolling], axis=0)
    slip: Floats = np.clip(ratio / radius - 1.0, -1.0, MOST_SLIP)
    return np.where(fast[:, None], slip, np.nan)


def _filled(channel: pd.Series) -> Floats:
    """Return a channel with gaps of a few rows bridged."""
    filled = channel.astype("float64").interpolate(limit=4, limit_area="inside")
    return np.asarray(filled.to_numpy(), dtype=np.float64)


def _over_laps(profile: pd.DataFrame) -> pd.DataFrame:
    """Integrate over distance; a lap with more than 2 % missing has no sum."""
    rows = []
    for lap, own in profile.groupby("lap", sort=False):
        at = own["distance_m"].to_numpy(dtype=np.float64)
        work = own[list(WORK_PER_M)].to_numpy(dtype=np.float64)
        known = np.isfinite(work).all(axis=1)
        if known.mean() < 0.98:
            rows.append((lap, *[float("nan")] * 4))
            continue
        rows.append((lap, *(np.trapezoid(work[known], at[known], axis=0) / 1e6)))
    return pd.DataFrame(rows, columns=["lap", *WORK_MJ])
