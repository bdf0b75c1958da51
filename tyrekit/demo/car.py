"""The invented car: engine, gears, drag, mass, and the fastest speed along a stretch of line.

Quasi-steady: at every point the tyres' friction ellipse, the engine and drag bound what the car
does (common practice, no source). Front-wheel drive, so the driven load falls as it accelerates.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from tyrekit.units import GAS_CONSTANT_AIR_J_PER_KG_K, GRAVITY_MPS2, ZERO_C_K

Floats = NDArray[np.float64]

MASS_KG, BALLAST_KG = 1418.0, 30.0
WHEELBASE_M, TRACK_FRONT_M, TRACK_REAR_M = 2.70, 1.58, 1.56
GRAVITY_HEIGHT_M, FRONT_SHARE, ROLL_FRONT_SHARE = 0.48, 0.56, 0.55
BRAKE_FRONT_SHARE = 0.68
DRAG_AREA_M2, ROLLING, SPINNING = 0.72, 0.014, 1.04  # drag coefficient x area; rotating parts
WHEEL_RADIUS_M, DRIVELINE = 0.31, 0.90
BRAKING, TRACTION = 0.90, 0.92  # how much of the ellipse a driver uses in each direction
LOAD_SENSITIVITY = 0.16  # grip falls with load to this power

ENGINE_RPM = (1000, 2000, 3000, 4000, 5000, 6000, 6600, 7200)
TORQUE_NM = (170, 245, 292, 318, 326, 314, 298, 268)
TOP_OF_GEAR_MPS = (17.5, 26.5, 36.0, 45.5, 55.0, 65.0)
SHIFT_RPM, IDLE_RPM = 7000.0, 950.0
STEERING_RATIO, UNDERSTEER_RAD_PER_MPS2 = 14.5, 0.0012

HEAT_J_PER_KG, INDICATED, IDLE_G_PER_S = 43.0e6, 0.385, 0.30
FRICTION_W_PER_RPM = 3.1  # motoring power; a Willans line is straight in brake power
FULL_LOAD_ENRICHMENT = 0.22
SPEED_STEP_MPS = 0.25


@dataclass(frozen=True)
class Air:
    """Air the car runs in.

    Attributes
    ----------
    air_c, track_c : float
        Air and track surface temperature, degC.
    pressure_hpa : float
        Ambient pressure.
    """

    air_c: float
    track_c: float
    pressure_hpa: float

    @property
    def density_kg_per_m3(self) -> float:
        """Dry air, ideal gas."""
        return self.pressure_hpa * 100.0 / (GAS_CONSTANT_AIR_J_PER_KG_K * (self.air_c + ZERO_C_K))

    @property
    def power(self) -> float:
        """Engine power relative to 25 degC and 990 hPa, as ISO 1585's exponents have it."""
        return float((self.pressure_hpa / 990.0) ** 1.2 * (298.15 / (self.air_c + ZERO_C_K)) ** 0.6)


def gear_ratio(gear: int) -> float:
    """Return engine rpm per m/s in this gear (1 to 6)."""
    return 7200.0 / TOP_OF_GEAR_MPS[gear - 1]


@lru_cache(maxsize=1)
def engine_table() -> tuple[list[float], list[int]]:
    """Return wheel force (N, before the air's factor) and gear, per `SPEED_STEP_MPS` of speed."""
    forces, gears = [], []
    for index in range(400):
        speed = max(index * SPEED_STEP_MPS, 2.5)
        best = max(range(1, 7), key=lambda gear: _wheel_force_n(speed, gear))
        forces.append(_wheel_force_n(speed, best))
        gears.append(best)
    return forces, gears


def _wheel_force_n(speed: float, gear: int) -> float:
    rpm = speed * gear_ratio(gear)
    if rpm > SHIFT_RPM and gear < 6:
        return -rpm
    torque = float(np.interp(max(rpm, 1800.0), ENGINE_RPM, TORQUE_NM))
    return torque * rpm * 2 * math.pi / 60 * DRIVELINE / speed if rpm > 1800 else torque * 11.0


