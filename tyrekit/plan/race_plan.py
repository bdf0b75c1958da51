"""Everything to be decided about one race: fuel, stints, stop laps, replies to cautions.

Petrol vapour is explosive and a pit stop puts people beside a moving car: the event's
regulations, its fire cover and the crew's own drill come before any figure here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from tyrekit.errors import EventError
from tyrekit.fit.fuel_use import FuelUseResults
from tyrekit.fit.lap_time import LapTimeResults
from tyrekit.plan.allocation import AllocationPlan
from tyrekit.plan.beyond import of_ages, of_stints
from tyrekit.plan.caution import CautionPolicy, MeasuredGain, caution_policy, measured_gain
from tyrekit.plan.fuel_load import FuelLoad, fuel_load
from tyrekit.plan.programme import lap_time_s
from tyrekit.plan.race_card import fuel_account, fuel_left, stop_card
from tyrekit.plan.race_sets import STAYS_ON, RaceTyres, race_tyres
from tyrekit.plan.race_stops import stint_race
from tyrekit.plan.stint_search import ONLY
from tyrekit.plan.stints import StintPlans, StintRace, TyreSet, stint_plans
from tyrekit.record.event import Event, Session

RACES = 4000  # drawn to measure what replying to cautions gains


@dataclass(frozen=True, eq=False)
class RacePlan:
    """One race as it should be run.

    Attributes
    ----------
    status : str
        ``optimal``, or ``impossible``; then ``blocked_by`` says in words what is in the way.
        Fuel, tyres or stints that can be worked out still are.
    fuel : FuelLoad
        Start fuel, its risk, mass at the finish; its `table` is risk against load.
    race : StintRace
        The race as numbers.
    tyres : RaceTyres
        Sets that may be used; its `table` has a row per tyre.
    stints : StintPlans
        `best.table` a row per stint, `ranking` the plans near it, `window` seconds lost against
        stop lap.
    caution : CautionPolicy, optional
        `table` the reply lap by lap, `grid` wherever the car stands; None without stops, without
        a chance of cautions, or when no plan is possible.
    gain : MeasuredGain, optional
        What replying gains on drawn races, the same for both plans.
    fuel_left : DataFrame
        lap, fuel_kg (expected), lower_kg, upper_kg (90 %), least_kg (what must be left then for
        the rest of the race at the accepted risk); empty where fuel may be added.
    fuel_account : DataFrame
        Where the start fuel goes without cautions (`race_card.fuel_account`).
    """

    session: str
    status: str
    blocked_by: tuple[str, ...]
    fuel: FuelLoad
    race: StintRace
    tyres: RaceTyres
    stints: StintPlans
    caution: CautionPolicy | None
    gain: MeasuredGain | None
    fuel_left: pd.DataFrame = field(repr=False)
    fuel_account: pd.DataFrame = field(repr=False)
    notes: tuple[str, ...]

    @property
    def start_kg(self) -> float:
        """Fuel to start with: the load for the race, or for the first stint where fuel is added."""
        return self.fuel.start_kg

    @property
    def start_l(self) -> float:
        """The same at the bowser's temperature."""
        return self.fuel.start_l

    @cached_property
    def card(self) -> pd.DataFrame:
        """For the pit wall, a row per stop; see `race_card.stop_card`."""
        return stop_card(self.stints, self.caution)


def race_plan(
    event: Event,
    session: Session,
    lap_time: LapTimeResults,
    fuel_use: FuelUseResults,
    allocation: AllocationPlan,
    *,
    sets: Sequence[TyreSet] | None = None,
    bowser_c: float = 15.0,
    lap_s: tuple[float, float] | None = None,
    count: int = 20,
    races: int = RACES,
    rng: np.random.Generator,
) -> RacePlan:
    """Return fuel, stints, stop window and replies to cautions of one race.

    Parameters
    ----------
    session : Session
        A race of the event; to laps or to time, with or without stops and cautions.
    allocation : AllocationPlan
        The tyre plan; its tyres for this race are the sets that may be used.
    sets : sequence of TyreSet, optional
        Sets to use instead, for a wet race or a what-if.
    bowser_c : float
        Temperature of the petrol as it is filled, -30 to 60 degC.
    lap_s : (mean, sd) in s, optional
        Mean racing lap that decides how many laps a race to time has; by default our own.
    count : int
        Stint plans wanted, 1 or more.
    races : int
        Races drawn to measure the gain of replying to cautions, 2 or more.
    rng : Generator
        For those races.

    Raises
    ------
    EventError
        `session` is not a race.
    """
    if session.kind != "race":
        raise EventError(
            f"{session.id} is a {session.kind} session",
            rule="a race plan is for a race",
            next_step="Ask for its fuel load, or for the next practice's programme.",
        )
    lap_s = lap_s or lap_time_s(lap_time, session)
    fuel = fuel_load(event, session, fuel_use, lap_time, bowser_c=bowser_c, lap_s=lap_s)
    tyres = race_tyres(event, allocation, session)
    if sets is not None:
        tyres = RaceTyres(tuple(sets), tyres.table.iloc[:0], ("the sets are those given",))
    race = stint_race(
        event, session, lap_time, fuel_use, sets=len(tyres.sets), bowser_c=bowser_c, lap_s=lap_s,
        start_kg=fuel.start_kg if fuel.status == "optimal" else np.inf,
    )  # fmt: skip
    stints = stint_plans(race, tyres.sets, count=count)
    if race.refuel and stints.plans:
        fuel = fuel_load(
            event, session, fuel_use, lap_time, bowser_c=bowser_c, lap_s=lap_s,
            start_kg=_start_kg(stints),
        )  # fmt: skip
    policy = _replies(race, tyres, stints)
    blocked = _blocked_by(fuel, race, tyres, stints)
    left = fuel_left(event, session, fuel_use, race, fuel, lap_s)
    return RacePlan(
        session=session.id,
        status="impossible" if blocked else "optimal",
        blocked_by=blocked,
        fuel=fuel,
        race=race,
        tyres=tyres,
        stints=stints,
        caution=policy,
        gain=measured_gain(policy, max(races, 2), rng) if policy else None,
        fuel_left=left,
        fuel_account=fuel_account(session, fuel_use, fuel, left),
        notes=(*_beyond(lap_time, tyres, stints), *_notes(fuel, tyres, stints, policy)),
    )


