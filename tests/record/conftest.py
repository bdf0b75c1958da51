"""A small track and car with known lap times, to make logs from: independent of the demo's."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from tyrekit.record.event import Circuit, StartFinish

STRAIGHT_M, RADIUS_M = 900.0, 120.0  # two straights joined by half circles
LENGTH_M = 2 * STRAIGHT_M + 2 * np.pi * RADIUS_M
LINE_M = 550.0  # the start/finish line on the first straight
FAST_MPS, SLOW_MPS, PIT_MPS = 52.0, 27.0, 16.0
LATITUDE, LONGITUDE, HEADING = 52.1, -0.4, 60.0
METRES_PER_DEG = 111_195.0  # a sphere of 6371 km: coarser than the kit's own ellipsoid

FloatArray = NDArray[np.float64]


def circuit() -> Circuit:
    line = StartFinish(
        latitude_deg=LATITUDE, longitude_deg=LONGITUDE, heading_deg=HEADING, width_m=30.0
    )
    return Circuit(length_m=float(LENGTH_M), pit_loss_s=25.0, start_finish=line)


def place(run_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Metres along and to the right of the line's heading, from metres run past the line."""
    s = np.mod(run_m + LINE_M, LENGTH_M)
    half = np.pi * RADIUS_M
    on = [s < STRAIGHT_M, s < STRAIGHT_M + half, s < 2 * STRAIGHT_M + half]
    a, b = (s - STRAIGHT_M) / RADIUS_M, (s - 2 * STRAIGHT_M - half) / RADIUS_M
    along = np.select(
        on,
        [s, STRAIGHT_M + RADIUS_M * np.sin(a), 2 * STRAIGHT_M + half - s],
        -RADIUS_M * np.sin(b),
    )
    right = np.select(
        on,
        [0 * s, RADIUS_M * (1 - np.cos(a)), 0 * s + 2 * RADIUS_M],
        RADIUS_M * (1 + np.cos(b)),
    )
    return along - LINE_M, right


def pace(run_m: FloatArray) -> FloatArray:
    """Speed on a flying lap: fast on the straights, slow in the bends, smooth between."""
    s = np.mod(run_m + LINE_M, LENGTH_M)
    half = np.pi * RADIUS_M
    bends = [(STRAIGHT_M, STRAIGHT_M + half), (2 * STRAIGHT_M + half, LENGTH_M)]
    inside = np.zeros_like(s)
    for start, end in bends:
        for shift in (-LENGTH_M, 0.0, LENGTH_M):
            inside += 0.5 * (
                np.tanh((s - start + shift + 60) / 60) - np.tanh((s - end + shift - 60) / 60)
            )
    return FAST_MPS - (FAST_MPS - SLOW_MPS) * np.clip(inside, 0, 1)


@dataclass
class Drive:
    """A run built leg by leg; `crossed_s` are the true times over the line."""

    box_m: float = -200.0
    step_s: float = 0.01
    run_m: float = field(init=False)
    time_s: float = 0.0
    times: list[FloatArray] = field(default_factory=list)
    runs: list[FloatArray] = field(default_factory=list)
    crossed_s: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.run_m = self.box_m

    def stand(self, seconds: float) -> "Drive":
        n = round(seconds / self.step_s)
        self._add(np.full(n, self.run_m))
        return self

    def to(self, run_m: float, scale: float = 1.0, speed_mps: float | None = None) -> "Drive":
        """Drive on to a distance past the line, at `scale` of the flying pace or one speed."""
        grid = np.arange(self.run_m, run_m + 0.25, 0.25)
        v = np.full(len(grid), speed_mps) if speed_mps else pace(grid) * scale
        t = np.concatenate([[0.0], np.cumsum(0.25 / (0.5 * (v[1:] + v[:-1])))])
        self._add(np.interp(np.arange(0.0, t[-1], self.step_s), t, grid))
        laps = np.arange(np.ceil(grid[0] / LENGTH_M), np.ceil(grid[-1] / LENGTH_M))
        begun = self.time_s - len(self.times[-1]) * self.step_s
        self.crossed_s += [begun + float(np.interp(k * LENGTH_M, grid, t)) for k in laps]
        self.run_m = float(run_m)
        return self

    def _add(self, run: FloatArray) -> None:
        self.times.append(self.time_s + self.step_s * np.arange(len(run)))
        self.runs.append(run)
        self.time_s += self.step_s * len(run)

    def log(
        self,
        rate_hz: float = 10.0,
        rng: np.random.Generator | None = None,
        white_m: float = 0.0,
        wander_m: float = 0.0,
        speed: bool = True,
    ) -> pd.DataFrame:
        """Channels at a rate, positions with white noise and noise that wanders over 15 s."""
        time, run = np.concatenate(self.times), np.concatenate(self.runs)
        t = np.arange(0.0, time[-1], 1 / rate_hz)
        at = np.interp(t, time, run)
        along, right = place(at)
        if rng is not None:
            along = along + _noise(rng, t, white_m, wander_m)
            right = right + _noise(rng, t, white_m, wander_m)
        turn = np.radians(HEADING)
        north = along * np.cos(turn) - right * np.sin(turn)
        east = along * np.sin(turn) + right * np.cos(turn)
        data = {
            "time_s": t,
            "latitude_deg": LATITUDE + north / METRES_PER_DEG,
            "longitude_deg": LONGITUDE
            + east / METRES_PER_DEG / np.cos(np.radians(LATITUDE)),
            "fuel_flow_l_per_h": 6.0 + 1.2 * np.gradient(at, t),
        }
        if speed:
            data["speed_mps"] = np.gradient(at, t)
        return pd.DataFrame(data)


def _noise(rng: np.random.Generator, t: FloatArray, white_m: float, wander_m: float) -> FloatArray:
    dt = t[1] - t[0]
    keep = np.exp(-dt / 15.0)
    shocks = rng.normal(size=len(t)) * np.sqrt(1 - keep**2)
    wander = np.empty(len(t))
    wander[0] = rng.normal()
    for i in range(1, len(t)):
        wander[i] = keep * wander[i - 1] + shocks[i]
    return wander_m * wander + white_m * rng.normal(size=len(t))


@pytest.fixture
def drive():
    return Drive


@pytest.fixture
def track():
    return circuit()
