"""A small track and car with known lap times, to make logs from: independent of the demo's."""

import gzip
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from tyrekit.record.event import Circuit, Event, Session, StartFinish, parse_event

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
            "longitude_deg": LONGITUDE + east / METRES_PER_DEG / np.cos(np.radians(LATITUDE)),
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


EVENT = f"""
[event]
name = "Test meeting"  # invented
timezone = "Europe/London"
cars = 20
[circuit]
length_m = {LENGTH_M:.1f}
pit_loss_s = 25.0
start_finish = {{ latitude_deg = {LATITUDE}, longitude_deg = {LONGITUDE}, heading_deg = {HEADING} }}
[car]
number = "7"
mass_kg = 1100.0
ballast_kg = 10.0
ballast_limit_kg = 60.0
minimum_mass_kg = 1180.0
wheelbase_m = 2.6
track_front_m = 1.5
track_rear_m = 1.5
centre_of_gravity_height_m = 0.5
front_mass_pct = 60.0
roll_stiffness_front_pct = 55.0
[[driver]]
name = "A"
mass_kg = 80.0
[fuel]
tank_l = 50.0
unusable_l = 2.0
density_kg_per_l = 0.75
sample_l = 1.0
shortfall_risk = 0.005
flow_scale = {{ mean = 1.02, sd = 0.04 }}
[tyres]
minimum_tread_mm = 1.6
hot_target_bar = {{ front = 2.1, rear = 2.0 }}
cold_minimum_bar = 1.4
[[session]]
id = "P1"
kind = "practice"
start = "2026-05-16T09:00:00"
minutes = 30
planned_laps = 9
value = 0.0
[[session]]
id = "Q"
kind = "qualifying"
start = "2026-05-16T12:00:00"
minutes = 15
value = 0.5
[[session]]
id = "R1"
kind = "race"
start = "2026-05-17T10:00:00"
laps = 6
formation_laps = 1
cool_down_laps = 1
value = 1.0
[log]
time = {{ column = "Clock", unit = "ms" }}
latitude = {{ column = "Lat" }}
longitude = {{ column = "Lon" }}
speed = {{ column = "Velocity", unit = "km/h" }}
fuel_flow = {{ column = "Flow", unit = "l/min" }}
"""
TYRES = """tyre_id,spec,new,marked,age_laps,distance_km,heat_cycles,tread_mm,axle,side,note
N1,hard,1,1,0,0,0,6.0,,,
N2,hard,1,1,0,0,0,6.0,,,
N3,hard,1,1,0,0,0,6.0,,,
N4,hard,1,1,0,0,0,6.0,,,
007,hard,0,1,12,30.0,2,,front,left,from the last event
008,hard,0,1,12,30.0,2,,front,right,
009,hard,0,1,10,25.0,2,,rear,left,
010,hard,0,1,10,25.0,2,,rear,right,
"""
RUNS = """run_id,session,driver,start,fl,fr,rl,rr,fuel_start_kg,cold_fl_bar,cold_fr_bar,log
P1-1,P1,A,2026-05-16T09:02:00,007,008,009,010,20.0,1.70,1.75,P1-1.csv
P1-2,P1,A,2026-05-16T09:16:00,N1,N2,N3,N4,14.0,1.70,1.75,P1-2.csv.gz
"""
TREAD = """taken_at,tyre_id,after_run,inner_mm,centre_mm,outer_mm
2026-05-16T08:00:00,007,,4.1,4.3,4.2
2026-05-16T09:13:00,007,P1-1,3.8,4.0,3.9
2026-05-16T08:05:00,N1,,6.0,6.1,6.05
"""
PRESSURES = """taken_at,run_id,corner,hot_bar,after_laps
2026-05-16T09:12:30,P1-1,FL,2.05,
2026-05-16T09:12:40,P1-1,fr,2.07,5
"""
WEATHER = """taken_at;air_c;track_c;rain
2026-05-16T09:00:00;15,0;20,0;dry
2026-05-16T09:30:00;18,0;26,0;dry
"""