def fastest(
    entry_mps: float,
    exit_mps: float | None,
    step_m: Floats,
    curvature: Floats,
    grip: Floats,
    cap_mps: Floats,
    drive: Floats,
    mass_kg: float,
    air: Air,
) -> Floats:
    """Return the fastest speed (n + 1,) over n steps within grip, cap, engine and brakes.

    Parameters
    ----------
    entry_mps, exit_mps : float
        Speed at the first node; at the last one (None: whatever can be reached).
    step_m, drive : ndarray (n,)
        Length of each step; share of engine power used on it.
    curvature, grip, cap_mps : ndarray (n + 1,)
        Per metre; friction coefficient at 1 g; speed not to be passed.
    mass_kg : float
        Car, driver, ballast and fuel.
    """
    limit = np.sqrt(grip * GRAVITY_MPS2 / np.maximum(np.abs(curvature), 1e-5))
    limit = np.minimum(limit, cap_mps)
    if exit_mps is not None:
        limit[-1] = min(limit[-1], exit_mps)
    bend, hold, step = curvature.tolist(), grip.tolist(), step_m.tolist()
    braked = _braked(limit.tolist(), bend, hold, step, mass_kg, air)
    return np.array(_driven(entry_mps, braked, bend, hold, step, drive.tolist(), mass_kg, air))


def _braked(
    limit: list[float],
    curvature: list[float],
    grip: list[float],
    step_m: list[float],
    mass_kg: float,
    air: Air,
) -> list[float]:
    drag = air.density_kg_per_m3 * DRAG_AREA_M2 / (2 * mass_kg)
    speed = limit[:]
    for i in range(len(speed) - 2, -1, -1):
        square = speed[i + 1] * speed[i + 1]
        total, side = grip[i + 1] * GRAVITY_MPS2, square * curvature[i + 1]
        slowing = BRAKING * math.sqrt(max(total * total - side * side, 0.0))
        reach = square + 2 * (slowing + drag * square) * step_m[i]
        if reach < limit[i] * limit[i]:
            speed[i] = math.sqrt(reach)
    return speed


def _driven(
    entry_mps: float,
    limit: list[float],
    curvature: list[float],
    grip: list[float],
    step_m: list[float],
    drive: list[float],
    mass_kg: float,
    air: Air,
) -> list[float]:
    forces, _ = engine_table()
    drag = air.density_kg_per_m3 * DRAG_AREA_M2 / (2 * mass_kg)
    speed = limit[:]
    speed[0] = entry_mps
    for i in range(len(speed) - 1):
        square = speed[i] * speed[i]
        total, side = grip[i] * GRAVITY_MPS2, square * curvature[i]
        ellipse = TRACTION * math.sqrt(max(1 - (side / total) ** 2, 0.0))
        driven = total * FRONT_SHARE / (1 + grip[i] * GRAVITY_HEIGHT_M / WHEELBASE_M)
        engine = forces[int(speed[i] / SPEED_STEP_MPS)] * air.power * drive[i] / mass_kg
        push = min(driven * ellipse, engine) / SPINNING - drag * square - ROLLING * GRAVITY_MPS2
        reach = max(square + 2 * push * step_m[i], 1.0)
        if reach < limit[i + 1] * limit[i + 1]:
            speed[i + 1] = math.sqrt(reach)
    return speed


@dataclass(frozen=True)
class Forces:
    """What the car does on each step of a lap; arrays (n,).

    Attributes
    ----------
    step_s, long_mps2, lat_mps2 : ndarray
        Time over the step; accelerations.
    power_w, throttle_pct, engine_rpm, fuel_kg_per_s : ndarray
        Engine's brake power, pedal, speed and fuel flow.
    gear : ndarray of int
        1 to 6.
    brake_n : ndarray
        Sum of the brakes' forces, positive.
    work_j_per_m : ndarray (n, 4)
        Sliding work per metre on FL, FR, RL, RR, up to one constant.
    """

    step_s: Floats
    long_mps2: Floats
    lat_mps2: Floats
    power_w: Floats
    throttle_pct: Floats
    engine_rpm: Floats
    fuel_kg_per_s: Floats
    gear: NDArray[np.int64]
    brake_n: Floats
    work_j_per_m: Floats


