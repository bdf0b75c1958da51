"""Invented sessions timed twice, by a logger and by officials, with known clocks between them.

    python tests/study_timing.py [WEEKENDS]

Kind of every figure: simulated truth. A weekend is one qualifying and one race with a stop (or
either alone); laps scatter by about half a second, a caution slows some. The logger's clock has a
known offset and drift, its crossings a stated error; either side may lack a lap. The file in
timing/ is written as text and read by the kit. Printed: whether every lap was given its right
official number, how far the offset and the drift are off and how often the stated interval holds
them, and how often the doubt about the clock is raised.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from tyrekit.record.doubts_clock import clock_drift
from tyrekit.record.event import Event, parse_event
from tyrekit.record.official import read_official
from tyrekit.record.running import Ran, no_laps
from tyrekit.record.timing import Timed, timed

EVENT = """
[event]
name = "Test meeting"  # invented
timezone = "Europe/London"
[circuit]
length_m = 3000.0
pit_loss_s = 25.0
[car]
number = "07"
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
[tyres]
minimum_tread_mm = 1.6
hot_target_bar = { front = 2.1, rear = 2.0 }
cold_minimum_bar = 1.4
[[session]]
id = "Q"
kind = "qualifying"
start = "2026-05-16T12:00:00"
minutes = 15
value = 0.5
[[session]]
id = "R"
kind = "race"
start = "2026-05-17T10:00:00"
laps = 16
formation_laps = 1
cool_down_laps = 1
value = 1.0
"""


@dataclass(frozen=True)
class Clocks:
    """How a weekend is timed: drift, the logger's error, what officials publish, what lacks."""

    drift_ppm: float = 0.0
    error_s: float = 0.018  # of one crossing: position at 10 Hz
    step_s: float = 0.001
    passing: bool = True
    sessions: tuple[str, ...] = ("Q", "R")
    official_lacks: int = 0
    logger_misses: int = 0
    scatter_s: float = 0.5


@dataclass
class Simulated:
    """A weekend as read, and what is true: when official laps end in each run, the offsets."""

    ends_s: dict[str, dict[int, float]]
    offset_s: dict[str, float]
    offset_known: bool
    drift: float
    timed: Timed = field(init=False)
    raised: tuple[Any, ...] = ()


def simulate(clocks: Clocks, rng: np.random.Generator, folder: Path) -> Simulated:
    """Return one weekend, its official times written into folder/timing and read from there."""
    event = parse_event(EVENT)
    (folder / "timing").mkdir(parents=True, exist_ok=True)
    found = Simulated({}, {}, clocks.passing, clocks.drift_ppm * 1e-6)
    ran: list[Ran] = []
    for session in clocks.sessions:
        rows: list[tuple[int, float, Any]] = []
        for run in _runs(session, event, rng, rows, clocks):
            found.ends_s[run.run_id] = run.ends_s
            found.offset_s[run.run_id] = (run.moved - run.sheet).total_seconds()
            ran.append(_ran(run.run_id, session, _logged(run, clocks, rng), run.sheet))
        _write(folder / "timing" / f"{session}.csv", rows, clocks, rng)
    found.timed = timed(ran, read_official(folder, event), event)
    found.raised = tuple(clock_drift(SimpleNamespace(timed=found.timed)))  # type: ignore[arg-type]
    return found


class Run(NamedTuple):
    """A run as it was: when the car moved off, the sheet's time for it, crossings since then."""

    run_id: str
    moved: Any
    sheet: Any
    crossings_s: np.ndarray
    kinds: list[str]
    ends_s: dict[int, float]
    lap_s: float


