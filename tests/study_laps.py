"""How well lap times are known by each way, rate and noise, and whether what is stated holds.

``python tests/study_laps.py [runs]``: RMS against simulated truth, mean stated standard
error, and the share of errors within 1.645 of them (nominal 90 %).
"""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from tyrekit.record.laps import Cut, cut

spec = importlib.util.spec_from_file_location(
    "small_track", Path(__file__).parent / "record" / "conftest.py"
)
assert spec is not None and spec.loader is not None
small = importlib.util.module_from_spec(spec)
sys.modules["small_track"] = small
spec.loader.exec_module(small)

FLYING = 8


class Figures(NamedTuple):
    """RMS and mean stated error, ms; cover of nominal 90 %, %; laps that were not found."""

    rms_ms: float
    stated_ms: float
    cover_pct: float
    lost: int


@dataclass(frozen=True)
class Case:
    """A way to find laps, and what disturbs it."""

    way: str
    rate_hz: float
    noise: dict[str, float] = field(default_factory=dict)
    speed: bool = True
    slip: float = 0.0


CASES = {
    f"position {rate:.0f} Hz, {words}": Case("position", rate, noise, speed)
    for rate in (10.0, 20.0, 50.0)
    for words, noise, speed in (
        ("no noise", {}, True),
        ("1 m white", {"white_m": 1.0}, True),
        ("1 m wandering over 15 s", {"wander_m": 1.0}, True),
        ("1 m, 80 % of its variance wandering", {"wander_m": 0.894, "white_m": 0.447}, True),
        ("2 m, 80 % of its variance wandering", {"wander_m": 1.789, "white_m": 0.894}, True),
        ("1 m white, no speed channel", {"white_m": 1.0}, False),
        ("1 m wandering, no speed channel", {"wander_m": 1.0}, False),
    )
}
CASES |= {
    f"position 10 Hz, {words}, speed wrong by up to 3 %": Case("position", 10.0, noise, True, 0.01)
    for words, noise in (
        ("1 m white", {"white_m": 1.0}),
        ("1 m wandering over 15 s", {"wander_m": 1.0}),
    )
}
CASES |= {
    f"{way} {rate:.0f} Hz": Case(way, rate)
    for way in ("beacon", "lap", "late lap", "stamp", "running time", "lap time")
    for rate in (10.0, 20.0, 50.0)
}


def marked(channels: pd.DataFrame, crossed: np.ndarray, case: Case, rng: Any) -> pd.DataFrame:
    """Return a log with the mark of a way instead of positions."""
    t = channels["time_s"].to_numpy()
    bare = channels.drop(columns=["latitude_deg", "longitude_deg"])
    passed = np.searchsorted(crossed, t, side="right")
    latest = np.concatenate([[0.0], crossed])[passed]
    if case.way == "beacon":
        return bare.assign(beacon=np.diff(passed, prepend=0))
    if case.way == "lap":
        return bare.assign(lap=passed)
    if case.way == "late lap":
        late = crossed + 0.3 + rng.uniform(0, 1 / case.rate_hz)
        return bare.assign(lap=np.searchsorted(late, t, side="right"))
    if case.way == "stamp":
        return bare.assign(crossing_s=np.round(latest, 3))
    if case.way == "running time":
        return bare.assign(crossing_s=np.round(t - latest, 3))
    ended = np.concatenate([[0.0, 0.0], np.diff(crossed)])[passed]
    return bare.assign(crossing_s=np.round(ended, 3))


def made(case: Case, seed: int, drive: Any) -> Cut:
    """Return one run cut into laps; logs start at any moment between two samples."""
    rng = np.random.default_rng(seed)
    channels = drive.log(case.rate_hz, rng, speed=case.speed, **case.noise)
    if case.slip:  # a wheel's: a scale, what each place of the track does, and a little chance
        fast = channels["speed_mps"] / small.FAST_MPS
        chance = small._noise(rng, channels["time_s"].to_numpy(), 0.0, 0.1 * case.slip)
        channels["speed_mps"] *= 1 + case.slip * (1 + 2 * fast) + chance
    if case.way != "position":
        channels = marked(channels, np.array(drive.crossed_s), case, rng)
    return cut(channels, small.circuit(), small.session(), sample_s=1 / case.rate_hz)


def figures(case: Case, runs: int, first_seed: int = 0) -> Figures:
    """Return what a case gives over seeded runs, each at a pace of its own."""
    errors, stated, lost = [], [], 0
    for seed in range(first_seed, first_seed + runs):
        scale = 1 - 0.05 * np.random.default_rng(10_000 + seed).random()
        drive = small.practice_run(FLYING, scale=scale)
        truth = np.diff(drive.crossed_s)[1 : FLYING + 1]  # the first is the out-lap
        laps = made(case, seed, drive).laps
        timed = laps[laps["kind"] == "timed"]
        if len(timed) != FLYING:
            lost += 1
            continue
        errors.append(timed["lap_time_s"].to_numpy() - truth)
        stated.append(timed["lap_time_se_s"].to_numpy())
    error, se = np.concatenate(errors), np.concatenate(stated)
    held = np.mean(np.abs(error) <= 1.645 * se)
    return Figures(
        1000 * float(np.sqrt(np.mean(error**2))), 1000 * float(np.mean(se)),
        100 * float(held), lost,
    )  # fmt: skip


def main(runs: int) -> None:
    """Print the table."""
    print(f"{runs} runs of {FLYING} flying laps each")
    print(f"{'way':60} {'RMS ms':>8} {'stated':>8} {'cover %':>8} {'lost':>5}")
    for name, case in CASES.items():
        f = figures(case, runs)
        print(f"{name:60} {f.rms_ms:8.1f} {f.stated_ms:8.1f} {f.cover_pct:8.0f} {f.lost:5d}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50)
