"""Simulated weekends for the pressure fit. Run: python tests/study_pressure.py

Independent of the fit: the gas is stepped lap by lap towards a plateau (a slow lap is three
quarters of a step; a cool-down lap heads for a part of the plateau), readings are rounded to a
gauge's step, pit readings cool towards the air on the in-lap and then for as long as the tyre
stood, tyre after tyre. Simulated truth.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from study_fuel_use import make_event

from tyrekit.fit.pressure import PressureModel, PressureResults
from tyrekit.fit.prior import beliefs
from tyrekit.record.event import Event

CORNERS = ("FL", "FR", "RL", "RR")
AMBIENT_BAR = 1.013
RACE_LAPS = 15
COLUMNS = ["session", "run_id", "corner", "hot_bar", "after_laps", "cold_bar", "air_c", "track_c",
           "pressure_hpa", "source", "delay_min"]  # fmt: skip


@dataclass(frozen=True)
class Truth:
    """What warms the tyres of one weekend."""

    rise_c: np.ndarray  # per corner
    track_share: float
    rise_laps: float
    session_sd: float
    corner_sd: float
    cooling_min: float


class Slow(NamedTuple):
    """A cool-down lap: the part of the plateau the gas heads for, and its length in laps' time."""

    heads_for: float
    laps_long: float


def draw_truth(rng: np.random.Generator, scatter: bool) -> Truth:
    """Return a weekend's truth, drawn from about the beliefs."""
    rise = max(rng.normal(40, 12), 12) + rng.normal(0, 5, 4)
    laps = float(np.exp(rng.normal(np.log(3.2), 0.3)))
    share = float(np.clip(rng.normal(0.4, 0.12), 0.05, 0.8))
    cooling_min = float(np.clip(rng.normal(17, 6), 6, 40))
    return Truth(rise, share, laps, 2.5 * scatter, 1.5 * scatter, cooling_min)


def gas_c(truth: Truth, corner: int, laps: int, air: float, track: float, extra: float) -> float:
    """Return the gas temperature after `laps`, the first of them slow."""
    plateau = truth.rise_c[corner] + truth.track_share * (track - air) + extra
    above = 0.0
    for lap in range(laps):
        step = 0.75 if lap == 0 else 1.0
        above += (plateau - above) * (1 - np.exp(-step / truth.rise_laps))
    return air + above


def cooled_c(
    truth: Truth, corner: int, air: float, track: float, extra: float, slow: Slow
) -> float:
    """Return the gas temperature after a race and its cool-down lap."""
    plateau = truth.rise_c[corner] + truth.track_share * (track - air) + extra
    above = gas_c(truth, corner, RACE_LAPS, air, track, extra) - air
    above += (slow.heads_for * plateau - above) * (1 - np.exp(-slow.laps_long / truth.rise_laps))
    return air + above


def draw_slow(rng: np.random.Generator) -> Slow:
    """Return a cool-down lap at 0.6 to 0.9 of the speed: sliding work with v^4, cooling v^0.8."""
    speed = rng.uniform(0.6, 0.9)
    return Slow(speed**5 / speed**0.8, 1 / speed)


def race(
    rng: np.random.Generator, truth: Truth, session: str, slow: Slow, air: float, track: float
) -> pd.DataFrame:
    """Return the pit readings of one race, all four after its cool-down lap."""
    shared = rng.normal(0, truth.session_sd) if truth.session_sd else 0.0
    lane, begun_min = rng.uniform(0.0, 0.06), rng.uniform(0.3, 3.0)
    rows = []
    for c, corner in enumerate(CORNERS):
        extra = shared + (rng.normal(0, truth.corner_sd) if truth.corner_sd else 0.0)
        above = cooled_c(truth, c, air, track, extra, slow) - air
        delay_min = begun_min + 0.4 * c
        hot_c = air + above * np.exp(-lane - delay_min / truth.cooling_min)
        seen = round((bar(1.6, air, hot_c) + rng.normal(0, 0.008)) / 0.01) * 0.01
        rows.append((session, session, corner, seen, RACE_LAPS + 1, 1.6, air, track,
                     1000 * AMBIENT_BAR, "pit", delay_min, 1.0))  # fmt: skip
    return pd.DataFrame(rows, columns=[*COLUMNS, "cool_laps"])


def bar(cold_bar: float, cold_c: float, hot_c: float) -> float:
    """Return the hot gauge pressure."""
    return (cold_bar + AMBIENT_BAR) * (hot_c + 273.15) / (cold_c + 273.15) - AMBIENT_BAR


