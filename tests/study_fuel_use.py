"""Simulated weekends for the fuel fit: factor, need, risk. Run: python tests/study_fuel_use.py

The simulator shares no code with the fit: petrol expands linearly, laps have slowly wandering
use, sessions and the race differ, the channel is mis-scaled and rounded. Simulated truth.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from tyrekit.fit.fuel_use import FuelUseModel, FuelUseResults
from tyrekit.fit.prior import beliefs
from tyrekit.record.event import Event, parse_event

DENSITY = 0.745
EVENT = """
[event]
name = "Invented"
timezone = "UTC"
[circuit]
length_m = 3240.0
pit_loss_s = 34.0
[car]
number = "27"
mass_kg = 1418.0
ballast_kg = 20.0
ballast_limit_kg = 90.0
minimum_mass_kg = 1520.0
wheelbase_m = 2.7
track_front_m = 1.58
track_rear_m = 1.56
centre_of_gravity_height_m = 0.48
front_mass_pct = 56.0
roll_stiffness_front_pct = 55.0
[[driver]]
name = "A"
mass_kg = 82.0
[fuel]
tank_l = 70.0
unusable_l = 2.5
density_kg_per_l = 0.745
sample_l = 1.5
shortfall_risk = 0.005
[tyres]
minimum_tread_mm = 1.6
hot_target_bar = { front = 2.1, rear = 2.0 }
cold_minimum_bar = 1.4
"""
SESSIONS = ("P1", "P2", "P3", "Q", "R1", "R2")


def make_event(extra: str = "", wet: tuple[str, ...] = ()) -> Event:
    """Return an invented event of six sessions, 20 min each, races of 15 laps."""
    text = EVENT + extra
    for i, name in enumerate(SESSIONS):
        kind = {"P": "practice", "Q": "qualifying", "R": "race"}[name[0]]
        laps = "laps = 15\nformation_laps = 1\ncool_down_laps = 1\n" if kind == "race" else ""
        minutes = "" if kind == "race" else "minutes = 20\n"
        text += (
            f'[[session]]\nid = "{name}"\nkind = "{kind}"\nvalue = 1.0\n{laps}{minutes}'
            f'start = "2026-05-{16 + i // 4}T{9 + i:02d}:00:00"\nwet = {str(name in wet).lower()}\n'
        )
    return parse_event(text)


@dataclass(frozen=True)
class Truth:
    """What drove one simulated weekend."""

    scale: float
    use_kg: float
    race_shift: float


@dataclass(frozen=True)
class FuelWeekend:
    """Tables of one simulated weekend and its truth."""

    laps: pd.DataFrame
    fuel_book: pd.DataFrame
    runs: pd.DataFrame
    truth: Truth


def simulate(
    rng: np.random.Generator,
    *,
    sessions: tuple[str, ...] = ("P1", "P2", "P3", "Q"),
    reading_l: float = 0.1,
    session_sd: float = 0.01,
    scale: float | None = None,
    race_shift: float | None = None,
) -> FuelWeekend:
    """Return one weekend; truths not given are drawn from about the beliefs."""
    truth = Truth(
        scale if scale is not None else rng.normal(1.0, 0.045),
        rng.uniform(1.1, 2.0),
        rng.normal(0.0, 0.02) if race_shift is None else race_shift,
    )
    laps, book, runs = [], [], []
    for s, session in enumerate(sessions):
        start = pd.Timestamp("2026-05-16T09:00:00Z") + pd.Timedelta(hours=s)
        race = session.startswith("R")
        level = truth.use_kg * np.exp(rng.normal(0, session_sd) + truth.race_shift * race)
        kinds = ["formation"] * race + ["out"] * (not race) + ["timed"] * (15 if race else 13)
        kinds += ["cool_down" if race else "in"]
        weight = np.array(
            [{"timed": 1, "out": 0.85, "in": 0.85, "formation": 0.5, "cool_down": 0.5}[k]
             for k in kinds]
        )  # fmt: skip
        wander = stats.norm.rvs(size=len(kinds), random_state=rng)
        for i in range(1, len(wander)):
            wander[i] = 0.3 * wander[i - 1] + np.sqrt(1 - 0.09) * wander[i]
        kg = level * weight * np.exp(0.013 * wander)
        warm_c, cold_c = rng.uniform(15, 32), rng.uniform(10, 28)
        fill_kg, drain_kg = kg.sum() + 6.0, 6.0
        runs.append((f"{session}-1", session, start, fill_kg))
        for moved, kind, celsius, at in (
            (fill_kg, "fill", cold_c, start - pd.Timedelta(minutes=20)),
            (drain_kg, "drain", warm_c, start + pd.Timedelta(minutes=40)),
        ):
            litres = moved / (DENSITY * (1 - 0.0012 * (celsius - 15)))
            book.append((at, kind, np.nan, litres + rng.normal(0, reading_l), celsius))
        logged = np.round(kg / truth.scale / DENSITY, 3)
        before = np.concatenate([[0.0], np.cumsum(logged)[:-1]])
        laps += [
            (f"{session}-1", session, i + 1, kinds[i], logged[i], fill_kg, before[i],
             fill_kg - kg[:i].sum())
            for i in range(len(kinds))
        ]  # fmt: skip
    return FuelWeekend(
        pd.DataFrame(laps, columns=["run_id", "session", "lap", "kind", "fuel_used_l",
                                    "fuel_start_kg", "fuel_used_before_l", "true_fuel_kg"]),
        pd.DataFrame(book, columns=["taken_at", "kind", "mass_kg", "volume_l", "fuel_c"]),
        pd.DataFrame(runs, columns=["run_id", "session", "start", "fuel_start_kg"]),
        truth,
    )  # fmt: skip


def fit(weekend: FuelWeekend, event: Event) -> FuelUseResults:
    """Return the kit's fit of one simulated weekend."""
    believed = beliefs(event).fuel_use
    return FuelUseModel(weekend.laps, weekend.fuel_book, weekend.runs, event, believed).fit()


