"""Driving: one lap at a time, speed and tyres together, and what a run leaves behind."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from tyrekit.demo import car, track
from tyrekit.demo.car import Air, Floats, Forces
from tyrekit.demo.tyre import WORK_J_PER_M_LAP, Heat, Tyre, car_grip, warmed

LOOK_AHEAD = 110  # nodes driven past the end of a lap, to see the braking for the first corner
NO_CAP_MPS = 90.0
PIT_SPEED_MPS = 60 / 3.6
AXLES = ("front", "front", "rear", "rear")
PASSES = 3  # speed, then heat, then speed again


@dataclass(frozen=True)
class State:
    """The car between two laps.

    Attributes
    ----------
    speed_mps, fuel_kg : float
    heat : Heat
    tyres : tuple of Tyre
        FL, FR, RL, RR.
    """

    speed_mps: float
    fuel_kg: float
    heat: Heat
    tyres: tuple[Tyre, ...]


@dataclass(frozen=True)
class Stretch:
    """A piece of path to drive, from one node to another; nodes may lie outside one lap.

    Attributes
    ----------
    first, last : int
        Nodes; 0 and `track.NODES` are the start line.
    distance_m, offset_m, curvature, cap_mps : ndarray (n + 1,)
        Distance from the start line, offset to the right, per metre, speed limit.
    step_m : ndarray (n,)
        Length of each step on the path.
    stops : bool
        The car stands at the end.
    """

    first: int
    last: int
    distance_m: Floats
    offset_m: Floats
    curvature: Floats
    cap_mps: Floats
    step_m: Floats
    stops: bool


@dataclass(frozen=True)
class Effort:
    """How a stretch is driven, node by node.

    Attributes
    ----------
    grip : ndarray (n + 1,)
        Share of the tyres' grip that is there and used.
    cap_mps : ndarray (n + 1,)
        Speed not passed, for cautions and traffic.
    drive : ndarray (n,)
        Share of engine power used.
    """

    grip: Floats
    cap_mps: Floats
    drive: Floats


@dataclass(frozen=True)
class Driven:
    """One stretch as driven: nodes (n + 1,), steps (n,)."""

    stretch: Stretch
    speed_mps: Floats
    forces: Forces
    tread_c: Floats
    gas_c: Floats
    end: State = field(repr=False)

    @property
    def time_s(self) -> float:
        """Time over the whole stretch."""
        return float(np.cumsum(self.forces.step_s)[-1])


def stretch(first: int, last: int, *, pit_out: bool = False, pit_in: bool = False) -> Stretch:
    """Return the path between two nodes, through the pit lane at either end if asked.

    A stretch that ends in the pits, or short of the line (the grid), ends standing still.
    """
    nodes = np.arange(first, last + LOOK_AHEAD + 1)
    distance_m = nodes.astype(np.float64) * track.NODE_M
    offset_m = np.zeros(len(nodes))
    cap = np.full(len(nodes), NO_CAP_MPS)
    for wanted, origin_m in ((pit_out, 0.0), (pit_in, track.LENGTH_M)):
        if wanted:
            offset_m = offset_m + track.pit_offset_m(distance_m - origin_m)
    cap[offset_m > 0.5 * track.PIT_OFFSET_M] = PIT_SPEED_MPS
    curvature = track.fenmoor().curvature_per_m[nodes % track.NODES]
    bent = np.zeros(len(nodes))
    bent[1:-1] = (offset_m[2:] - 2 * offset_m[1:-1] + offset_m[:-2]) / track.NODE_M**2
    stops = pit_in or last % track.NODES != 0
    keep = last - first + (0 if stops else LOOK_AHEAD)
    step_m = np.hypot(track.NODE_M, np.diff(offset_m))[:keep]
    cut = slice(0, keep + 1)
    bend = (curvature + bent)[cut]
    return Stretch(first, last, distance_m[cut], offset_m[cut], bend, cap[cut], step_m, stops)


def drive(
    state: State,
    path: Stretch,
    effort: Effort,
    mass_kg: float,
    air: Air,
    scrub: tuple[float, ...] = (1.0, 1.0, 1.0, 1.0),
) -> Driven:
    """Return the stretch driven from `state`.

    `mass_kg` is the car without fuel; `scrub` is how much more work the driver puts through
    FL, FR, RL, RR than the line needs.
    """
    mass_kg = mass_kg + state.fuel_kg
    load = (mass_kg / 1560.0) ** -car.LOAD_SENSITIVITY
    cap = np.minimum(path.cap_mps, effort.cap_mps)
    cap = np.maximum(cap, _slowing(state.speed_mps, path.step_m))
    exit_mps = 0.0 if path.stops else None
    tread = np.repeat(state.heat.tread_c[None, :], len(cap), axis=0)
    for _ in range(PASSES):
        grip = car_grip(tread, state.tyres) * effort.grip * load
        speed = car.fastest(
            state.speed_mps, exit_mps, path.step_m, path.curvature, grip, cap, effort.drive,
            mass_kg, air,
        )  # fmt: skip
        speed = _smoothed(speed)
        done = car.forces(speed, path.step_m, path.curvature, mass_kg, air)
        done = replace(done, work_j_per_m=done.work_j_per_m * np.array(scrub))
        middle = (speed[1:] + speed[:-1]) / 2
        tread, gas = warmed(state.heat, done.work_j_per_m, middle, done.step_s, air)
    return _cut(state, path, speed, done, tread, gas)


def _slowing(entry_mps: float, step_m: Floats) -> Floats:
    """Speed that a driver lifting gently from `entry_mps` still has: a cap bites no harder."""
    gone = np.concatenate([[0.0], np.cumsum(step_m)])
    return np.sqrt(np.maximum(entry_mps**2 - 2 * 3.0 * gone, 0.0))


def _smoothed(speed: Floats) -> Floats:
    """Round the switch from throttle to brake, which no foot makes in 3 m."""
    kernel = np.array([1.0, 2.0, 3.0, 2.0, 1.0]) / 9.0
    rounded = np.convolve(speed, kernel, mode="same")
    inside = np.zeros(len(speed), dtype=bool)
    inside[2:-2] = True
    slow = np.minimum.reduce([np.roll(speed, shift) for shift in (-2, -1, 0, 1, 2)]) < 9.0
    return np.where(inside & ~slow, rounded, speed)


def _cut(
    state: State, path: Stretch, speed: Floats, done: Forces, tread: Floats, gas: Floats
) -> Driven:
    """Drop the look-ahead and return the lap with the state it ends in."""
    count = path.last - path.first
    arrays = {name: getattr(done, name)[:count] for name in done.__dataclass_fields__}
    done = Forces(**arrays)
    path = replace(
        path,
        distance_m=path.distance_m[: count + 1],
        offset_m=path.offset_m[: count + 1],
        curvature=path.curvature[: count + 1],
        cap_mps=path.cap_mps[: count + 1],
        step_m=path.step_m[:count],
    )
    burnt = float(np.cumsum(done.fuel_kg_per_s * done.step_s)[-1])
    work = np.cumsum(done.work_j_per_m * path.step_m[:, None], axis=0)[-1] / WORK_J_PER_M_LAP
    distance_km = float(np.cumsum(path.step_m)[-1]) / 1000
    tyres = tuple(
        tyre.worked(float(work[i]), distance_km, AXLES[i]) for i, tyre in enumerate(state.tyres)
    )
    end = State(float(speed[count]), state.fuel_kg - burnt, Heat(tread[count], gas[count]), tyres)
    return Driven(path, speed[: count + 1], done, tread[: count + 1], gas[: count + 1], end)


def even(path: Stretch, grip: float = 1.0, drive: float = 1.0, cap_mps: float = 90.0) -> Effort:
    """Return an effort that is the same at every node."""
    nodes = len(path.distance_m)
    return Effort(np.full(nodes, grip), np.full(nodes, cap_mps), np.full(nodes - 1, drive))


def corner_of(path: Stretch) -> NDArray[np.int64]:
    """Return the number of the nearest corner at each node of a path."""
    nodes = np.arange(path.first, path.first + len(path.distance_m))
    return track.fenmoor().corner[nodes % track.NODES]
