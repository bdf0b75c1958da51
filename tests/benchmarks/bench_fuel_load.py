"""Fuel loads: speed against simulation, the stated risk, and what weekends of an invented car show.

    python tests/benchmarks/bench_fuel_load.py [weekends]

Medians of processor time over five races in one process. The car, its laps and its races are
invented; every weekend draws its own truth from the beliefs and is fitted from its practice laps.
"""

import sys
import time
from statistics import median

import numpy as np
import pandas as pd
from invented import invented

from tyrekit.fit.fuel_need import FuelNeed
from tyrekit.fit.fuel_use import FuelUseModel
from tyrekit.fit.prior import beliefs
from tyrekit.plan.fuel_load import session_need
from tyrekit.record.event import Event, Session, parse_event

LAP_S = (95.6, 0.4)
SCATTER = {"out": 3.0, "in": 3.0, "caution": 6.0, "formation": 4.0, "cool_down": 4.0}
START = pd.Timestamp("2026-05-16T09:10", tz="UTC")
FILLED_KG, WEIGHING_KG = 20.0, 0.2


def the_event() -> Event:
    return parse_event(invented().EVENT)


def driven(session: Session, races: int, rng: np.random.Generator):
    """Laps and caution laps of each race, driven lap by lap until it is over."""
    caution = session.caution
    mean_s = rng.normal(*LAP_S, size=races)
    limit_s = np.inf if session.minutes is None else 60.0 * session.minutes
    laps, under = np.zeros(races, dtype=int), np.zeros(races, dtype=int)
    elapsed, now = np.zeros(races), np.zeros(races, dtype=bool)
    running = np.ones(races, dtype=bool)
    goes_on = 1 - 1 / caution.mean_laps
    while running.any():
        now = rng.random(races) < np.where(now, goes_on, caution.chance_per_lap)
        elapsed += mean_s * np.where(now, caution.lap_time_pct / 100, 1.0)
        laps += running
        under += running & now
        running &= (elapsed < limit_s) & (laps < (session.laps or 999))
    return laps, under


def burnt_kg(need: FuelNeed, laps, under, rng: np.random.Generator):
    part = need.components
    keys = part["laps"].to_numpy() * 1000 + part["caution_laps"].to_numpy()
    order = np.argsort(keys)
    at = order[np.searchsorted(keys[order], laps * 1000 + under).clip(max=len(keys) - 1)]
    centre, sd, df = (part[n].to_numpy(float)[at] for n in ("log_kg", "log_sd", "df"))
    return np.exp(centre + sd * rng.standard_t(df))