def race_kg(
    weekend: FuelWeekend,
    rng: np.random.Generator,
    n: int,
    session_sd: float = 0.01,
    slow_laps: bool = True,
) -> np.ndarray:
    """Return `n` true needs of the next race: 15 laps, with formation and cool-down or bare."""
    change = rng.normal(0, session_sd, n) + weekend.truth.race_shift
    level = weekend.truth.use_kg * np.exp(change)
    scatter = rng.normal(0, 0.013 * np.sqrt(1.3 / 0.7) / np.sqrt(16), n)  # AR(1) 0.3 over 16 laps
    shares = rng.normal(1.0, 0.14, n)  # formation plus cool-down: each 0.5 +- 0.1 of a lap
    return level * (15 * np.exp(scatter) + slow_laps * np.clip(shares, 0.2, None))


def factor_errors(weekends: int, seed: int, count: int, reading_l: float = 0.1) -> dict[str, float]:
    """Return RMSE in % and cover of the channel's scale after `count` sessions."""
    rng, event = np.random.default_rng(seed), make_event()
    errors, held = [], []
    for _ in range(weekends):
        weekend = simulate(rng, sessions=SESSIONS[:count], reading_l=reading_l)
        found = fit(weekend, event)
        errors.append(found.flow_scale.mean / weekend.truth.scale - 1)
        lower, upper = found.conf_int(0.9).loc["flow_scale"]
        held.append(lower <= weekend.truth.scale <= upper)
    return {"rmse_pct": 100 * float(np.sqrt(np.mean(np.square(errors)))),
            "cover_pct": 100 * float(np.mean(held))}  # fmt: skip


def risk(
    weekends: int, seed: int, nominal: float = 0.005, races: int = 200, slow_laps: bool = True
) -> dict[str, float]:
    """Return the true shortfall of a stated risk and the laps to spare, 15-lap race.

    The truth is drawn from the beliefs: scale, race shift, session spread, shares.
    """
    rng, event = np.random.default_rng(seed), make_event()
    short, spare, held = [], [], []
    for _ in range(weekends):
        session_sd = 0.01 * np.sqrt(5.9 / rng.chisquare(5.9))
        weekend = simulate(rng, session_sd=session_sd)
        need = fit(weekend, event).need(
            15, formation_laps=int(slow_laps), cool_down_laps=int(slow_laps)
        )
        load = need.quantile(1 - nominal)
        burnt = race_kg(weekend, rng, races, session_sd, slow_laps)
        short.append(np.mean(burnt > load))
        spare.append(np.mean(load - burnt) / weekend.truth.use_kg)
        low, high = need.quantile(0.05), need.quantile(0.95)
        held.append(np.mean((burnt > low) & (burnt < high)))
    return {"short_pct": 100 * float(np.mean(short)), "spare_laps": float(np.mean(spare)),
            "cover_pct": 100 * float(np.mean(held))}  # fmt: skip


def main() -> None:
    """Print the fuel figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--weekends", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    said = parser.parse_args()
    for count in (1, 3, 6):
        print(
            f"scale, {count} sessions, 0.1 l:",
            factor_errors(said.weekends, said.seed, count),
            flush=True,
        )
    for nominal in (0.005, 0.02, 0.05):
        print(f"risk {nominal}:", risk(said.weekends, said.seed, nominal), flush=True)
    print("risk 0.005, bare 15 laps:", risk(said.weekends, said.seed, slow_laps=False))


if __name__ == "__main__":
    main()