def forces(speed: Floats, step_m: Floats, curvature: Floats, mass_kg: float, air: Air) -> Forces:
    """Return forces, engine state and tyre work for speeds (n + 1,) over steps (n,)."""
    middle = (speed[1:] + speed[:-1]) / 2
    bend = (curvature[1:] + curvature[:-1]) / 2
    long_mps2 = (speed[1:] ** 2 - speed[:-1] ** 2) / (2 * step_m)
    lat_mps2 = middle**2 * bend
    drag_n = air.density_kg_per_m3 * DRAG_AREA_M2 / 2 * middle**2 + ROLLING * mass_kg * GRAVITY_MPS2
    wheel_n = mass_kg * SPINNING * long_mps2 + drag_n
    drive_n, engine_brake_n = np.maximum(wheel_n, 0.0), np.minimum(np.maximum(-wheel_n, 0.0), 350.0)
    brake_n = np.maximum(-wheel_n, 0.0) - engine_brake_n
    rows = np.minimum((middle / SPEED_STEP_MPS).astype(np.int64), 399)
    full_n, gears = (np.array(column) for column in engine_table())
    gear = gears[rows]
    rpm = np.maximum(middle * np.array([gear_ratio(g) for g in range(1, 7)])[gear - 1], IDLE_RPM)
    power_w = drive_n * middle / DRIVELINE
    load = np.clip(drive_n / (full_n[rows] * air.power), 0.0, 1.0)
    return Forces(
        2 * step_m / (speed[1:] + speed[:-1]), long_mps2, lat_mps2, power_w, 100 * load, rpm,
        fuel_flow_kg_per_s(power_w, rpm, load), gear, brake_n,
        tyre_work(lat_mps2, long_mps2, drive_n, brake_n, mass_kg),
    )  # fmt: skip


def fuel_flow_kg_per_s(power_w: Floats, rpm: Floats, load: Floats) -> Floats:
    """Return petrol flow: a Willans line with enrichment at load, cut on the overrun."""
    burning = (power_w + FRICTION_W_PER_RPM * rpm) / (INDICATED * HEAT_J_PER_KG)
    flow = burning * (1 + FULL_LOAD_ENRICHMENT * load**2)
    idle = IDLE_G_PER_S / 1000
    return np.where(load > 0.01, np.maximum(flow, idle), np.where(rpm > 1500, 0.0, idle))


def tyre_work(
    lat_mps2: Floats, long_mps2: Floats, drive_n: Floats, brake_n: Floats, mass_kg: float
) -> Floats:
    """Return sliding work per metre (n, 4): force squared over load, as slip is force over load."""
    load_n = wheel_loads_n(lat_mps2, long_mps2, mass_kg)
    axle_n = np.stack([load_n[:, 0] + load_n[:, 1], load_n[:, 2] + load_n[:, 3]], axis=1)
    share = load_n / np.repeat(axle_n, 2, axis=1)
    front = np.array([FRONT_SHARE, FRONT_SHARE, 1 - FRONT_SHARE, 1 - FRONT_SHARE])
    side_n = mass_kg * lat_mps2[:, None] * front * share
    brake = brake_n[:, None] * np.array([BRAKE_FRONT_SHARE] * 2 + [1 - BRAKE_FRONT_SHARE] * 2)
    along_n = (brake + drive_n[:, None] * np.array([1.0, 1.0, 0.0, 0.0])) * share
    work: Floats = (side_n**2 + along_n**2) / load_n
    return work


def wheel_loads_n(lat_mps2: Floats, long_mps2: Floats, mass_kg: float) -> Floats:
    """Return the loads on FL, FR, RL, RR (n, 4); they sum to the weight."""
    transfer_n = mass_kg * long_mps2 * GRAVITY_HEIGHT_M / WHEELBASE_M
    front_n = mass_kg * GRAVITY_MPS2 * FRONT_SHARE - transfer_n
    rear_n = mass_kg * GRAVITY_MPS2 * (1 - FRONT_SHARE) + transfer_n
    moment = mass_kg * lat_mps2 * GRAVITY_HEIGHT_M
    front_side = moment * ROLL_FRONT_SHARE / TRACK_FRONT_M
    rear_side = moment * (1 - ROLL_FRONT_SHARE) / TRACK_REAR_M
    loads = [front_n / 2 + front_side, front_n / 2 - front_side,
             rear_n / 2 + rear_side, rear_n / 2 - rear_side]  # fmt: skip
    return np.maximum(np.stack(loads, axis=1), 150.0)
