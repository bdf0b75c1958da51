"""Start fuel at a stated risk of running short, and what it does to the mass at the finish.

Petrol vapour is explosive: fill, drain and weigh only as the event's regulations say, with the
fire cover they ask for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tyrekit.fit.fuel_need import FuelNeed
from tyrekit.fit.fuel_use import FuelUseResults
from tyrekit.fit.lap_time import LapTimeResults
from tyrekit.fit.result import percent
from tyrekit.model.petrol import density_kg_per_l
from tyrekit.plan.beyond import of_fuel
from tyrekit.plan.programme import lap_time_s, laps_to_run, less_stops
from tyrekit.record.event import Driver, Event, Session

STEP_L = 0.1  # a churn is read to a tenth of a litre
FULL_SHARE = 0.97  # of the tank: fuller, and warming petrol (0.12 % per K, API54B) may overflow


@dataclass(frozen=True)
class FuelLoad:
    """Fuel to start one session with, and what follows from it.

    Attributes
    ----------
    status : str
        ``optimal`` (the least load within the accepted risk) or ``impossible``; then
        ``blocked_by`` says in words which limit is in the way.
    laps : float
        Laps at racing pace, expected for a race to time.
    need_kg, need_lower_kg, need_upper_kg : float
        Fuel burnt, expected and its 90 % interval.
    shortfall_risk, joint_risk : float
        Chance of running short, and of that or finishing under the minimum mass: both come from
        high use, so they are one budget.
    refuel_kg : float
        To be added at stops; 0 unless the tank cannot hold it and the event allows it.
    finish_fuel_kg, finish_mass_kg : float
        Least fuel and mass at the finish, sample taken, within the accepted risk.
    table : DataFrame
        start_l, start_kg, shortfall_risk, time_lost_s against the load chosen.
    rests_on : tuple of str
        How much of it the weekend's data have settled.
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
    minimum_mass_kg: float
    ballast_kg: float
    ballast_change_kg: float
    driver: str
    table: pd.DataFrame
    blocked_by: tuple[str, ...]
    notes: tuple[str, ...]
    joint_risk: float = math.nan
    rests_on: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Tank:
    """The event's fuel as kilograms at the bowser's temperature."""

    density: float
    capacity_kg: float
    unusable_kg: float
    sample_kg: float

    @property
    def aside_kg(self) -> float:
        return self.unusable_kg + self.sample_kg

    def rounded_up_kg(self, mass_kg: float) -> float:
        return math.ceil(mass_kg / self.density / STEP_L - 1e-9) * STEP_L * self.density


