"""Simulated weekends for the tread fit. Run: python tests/study_tread.py

Independent of the fit: tyres lose tread lap by lap; rates differ by corner, place, tyre,
session and session at a corner; a run's first and last lap are slow and wear less; harsh adds
wear that quickens as the tread thins and follows the day's temperature. Simulated truth.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
import pandas as pd
from study_fuel_use import make_event

from tyrekit.fit.prior import beliefs
from tyrekit.fit.tread import TreadModel, TreadResults
from tyrekit.record.event import Event

CORNERS, PLACES = ("FL", "FR", "RL", "RR"), ("inner", "centre", "outer")
LIMIT_MM = 1.6


@dataclass
class Tyre:
    """A tyre's true state."""

    tyre_id: str
    corner: str
    depth: np.ndarray  # three places
    age: int
    factor: float
    rates: np.ndarray
    early_mm: float
    early_laps: float
    harsh: bool

    slow: int = 0

    def run(self, laps: int, session_factor: float, slow_share: float | None = None) -> None:
        """Wear the tyre lap by lap; with a share the first and the last lap are slow."""
        for lap in range(laps):
            fresh = self.early_mm / self.early_laps * np.exp(-(self.age + 0.5) / self.early_laps)
            thin = 1 + 0.05 * (4.5 - self.depth) if self.harsh else 1.0
            slow = slow_share is not None and lap in (0, laps - 1)
            factor = session_factor * (slow_share if slow else 1.0)
            self.depth = self.depth - fresh - self.rates * self.factor * factor * thin
            self.age += 1
            self.slow += slow


@dataclass(frozen=True)
class TreadWeekend:
    """Readings, the tyres as they stand, and how sessions go on differing."""

    readings: pd.DataFrame
    tyres: list[Tyre]
    session_sd: float
    slow_share: float