def _runs(
    session: str, event: Event, rng: np.random.Generator, rows: list[tuple[int, float, Any]],
    clocks: Clocks,
) -> Iterator[Run]:  # fmt: skip
    """Yield a session's runs; official laps go to the rows."""
    race, lap_s = session == "R", float(rng.uniform(60.0, 120.0))
    stints = [(8, 8), (16,)][int(rng.integers(2))] if race else (int(rng.integers(4, 9)),)
    moved = pd.Timestamp(event.session(session).start) + timedelta(seconds=120)
    for at, count in enumerate(stints):
        first, last = race and at == 0, at == len(stints) - 1
        times = lap_s + rng.normal(0, clocks.scatter_s, count) + 0.03 * np.arange(count)
        if race and rng.random() < 0.3:  # a caution
            begun = int(rng.integers(2, count - 2))
            times[begun : begun + 2] *= 1.5
        lead_s = lap_s * (1.8 if first else 1.2) + rng.uniform(0, 5)
        crossings = lead_s + np.concatenate([[0.0], np.cumsum(times)])
        official = times + (np.arange(count) == 0) * first * rng.uniform(4, 8)  # from the lights
        ends = list(zip(official, crossings[1:], strict=True))
        if race and at:
            ends.insert(0, (lap_s * 1.7, lead_s))  # the lap out of the pits, standing included
        if race and not last:
            ends.append((lap_s * 1.1, crossings[-1] + lap_s * 1.05))  # into the pits
        ends_s = {}
        for seconds, end_s in ends:
            rows.append((len(rows) + 1, float(seconds), moved + timedelta(seconds=float(end_s))))
            ends_s[len(rows)] = float(end_s)
        kinds = ["formation" if first else "out", *["timed"] * count,
                 "cool_down" if race and last else "in"]  # fmt: skip
        sheet = moved + timedelta(seconds=float(np.round(rng.uniform(-60, 60))))
        yield Run(f"{session}-{at + 1}", moved, sheet, crossings, kinds, ends_s, lap_s)
        moved += timedelta(seconds=float(crossings[-1] + 1.1 * lap_s + 60))


def _logged(run: Run, clocks: Clocks, rng: np.random.Generator) -> pd.DataFrame:
    """Return a run's laps by the logger's clock; a missed crossing joins two laps."""
    seen = run.crossings_s * (1 + clocks.drift_ppm * 1e-6)
    seen, kinds = seen + rng.normal(0, clocks.error_s, len(seen)), run.kinds.copy()
    for _ in range(clocks.logger_misses):
        if len(seen) > 7:
            gone = int(rng.integers(3, len(seen) - 3))
            seen = np.delete(seen, gone)
            kinds.pop(gone)
    edges = np.concatenate([[0.0], seen, [seen[-1] + 1.1 * run.lap_s]])
    n = len(edges) - 1
    laps = no_laps().reindex(range(n)).assign(
        lap=np.arange(1, n + 1), start_s=edges[:-1], lap_time_s=np.diff(edges),
        lap_time_se_s=np.sqrt(2) * clocks.error_s, kind=kinds, reason="", rule="", source="log",
        run_m=3000.0, fuel_used_l=1.4, fuel_used_before_l=1.4 * np.arange(n),
    )  # fmt: skip
    return laps.assign(logger_time_s=laps["lap_time_s"])


def _ran(run_id: str, session: str, laps: pd.DataFrame, start: Any) -> Ran:
    whole = timedelta(seconds=float(laps["lap_time_s"].sum()))
    cut: Any = SimpleNamespace(
        duration_s=whole.total_seconds(), recorded_s=1e9, notes=(), way="lap"
    )
    return Ran(run_id, session, start, start + whole, laps, cut=cut)


def _write(path: Path, rows: list[tuple[int, float, Any]], clocks: Clocks,
           rng: np.random.Generator) -> None:  # fmt: skip
    digits = round(-np.log10(clocks.step_s))
    gone = set(rng.choice(np.arange(1, len(rows)), clocks.official_lacks, replace=False).tolist())
    text = ["lap,lap_time,car" + (",crossed_at" if clocks.passing else "")]
    for i, (number, seconds, when) in enumerate(rows):
        if i in gone:
            continue
        minutes, rest = divmod(round(seconds, digits), 60)
        cells = [str(number), f"{int(minutes)}:{rest:0{3 + digits}.{digits}f}", "07"]
        if clocks.passing:
            cells.append(when.isoformat(timespec="milliseconds"))
        text.append(",".join(cells))
    path.write_text("\n".join(text) + "\n", encoding="utf-8")


