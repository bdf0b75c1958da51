"""A race with stops, and the tyre sets for it, drawn up from the event, its fits and the tyre plan.

What is assumed on the way is said in the race's notes.
"""

from __future__ import annotations

import math
from functools import partial

import numpy as np
import pandas as pd

from tyrekit.fit.fuel_use import FuelUseResults
from tyrekit.fit.lap_time import LapTimeResults
from tyrekit.model.petrol import density_kg_per_l
from tyrekit.plan.allocation import AllocationPlan
from tyrekit.plan.problem import CORNERS, AllocationProblem, Floats
from tyrekit.plan.programme import lap_time_s, laps_to_run
from tyrekit.plan.stint_search import FIRST, LAST, MIDDLE, ONLY
from tyrekit.plan.stints import StintRace, TyreSet
from tyrekit.record.event import Event, LongestLife, MinimumTread, Session

NODES = 16  # lengths at which the fuel need is worked out; between them it is all but straight
MORE_STOPS = 2  # looked at beyond those that rules, tyres and tank ask for


def stint_race(
    event: Event,
    session: Session,
    lap_time: LapTimeResults,
    fuel_use: FuelUseResults,
    *,
    sets: int,
    bowser_c: float = 15.0,
) -> StintRace:
    """Return a race as numbers for `stint_plans` and `caution_policy`.

    Parameters
    ----------
    session : Session
        A race; without ``stops`` it is one stint.
    sets : int
        Tyre sets to be had for it.
    bowser_c : float
        Temperature of the petrol as it is filled, -30 to 60 degC.
    """
    lap_s = lap_time_s(lap_time, session)
    laps = laps_to_run(session, lap_s[0])
    stops = session.stops
    refuel = stops is not None and stops.refuel
    share = event.fuel.shortfall_risk / ((stops.minimum if stops else 0) + 1 if refuel else 1)
    fuel_kg = fuel_by_laps(event, session, fuel_use, laps, bowser_c, share)
    use = fuel_use.use_by_kind(race=True)["mean"]
    least = stops.minimum if stops else 0
    return StintRace(
        session=session.id,
        laps=laps,
        stop_s=event.circuit.pit_loss_s + (stops.stationary_s if stops else 0.0),
        standing_s=stops.stationary_s if stops else 0.0,
        warm_up_s=max(0.0, float(sum(lap_time.warm_up_s))),
        least_stops=least,
        most_stops=_most_stops(session, laps, sets, fuel_kg) if stops else 0,
        first_lap=stops.first_lap if stops else 1,
        last_lap=min(stops.last_lap, laps - 1) if stops else laps - 1,
        change_tyres=stops is not None and stops.tyres,
        refuel=refuel,
        fuel_kg=fuel_kg,
        use_kg_per_lap=float(use["timed"]),
        fuel_effect_s_per_kg=lap_time.fuel_effect_s_per_kg[0],
        formation_laps=session.formation_laps,
        formation_kg=session.formation_laps * float(use["formation"]),
        cool_down_laps=session.cool_down_laps,
        caution=session.caution,
        notes=_notes(session, laps, share, refuel),
    )


def fuel_by_laps(
    event: Event,
    session: Session,
    fuel_use: FuelUseResults,
    laps: int,
    bowser_c: float,
    risk: float,
) -> Floats:
    """Return the fuel to start n laps between stops with, by role, (4, laps + 1) in kg.

    No caution is counted on; inf where the tank cannot hold it. The last stint carries the
    sample too. Without refuelling only the whole race is worked out, the rest is inf.
    """
    density = density_kg_per_l(event.fuel.density_kg_per_l, bowser_c)
    kept = max(density, event.fuel.density_kg_per_l)
    load_kg = partial(_load_kg, event, session, fuel_use, kept, risk)
    out = np.full((4, laps + 1), np.inf)
    if session.stops is not None and session.stops.refuel:
        nodes = np.unique(np.round(np.geomspace(1, laps, NODES))).astype(int)
        for role in range(4):
            out[role] = np.interp(
                np.arange(laps + 1.0), nodes, [load_kg(int(n), role) for n in nodes]
            )
    else:
        out[ONLY, -1] = load_kg(laps, ONLY)
    return np.where(out <= event.fuel.tank_l * density + 1e-9, out, np.inf)


