"""Kinds of laps on random runs: pit lane, box, pace, rate, noise and way to find laps at random.

``python tests/study_kinds.py [runs]``: over seeded runs of each kind the share of laps with the
right kind, and the runs in which all are. Simulated truth.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from study_laps import small

from tyrekit.record.counting import counted
from tyrekit.record.event import parse_event
from tyrekit.record.laps import cut

LENGTH = float(small.LENGTH_M)
Made = tuple[Any, list[str], dict[str, Any]]


class Pits(NamedTuple):
    """A pit lane along the line: where it begins and ends, the box, its limit."""

    entry_m: float
    exit_m: float
    box_m: float
    limit_mps: float

    @classmethod
    def any(cls, rng: np.random.Generator) -> Pits:
        entry, leave = rng.uniform(-380, -150), rng.uniform(120, 320)
        box = rng.uniform(entry + 60, leave - 60)
        box = box if abs(box) > 15 else 40.0
        return cls(float(entry), float(leave), float(box), float(rng.uniform(12.0, 22.0)))


def _out(p: Pits, rng: np.random.Generator) -> Any:
    """A run's drive from the box to the lane's end."""
    drive = small.Drive(box_m=p.box_m).stand(float(rng.uniform(5, 40)))
    return drive.to(p.exit_m, speed_mps=p.limit_mps)


def _fly(drive: Any, first: int, last: int, rng: np.random.Generator, scale: float = 1.0) -> Any:
    for lap in range(first, last + 1):
        drive.to(lap * LENGTH - 390, scale * rng.uniform(0.985, 1.0))
    return drive


def _in(drive: Any, lap: int, p: Pits, stand_s: float) -> Any:
    drive.to(lap * LENGTH + p.entry_m, 0.95)
    return drive.to(lap * LENGTH + p.box_m, speed_mps=p.limit_mps).stand(stand_s)


def _ends(timed: int) -> list[str]:
    """Return the kinds of a run out of the pits and in again."""
    return ["out", *["timed"] * timed, "in"]


def practice(rng: np.random.Generator) -> Made:
    p = Pits.any(rng)
    drive = _in(_fly(_out(p, rng), 1, 6, rng), 6, p, 20.0)
    return drive, _ends(4), {"kind": "practice"}


def two_stints(rng: np.random.Generator) -> Made:
    p = Pits.any(rng)
    drive = _in(_fly(_out(p, rng), 1, 5, rng), 5, p, float(rng.uniform(20, 200)))
    drive.to(5 * LENGTH + p.exit_m, speed_mps=p.limit_mps)
    drive = _in(_fly(drive, 6, 9, rng), 9, p, 20.0)
    return drive, [*_ends(3), *_ends(2)], {"kind": "practice"}


def driven_through(rng: np.random.Generator) -> Made:
    p = Pits.any(rng)
    drive = _fly(small.Drive(box_m=-60.0).stand(20), 1, 5, rng)
    drive.to(5 * LENGTH + p.entry_m).to(5 * LENGTH + p.exit_m, speed_mps=p.limit_mps)
    drive = _fly(drive, 6, 9, rng).to(9 * LENGTH + 300)
    return drive, [*["timed"] * 4, "in", "out", *["timed"] * 3], {"kind": "race", "laps": 30}


def caution(rng: np.random.Generator) -> Made:
    drive = _fly(small.Drive(box_m=-60.0).stand(20), 1, 4, rng)
    pace = rng.uniform(0.55, 0.7)
    drive.to(4 * LENGTH + rng.uniform(0.1, 0.4) * LENGTH)
    drive.to(7 * LENGTH + rng.uniform(0.5, 0.8) * LENGTH, pace)
    drive = _fly(drive, 9, 12, rng).to(12 * LENGTH + 300)
    kinds = [*["timed"] * 4, *["caution"] * 4, *["timed"] * 4]
    return drive, kinds, {"kind": "race", "laps": 30}


def lifted(rng: np.random.Generator) -> Made:
    drive = _fly(small.Drive(box_m=-60.0).stand(20), 1, 5, rng)
    drive.to(6 * LENGTH - 390, rng.uniform(0.6, 0.9))
    drive = _fly(drive, 7, 10, rng).to(10 * LENGTH + 300)
    return drive, ["timed"] * 10, {"kind": "race", "laps": 30}


def stopped(rng: np.random.Generator) -> Made:
    p = Pits.any(rng)
    drive = _fly(_out(p, rng), 1, 3, rng).to((3 + rng.uniform(0.2, 0.8)) * LENGTH)
    drive = _in(_fly(drive.stand(float(rng.uniform(12, 60))), 4, 6, rng), 6, p, 20.0)
    return drive, _ends(4), {"kind": "practice"}


def race(rng: np.random.Generator) -> Made:
    grid = float(rng.uniform(-160, -20))
    drive = small.Drive(box_m=grid).stand(40).to(LENGTH + grid, 0.55).stand(30)
    drive = _fly(drive, 2, 8, rng).to(8 * LENGTH + 10).to(9 * LENGTH - 350, 0.7)
    drive.to(9 * LENGTH - 100, speed_mps=16.0).stand(20)
    rules = {"kind": "race", "laps": 7, "formation_laps": 1, "cool_down_laps": 1}
    return drive, ["formation", *["timed"] * 7, "cool_down"], rules


RUNS: dict[str, Callable[[np.random.Generator], Made]] = {
    "practice": practice, "two stints in one log": two_stints,
    "pit lane driven through": driven_through, "caution": caution, "one lap lifted": lifted,
    "stop on the track": stopped, "race with formation lap": race,
}  # fmt: skip
WAYS = ("position", "beacon", "lap", "beacon not in the lane")


def logged(drive: Any, way: str, rng: np.random.Generator) -> pd.DataFrame:
    """Return a log at a random rate with a noisy speed, and laps to be found by one way."""
    rate = float(rng.choice([10.0, 20.0, 50.0]))
    log = drive.log(rate, rng, white_m=0.4, wander_m=0.6)
    log["speed_mps"] = np.abs(log["speed_mps"] * 1.01 + rng.normal(0, 0.1, len(log)))
    if way == "position":
        return log
    crossed = np.array(drive.crossed_s)
    if "not in" in way:
        speed = np.interp(crossed, log["time_s"], log["speed_mps"])
        crossed = crossed[speed > 23]
    passed = np.searchsorted(crossed, log["time_s"], side="right")
    log = log.drop(columns=["latitude_deg", "longitude_deg"])
    return log.assign(**{way.split()[0]: passed if way == "lap" else np.diff(passed, prepend=0)})


def right(name: str, way: str, runs: int) -> tuple[float, list[str]]:
    """Return the share of runs with every kind right, %, and what was wrong in the others."""
    event = parse_event(small.EVENT)
    good, wrong = 0, []
    for seed in range(runs):
        rng = np.random.default_rng(seed)
        drive, kinds, rules = RUNS[name](rng)
        session = small.session(**rules)
        log = logged(drive, way, rng)
        sample_s = float(np.median(np.diff(log["time_s"])))
        laps = cut(log, small.circuit(), session, sample_s=sample_s).laps
        named = laps.assign(run_id="run", session="R1" if rules["kind"] == "race" else "P1")
        table = counted(named, event, pd.Series("", index=laps.index, dtype="str"))
        # a lap on which a caution began or ended says so, and is as good as either
        part = table["reason"] == "a caution began or ended on it"
        found = table["kind"].mask(
            part & (pd.Series(kinds).reindex(table.index) == "caution"), "caution"
        )
        good += list(found) == kinds
        if list(found) != kinds:
            wrong.append(f"  seed {seed}: {' '.join(found)}\n     truly: {' '.join(kinds)}")
    return 100 * good / runs, wrong


def main(runs: int) -> None:
    """Print the shares, and the runs that went wrong."""
    for name in RUNS:
        for way in WAYS:
            share, wrong = right(name, way, runs)
            print(f"{name:28} {way:24} {share:5.1f} % of {runs} runs right")
            print("\n".join(wrong[:3]), end="\n" if wrong else "")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 40)