def judged(one: Simulated) -> dict[str, list[float]]:
    """Return what a weekend shows: laps used and right, runs left, errors of the offset."""
    found: dict[str, list[float]] = {n: [] for n in ("used", "wrong", "left", "offset", "held")}
    runs = {r.run_id: r for r in one.timed.ran}
    for _, row in one.timed.clocks.iterrows():
        laps, ends_s = runs[row["run_id"]].laps, one.ends_s[row["run_id"]]
        found["left"].append(float(row["matched_laps"] == 0))
        if not row["matched_laps"]:
            continue
        for _, lap in laps[laps["kind"].isin(["timed", "caution"])].iterrows():
            taken = lap["source"] == "timing"
            found["used"].append(float(taken))
            end_s = (lap["start_s"] + lap["lap_time_s"]) / (1 + one.drift)
            true_s = ends_s.get(int(lap["official_lap"]), float("inf"))
            found["wrong"].append(float(taken and abs(end_s - true_s) > 1.0))
        if one.offset_known:
            at = laps[laps["line_to_line"] & (laps["official_lap"] > 0)]
            middle_s = float((at["start_s"] + at["logger_time_s"]).median())
            error = row["offset_s"] - one.offset_s[row["run_id"]] + one.drift * middle_s
            found["offset"].append(error)
            found["held"].append(float(abs(error) <= 1.645 * row["offset_se_s"]))
    return found


CASES: dict[str, Clocks] = {
    "clean, passing times": Clocks(),
    "clean, lap times only": Clocks(passing=False),
    "clean, qualifying alone": Clocks(sessions=("Q",)),
    "lap counter at 10 Hz, times to 0.01 s": Clocks(error_s=0.029, step_s=0.01, passing=False),
    "times to 0.1 s": Clocks(step_s=0.1, passing=False),
    "a lap lacks on each side": Clocks(official_lacks=1, logger_misses=1),
    "the same, lap times only": Clocks(official_lacks=1, logger_misses=1, passing=False),
    "drift 500 ppm": Clocks(500.0),
    "drift -500 ppm": Clocks(-500.0),
    "drift 500 ppm, lap times only": Clocks(500.0, passing=False),
    "drift 500 ppm, qualifying alone": Clocks(500.0, sessions=("Q",)),
    "drift 5000 ppm": Clocks(5000.0),
    "drift 100 ppm": Clocks(100.0),
}


def study(clocks: Clocks, weekends: int, seed: int) -> dict[str, float]:
    """Return a case's figures over many weekends."""
    every: dict[str, list[float]] = {}
    for i in range(weekends):
        with tempfile.TemporaryDirectory() as folder:
            one = simulate(clocks, np.random.default_rng([seed, i]), Path(folder))
        found = judged(one)
        drifts = one.timed.clocks[["drift_ppm", "drift_se_ppm"]].dropna().to_numpy()
        found["drift"] = [ppm - clocks.drift_ppm for ppm, _ in drifts]
        found["drift_held"] = [abs(ppm - clocks.drift_ppm) <= 1.645 * se for ppm, se in drifts]
        found["raised"] = [len(one.raised) > 0]
        found["listed"] = [len(one.timed.disagreements)]
        for name, values in found.items():
            every.setdefault(name, []).extend(values)
    return {
        "laps_used_pct": _pct(every["used"]), "laps_wrong_pct": _pct(every["wrong"]),
        "runs_left_pct": _pct(every["left"]), "offset_rms_ms": 1000 * _rms(every["offset"]),
        "offset_held_pct": _pct(every["held"]), "drift_rms_ppm": _rms(every["drift"]),
        "drift_held_pct": _pct(every["drift_held"]), "drift_raised_pct": _pct(every["raised"]),
        "laps_listed": float(np.mean(every["listed"])),
    }  # fmt: skip


def _pct(shares: list[float]) -> float:
    return 100 * float(np.mean(shares)) if shares else float("nan")


def _rms(errors: list[float]) -> float:
    return float(np.sqrt(np.mean(np.square(errors)))) if errors else float("nan")


def main(weekends: int) -> None:
    rows = {name: study(clocks, weekends, i) for i, (name, clocks) in enumerate(CASES.items())}
    print(pd.DataFrame(rows).T.round(3).to_string())


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
