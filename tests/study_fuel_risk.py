"""Weekends end to end: how often the advised fuel load runs short. Simulated truth.

    python tests/study_fuel_risk.py [weekends] [races of each]

The cars are not made of the fit's terms: a heavier car burns more, dense morning air takes more
petrol, a tow saves some of it for part of a race, use wanders from lap to lap, cautions last a few
whole laps, fills and drains are read in litres at a temperature that is a little off, and the
channel drifts between sessions. Practice is logged, fitted, and `fuel_load` advises as it would on
the day, rounding, sample and unusable fuel included; then the races are run.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))
from invented import invented

from tyrekit.fit.fuel_use import FuelUseModel
from tyrekit.fit.lap_time import LapTimeModel
from tyrekit.fit.prior import beliefs
from tyrekit.plan.fuel_load import fuel_load
from tyrekit.record.event import Event, Session, parse_event

LAP_S = (95.6, 0.4)  # what is believed of the leader's race lap; its truth is drawn from it
DENSITY = 0.745
RUN_LAPS, RUNS = 9, 2
START = pd.Timestamp("2026-05-16T09:10", tz="UTC")
AIR_C = {"P1": 14.0, "P2": 17.0, "R1": 16.0, "R2": 20.0}


@dataclass(frozen=True)
class Engine:
    """How one car burns: kg of a timed lap in still air of 15 degC with 20 kg aboard."""

    use_kg: float
    mass_kg: float
    mass_power: float
    air_power: float
    wander: float
    session_sd: float
    tow: float
    slow: float
    caution: float
    scale: float


def engine(rng: np.random.Generator) -> Engine:
    return Engine(
        use_kg=rng.uniform(0.9, 1.6),
        mass_kg=rng.uniform(1350, 1550),
        mass_power=rng.uniform(0.2, 0.6),
        air_power=rng.uniform(0.3, 1.0),
        wander=rng.uniform(0.008, 0.016),
        session_sd=rng.uniform(0.004, 0.012),
        tow=rng.uniform(0.0, 0.03),
        slow=rng.uniform(0.75, 0.95),
        caution=rng.uniform(0.40, 0.62),
        scale=rng.normal(1.0, 0.04),
    )


def lap_kg(
    car: Engine, kinds: list[str], start_kg: float, air_c: float, level: float, tow: float,
    rng: np.random.Generator,
) -> np.ndarray:  # fmt: skip
    """Return what each lap of a run or race burns."""
    share = {"timed": 1.0, "out": car.slow, "in": car.slow, "caution": car.caution,
             "formation": 0.5, "cool_down": 0.5}  # fmt: skip
    aboard, wander, found = start_kg, 0.0, []
    air = (288.15 / (273.15 + air_c)) ** car.air_power
    for kind in kinds:
        wander = 0.5 * wander + np.sqrt(0.75) * rng.standard_t(6) * np.sqrt(4 / 6)
        mass = ((car.mass_kg + aboard) / (car.mass_kg + 20.0)) ** car.mass_power
        kg = car.use_kg * share[kind] * air * mass * np.exp(level + car.wander * wander)
        kg *= 1.0 - 0.04 * (rng.random() < tow)
        found.append(kg)
        aboard -= kg
    return np.array(found)


def practised(car: Engine, rng: np.random.Generator) -> tuple[pd.DataFrame, ...]:
    """Return laps, fuel book and runs of two practices of two runs each."""
    laps, book, runs = [], [], []
    for number in range(2 * RUNS):
        session, run_id = f"P{number // RUNS + 1}", f"run {number}"
        at = START + pd.Timedelta(minutes=40 * number)
        if number % RUNS == 0:
            level, drift = rng.normal(0, car.session_sd), rng.normal(0, 0.002)
        kinds = ["out", *["timed"] * (RUN_LAPS - 2), "in"]
        filled = 18.0 + 8.0 * (number % RUNS)
        kg = lap_kg(car, kinds, filled, AIR_C[session], level, 0.1, rng)
        logged = np.round(kg / DENSITY / (car.scale * (1 + drift)), 2)
        laps += [
            (run_id, session, i + 1, kind, litres)
            for i, (kind, litres) in enumerate(zip(kinds, logged, strict=True))
        ]
        runs.append((run_id, session, at, filled + 2.5 * DENSITY))
        for kind, mass, minutes in (("fill", filled, -5), ("drain", filled - kg.sum(), 20)):
            celsius = AIR_C[session] + rng.normal(3, 3)
            litres = mass / (DENSITY * (1 - 0.0012 * (celsius - 15))) + rng.normal(0, 0.1)
            when, read_c = at + pd.Timedelta(minutes=minutes), celsius + rng.normal(0, 1)
            book.append((when, run_id, kind, np.nan, litres, read_c))
    return (
        pd.DataFrame(laps, columns=["run_id", "session", "lap", "kind", "fuel_used_l"]),
        pd.DataFrame(book, columns=["taken_at", "run_id", "kind", "mass_kg", "volume_l", "fuel_c"]),
        pd.DataFrame(runs, columns=["run_id", "session", "start", "fuel_start_kg"]),
    )


def race_kinds(session: Session, rng: np.random.Generator) -> Iterator[str]:
    """Yield the laps of one race: so many cautions as stated on average, each two to five laps."""
    caution, lap_s = session.caution, rng.normal(*LAP_S)
    limit_s = np.inf if session.minutes is None else 60.0 * session.minutes
    elapsed_s, done, under = 0.0, 0, 0
    yield from ["formation"] * session.formation_laps
    while elapsed_s < limit_s and done < (session.laps or 999):
        if not under and rng.random() < caution.chance_per_lap:
            under = int(rng.integers(2, 6))
        yield "caution" if under else "timed"
        elapsed_s += lap_s * (caution.lap_time_pct / 100 if under else 1.0)
        done, under = done + 1, max(under - 1, 0)
    yield from ["cool_down"] * session.cool_down_laps


def raced_kg(car: Engine, session: Session, start_kg: float, rng: np.random.Generator) -> float:
    level, tow = rng.normal(0, car.session_sd), rng.uniform(0, 2 * car.tow) / 0.04
    kinds = list(race_kinds(session, rng))
    return float(lap_kg(car, kinds, start_kg, AIR_C[session.id], level, tow, rng).sum())


@cache
def event_and_pace():
    """The invented event and a lap-time fit, which only says what a litre costs."""
    source = invented()
    event = parse_event(source.EVENT)
    laps = source.invented_laps()
    return event, LapTimeModel(laps, beliefs(event).lap_time, sessions=event.sessions).fit()


def weekend(event: Event, seed: int, races: int) -> dict[str, tuple[np.ndarray, float]]:
    """Return for each race what is left above unusable and sample in kg, and kg per lap."""
    rng = np.random.default_rng(seed)
    car = engine(rng)
    fuel_use = FuelUseModel(*practised(car, rng), event, beliefs(event).fuel_use).fit()
    found = {}
    for name in ("R1", "R2"):
        session = event.session(name)
        load = fuel_load(event, session, fuel_use, event_and_pace()[1], lap_s=LAP_S)
        aboard = load.start_kg + load.refuel_kg
        usable = aboard - load.unusable_kg - load.sample_kg
        burnt = [raced_kg(car, session, aboard, rng) for _ in range(races)]
        found[name] = usable - np.array(burnt), car.use_kg
    return found


def main(weekends: int, races: int) -> None:
    event = event_and_pace()[0]
    parts = [weekend(event, 5000 + seed, races) for seed in range(weekends)]
    print(f"{weekends} weekends of cars not made of the fit's terms, {races} races of each:")
    for name in ("R1", "R2"):
        short = np.array([(part[name][0] < 0).mean() for part in parts])
        once = np.array([part[name][0][0] < 0 for part in parts])
        spare = np.mean([part[name][0].mean() / part[name][1] for part in parts])
        kind = "laps" if event.session(name).minutes is None else "time"
        print(
            f"  race to {kind}: {short.mean():.2%} ± {short.std() / np.sqrt(weekends):.2%} ran"
            f" short, {100 * event.fuel.shortfall_risk:.2f}% stated; first race of each weekend"
            f" {once.sum()} of {weekends}; spare {spare:.2f} laps on average"
        )


if __name__ == "__main__":
    said = [int(word) for word in sys.argv[1:]]
    main(*(said + [2000, 20][len(said) :]))
