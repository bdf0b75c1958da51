"""A race with stops drawn up as numbers from the event and its fits.

What is assumed on the way is said in the race's notes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial

import numpy as np

from tyrekit.fit.fuel_use import FuelUseResults
from tyrekit.fit.lap_time import LapTimeResults
from tyrekit.fit.result import percent
from tyrekit.model.petrol import density_kg_per_l
from tyrekit.plan.fuel_load import missing_mass_kg
from tyrekit.plan.programme import lap_time_s, laps_to_run, less_stops
from tyrekit.plan.stint_search import FIRST, LAST, MIDDLE, ONLY, Floats
from tyrekit.plan.stints import StintRace
from tyrekit.record.event import Event, Session

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
    lap_s: tuple[float, float] | None = None,
    start_kg: float | None = None,
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
    lap_s : (mean, sd) in s, optional
        Mean racing lap that decides how many laps a race to time has; by default our own.
    start_kg : float, optional
        Fuel to start with where none may be added, inf when the tank cannot hold it; by default
        worked out for the laps planned, without cautions.
    """
    laps = laps_to_run(less_stops(event, session), (lap_s or lap_time_s(lap_time, session))[0])
    stops = session.stops
    refuel = stops is not None and stops.refuel
    risk = event.fuel.shortfall_risk
    fuel_kg = fuel_by_laps(event, session, fuel_use, laps, bowser_c, [risk])
    most = _most_stops(session, laps, sets, fuel_kg[0])
    if refuel:  # the stints of a plan share the risk
        shares = [risk / (stops + 1) for stops in range(most + 1)]
        fuel_kg = fuel_by_laps(event, session, fuel_use, laps, bowser_c, shares)
    else:
        fuel_kg = np.repeat(fuel_kg, most + 1, axis=0)
        if start_kg is not None:
            fuel_kg[:, ONLY, -1] = start_kg
    use = fuel_use.use_by_kind(race=True)["mean"]
    return StintRace(
        session=session.id,
        laps=laps,
        stop_s=event.circuit.pit_loss_s + (stops.stationary_s if stops else 0.0),
        standing_s=stops.stationary_s if stops else 0.0,
        warm_up_s=max(0.0, float(sum(lap_time.warm_up_s))),
        least_stops=stops.minimum if stops else 0,
        most_stops=most,
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
        notes=_notes(session, laps, risk, most),
    )


def fuel_by_laps(
    event: Event,
    session: Session,
    fuel_use: FuelUseResults,
    laps: int,
    bowser_c: float,
    risks: Sequence[float],
) -> Floats:
    """Return the fuel to start n laps between stops with, by risk and role, in kg.

    The array is (risks, 4, laps + 1).

    No caution is counted on; inf where the tank cannot hold it. The last stint carries the
    sample too, and what the minimum mass at the finish takes beyond all the ballast.
    Without refuelling only the whole race is worked out, the rest is inf.
    """
    density = density_kg_per_l(event.fuel.density_kg_per_l, bowser_c)
    kept = max(density, event.fuel.density_kg_per_l)
    load_kg = partial(_load_kg, event, session, fuel_use, kept, risks)
    out = np.full((len(risks), 4, laps + 1), np.inf)
    if session.stops is not None and session.stops.refuel:
        nodes = np.unique(np.round(np.geomspace(1, laps, NODES))).astype(int)
        for role in range(4):
            loads = np.transpose([load_kg(int(n), role) for n in nodes])
            out[:, role] = [np.interp(np.arange(laps + 1.0), nodes, kg) for kg in loads]
    else:
        out[:, ONLY, -1] = load_kg(laps, ONLY)
    return np.where(out <= event.fuel.tank_l * density + 1e-9, out, np.inf)


def _load_kg(
    event: Event,
    session: Session,
    fuel_use: FuelUseResults,
    kept_density: float,
    risks: Sequence[float],
    laps: int,
    role: int,
) -> list[float]:
    first, last = role in (FIRST, ONLY), role in (LAST, ONLY)
    need = fuel_use.need(
        laps,
        formation_laps=session.formation_laps if first else 0,
        cool_down_laps=session.cool_down_laps if last else 0,
        wet=session.wet,
    )
    aside_l = event.fuel.unusable_l + (event.fuel.sample_l if last else 0.0)
    aside_kg = aside_l * kept_density
    if last:
        aside_kg += missing_mass_kg(event, event.fuel.unusable_l * kept_density)
    return [need.quantile(1 - risk) + aside_kg for risk in risks]


def _most_stops(session: Session, laps: int, sets: int, fuel_kg: Floats) -> int:
    """Return the stops beyond which none is looked at: rules, tyres and tank, and a few more."""
    stops = session.stops
    if stops is None:
        return 0
    by_tank = 0
    if stops.refuel:
        reach = int(np.flatnonzero(np.isfinite(fuel_kg[MIDDLE])).max(initial=0))
        by_tank = math.ceil(laps / reach) - 1 + MORE_STOPS if reach else 0
    by_tyres = sets - 1 if stops.tyres else 0
    most = max(stops.minimum + MORE_STOPS, by_tyres, by_tank)
    return most if stops.maximum is None else min(most, stops.maximum)


def _notes(session: Session, laps: int, risk: float, most: int) -> tuple[str, ...]:
    notes = ["a stint ends with its lap into the pits; stops are made inside the window only"]
    stops = session.stops
    if stops is None:
        notes.append(f"{session.id} has no [stops]: one stint is planned")
    if session.minutes is not None:
        notes.append(f"a race to time is planned as {laps} laps")
    if stops is not None and stops.refuel:
        shares = [f"{percent(risk / (n + 1), 2)} with {n}" for n in range(stops.minimum, most + 1)]
        notes.append(
            "the stints of a plan share the risk accepted; chance of running short in each, by the"
            f" stops it makes: {', '.join(shares)}"
        )
        notes.append("no caution is counted on for fuel")
        notes.append(
            f"every stop stands {stops.stationary_s:g} s, however much fuel is added: put the time"
            " of the longest fill into stationary_s"
        )
    return tuple(notes)