def fuel_load(
    event: Event,
    session: Session,
    fuel_use: FuelUseResults,
    lap_time: LapTimeResults,
    *,
    bowser_c: float = 15.0,
    lap_s: tuple[float, float] | None = None,
    start_kg: float | None = None,
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
        Temperature of the petrol as it is filled, -30 to 60 degC.
    lap_s : (mean, sd) in s, optional
        Mean racing lap that decides how many laps a race to time has, for instance the leader's;
        by default our own, from `lap_time`.
    start_kg : float, optional
        What a race with refuelling starts with for its first stint; the rest is added at stops.

    Notes
    -----
    The need is a mixture over laps and caution laps with Student-t components, so the risk is
    their weighted tail (closed form), not one normal's.
    """
    lap_s = lap_s or lap_time_s(lap_time, session)
    session = less_stops(event, session)
    need = session_need(session, fuel_use, lap_s)
    tank = _tank(event, bowser_c)
    risk = event.fuel.shortfall_risk
    burnt_kg = need.quantile(1 - risk)
    driver = min(event.drivers, key=lambda d: d.mass_kg)
    extra_kg = missing_mass_kg(event, tank.unusable_kg)
    wanted_kg = tank.rounded_up_kg(tank.aside_kg + burnt_kg + extra_kg)
    own_kg, refuel_kg, blocked = _fit_tank(event, session, tank, wanted_kg, extra_kg)
    if start_kg is not None:
        refuel_kg = max(0.0, wanted_kg - start_kg)
    start_kg = own_kg if start_kg is None else start_kg
    aboard_kg = start_kg + refuel_kg
    finish_fuel_kg = max(tank.unusable_kg, aboard_kg - tank.sample_kg - burnt_kg)
    bare_kg = event.car.mass_kg + driver.mass_kg + finish_fuel_kg
    wanted_ballast_kg = max(0.0, event.car.minimum_mass_kg - bare_kg)
    ballast_kg = min(wanted_ballast_kg, event.car.ballast_limit_kg)
    enough_kg = aboard_kg - tank.sample_kg - finish_fuel_kg  # burn more and the car is too light
    laps = expected_laps(session, need, lap_s[0])
    seconds_per_litre = lap_time.fuel_effect_s_per_kg[0] * tank.density * laps
    return FuelLoad(
        session=session.id,
        status="impossible" if blocked else "optimal",
        laps=laps,
        start_l=start_kg / tank.density,
        start_kg=start_kg,
        bowser_c=bowser_c,
        need_kg=need.mean,
        need_lower_kg=need.quantile(0.05),
        need_upper_kg=need.quantile(0.95),
        unusable_kg=tank.unusable_kg,
        sample_kg=tank.sample_kg,
        shortfall_risk=float(need.exceedance(aboard_kg - tank.aside_kg)),
        joint_risk=float(need.exceedance(min(enough_kg, aboard_kg - tank.aside_kg))),
        accepted_risk=risk,
        refuel_kg=refuel_kg,
        seconds_per_litre=seconds_per_litre,
        finish_fuel_kg=finish_fuel_kg,
        finish_mass_kg=bare_kg + ballast_kg,
        minimum_mass_kg=event.car.minimum_mass_kg,
        ballast_kg=ballast_kg,
        ballast_change_kg=ballast_kg - event.car.ballast_kg,
        driver=driver.name,
        table=risk_table(need, tank.aside_kg, tank.density, wanted_kg, seconds_per_litre),
        blocked_by=blocked,
        rests_on=_rests_on(fuel_use),
        notes=(
            *_filling_notes(event, session.id, tank, bowser_c, start_kg, refuel_kg, extra_kg),
            *_mass_notes(event, driver),
            *of_fuel(lap_time, start_kg),
            *_race_notes(session, fuel_use, need, lap_s, tank, risk),
        ),
    )


def _tank(event: Event, bowser_c: float) -> _Tank:
    fuel = event.fuel
    density = density_kg_per_l(fuel.density_kg_per_l, bowser_c)
    kept = max(density, fuel.density_kg_per_l)  # what must stay is the heavier, the colder it is
    return _Tank(density, fuel.tank_l * density, fuel.unusable_l * kept, fuel.sample_l * kept)


def session_need(
    session: Session,
    fuel_use: FuelUseResults,
    lap_s: tuple[float, float],
    *,
    cautions: bool = True,
) -> FuelNeed:
    """Return the predictive distribution of the fuel a session burns, slow laps included.

    A practice or qualifying session is counted as one run, with its out- and in-lap.
    """
    if session.kind == "race":
        return fuel_use.need(
            session.laps,
            minutes=session.minutes,
            lap_time=lap_s if session.minutes is not None else None,
            formation_laps=session.formation_laps,
            cool_down_laps=session.cool_down_laps,
            caution=session.caution if cautions else None,
            race=True,
            wet=session.wet,
        )
    timed = max(1, laps_to_run(session, lap_s[0]) - 2)
    return fuel_use.need(timed, out_laps=1, in_laps=1, race=False, wet=session.wet)


def expected_laps(session: Session, need: FuelNeed, lap_s: float) -> float:
    """Return the laps a session is expected to have, out- and in-laps included."""
    if session.kind != "race":
        return float(laps_to_run(session, lap_s))
    weight = need.components["weight"].to_numpy(dtype=float)
    return float(weight @ need.components["laps"].to_numpy(dtype=float))


def risk_table(
    need: FuelNeed, aside_kg: float, density: float, chosen_kg: float, seconds_per_litre: float
) -> pd.DataFrame:
    """Return load, risk of running short and time lost against the chosen load, a row per 0.1 L."""
    low_l = (aside_kg + need.quantile(0.2)) / density
    high_l = max((aside_kg + need.quantile(0.9999)) / density, chosen_kg / density + 1.0)
    steps = np.arange(math.floor(low_l / STEP_L), math.ceil(high_l / STEP_L) + 1)
    start_l = steps.astype(np.float64) * STEP_L
    start_kg = start_l * density
    return pd.DataFrame(
        {
            "start_l": start_l,
            "start_kg": start_kg,
            "shortfall_risk": np.asarray(need.exceedance(start_kg - aside_kg), dtype=float),
            "time_lost_s": (start_l - chosen_kg / density) * seconds_per_litre,
        }
    )


def missing_mass_kg(event: Event, unusable_kg: float) -> float:
    """Return what all the ballast allowed does not make up; fuel left over must.

    Parameters
    ----------
    unusable_kg : float
        Fuel that is left in any case, 0 or more.
    """
    car, lightest_kg = event.car, min(driver.mass_kg for driver in event.drivers)
    most_kg = car.mass_kg + lightest_kg + unusable_kg + car.ballast_limit_kg
    return max(0.0, car.minimum_mass_kg - most_kg)


def _fit_tank(
    event: Event, session: Session, tank: _Tank, wanted_kg: float, extra_kg: float
) -> tuple[float, float, tuple[str, ...]]:
    """Return kilograms to start with, to add at stops, and what is in the way."""
    if wanted_kg <= tank.capacity_kg + 1e-9:
        return wanted_kg, 0.0, ()
    stops, missing_kg = session.stops, wanted_kg - tank.capacity_kg
    if tank.capacity_kg <= tank.aside_kg:
        words = (
            f"{session.id}: the tank holds {event.fuel.tank_l:g} L and"
            f" {event.fuel.unusable_l:g} L unusable and {event.fuel.sample_l:g} L for the sample"
            " leave nothing to race on"
        )
        return tank.capacity_kg, 0.0, (words,)
    if stops is not None and stops.refuel:
        return tank.capacity_kg, missing_kg, ()
    words = (
        f"{session.id} needs {wanted_kg / tank.density:.1f} L at the accepted risk and the tank"
        f" holds {event.fuel.tank_l:.1f} L: save fuel, shorten the stint, accept more risk, or"
        " refuel if the regulations allow it"
    )
    light = (
        f"{session.id}: the car may finish {min(missing_kg, extra_kg):.1f} kg under the minimum"
        f" mass of {event.car.minimum_mass_kg:.0f} kg even with"
        f" {event.car.ballast_limit_kg:.0f} kg of ballast and a full tank: ask the scrutineers"
        " about the ballast limit"
    )
    if wanted_kg - extra_kg <= tank.capacity_kg:
        return tank.capacity_kg, 0.0, (light,)
    return tank.capacity_kg, 0.0, (words, light) if extra_kg > 0 else (words,)


def _rests_on(fuel_use: FuelUseResults) -> tuple[str, ...]:
    share = fuel_use.rests_on["data_share"]
    named = {
        "use_kg_per_lap": "use per lap",
        "flow_scale": "the fuel channel's scale",
        "race_shift_pct": "race against practice",
    }
    spreads = fuel_use.spreads
    return (
        *(f"{words}: {percent(share[name])} from data" for name, words in named.items()),
        f"change from session to session: {spreads.session_pct:.1f} %, from {spreads.sessions}"
        f" session(s) and {spreads.session_df:.0f} degrees of freedom",
    )


def _filling_notes(
    event: Event,
    session: str,
    tank: _Tank,
    bowser_c: float,
    start_kg: float,
    refuel_kg: float,
    extra_kg: float,
) -> list[str]:
    notes = [
        f"litres are at {bowser_c:.0f} degC in the bowser; weigh the fuel if you can",
        f"{event.fuel.unusable_l:g} L unusable and {event.fuel.sample_l:g} L for the sample are"
        " on top of what is burnt",
    ]
    if start_kg > FULL_SHARE * tank.capacity_kg:
        notes.append(
            "the tank is all but full: fill late, petrol grows 0.12 % per degC as it warms"
        )
    if refuel_kg > 0 and start_kg < tank.capacity_kg - 1e-9:
        notes.append(
            f"{session}: the start fuel is for the first stint; up to {refuel_kg:.1f} kg are added"
            " at the stops, slow laps and high use counted: its race card says when"
        )
    elif refuel_kg > 0:
        stops = math.ceil(refuel_kg / (tank.capacity_kg - tank.unusable_kg))
        notes.append(
            f"{session}: {refuel_kg:.1f} kg must be added in {stops} stop(s) or more: the tank"
            " cannot hold it at the start; the stint plan says when"
        )
    if extra_kg > 0:
        notes.append(
            f"{session}: {extra_kg:.1f} kg more than the laps need: at the ballast limit the"
            " minimum mass takes it"
        )
    return notes


def _mass_notes(event: Event, driver: Driver) -> list[str]:
    notes = [
        "the finish is counted with the sample taken and on the least fuel within the accepted"
        " risk: running short and finishing too light both come from high use, one risk for both"
    ]
    if len(event.drivers) > 1:
        notes.append(f"mass at the finish is for the lightest driver, {driver.name}")
    return notes


def _race_notes(
    session: Session,
    fuel_use: FuelUseResults,
    need: FuelNeed,
    lap_s: tuple[float, float],
    tank: _Tank,
    risk: float,
) -> list[str]:
    notes = list(need.notes)
    if session.kind != "race":
        return notes
    if session.cool_down_laps == 0:
        notes.append("no cool-down lap is given: fuel to drive back to the pits is not counted")
    if session.minutes is not None:
        chances = need.components.groupby("laps")["weight"].sum()
        said = ", ".join(f"{n} ({percent(w)})" for n, w in chances.items() if w >= 0.005)
        notes.append(
            f"{session.id}, a race to time: {said} laps at {lap_s[0]:.1f} ± {lap_s[1]:.1f} s"
        )
        notes.append("a quicker leader, just ahead when time is up, adds a lap to ours")
    if session.caution is not None:
        none = session_need(session, fuel_use, lap_s, cautions=False)
        more_l = (none.quantile(1 - risk) - need.quantile(1 - risk)) / tank.density
        if more_l >= STEP_L:
            words = "counts on the stated chance of cautions"
            notes.append(f"{session.id} {words}: {more_l:.1f} L more without")
    return notes
