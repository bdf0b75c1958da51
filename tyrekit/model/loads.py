"""Loads, forces and sliding work of the four tyres, quasi-static.

Axes as in ISO8855: accelerations forward and to the left are positive, so a left-hand bend has a
positive lateral acceleration and loads the right-hand tyres. Columns are FL, FR, RL, RR.
Left out: roll centre heights, banking, and everything faster than the springs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from tyrekit.model.ranges import FloatArray, Numbers, within
from tyrekit.units import GRAVITY_MPS2

LEAST_STIFFNESS, MOST_STIFFNESS = 5.0, 60.0  # slip stiffness over load, per unit of slip


@dataclass(frozen=True)
class Geometry:
    """What shares the car's weight out to its wheels.

    Attributes
    ----------
    wheelbase_m, track_front_m, track_rear_m, centre_of_gravity_height_m : float
        Lengths, m.
    front_mass_pct, roll_stiffness_front_pct : float
        Shares of the mass and of the roll stiffness at the front, %.
    downforce_front_m2, downforce_rear_m2 : float
        Lift coefficient x area on each axle, downwards positive; 0 without wings.
    brake_front_pct : float or None
        Share of the braking force at the front; None: as the axles are loaded.
    driven : {"front", "rear", "all"}
        The axle that drives; all: as the axles are loaded.
    """

    wheelbase_m: float
    track_front_m: float
    track_rear_m: float
    centre_of_gravity_height_m: float
    front_mass_pct: float
    roll_stiffness_front_pct: float
    downforce_front_m2: float = 0.0
    downforce_rear_m2: float = 0.0
    brake_front_pct: float | None = None
    driven: Literal["front", "rear", "all"] = "all"

    def __post_init__(self) -> None:
        """Refuse a geometry no car has."""
        for name in ("wheelbase_m", "track_front_m", "track_rear_m"):
            within(name, getattr(self, name), 0.3, 10.0, "road cars")
        within("centre_of_gravity_height_m", self.centre_of_gravity_height_m, 0.0, 2.0, "road cars")
        for name in ("front_mass_pct", "roll_stiffness_front_pct", "brake_front_pct"):
            if getattr(self, name) is not None:
                within(name, getattr(self, name), 0.0, 100.0, "a share")
        for name in ("downforce_front_m2", "downforce_rear_m2"):
            within(name, getattr(self, name), -2.0, 5.0, "production-based cars")


@dataclass(frozen=True)
class TyreForces:
    """What each tyre carries and does; arrays (n, 4), columns FL, FR, RL, RR.

    Attributes
    ----------
    load_n : ndarray
        Vertical load, N, never negative; the columns sum to weight plus downforce.
    along_n, side_n : ndarray
        Force on the tyre forward and to the left, N.
    """

    load_n: FloatArray
    along_n: FloatArray
    side_n: FloatArray

    @property
    def used(self) -> FloatArray:
        """Horizontal force over load (n, 4): the friction in use; 0 for a lifted wheel."""
        force: FloatArray = np.hypot(self.along_n, self.side_n)
        lifted = self.load_n <= 0.0
        return np.where(lifted, 0.0, force / np.where(lifted, 1.0, self.load_n))


def wheel_loads(
    geometry: Geometry,
    mass_kg: Numbers,
    acceleration_long_mps2: FloatArray,
    acceleration_lat_mps2: FloatArray,
    speed_mps: Numbers = 0.0,
    air_density_kg_per_m3: float = 1.2,
) -> FloatArray:
    """Return the vertical loads in N of FL, FR, RL, RR, shape (n, 4).

    Along: m a h / L from the front axle to the rear (GILLESPIE eq. 1-7, level road). Across: the
    roll moment m a h, shared by roll stiffness, over each axle's track (RCVD eq. 18.4 with the
    roll axis on the ground). When a wheel lifts, its axle can carry no more of the moment and the
    other axle takes the rest. Downforce is (density / 2) v^2 x area.

    Parameters
    ----------
    geometry : Geometry
        The car.
    mass_kg : float or ndarray (n,)
        Car, driver, ballast and fuel; 300 to 5000 kg.
    acceleration_long_mps2, acceleration_lat_mps2 : ndarray (n,)
        Forward and to the left, m/s2, -50 to 50.
    speed_mps : float or ndarray (n,)
        Speed, for the downforce.
    air_density_kg_per_m3 : float
        0.7 to 1.6.

    Raises
    ------
    InputError
        A value outside its range or not a number.
    """
    mass = within("mass_kg", mass_kg, 300.0, 5000.0, "cars")
    along = within("acceleration_long_mps2", acceleration_long_mps2, -50.0, 50.0, "cars")
    across = within("acceleration_lat_mps2", acceleration_lat_mps2, -50.0, 50.0, "cars")
    density = within("air_density_kg_per_m3", air_density_kg_per_m3, 0.7, 1.6, "air")
    axle_n = _axle_loads(geometry, mass, along, density * np.square(speed_mps) / 2)
    shift_n = _lateral_transfer(geometry, mass * across, axle_n)
    pairs = [(axle_n[i] / 2 - shift_n[i], axle_n[i] / 2 + shift_n[i]) for i in (0, 1)]
    return np.stack(np.broadcast_arrays(*pairs[0], *pairs[1]), axis=-1)


def tyre_forces(
    geometry: Geometry,
    mass_kg: Numbers,
    acceleration_long_mps2: FloatArray,
    acceleration_lat_mps2: FloatArray,
    drag_n: Numbers = 0.0,
    speed_mps: Numbers = 0.0,
    air_density_kg_per_m3: float = 1.2,
) -> TyreForces:
    """Return loads and horizontal forces of the four tyres.

    Side force: each axle's share of the mass (no yaw acceleration; RCVD eq. 5.5), the tyres of an
    axle as they are loaded. Along: m a + drag; driving goes to the driven axle, braking by the
    brakes' share, or as the axles are loaded where that is not known.

    Parameters
    ----------
    geometry, mass_kg, acceleration_long_mps2, acceleration_lat_mps2
        As for `wheel_loads`.
    drag_n : float or ndarray (n,)
        Air drag and rolling resistance, N, not negative.
    speed_mps, air_density_kg_per_m3
        As for `wheel_loads`.

    Raises
    ------
    InputError
        A value outside its range or not a number.
    """
    load_n = wheel_loads(
        geometry, mass_kg, acceleration_long_mps2, acceleration_lat_mps2, speed_mps,
        air_density_kg_per_m3,
    )  # fmt: skip
    axle_n = load_n.reshape(*load_n.shape[:-1], 2, 2).sum(axis=-1)
    by_load = axle_n / axle_n.sum(axis=-1, keepdims=True)
    force_n = np.asarray(mass_kg) * acceleration_long_mps2 + within(
        "drag_n", drag_n, 0.0, 50_000.0, "air drag and rolling resistance"
    )
    side_n = np.asarray(mass_kg) * acceleration_lat_mps2
    along = np.where(
        (force_n >= 0)[..., None], _drive(geometry, by_load), _brake(geometry, by_load)
    )
    front = geometry.front_mass_pct / 100
    lifted = np.any(axle_n <= 0.0, axis=-1, keepdims=True)  # the axle on the ground does it all
    along, side = (np.where(lifted, by_load, s) for s in (along, np.array([front, 1 - front])))
    within_axle = load_n / np.repeat(np.maximum(axle_n, 1e-9), 2, axis=-1)
    return TyreForces(
        load_n,
        np.repeat(force_n[..., None] * along, 2, axis=-1) * within_axle,
        np.repeat(side_n[..., None] * side, 2, axis=-1) * within_axle,
    )


def sliding_work_per_m(
    forces: TyreForces, stiffness: float = 20.0, slip: FloatArray | None = None
) -> FloatArray:
    """Return the work in J per metre driven that sliding takes in each tyre's contact, (n, 4).

    Force times slip. Below the limit slip grows with force over stiffness, and stiffness with
    load, so the work is force squared / (stiffness x load) (brush model at small slip, PACEJKA
    sec. 3.2). With `slip` the longitudinal part is force times the slip measured.

    Parameters
    ----------
    forces : TyreForces
        Loads and forces.
    stiffness : float
        Slip stiffness over load, per unit of slip (per rad); 5 to 60, about 20 for a semi-slick
        (common practice, no source). It scales every tyre's work alike.
    slip : ndarray (n, 4), optional
        Wheel speed over ground speed less 1. Where it is not a number, the estimate is used.

    Raises
    ------
    InputError
        Stiffness outside its range.
    """
    scale = within("stiffness", stiffness, LEAST_STIFFNESS, MOST_STIFFNESS, "tyres")
    lifted = forces.load_n <= 0.0
    load_n = np.where(lifted, 1.0, forces.load_n)
    along: FloatArray = forces.along_n**2 / (scale * load_n)
    if slip is not None:
        # Rolling the other way than it is pushed is noise of the wheel's speed, not work.
        measured = np.maximum(forces.along_n * slip, 0.0)
        along = np.where(np.isfinite(slip), measured, along)
    return np.where(lifted, 0.0, along + forces.side_n**2 / (scale * load_n))


def _axle_loads(
    geometry: Geometry, mass: FloatArray, along: FloatArray, dynamic_pa: FloatArray
) -> tuple[FloatArray, FloatArray]:
    front = geometry.front_mass_pct / 100
    shift_n = mass * along * geometry.centre_of_gravity_height_m / geometry.wheelbase_m
    front_n = mass * GRAVITY_MPS2 * front + dynamic_pa * geometry.downforce_front_m2
    rear_n = mass * GRAVITY_MPS2 * (1 - front) + dynamic_pa * geometry.downforce_rear_m2
    # With an axle in the air all the weight is on the other.
    shift_n = np.clip(shift_n, -np.maximum(rear_n, 0.0), np.maximum(front_n, 0.0))
    return front_n - shift_n, rear_n + shift_n


def _lateral_transfer(
    geometry: Geometry, force_n: FloatArray, axle_n: tuple[FloatArray, FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """Return what moves from left to right on each axle, N."""
    front = geometry.roll_stiffness_front_pct / 100
    moment = force_n * geometry.centre_of_gravity_height_m
    tracks = geometry.track_front_m, geometry.track_rear_m
    wanted = [moment * front / tracks[0], moment * (1 - front) / tracks[1]]
    carried = [np.clip(w, -a / 2, a / 2) for w, a in zip(wanted, axle_n, strict=True)]
    left = [(w - c) * t for w, c, t in zip(wanted, carried, tracks, strict=True)]
    return (
        np.clip(carried[0] + left[1] / tracks[0], -axle_n[0] / 2, axle_n[0] / 2),
        np.clip(carried[1] + left[0] / tracks[1], -axle_n[1] / 2, axle_n[1] / 2),
    )


def _drive(geometry: Geometry, by_load: FloatArray) -> FloatArray:
    shares = {"front": np.array([1.0, 0.0]), "rear": np.array([0.0, 1.0]), "all": by_load}
    return np.broadcast_to(shares[geometry.driven], by_load.shape)


def _brake(geometry: Geometry, by_load: FloatArray) -> FloatArray:
    if geometry.brake_front_pct is None:
        return by_load
    front = geometry.brake_front_pct / 100
    return np.broadcast_to(np.array([front, 1 - front]), by_load.shape)