def practice(event: Event, truth: dict[str, float], rng: np.random.Generator):
    """Two practices of two runs of nine laps as logged, and the fuel weighed in and out."""
    laps, book, runs = [], [], []
    changes = rng.normal(0, truth["session_sd"], size=2)
    for number in range(4):
        session, run_id = f"P{number // 2 + 1}", f"run {number}"
        change = changes[number // 2]
        at = START + pd.Timedelta(minutes=40 * number)
        used_kg = 0.0
        for lap in range(1, 10):
            kind = "out" if lap == 1 else "in" if lap == 9 else "timed"
            share = truth.get(f"{kind}_share", 1.0)
            noise = truth["lap_sd"] * SCATTER.get(kind, 1.0) * rng.standard_normal()
            kg = truth["use_kg"] * share * np.exp(change) * (1 + noise)
            used_kg += kg
            litres = kg / event.fuel.density_kg_per_l / truth["flow_scale"]
            laps.append((run_id, session, lap, kind, litres))
        runs.append((run_id, session, at, FILLED_KG + 2.5 * event.fuel.density_kg_per_l))
        for kind, kg, minutes in (("fill", FILLED_KG, -5), ("drain", FILLED_KG - used_kg, 20)):
            weighed = kg + WEIGHING_KG * rng.standard_normal()
            when = at + pd.Timedelta(minutes=minutes)
            book.append((when, run_id, kind, weighed, np.nan, np.nan))
    return (
        pd.DataFrame(laps, columns=["run_id", "session", "lap", "kind", "fuel_used_l"]),
        pd.DataFrame(book, columns=["taken_at", "run_id", "kind", "mass_kg", "volume_l", "fuel_c"]),
        pd.DataFrame(runs, columns=["run_id", "session", "start", "fuel_start_kg"]),
    )


def drawn_truth(event: Event, rng: np.random.Generator) -> dict[str, float]:
    """A truth drawn from the beliefs."""
    belief = beliefs(event).fuel_use
    names = ("flow_scale", "out_share", "in_share", "caution_share", "formation_share",
             "cool_down_share", "race_shift_pct")  # fmt: skip
    truth = {name: rng.normal(belief[name].mean, belief[name].sd) for name in names}
    change, noise = belief["session_change_pct"], belief["lap_noise_pct"]
    truth["session_sd"] = change.mean / 100 * np.sqrt(change.df / rng.chisquare(change.df))
    truth["lap_sd"] = noise.mean / 100 * np.sqrt(noise.df / rng.chisquare(noise.df))
    return truth | {"use_kg": 1.15 * rng.lognormal(0, 0.08)}


def true_need_kg(session: Session, truth: dict[str, float], races: int, rng: np.random.Generator):
    """What so many races of one true weekend burn."""
    laps, under = driven(session, races, rng)
    counts = {"timed": laps - under, "caution": under,
              "formation": session.formation_laps, "cool_down": session.cool_down_laps}  # fmt: skip
    base = truth["use_kg"] * np.exp(rng.normal(0, truth["session_sd"], size=races))
    base *= np.exp(truth["race_shift_pct"] / 100)
    kg = np.zeros(races)
    for kind, n in counts.items():
        scatter = SCATTER.get(kind, 1.0) * np.sqrt(n) * rng.standard_normal(races)
        kg += base * truth.get(f"{kind}_share", 1.0) * (n + truth["lap_sd"] * scatter)
    return kg


def fitted(event: Event, truth: dict[str, float], rng: np.random.Generator):
    laps, book, runs = practice(event, truth, rng)
    return FuelUseModel(laps, book, runs, event, beliefs(event).fuel_use).fit()


def speed_and_risk(event: Event) -> None:
    print("closed form against two million drawn races:")
    for name in ("R1", "R2"):
        session, fast, slow, risks = event.session(name), [], [], []
        for seed in range(5):
            rng = np.random.default_rng(seed)
            fuel_use = fitted(event, drawn_truth(event, rng), rng)
            start = time.process_time()
            need = session_need(session, fuel_use, LAP_S)
            load_kg = need.quantile(0.995)
            fast.append(time.process_time() - start)
            start, short = time.process_time(), 0
            for _ in range(8):
                short += int((burnt_kg(need, *driven(session, 250_000, rng), rng) > load_kg).sum())
            slow.append(time.process_time() - start)
            risks.append(short / 2_000_000)
        ratio = median(b / a for a, b in zip(fast, slow, strict=True))
        worst = max(abs(r - 0.005) for r in risks)
        kind = "laps" if session.minutes is None else "time"
        print(
            f"  race to {kind}: {1e3 * median(fast):.1f} ms, {ratio:.0f} times faster; risk at"
            f" most {worst:.5f} from 0.005, mean {np.mean(risks):.5f}"
        )


def weekends(event: Event, number: int, races: int = 100) -> None:
    """Print how often weekends run short; many races of each weekend take the luck out of it."""
    short: dict[str, list[float]] = {"R1": [], "R2": []}
    spare: dict[str, list[float]] = {"R1": [], "R2": []}
    for seed in range(number):
        rng = np.random.default_rng(1000 + seed)
        truth = drawn_truth(event, rng)
        fuel_use = fitted(event, truth, rng)
        for name in short:
            session = event.session(name)
            load_kg = session_need(session, fuel_use, LAP_S).quantile(0.995)
            left_kg = load_kg - true_need_kg(session, truth, races, rng)
            short[name].append((left_kg < 0).mean())
            spare[name].append(left_kg.mean() / truth["use_kg"])
    print(f"{number} weekends, truth drawn from the beliefs, fuel weighed in and out four times:")
    for name, share in short.items():
        error = np.std(share) / np.sqrt(number)
        print(
            f"  {name}: {np.mean(share):.2%} ± {error:.2%} ran short, 0.50% stated; spare"
            f" {np.mean(spare[name]):.2f} laps on average"
        )


if __name__ == "__main__":
    event = the_event()
    speed_and_risk(event)
    weekends(event, int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
