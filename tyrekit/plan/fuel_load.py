"""Start fuel at a stated risk of running short, and what it does to the mass at the finish."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tyrekit.fit.fuel_use import FuelNeed, FuelUseResults
from tyrekit.fit.lap_time import LapTimeResults
from tyrekit.model.petrol import density_kg_per_l
from tyrekit.plan.programme import lap_time_s, laps_to_run
from tyrekit.record.event import Driver, Event, Session

STEP_L = 0.1  # a churn is read to a tenth of a litre
FINISH_RISK = 0.001  # the least fuel that may be left is this quantile of what is burnt


@dataclass(frozen=True)
class FuelLoad:
    """Fuel to start one session with, and what follows from it.

    ``status`` is ``optimal`` (the least load within the accepted risk) or ``impossible``, and
    then ``blocked_by`` says in words which limit is in the way. ``table`` holds the risk and the
    race time against the load.
    """

    session: str
    status: str
    laps: float
    start_l: float
    start_kg: float
    bowser_c: float
    need_kg: float
    need_lower_kg: float
    need_upper_kg: float
    unusable_kg: float
    sample_kg: float
    shortfall_risk: float
    accepted_risk: float
    refuel_kg: float
    seconds_per_litre: float
    finish_fuel_kg: float
    finish_mass_kg: float
    ballast_kg: float
    ballast_change_kg: float
    driver: str
    table: pd.DataFrame
    blocked_by: tuple[str, ...]
    notes: tuple[str, ...]


def fuel_load(
    event: Event,
    session: Session,
    fuel_use: FuelUseResults,
    lap_time: LapTimeResults,
    *,
    bowser_c: float = 15.0,
) -> FuelLoad:
    """Return the least start fuel whose chance of running short is within the accepted risk.

    Parameters
    ----------
    event : Event
        Tank, unusable fuel, sample, accepted risk, masses.
    session : Session
        Practice, qualifying or race; to laps or to time.
    fuel_use : FuelUseResults
        Gives the predictive distribution of the fuel needed.
    lap_time : LapTimeResults
        Gives the lap time of a race to time and what a kilogram costs.
    bowser_c : float
        Temperature of the petrol as it is filled, -20 to 50 degC.
    """
    lap_s = lap_time_s(lap_time, session)
    need = session_need(session, fuel_use, lap_s)
    laps = laps_to_run(session, lap_s[0])
    density = density_kg_per_l(event.fuel.density_kg_per_l, bowser_c)
    kept_density = max(density, event.fuel.density_kg_per_l)  # colder petrol is the heavier case
    unusable_kg = event.fuel.unusable_l * kept_density
    sample_kg = event.fuel.sample_l * kept_density
    aside_kg = unusable_kg + sample_kg
    risk = event.fuel.shortfall_risk
    wanted_l = _round_up((aside_kg + need.quantile(1 - risk)) / density)
    start_l, refuel_kg, blocked = _fit_tank(event, session, wanted_l, density)
    start_kg = start_l * density
    aboard_kg = start_kg + refuel_kg
    driver = min(event.drivers, key=lambda d: d.mass_kg)
    finish_fuel_kg = max(unusable_kg, aboard_kg - need.quantile(1 - FINISH_RISK) - sample_kg)
    ballast_kg, finish_mass_kg, too_light = _ballast(event, driver, finish_fuel_kg)
    blocked += too_light
    effect, _ = lap_time.fuel_effect_s_per_kg
    return FuelLoad(
        session=session.id,
        status="impossible" if blocked else "optimal",
        laps=laps,
        start_l=start_l,
        start_kg=start_kg,
        bowser_c=bowser_c,
        need_kg=need.mean,
        need_lower_kg=float(need.quantile(0.05)),
        need_upper_kg=float(need.quantile(0.95)),
        unusable_kg=unusable_kg,
        sample_kg=sample_kg,
        shortfall_risk=float(need.exceedance(aboard_kg - aside_kg)),
        accepted_risk=risk,
        refuel_kg=refuel_kg,
        seconds_per_litre=effect * density * laps,
        finish_fuel_kg=finish_fuel_kg,
        finish_mass_kg=finish_mass_kg,
        ballast_kg=ballast_kg,
        ballast_change_kg=ballast_kg - event.car.ballast_kg,
        driver=driver.name,
        table=risk_table(need, aside_kg, density, wanted_l, effect * density * laps),
        blocked_by=blocked,
        notes=_notes(event, session, driver, refuel_kg, bowser_c),
    )


def session_need(
    session: Session, fuel_use: FuelUseResults, lap_s: tuple[float, float]
) -> FuelNeed:
    """Return the predictive distribution of the fuel a session burns, out- and in-laps included."""
    race = session.kind == "race"
    to_time = race and session.minutes is not None
    laps = session.laps if race else laps_to_run(session, lap_s[0])
    return fuel_use.need(
        laps=laps,
        minutes=session.minutes if to_time else None,
        lap_time=lap_s if to_time else None,
        formation_laps=session.formation_laps,
        cool_down_laps=session.cool_down_laps,
        caution=session.caution if race else None,
    )


def risk_table(
    need: FuelNeed, aside_kg: float, density: float, chosen_l: float, seconds_per_litre: float
) -> pd.DataFrame:
    """Return load, risk of running short and time lost against the chosen load, a row per 0.1 l."""
    low_l = (aside_kg + float(need.quantile(0.2))) / density
    high_l = max((aside_kg + float(need.quantile(0.9999))) / density, chosen_l + 1.0)
    start_l = np.arange(math.floor(low_l / STEP_L), math.ceil(high_l / STEP_L) + 1) * STEP_L
    start_kg = start_l * density
    return pd.DataFrame(
        {
            "start_l": start_l,
            "start_kg": start_kg,
            "shortfall_risk": np.asarray(need.exceedance(start_kg - aside_kg), dtype=float),
            "time_lost_s": (start_l - chosen_l) * seconds_per_litre,
        }
    )


def _round_up(litres: float) -> float:
    return math.ceil(litres / STEP_L - 1e-9) * STEP_L


def _fit_tank(
    event: Event, session: Session, wanted_l: float, density: float
) -> tuple[float, float, tuple[str, ...]]:
    """Return start litres, kilograms to add at stops, and what is in the way."""
    tank_l = event.fuel.tank_l
    if wanted_l <= tank_l:
        return wanted_l, 0.0, ()
    stops = session.stops
    missing_l = wanted_l - tank_l
    if stops is not None and stops.refuel and missing_l <= tank_l * max(stops.minimum, 1):
        return tank_l, missing_l * density, ()
    return (
        tank_l,
        0.0,
        (
            f"{session.id} needs {wanted_l:.1f} l at the accepted risk and the tank holds"
            f" {tank_l:.1f} l: save fuel, shorten the stint, accept more risk, or refuel if the"
            " regulations allow it",
        ),
    )


def _ballast(
    event: Event, driver: Driver, finish_fuel_kg: float
) -> tuple[float, float, tuple[str, ...]]:
    """Return ballast to carry, lowest mass at the finish, and what is in the way."""
    car = event.car
    bare_kg = car.mass_kg + driver.mass_kg + finish_fuel_kg
    needed_kg = max(0.0, car.minimum_mass_kg - bare_kg)
    if needed_kg <= car.ballast_limit_kg:
        return needed_kg, bare_kg + needed_kg, ()
    short_kg = needed_kg - car.ballast_limit_kg
    words = (
        f"the car may finish {short_kg:.1f} kg under the minimum mass of {car.minimum_mass_kg:.0f}"
        f" kg even with {car.ballast_limit_kg:.0f} kg of ballast: start with {short_kg:.1f} kg"
        " more fuel or ask the scrutineers about the ballast limit"
    )
    return car.ballast_limit_kg, bare_kg + car.ballast_limit_kg, (words,)


def _notes(
    event: Event, session: Session, driver: Driver, refuel_kg: float, bowser_c: float
) -> tuple[str, ...]:
    notes = [
        f"litres are at {bowser_c:.0f} degC in the bowser; weigh the fuel if you can",
        f"{event.fuel.unusable_l:g} l unusable and {event.fuel.sample_l:g} l for the sample are"
        " on top of what is burnt",
    ]
    if len(event.drivers) > 1:
        notes.append(f"mass at the finish is for the lightest driver, {driver.name}")
    if refuel_kg > 0:
        notes.append(f"add {refuel_kg:.1f} kg at the stop: the tank cannot hold it at the start")
    if session.kind == "race" and session.cool_down_laps == 0:
        notes.append("no cool-down lap is given: fuel to drive back to the pits is not counted")
    return tuple(notes)