def _load_kg(
    event: Event,
    session: Session,
    fuel_use: FuelUseResults,
    kept_density: float,
    risk: float,
    laps: int,
    role: int,
) -> float:
    first, last = role in (FIRST, ONLY), role in (LAST, ONLY)
    need = fuel_use.need(
        laps,
        formation_laps=session.formation_laps if first else 0,
        cool_down_laps=session.cool_down_laps if last else 0,
        wet=session.wet,
    )
    aside_l = event.fuel.unusable_l + (event.fuel.sample_l if last else 0.0)
    return need.quantile(1 - risk) + aside_l * kept_density


def _most_stops(session: Session, laps: int, sets: int, fuel_kg: Floats) -> int:
    """Return the stops beyond which none is looked at: rules, tyres and tank, and a few more."""
    stops = session.stops
    assert stops is not None
    by_tank = 0
    if stops.refuel:
        reach = np.flatnonzero(np.isfinite(fuel_kg[MIDDLE]))
        by_tank = math.ceil(laps / max(int(reach.max(initial=1)), 1)) - 1
    by_tyres = sets - 1 if stops.tyres else 0
    return max(stops.minimum + MORE_STOPS, by_tyres, by_tank + MORE_STOPS)


def _notes(session: Session, laps: int, share: float, refuel: bool) -> tuple[str, ...]:
    notes = ["a stint ends with its lap into the pits; stops are made inside the window only"]
    if session.stops is None:
        notes.append(f"{session.id} has no [stops]: one stint is planned")
    if session.minutes is not None:
        notes.append(f"a race to time is planned as {laps} laps")
    if refuel:
        notes.append(f"each stint's fuel is enough with a chance of {share:.2%} of running short")
        notes.append("no caution is counted on for fuel")
    return tuple(notes)


def race_sets(event: Event, plan: AllocationPlan, session: Session) -> tuple[TyreSet, ...]:
    """Return the sets that the tyre plan gives to a race: one per stint that changes all four.

    Parameters
    ----------
    plan : AllocationPlan
        With the race in it; tyres that stay on are one set.
    """
    own = plan.table[plan.table["session"] == session.id]
    found: list[TyreSet] = []
    met: set[str] = set()
    for _, rows in own.groupby("stint"):
        rows = rows.set_index("corner").loc[list(CORNERS)]
        ids = [str(tyre_id) for tyre_id in rows["tyre_id"]]
        if met.isdisjoint(ids):
            found.append(_tyre_set(event, plan.problem, session, " ".join(ids), rows))
        met |= set(ids)
    return tuple(found)


def _tyre_set(
    event: Event, problem: AllocationProblem, session: Session, name: str, rows: pd.DataFrame
) -> TyreSet:
    ages, cycles = rows["age_laps"].to_numpy(int), rows["heat_cycles"].to_numpy(float)
    race_laps = sum(s.tyre_laps for s in problem.stints if s.session == session.id)
    size = min(race_laps, len(problem.age_loss_s) - int(ages.max()))
    at = ages[:, None] + np.arange(size)
    share = problem.corner_share
    heat = float(share @ cycles)
    draws_s = None
    if len(problem.age_loss_draws_s):
        drawn = np.tensordot(problem.age_loss_draws_s[:, at], share, axes=(1, 0))
        draws_s = drawn + heat * problem.heat_cycle_draws_s[:, None]
    return TyreSet(
        name=name,
        age_laps=float(ages.mean()),
        lap_loss_s=share @ problem.age_loss_s[at] + heat * problem.heat_cycle_s,
        longest_laps=min(size, _longest_laps(event, problem, rows)),
        draws_s=draws_s,
    )


def _longest_laps(event: Event, problem: AllocationProblem, rows: pd.DataFrame) -> int:
    """Return the laps that life and tread limits leave to the four tyres from the race's start."""
    left = math.inf
    for limit in event.limits:
        if isinstance(limit, LongestLife):
            ran = (rows["age_end_laps"] - rows["age_laps"]) * problem.lap_km
            start_km = (rows["distance_km"] - ran).max()
            by_laps = math.inf if limit.laps is None else limit.laps - rows["age_laps"].max()
            by_km = math.inf if limit.km is None else (limit.km - start_km) // problem.lap_km
            left = min(left, by_laps, by_km)
        elif isinstance(limit, MinimumTread):
            wear_mm = problem.wear_high[max(problem.wear_high)].run_in_mm
            rate = wear_mm[:, -1] / (wear_mm.shape[1] - 1)
            spare = (rows["tread_end_low_mm"].to_numpy(float) - limit.mm) / rate
            planned = (rows["age_end_laps"] - rows["age_laps"]).to_numpy(float)
            left = min(left, float((planned + np.floor(spare + 1e-9)).min()))
    return int(min(left, len(problem.age_loss_s)))