def simulate(
    rng: np.random.Generator, *, sets: int = 6, sessions: int = 5, harsh: bool = False,
    session_sd: float | None = None, gauge_mm: float = 0.1, read_new: bool = True,
    run_laps: tuple[int, int] = (9, 15),
) -> TreadWeekend:  # fmt: skip
    """Return a weekend of `sets` sets after `sessions` sessions, most tyres read after running."""
    base = max(rng.normal(0.055, 0.02), 0.02)
    session_sd = abs(rng.normal(0.08, 0.03)) if session_sd is None else session_sd
    corner = base * (1 + rng.normal(0, 0.25, 4))
    rates = np.maximum(corner[:, None] + base * rng.normal(0, 0.15, (4, 3)), 0.006)
    early, early_laps = max(rng.normal(0.2, 0.07), 0.02), rng.uniform(2.5, 4.5)
    tyres = [
        Tyre(f"{'N' if s < sets - 2 else 'U'}{s * 4 + c}", CORNERS[c],
             4.5 + rng.normal(0, 0.05) + rng.normal(0, 0.04, 3), 0, 1 + rng.normal(0, 0.07),
             rates[c], early, early_laps, harsh)
        for s in range(sets) for c in range(4)
    ]  # fmt: skip
    for tyre in tyres:
        if tyre.tyre_id.startswith("U"):
            tyre.run(
                int(rng.integers(5, 15)), rng.normal(1.0, 0.15)
            )  # elsewhere: slow laps unknown
    rows, slow_share = [], float(np.clip(rng.normal(0.6, 0.2), 0.1, 1.0))

    def read(tyre: Tyre, at: pd.Timestamp, run: str) -> None:
        seen = np.round(tyre.depth + rng.normal(0, gauge_mm, 3), 1)
        corner = tyre.corner if tyre.age else ""
        rows.append((at, tyre.tyre_id, run, *seen, tyre.age, corner, tyre.slow))

    start = pd.Timestamp("2026-05-16T08:00:00Z")
    for tyre in tyres:
        if read_new or tyre.age:
            read(tyre, start, "")
    for s in range(sessions):
        at = pd.Timestamp("2026-05-16T09:00:00Z") + pd.Timedelta(hours=s)
        at += pd.Timedelta(days=s // 4)
        warm = 1 + (0.06 * rng.normal() if harsh else 0.0)
        factor = (1 + rng.normal(0, session_sd * 0.8)) * warm
        fit_to_run = [
            i for i in range(sets) if min(t.depth.min() for t in tyres[4 * i : 4 * i + 4]) > 2.5
        ]
        chosen = int(rng.choice(fit_to_run or [0]))
        laps = int(rng.integers(*run_laps))
        for tyre in tyres[chosen * 4 : chosen * 4 + 4]:
            tyre.run(laps, factor * (1 + rng.normal(0, session_sd * 0.6)), slow_share)
            read(tyre, at + pd.Timedelta(minutes=50), f"run{s}")
    table = pd.DataFrame(
        rows,
        columns=["taken_at", "tyre_id", "after_run", "inner_mm", "centre_mm", "outer_mm",
                 "age_laps", "corner", "slow_laps"],
    )  # fmt: skip
    return TreadWeekend(table, tyres, session_sd, slow_share)


def fit(weekend: TreadWeekend, event: Event) -> TreadResults:
    """Return the kit's fit of one simulated weekend."""
    return TreadModel(weekend.readings, event, beliefs(event).tread).fit()


def true_laps_left(tyre: Tyre, session_sd: float, rng: np.random.Generator) -> float:
    """Run the tyre on until its thinnest place meets the limit, sessions of 12 laps."""
    copy = Tyre(**{**tyre.__dict__, "depth": tyre.depth.copy()})
    laps = 0
    while copy.depth.min() > LIMIT_MM and laps < 1000:
        if laps % 12 == 0:
            factor = (1 + rng.normal(0, session_sd * 0.8)) * (1 + rng.normal(0, session_sd * 0.6))
        copy.run(1, max(factor, 0.2))
        laps += 1
    return float(laps)


def lap_errors(weekends: int, seed: int, **said) -> dict[str, float]:
    """Return error and cover of the laps left of one worn tyre per corner and weekend."""
    rng, event = np.random.default_rng(seed), make_event()
    errors, held, true, widths, low = [], [], [], [], []
    for _ in range(weekends):
        weekend = simulate(rng, **said)
        found = fit(weekend, event)
        last = weekend.readings[weekend.readings["after_run"] != ""].iloc[-4:]
        for tyre_id, row in zip(last["tyre_id"], last.itertuples(), strict=True):
            tyre = next(t for t in weekend.tyres if t.tyre_id == tyre_id)
            now = (row.inner_mm, row.centre_mm, row.outer_mm)
            mean, lower, upper = found.laps_left(
                tyre.corner, now, LIMIT_MM, 0.9, age_laps=tyre.age, tyre_id=tyre_id
            )
            truth = true_laps_left(tyre, weekend.session_sd, rng)
            errors.append(mean - truth)
            held.append(lower <= truth <= upper)
            low.append(truth < lower)
            widths.append(upper - lower)
            true.append(truth)
    return {
        "median_error": float(np.median(np.abs(errors))), "bias": float(np.median(errors)),
        "rmse": float(np.sqrt(np.mean(np.clip(errors, -100, 100) ** 2))),
        "cover_pct": 100 * float(np.mean(held)), "below_lower_pct": 100 * float(np.mean(low)),
        "width": float(np.median(widths)), "mean_laps": float(np.mean(true)),
    }  # fmt: skip


def race_wear(weekends: int, seed: int) -> dict[str, float]:
    """Return error in % and cover of the wear of a race after practice runs of 6 to 9 laps.

    Race: 15 laps at pace with a formation and a cool-down lap. `whole_bias_pct` is the error
    when slow laps count as whole ones, in learning as in forecasting.
    """
    rng, event = np.random.default_rng(seed), make_event()
    errors, whole, held = [], [], []
    for _ in range(weekends):
        weekend = simulate(rng, run_laps=(6, 10))
        found = fit(weekend, event)
        known = weekend.readings.drop(columns="slow_laps")
        plain = TreadModel(known, event, beliefs(event).tread).fit()
        session = 1 + rng.normal(0, weekend.session_sd * 0.8)
        for tyre in weekend.tyres[:4]:
            new = Tyre(**{**tyre.__dict__, "depth": np.full(3, 4.5), "age": 0, "factor": 1.0})
            new.run(17, session * (1 + rng.normal(0, weekend.session_sd * 0.6)), weekend.slow_share)
            truth = float((4.5 - new.depth).max())
            said = found.mean_wear_mm(tyre.corner, 17.0, slow_laps=2.0)
            errors.append(said / truth - 1)
            whole.append(plain.mean_wear_mm(tyre.corner, 17.0) / truth - 1)
            low, high = (
                found.quantile_wear_mm(tyre.corner, 17.0, p, slow_laps=2.0) for p in (0.05, 0.95)
            )
            held.append(low <= truth <= high)
    return {
        "bias_pct": 100 * float(np.mean(errors)), "whole_bias_pct": 100 * float(np.mean(whole)),
        "rmse_pct": 100 * float(np.std(errors)), "cover_pct": 100 * float(np.mean(held)),
    }  # fmt: skip


def main() -> None:
    """Print the tread figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--weekends", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    said = parser.parse_args()
    print(f"{said.weekends} weekends, four tyres each; a race after short runs:", flush=True)
    print(race_wear(said.weekends, said.seed), flush=True)
    for name, case in {
        "typical": {}, "two sets": {"sets": 3}, "harsh": {"harsh": True},
        "session spread 15 %": {"session_sd": 0.15}, "session spread 5 %": {"session_sd": 0.05},
        "no new reading": {"read_new": False}, "three sessions": {"sessions": 3},
    }.items():  # fmt: skip
        print(name, lap_errors(said.weekends, said.seed, **case), flush=True)


if __name__ == "__main__":
    main()