def session(kind: str = "practice", **changes: object) -> Session:
    """A session to cut a run for."""
    start = datetime(2026, 5, 16, 9, tzinfo=UTC)
    given: dict[str, object] = {"minutes": 30.0} if kind != "race" else {}
    return Session.model_validate(
        {"id": "S", "kind": kind, "start": start, "value": 1.0, **given, **changes}
    )


def practice_run(flying: int, box_m: float = -220.0, scale: float = 1.0) -> Drive:
    """Out of the box, some flying laps each 0.3 % slower, in again."""
    drive = Drive(box_m=box_m).stand(15).to(box_m + 150, speed_mps=PIT_MPS)
    for lap in range(flying + 1):
        drive.to((lap + 1) * LENGTH_M - 20, scale=scale * (1 - 0.003 * lap))
    drive.to((flying + 2) * LENGTH_M + box_m - 150, scale=0.9)
    return drive.to((flying + 2) * LENGTH_M + box_m, speed_mps=PIT_MPS).stand(20)


def logger_text(channels: pd.DataFrame) -> str:
    """An export of an invented logger: a few lines about it, names, units, rows."""
    named = pd.DataFrame(
        {
            "Clock": (channels["time_s"] * 1000).map("{:.0f}".format),
            "Velocity": (channels["speed_mps"] * 3.6).map("{:.3f}".format),
            "Lat": channels["latitude_deg"].map("{:.8f}".format),
            "Lon": channels["longitude_deg"].map("{:.8f}".format),
            "Comment": "x",
            "Flow": (channels["fuel_flow_l_per_h"] / 60).map("{:.6f}".format),
        }
    )
    units = "ms,km/h,deg,deg,,l/min"
    rows = named.to_csv(index=False, lineterminator="\n").split("\n", 1)
    return f"Invented logger\nCar,7\n\n{rows[0]}\n{units}\n{rows[1]}"


@pytest.fixture(scope="session")
def weekend_files() -> dict[str, bytes]:
    """A weekend after P1: two runs of four flying laps, on used tyres and on new ones."""
    logs = [logger_text(practice_run(4, scale=scale).log()) for scale in (1.0, 1.01)]
    return {
        "event.toml": EVENT.encode(),
        "book/tyres.csv": TYRES.encode(),
        "book/runs.csv": RUNS.encode(),
        "book/tread.csv": TREAD.encode(),
        "book/pressures.csv": PRESSURES.encode(),
        "book/weather.csv": WEATHER.encode(),
        "logs/P1-1.csv": logs[0].encode(),
        "logs/P1-2.csv.gz": gzip.compress(logs[1].encode(), mtime=0),
    }


@pytest.fixture
def folder(tmp_path: Path, weekend_files: dict[str, bytes]) -> Path:
    """The weekend's files, fresh for each test."""
    for name, data in weekend_files.items():
        path = tmp_path / "meeting" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    return tmp_path / "meeting"


@pytest.fixture
def edit(folder: Path) -> Callable[..., None]:
    """Change a file of the weekend: replace text (which must be there), or write it anew."""

    def change(name: str, old: str = "", new: str = "", *, whole: str | None = None) -> None:
        path = folder / name
        text = path.read_text(encoding="utf-8") if whole is None else ""
        assert whole is not None or old in text
        path.parent.mkdir(exist_ok=True)
        path.write_text(whole if whole is not None else text.replace(old, new, 1), "utf-8")

    return change


@pytest.fixture
def event() -> Event:
    return parse_event(EVENT)


@pytest.fixture
def event_text() -> str:
    return EVENT


@pytest.fixture(scope="session")
def track() -> SimpleNamespace:
    """What tests need of the track and its driver."""
    return SimpleNamespace(
        circuit=circuit(), length_m=float(LENGTH_M), pit_mps=PIT_MPS, drive=Drive,
        practice_run=practice_run, session=session, logger_text=logger_text,
    )  # fmt: skip
