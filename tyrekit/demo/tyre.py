"""The invented control tyre: grip, wear and heat as sliding work goes through it.

Work is counted in nominal laps: 1.0 is what an average corner takes in one clean lap. Grip is lost
with work, so it is the car and the driving that decide what a lap costs each tyre.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tyrekit.demo.car import Air, Floats
from tyrekit.units import ZERO_C_K, Number

GRIP = 1.335
GRIP_SHARE = (0.30, 0.30, 0.20, 0.20)  # FL, FR, RL, RR in the car's grip
WORK_J_PER_M_LAP = 8.8e6  # sliding work of one clean lap, mean of the corners
NOMINAL_LAP_S = 90.5

FRESH, FRESH_LAPS = 0.004, 2.5  # extra grip of an unused tyre
LOSS_PER_LAP, KNEE_LAPS, CLIFF_PER_LAP, CLIFF_WIDTH_LAPS = 0.0011, 32.0, 0.0030, 1.5
LOSS_PER_CYCLE = 0.0018
COLD_LOSS, COLD_SCALE_C, HOT_FROM_C, HOT_LOSS = 2.5, 9.5, 71.0, 1e-4

NEW_TREAD_MM = (4.55, 4.65, 4.60)  # inner, centre, outer
WEAR_MM_PER_LAP = 0.055
WEAR_ACROSS = {"front": (1.02, 0.93, 1.05), "rear": (1.06, 1.00, 0.94)}
BEDDING_LAPS, BEDDING = 3.0, 0.9  # the first laps take this much more

HEAT_C_PER_S = 0.84  # tread heating at the work of an average corner over a clean lap
FLEXING = 0.5  # heat from rolling at 35 m/s, in the same unit
TREAD_TO_AIR_S, TREAD_TO_TRACK_S, TREAD_TO_GAS_S = 75.0, 110.0, 180.0
GAS_FROM_TREAD_S, GAS_TO_AIR_S = 260.0, 800.0
GAS_STEPS = 6  # nodes per step of the heat balance


@dataclass(frozen=True)
class Tyre:
    """One tyre as it is now.

    Attributes
    ----------
    tyre_id : str
    laps, heat_cycles : int
        Laps run, whatever kind; runs it came back from.
    distance_km, work_laps : float
        Distance; sliding work in nominal laps.
    lost_mm : tuple of float
        Tread lost since new at inner, centre and outer.
    rate, offset : float
        This tyre's own wear rate and grip, relative to the make's.
    """

    tyre_id: str
    rate: float
    offset: float
    laps: int = 0
    heat_cycles: int = 0
    distance_km: float = 0.0
    work_laps: float = 0.0
    lost_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def tread_mm(self) -> tuple[float, float, float]:
        """Depth now at inner, centre and outer."""
        inner, centre, outer = (
            new - lost for new, lost in zip(NEW_TREAD_MM, self.lost_mm, strict=True)
        )
        return inner, centre, outer

    def grip(self) -> float:
        """Grip relative to a bedded new tyre at its best temperature."""
        past = (self.work_laps - KNEE_LAPS) / CLIFF_WIDTH_LAPS
        cliff = CLIFF_PER_LAP * CLIFF_WIDTH_LAPS * (math.log1p(math.exp(-abs(past))) + max(past, 0))
        fresh = FRESH * math.exp(-self.work_laps / FRESH_LAPS)
        worn = 1 + fresh - LOSS_PER_LAP * self.work_laps - cliff
        return worn * (1 - LOSS_PER_CYCLE * self.heat_cycles) * self.offset

    def worked(self, work_laps: float, distance_km: float, axle: str, laps: int = 1) -> Tyre:
        """Return the tyre after a lap with this much work on this axle."""
        step = work_laps * self.rate
        before, after = self.work_laps, self.work_laps + step
        bedding = BEDDING * BEDDING_LAPS * (
            math.exp(-before / BEDDING_LAPS) - math.exp(-after / BEDDING_LAPS)
        )  # fmt: skip
        lost = WEAR_MM_PER_LAP * (step + bedding)
        inner, centre, outer = (
            old + lost * across for old, across in zip(self.lost_mm, WEAR_ACROSS[axle], strict=True)
        )
        return replace(
            self,
            laps=self.laps + laps,
            distance_km=self.distance_km + distance_km,
            work_laps=after,
            lost_mm=(inner, centre, outer),
        )

    def cooled(self) -> Tyre:
        """Return the tyre after one more heat cycle."""
        return replace(self, heat_cycles=self.heat_cycles + 1)


@dataclass(frozen=True)
class Heat:
    """Temperatures of the four tyres, FL FR RL RR: ndarray (4,), degC."""

    tread_c: Floats
    gas_c: Floats


def warmth(tread_c: Floats) -> Floats:
    """Return grip relative to a tread neither cold nor overheated; never under 0.8."""
    cold = COLD_LOSS * np.exp(-(tread_c - 20) / COLD_SCALE_C)
    hot = HOT_LOSS * np.maximum(tread_c - HOT_FROM_C, 0.0) ** 2
    return np.maximum(1 - cold - hot, 0.8)


def car_grip(tread_c: Floats, tyres: tuple[Tyre, ...]) -> Floats:
    """Return the car's friction coefficient for tread temperatures (n, 4)."""
    own = np.array([share * tyre.grip() for share, tyre in zip(GRIP_SHARE, tyres, strict=True)])
    weighed = warmth(tread_c) * own
    total: Floats = GRIP * (weighed[:, 0] + weighed[:, 1] + weighed[:, 2] + weighed[:, 3])
    return total


