"""Beacons and counters that miss crossings or see too many: what is repaired, what is not.

``python tests/study_repairs.py [runs]``: over seeded runs for each fault the share of laps
found, the share silently wrong (it would count, and is off by more than 5 of its stated errors
and 0.1 s), and whether a note says what was done. Simulated truth.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from study_laps import small

from tyrekit.record.laps import cut

FLYING = 8
Signals = Callable[[np.ndarray, np.random.Generator], np.ndarray]


class Repairs(NamedTuple):
    """Shares in % over all runs of a fault."""

    found_pct: float
    wrong_pct: float
    told_pct: float


def _without(crossed: np.ndarray, *places: int) -> np.ndarray:
    return np.delete(crossed, list(places))


def _with(crossed: np.ndarray, *times: float) -> np.ndarray:
    return np.sort([*crossed, *times])


def _inside(crossed: np.ndarray, k: int, share: float) -> float:
    return float(crossed[k] + share * (crossed[k + 1] - crossed[k]))


# crossed[0] is the line beside the pits, [1] the end of the out-lap, [9] the start of the in-lap
FAULTS: dict[str, Signals] = {
    "none": lambda c, rng: c,
    "one missed": lambda c, rng: _without(c, rng.integers(2, 9)),
    "two missed, not in a row": lambda c, rng: _without(c, 3, 6),
    "two missed in a row": lambda c, rng: _without(c, (k := rng.integers(2, 8)), k + 1),
    "three missed in a row": lambda c, rng: _without(c, 4, 5, 6),
    "every second one missed": lambda c, rng: c[1::2],
    "end of the out-lap missed": lambda c, rng: _without(c, 1),
    "start of the in-lap missed": lambda c, rng: _without(c, 9),
    "one extra": lambda c, rng: _with(c, _inside(c, rng.integers(1, 9), rng.uniform(0.1, 0.9))),
    "one extra, 4 to 15 s before the line": lambda c, rng: _with(
        c, c[rng.integers(2, 9)] - rng.uniform(4, 15)
    ),
    "one extra, 4 to 15 s after the line": lambda c, rng: _with(
        c, c[rng.integers(2, 9)] + rng.uniform(4, 15)
    ),
    "a double trigger": lambda c, rng: _with(c, c[rng.integers(2, 9)] + rng.uniform(0.3, 2.5)),
    "a trigger 0.5 to 2.5 s too early": lambda c, rng: _with(
        c, c[rng.integers(2, 9)] - rng.uniform(0.5, 2.5)
    ),
    "two extra on one lap": lambda c, rng: _with(c, _inside(c, 4, 0.3), _inside(c, 4, 0.7)),
    "extra on the out-lap": lambda c, rng: _with(c, _inside(c, 0, rng.uniform(0.2, 0.8))),
    "extra on the in-lap": lambda c, rng: _with(c, c[9] + rng.uniform(10, 40)),
    "one missed, one extra elsewhere": lambda c, rng: _without(_with(c, _inside(c, 6, 0.5)), 3),
    "one missed, one extra beside it": lambda c, rng: _without(
        _with(c, _inside(c, 3, rng.uniform(0.2, 0.8))), 3
    ),
    "missed and seen 8 s late": lambda c, rng: np.sort([*_without(c, 4), c[4] + 8.0]),
}


def log_with(signals: np.ndarray, drive: Any, way: str, rng: np.random.Generator) -> pd.DataFrame:
    """Return a 20 Hz log with a speed channel that scatters, and the signals of a way."""
    channels = drive.log(20.0, rng).drop(columns=["latitude_deg", "longitude_deg"])
    slow = small._noise(rng, channels["time_s"].to_numpy(), 0.0, 0.003)
    channels["speed_mps"] *= 1 + slow + rng.normal(0, 0.01)
    passed = np.searchsorted(signals, channels["time_s"], side="right")
    pulse = pd.Series(np.diff(passed, prepend=0)).rolling(3, min_periods=1).max().to_numpy()
    return channels.assign(**{way: passed if way == "lap" else 5.0 * pulse})


def _lost(c: np.ndarray, t: np.ndarray, places: tuple[int, ...], gap_s: float) -> np.ndarray:
    return np.any([np.abs(t - c[k]) < gap_s / 2 for k in places], axis=0)


# which positions are lost, by true crossings and time
DROP_OUTS: dict[str, Callable[[np.ndarray, np.ndarray, np.random.Generator], np.ndarray]] = {
    "3 s over one crossing": lambda c, t, rng: _lost(c, t, (int(rng.integers(2, 9)),), 3.0),
    "8 s over two crossings in a row": lambda c, t, rng: _lost(c, t, (4, 5), 8.0),
    "20 s over one crossing": lambda c, t, rng: _lost(c, t, (int(rng.integers(2, 9)),), 20.0),
    "20 s over two crossings in a row": lambda c, t, rng: _lost(c, t, (4, 5), 20.0),
    "20 s over the end of the out-lap": lambda c, t, rng: _lost(c, t, (1,), 20.0),
    "20 s over the start of the in-lap": lambda c, t, rng: _lost(c, t, (9,), 20.0),
    "two whole laps": lambda c, t, rng: (t > c[3] - 5) & (t < c[5] + 5),
    "5 % of all, singly": lambda c, t, rng: rng.random(len(t)) < 0.05,
}


def log_by_position(fault: str, drive: Any, rng: np.random.Generator) -> pd.DataFrame:
    """Return a 10 Hz log whose positions drop out, with a speed channel that scatters."""
    channels = drive.log(10.0, rng, white_m=0.45, wander_m=0.9)
    channels["speed_mps"] *= 1 + rng.normal(0, 0.01)
    lost = DROP_OUTS[fault](np.array(drive.crossed_s), channels["time_s"].to_numpy(), rng)
    channels.loc[lost, ["latitude_deg", "longitude_deg"]] = np.nan
    return channels


def repairs(fault: str, way: str, runs: int) -> Repairs:
    """Return what becomes of a fault over seeded runs."""
    found = wrong = told = 0
    for seed in range(runs):
        rng = np.random.default_rng(seed)
        drive = small.practice_run(FLYING, scale=1 - 0.05 * rng.random())
        crossed = np.array(drive.crossed_s)
        if way == "position":
            channels = log_by_position(fault, drive, rng)
        else:
            channels = log_with(FAULTS[fault](crossed, rng), drive, way, rng)
        made = cut(channels, small.circuit(), small.session(), sample_s=0.05)
        timed = made.laps[made.laps["kind"] == "timed"]
        said = timed["reason"] != ""
        starts = 15.0 + timed["start_s"].to_numpy()
        for k in range(1, FLYING + 1):
            near = np.flatnonzero(np.abs(starts - crossed[k]) < 2.0)
            error = timed["lap_time_s"].to_numpy()[near] - (crossed[k + 1] - crossed[k])
            found += bool(len(near) == 1 and abs(error[0]) < 1.0)
        counts = timed[~said]
        for start, time, se in zip(
            15.0 + counts["start_s"], counts["lap_time_s"], counts["lap_time_se_s"], strict=True
        ):
            k = int(np.argmin(np.abs(crossed[:-1] - start)))
            off = max(abs(crossed[k] - start), abs(crossed[k + 1] - crossed[k] - time))
            wrong += bool(off > 5 * se + 0.1)
        told += any("cross" in n or "too soon" in n or "bridged" in n for n in made.notes)
    return Repairs(
        100 * found / runs / FLYING, 100 * wrong / runs / FLYING, 100 * told / runs
    )  # fmt: skip


def main(runs: int) -> None:
    """Print the table."""
    print(f"{runs} runs of {FLYING} flying laps each, 20 Hz, speed channel scattering by 0.3 %")
    print(f"{'fault':40} {'way':8} {'found %':>8} {'wrong %':>8} {'told %':>8}")
    pairs = [(fault, way) for fault in FAULTS for way in ("beacon", "lap")]
    for fault, way in [*pairs, *((fault, "position") for fault in DROP_OUTS)]:
        r = repairs(fault, way, runs)
        print(f"{fault:40} {way:8} {r.found_pct:8.1f} {r.wrong_pct:8.2f} {r.told_pct:8.0f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50)
