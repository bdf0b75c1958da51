"""Simulated weekends for the pressure fit. Run: python tests/study_pressure.py

Independent of the fit: the gas is stepped lap by lap towards a plateau (a slow lap is three
quarters of a step), readings are rounded to a gauge's step, pit readings cool towards the air
on the in-lap and then for as long as the tyre stood, tyre after tyre. Simulated truth.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
import pandas as pd
from study_fuel_use import make_event

from tyrekit.fit.pressure import PressureModel, PressureResults
from tyrekit.fit.prior import beliefs
from tyrekit.record.event import Event

CORNERS = ("FL", "FR", "RL", "RR")
AMBIENT_BAR = 1.013


@dataclass(frozen=True)
class Truth:
    """What warms the tyres of one weekend."""

    rise_c: np.ndarray  # per corner
    track_share: float
    rise_laps: float
    session_sd: float
    corner_sd: float
    cooling_min: float


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
    return pd.DataFrame(
        rows,
        columns=["session", "run_id", "corner", "hot_bar", "after_laps", "cold_bar", "air_c",
                 "track_c", "pressure_hpa", "source", "delay_min"],
    )  # fmt: skip


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
    for scatter in (False, True):
        for source in ("sensor", "pit"):
            for laps in (3, 6):
                found = bar_errors(
                    said.weekends, said.seed, scatter=scatter, source=source, laps=laps
                )
                print(f"scatter {scatter}, {source}, lap {laps}:", found, flush=True)


if __name__ == "__main__":
    main()
