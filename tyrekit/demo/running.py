"""Whole runs: out of the pits (or off the grid), laps with their luck, and back in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tyrekit.demo import car, track
from tyrekit.demo.car import Air, Floats
from tyrekit.demo.drive import Driven, Effort, State, Stretch, corner_of, drive, even, stretch
from tyrekit.demo.tyre import Heat, Tyre, parked

BOX, GRID = round(track.BOX_M / track.NODE_M), round(track.GRID_M / track.NODE_M)
CAUTION_MPS, WEAVING, WEAVE_M = 23.0, 0.14, 170.0
FORMATION_MPS, COOL_DOWN_MPS = 28.0, 38.0
IDLE_KG_PER_S = car.IDLE_G_PER_S / 1000
MISTAKE_GRIP, MISTAKE_DRIVE = 0.80, 0.55


@dataclass(frozen=True)
class Driver:
    """How somebody drives.

    Attributes
    ----------
    name : str
    mass_kg : float
    pace : float
        Share of the grip used on an ordinary lap.
    corner_sd, lap_sd : float
        Spread of that share from corner to corner and lap to lap; laps are correlated.
    scrub : tuple of float
        Work put through FL, FR, RL, RR relative to what the line needs.
    """

    name: str
    mass_kg: float
    pace: float
    corner_sd: float
    lap_sd: float
    scrub: tuple[float, float, float, float]


@dataclass(frozen=True)
class Luck:
    """What happens to one lap: traffic from node to node at a share of own speed; a mistake."""

    traffic: tuple[int, int, float] | None = None
    mistake_corner: int | None = None
    caution_from: int | None = None


@dataclass(frozen=True)
class LapTruth:
    """What is true of one lap, at its start unless said.

    Attributes
    ----------
    kind : str
    lap : int
        Within the run, from 1.
    start_s, end_s : float
        Since the start of the log; the line, or where the car stands.
    clean_s : float or None
        The same lap with an ordinary lap's share of grip, no traffic, no mistake.
    fuel_kg, fuel_used_kg : float
    tyres : tuple of Tyre
        FL, FR, RL, RR at the start.
    luck : Luck
    """

    kind: str
    lap: int
    start_s: float
    end_s: float
    clean_s: float | None
    fuel_kg: float
    fuel_used_kg: float
    tyres: tuple[Tyre, ...]
    luck: Luck


@dataclass(frozen=True)
class Trace:
    """A run step by step: edges (n + 1,), steps (n,)."""

    elapsed_s: Floats
    line_m: Floats
    offset_m: Floats
    speed_mps: Floats
    gas_c: Floats
    throttle_pct: Floats
    brake_n: Floats
    lat_mps2: Floats
    engine_rpm: Floats
    gear: NDArray[np.int64]
    power_w: Floats
    fuel_kg_per_s: Floats
    traffic: Floats
    laps: tuple[LapTruth, ...]
    end: State
    air: Air


class _Recorder:
    """Collects steps while a run is driven."""

    def __init__(self, state: State, air: Air, at_m: float, offset_m: float, racing: bool) -> None:
        self.state, self.air, self.racing = state, air, racing
        self.elapsed_s, self.line_m, self.offset_m = 0.0, at_m, offset_m
        edges = [[0.0], [at_m], [offset_m], [state.speed_mps]]
        self.edges = [[np.array(first)] for first in edges]
        self.gas = [state.heat.gas_c[None, :]]
        self.steps: list[list[Floats]] = [[] for _ in range(8)]
        self.laps: list[LapTruth] = []

    def stand(self, seconds: float) -> None:
        """Stand still with the engine idling."""
        count = max(1, round(seconds / 0.5))
        ones = np.ones(count)
        flow = IDLE_KG_PER_S * ones
        times = self.elapsed_s + np.arange(1, count + 1, dtype=np.float64) * (seconds / count)
        heat = parked(self.state.heat, seconds, self.air)
        share = (np.arange(1, count + 1) / count)[:, None]
        gas = self.state.heat.gas_c + share * (heat.gas_c - self.state.heat.gas_c)
        none = 0 * ones
        still = [none, 2500 * ones, none, car.IDLE_RPM * ones, none, none, flow, none]
        self._add(times, self.line_m * ones, self.offset_m * ones, none, gas, still)
        left_kg = self.state.fuel_kg - IDLE_KG_PER_S * seconds
        self.state = replace(self.state, heat=heat, fuel_kg=left_kg, speed_mps=0.0)

    def follow(self, done: Driven, traffic: Floats) -> None:
        """Take over a driven stretch."""
        f = done.forces
        times = self.elapsed_s + np.cumsum(f.step_s)
        base = self.line_m - done.stretch.distance_m[0]
        self._add(
            times, base + done.stretch.distance_m[1:],
            done.stretch.offset_m[1:], done.speed_mps[1:], done.gas_c[1:],
            [f.throttle_pct, f.brake_n, f.lat_mps2, f.engine_rpm, f.gear.astype(float), f.power_w,
             f.fuel_kg_per_s, traffic],
        )  # fmt: skip
        self.state = done.end

    def _add(
        self, times: Floats, line_m: Floats, offset_m: Floats, speed: Floats, gas: Floats,
        steps: list[Floats],
    ) -> None:  # fmt: skip
        for column, values in zip(self.edges, (times, line_m, offset_m, speed), strict=True):
            column.append(values)
        for column, values in zip(self.steps, steps, strict=True):
            column.append(values)
        self.gas.append(gas)
        self.elapsed_s, self.line_m = float(times[-1]), float(line_m[-1])
        self.offset_m = float(offset_m[-1])

    def trace(self) -> Trace:
        """Return everything recorded."""
        elapsed, line, offset, speed = (np.concatenate(column) for column in self.edges)
        throttle, brake, lat, rpm, gear, power, fuel, traffic = (
            np.concatenate(column) for column in self.steps
        )
        return Trace(
            elapsed, line, offset, speed, np.concatenate(self.gas), throttle, brake, lat, rpm,
            gear.astype(np.int64), power, fuel, traffic, tuple(self.laps), self.state, self.air,
        )  # fmt: skip


@dataclass(frozen=True)
class Conditions:
    """What a run is driven in: air, and grip of the track and of the day relative to the best."""

    air: Air
    grip: float


def run(
    driver: Driver,
    tyres: tuple[Tyre, ...],
    fuel_kg: float,
    kinds: tuple[str, ...],
    luck: dict[int, Luck],
    conditions: Conditions,
    rng: np.random.Generator,
) -> Trace:
    """Drive a run and return its trace; `kinds` are its laps in order."""
    air = conditions.air
    cold = np.full(4, air.air_c)
    from_grid = kinds[0] == "formation"
    at_m, offset = (track.GRID_M, 0.0) if from_grid else (track.BOX_M, track.PIT_OFFSET_M)
    racing = from_grid or kinds[-1] == "cool_down"
    recorder = _Recorder(State(0.0, fuel_kg, Heat(cold, cold), tyres), air, at_m, offset, racing)
    recorder.stand(before_leaving_s(kinds))
    form = 0.0
    for number, kind in enumerate(kinds, start=1):
        form = 0.35 * form + float(rng.normal(0.0, driver.lap_sd)) * (1 - 0.35**2) ** 0.5
        shares = 1 + form + rng.normal(0.0, driver.corner_sd, len(track.CORNERS))
        met = luck.get(number, Luck())
        _lap(recorder, driver, number, kind, met, conditions.grip, shares)
    recorder.stand(6.0)
    return recorder.trace()


def before_leaving_s(kinds: Sequence[str]) -> float:
    """Return how long the logger is on before the car moves off."""
    return 8.0 if kinds[0] == "formation" else 12.0


def _lap(
    recorder: _Recorder, driver: Driver, number: int, kind: str, luck: Luck, grip: float,
    shares: Floats,
) -> None:  # fmt: skip
    """Drive one lap with this share of the grip in each corner; write down what is true of it."""
    before, start_s = recorder.state, recorder.elapsed_s
    path = _path(kind, before.speed_mps == 0.0)
    mass_kg = car.MASS_KG + car.BALLAST_KG + driver.mass_kg
    plain = _effort(path, kind, driver.pace * grip, recorder.racing)
    clean = None
    if kind == "timed":
        clean = drive(before, path, plain, mass_kg, recorder.air, driver.scrub)
    used = plain.grip * shares[corner_of(path)].clip(0.9, 1.03)
    effort = _unlucky(replace(plain, grip=used), path, luck, clean)
    done = drive(before, path, effort, mass_kg, recorder.air, driver.scrub)
    recorder.follow(done, (effort.cap_mps[: len(done.forces.step_s)] < 80.0).astype(float))
    if kind == "formation":
        recorder.stand(26.0)
    burnt_kg = before.fuel_kg - recorder.state.fuel_kg
    recorder.laps.append(
        LapTruth(kind, number, start_s, recorder.elapsed_s, clean.time_s if clean else None,
                 before.fuel_kg, burnt_kg, before.tyres, luck)
    )  # fmt: skip


def _path(kind: str, standing: bool) -> Stretch:
    if kind == "out":
        return stretch(BOX, track.NODES, pit_out=True)
    if kind == "formation":
        return stretch(GRID, track.NODES + GRID)
    last = track.NODES + BOX if kind in ("in", "cool_down") else track.NODES
    return stretch(GRID if standing else 0, last, pit_in=last > track.NODES)


def _effort(path: Stretch, kind: str, grip: float, racing: bool) -> Effort:
    """Return how a lap of this kind is driven; in a race nobody idles to or from the pits."""
    if kind == "timed" or (racing and kind in ("in", "out")):
        return even(path, grip)
    if kind == "out":
        return even(path, 0.93 * grip, 0.93)
    if kind == "in":
        return even(path, 0.90 * grip, 0.85)
    slow = FORMATION_MPS if kind == "formation" else COOL_DOWN_MPS
    wave = 1 + (WEAVING * np.sin(2 * np.pi * path.distance_m / WEAVE_M) if slow < 30 else 0.0)
    calm = even(path, 0.75 * grip, 0.6)
    return replace(calm, cap_mps=slow * wave * np.ones(len(path.distance_m)))


def _unlucky(effort: Effort, path: Stretch, luck: Luck, clean: Driven | None) -> Effort:
    """Apply traffic, a mistake and a caution to an effort."""
    grip, cap, power = effort.grip.copy(), effort.cap_mps.copy(), effort.drive.copy()
    nodes = np.arange(path.first, path.first + len(cap))
    if luck.traffic is not None and clean is not None:
        first, last, share = luck.traffic
        own = np.append(clean.speed_mps, np.full(len(cap) - len(clean.speed_mps), 90.0))
        cap = np.where((nodes >= first) & (nodes < last), np.minimum(cap, share * own), cap)
    if luck.mistake_corner is not None:
        there = corner_of(path) == luck.mistake_corner
        grip = np.where(there, grip * MISTAKE_GRIP, grip)
        power = np.where(there[:-1], power * MISTAKE_DRIVE, power)
    if luck.caution_from is not None:
        wave = 1 + WEAVING * np.sin(2 * np.pi * path.distance_m / WEAVE_M)
        held = (nodes >= luck.caution_from) & (nodes < track.NODES)
        cap = np.where(held, CAUTION_MPS * wave, cap)
        power = np.where(held[:-1], power * 0.7, power)
    return Effort(grip, cap, power)