def warmed(
    heat: Heat, work_j_per_m: Floats, speed_mps: Floats, step_s: Floats, air: Air
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return tread and gas temperatures (n + 1, 4) along n steps, from a start.

    Two-node heat balance per tyre: sliding work heats the tread; it loses heat to the air, the
    track and the gas inside. Explicit steps of `GAS_STEPS` nodes.
    """
    count = len(step_s)
    edges = np.append(np.arange(0, count, GAS_STEPS), count)
    seconds = np.concatenate([[0.0], np.cumsum(step_s)])
    power = work_j_per_m * speed_mps[:, None] * (NOMINAL_LAP_S / WORK_J_PER_M_LAP)
    power = power + FLEXING * speed_mps[:, None] / 35.0
    joules = np.concatenate([np.zeros((1, 4)), np.cumsum(power * step_s[:, None], axis=0)])
    blown = 0.25 + 0.75 * speed_mps / 35.0
    windy = np.concatenate([[0.0], np.cumsum(blown * step_s)])
    rolled = 0.15 + 0.85 * np.minimum(speed_mps / 20.0, 1.0)  # parked, only the contact patch
    touching = np.concatenate([[0.0], np.cumsum(rolled * step_s)])
    tread, gas = [heat.tread_c], [heat.gas_c]
    for start, end in pairwise(edges.tolist()):
        dt, wind = float(seconds[end] - seconds[start]), float(windy[end] - windy[start])
        now, inside = tread[-1], gas[-1]
        gained = HEAT_C_PER_S * (joules[end] - joules[start])
        lost = wind * (now - air.air_c) / TREAD_TO_AIR_S + dt * (now - inside) / TREAD_TO_GAS_S
        touched = float(touching[end] - touching[start])
        lost = lost + touched * (now - air.track_c) / TREAD_TO_TRACK_S
        inner = dt * (now - inside) / GAS_FROM_TREAD_S - wind * (inside - air.air_c) / GAS_TO_AIR_S
        tread.append(now + gained - lost)
        gas.append(inside + inner)
    at = np.arange(count + 1)
    return _between(at, edges, np.array(tread)), _between(at, edges, np.array(gas))


def _between(at: NDArray[np.int64], edges: NDArray[np.int64], values: Floats) -> Floats:
    return np.stack([np.interp(at, edges, values[:, i]) for i in range(4)], axis=1)


def parked(heat: Heat, seconds: float, air: Air) -> Heat:
    """Return temperatures after standing still for some time."""
    steps = max(1, round(seconds / 2))
    still = np.zeros((steps * GAS_STEPS, 4))
    step_s = np.full(steps * GAS_STEPS, seconds / steps / GAS_STEPS)
    tread, gas = warmed(heat, still, still[:, 0], step_s, air)
    return Heat(tread[-1], gas[-1])


def hot_bar(cold_bar: float, cold_c: float, gas_c: Number, air: Air) -> Number:
    """Return gauge pressure at a gas temperature, by the gas law at constant volume."""
    ambient = air.pressure_hpa / 1000
    return (cold_bar + ambient) * (gas_c + ZERO_C_K) / (cold_c + ZERO_C_K) - ambient