def simulate(
    rng: np.random.Generator, truth: Truth, *, source: str = "sensor",
    sessions: tuple[str, ...] = ("P1", "P2", "P3", "Q"), known_delay: bool = True,
) -> pd.DataFrame:  # fmt: skip
    """Return the readings of a weekend: each lap by sensor, or once per run in the pits."""
    rows = []
    for session in sessions:
        air = rng.uniform(12, 28)
        track = air + rng.uniform(2, 18)
        shared = rng.normal(0, truth.session_sd) if truth.session_sd else 0.0
        for run in range(2):
            last = int(rng.integers(4, 9))
            lane, begun_min = rng.uniform(0.0, 0.06), rng.uniform(0.3, 3.0)
            for c, corner in enumerate(CORNERS):
                extra = shared + (rng.normal(0, truth.corner_sd) if truth.corner_sd else 0.0)
                cold = 1.55 + 0.05 * (c < 2) + 0.01 * rng.integers(-3, 4)
                laps = range(1, last + 1) if source == "sensor" else [last]
                for lap in laps:
                    hot_c = gas_c(truth, c, lap, air, track, extra)
                    delay_min = begun_min + 0.4 * c
                    if source == "pit":
                        hot_c = air + (hot_c - air) * np.exp(-lane - delay_min / truth.cooling_min)
                    seen = bar(cold, air, hot_c) + rng.normal(0, 0.008)
                    step = 0.025 if source == "sensor" else 0.01
                    rows.append((session, f"{session}-{run}", corner, round(seen / step) * step,
                                 lap, cold, air, track, 1000 * AMBIENT_BAR, source,
                                 delay_min if known_delay else np.nan))  # fmt: skip
    return pd.DataFrame(rows, columns=COLUMNS)


def fit(readings: pd.DataFrame, event: Event) -> PressureResults:
    """Return the kit's fit of one simulated weekend."""
    return PressureModel(readings, event, beliefs(event).pressure).fit()


def bar_errors(
    weekends: int,
    seed: int,
    *,
    scatter: bool,
    source: str = "sensor",
    laps: int = 6,
    known_delay: bool = True,
) -> dict[str, float]:
    """Return RMSE in kPa and cover of the true hot pressure of the next session at `laps`."""
    rng, event = np.random.default_rng(seed), make_event()
    errors, held = [], []
    for _ in range(weekends):
        truth = draw_truth(rng, scatter)
        found = fit(simulate(rng, truth, source=source, known_delay=known_delay), event)
        air = rng.uniform(12, 28)
        track = air + rng.uniform(2, 18)
        shared = rng.normal(0, truth.session_sd) if scatter else 0.0
        for c, corner in enumerate(CORNERS):
            extra = shared + (rng.normal(0, truth.corner_sd) if scatter else 0.0)
            real = bar(1.6, air, gas_c(truth, c, laps, air, track, extra))
            mean, lower, upper = found.hot_bar(corner, 1.6, laps, air, track)
            errors.append(100 * (mean - real))
            held.append(lower <= real <= upper)
    return {
        "rmse_kpa": float(np.sqrt(np.mean(np.square(errors)))), "bias_kpa": float(np.mean(errors)),
        "cover_pct": 100 * float(np.mean(held)),
    }  # fmt: skip


def after_cool_down(weekends: int, seed: int, *, races: int, told: bool = True) -> dict[str, float]:
    """Return RMSE, bias in kPa and cover of a race's pit readings after its cool-down lap.

    Parameters
    ----------
    races : int
        Races already read, all after a cool-down lap of like speed.
    told : bool
        Whether the forecast knows of the cool-down lap.
    """
    rng, event = np.random.default_rng(seed), make_event()
    errors, held = [], []
    for _ in range(weekends):
        truth, slow = draw_truth(rng, True), draw_slow(rng)
        parts = [
            simulate(rng, truth, source="pit", sessions=("P1", "P2", "P3")).assign(cool_laps=0)
        ]
        for i in range(races + 1):
            air = rng.uniform(12, 28)
            parts.append(race(rng, truth, f"R{i}", slow, air, air + rng.uniform(2, 18)))
        found = fit(pd.concat(parts[:-1], ignore_index=True), event)
        for row in parts[-1].to_dict("records"):
            mean, lower, upper = found.hot_bar(
                row["corner"], row["cold_bar"], row["after_laps"], row["air_c"], row["track_c"],
                source="pit", delay_min=row["delay_min"], cool_laps=1.0 if told else 0.0,
            )  # fmt: skip
            gauge = 1.645 * found.reading_bar
            ends = mean - np.hypot(mean - lower, gauge), mean + np.hypot(upper - mean, gauge)
            errors.append(100 * (mean - row["hot_bar"]))
            held.append(ends[0] <= row["hot_bar"] <= ends[1])
    return {
        "rmse_kpa": float(np.sqrt(np.mean(np.square(errors)))), "bias_kpa": float(np.mean(errors)),
        "cover_pct": 100 * float(np.mean(held)),
    }  # fmt: skip


def main() -> None:
    """Print the pressure figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--weekends", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    said = parser.parse_args()
    print(f"{said.weekends} weekends, four corners each", flush=True)
    for known_delay in (True, False):
        found = bar_errors(said.weekends, said.seed, scatter=False, source="pit",
                           known_delay=known_delay)  # fmt: skip
        print(f"pit readings, delay {'known' if known_delay else 'not known'}:", found, flush=True)
    for told, races in ((False, 0), (True, 0), (True, 1)):
        found = after_cool_down(said.weekends, said.seed, races=races, told=told)
        print(f"after a cool-down lap, told {told}, {races} race(s) read:", found, flush=True)
    for scatter in (False, True):
        for source in ("sensor", "pit"):
            for laps in (3, 6):
                found = bar_errors(
                    said.weekends, said.seed, scatter=scatter, source=source, laps=laps
                )
                print(f"scatter {scatter}, {source}, lap {laps}:", found, flush=True)


if __name__ == "__main__":
    main()