def session_load(
    event: Event,
    session: Session,
    fuel_use: FuelUseResults,
    lap_time: LapTimeResults,
    allocation: AllocationPlan,
    *,
    bowser_c: float = 15.0,
) -> FuelLoad:
    """Return the fuel of any session, a race with refuelling as its `race_plan` has it.

    Parameters
    ----------
    allocation : AllocationPlan
        The tyre plan; it decides with the fuel where such a race is cut into stints.
    bowser_c : float
        Temperature of the petrol as it is filled, -30 to 60 degC.
    """
    start_kg = None
    if session.stops is not None and session.stops.refuel:
        sets = race_tyres(event, allocation, session).sets
        race = stint_race(event, session, lap_time, fuel_use, sets=len(sets), bowser_c=bowser_c)
        start_kg = _start_kg(stint_plans(race, sets, count=1))
    return fuel_load(event, session, fuel_use, lap_time, bowser_c=bowser_c, start_kg=start_kg)


def _start_kg(stints: StintPlans) -> float | None:
    """Return the fuel of the first stint; None without a stop, where it is the whole race's."""
    stops = stints.plans and stints.best.stops
    return float(stints.best.table["fuel_kg"].iloc[0]) if stops else None


def _replies(race: StintRace, tyres: RaceTyres, stints: StintPlans) -> CautionPolicy | None:
    likely = race.caution is not None and race.caution.chance_per_lap > 0
    if not likely or not race.most_stops or stints.status != "optimal":
        return None
    return caution_policy(race, tyres.sets)


def _blocked_by(
    fuel: FuelLoad, race: StintRace, tyres: RaceTyres, stints: StintPlans
) -> tuple[str, ...]:
    """Return what is in the way: fuel where none may be added, tyres, stints."""
    by_fuel = () if race.refuel else fuel.blocked_by
    if stints.status == "optimal":
        return by_fuel
    if not tyres.sets:
        return (*by_fuel, *tyres.notes)
    if tyres.left_over:
        words = f"the tyre plan of {race.session} puts single tyres on that have run in it already"
        why = "the stops for that are not worked out; follow the tyre plan stint by stint, and"
        return (*by_fuel, f"{words}: {why} fill for the longest stint")
    no_fuel = not race.refuel and not np.isfinite(race.fuel_kg[-1, ONLY, -1])
    return by_fuel if by_fuel and no_fuel else (*by_fuel, *stints.blocked_by)


def _beyond(lap_time: LapTimeResults, tyres: RaceTyres, stints: StintPlans) -> tuple[str, ...]:
    """Say where the stints go beyond what has run; a set is as old as its oldest tyre."""
    if not stints.plans:
        return ()
    table = stints.best.table
    laps = table["laps"].astype(float)
    mean_age = {one.name: one.age_laps for one in tyres.sets}
    run = table["age_laps"].astype(float) + laps - table["set"].map(mean_age)  # laps of this race
    oldest = tyres.table.groupby("set")["age_laps"].max().astype(float).to_dict()
    ends = [*(run + table["set"].map(mean_age | oldest))]
    if STAYS_ON in oldest:
        ends.append(oldest[STAYS_ON] + float(run.iloc[0] - laps.iloc[0] + laps.sum()))
    return (*of_ages(lap_time, ends), *of_stints(lap_time, [*laps]))


def _notes(
    fuel: FuelLoad, tyres: RaceTyres, stints: StintPlans, policy: CautionPolicy | None
) -> tuple[str, ...]:
    said = (*stints.notes, *tyres.notes, *(policy.notes if policy else ()), *fuel.notes)
    return tuple(dict.fromkeys(said))
