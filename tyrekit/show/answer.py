"""Everything the kit has to say about a weekend as it stands, in one record."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property

import numpy as np
import pandas as pd

from tyrekit.fit.fuel_use import FuelUseModel, FuelUseResults
from tyrekit.fit.lap_doubts import lap_doubts
from tyrekit.fit.lap_time import LapTimeModel, LapTimeResults
from tyrekit.fit.pressure import PressureModel, PressureResults
from tyrekit.fit.pressure_readings import hot_readings
from tyrekit.fit.prior import Beliefs, beliefs
from tyrekit.fit.tread import TreadModel, TreadResults
from tyrekit.fit.tread_rows import with_running
from tyrekit.plan.allocation import AllocationPlan, allocate
from tyrekit.plan.beyond import of_track
from tyrekit.plan.cold_pressure import ColdPressures, cold_pressures
from tyrekit.plan.fuel_load import FuelLoad
from tyrekit.plan.next_session import NextSession, rank_next
from tyrekit.plan.race_plan import session_load
from tyrekit.plan.tyre_state import Wear
from tyrekit.plan.weekend_problem import AgeLoss
from tyrekit.record.doubts import Doubt
from tyrekit.record.event import Event, Lock, Session
from tyrekit.record.weekend import Weekend
from tyrekit.show.words import celsius
from tyrekit.terms import CORNERS

SEED = 20260516  # any fixed number: the same folder gives the same answer
FRESH = timedelta(minutes=60)  # weather further from the start is to be measured again
AIR_C, TRACK_C = 20.0, 28.0  # assumed, and said, when no weather was written down

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Fits:
    """The four fits of a weekend, and its laps as they were fitted.

    Their fuel is corrected by the calibrated channel; those the fit left out do not count.
    """

    beliefs: Beliefs
    fuel_use: FuelUseResults
    laps: pd.DataFrame
    lap_model: LapTimeModel
    lap_time: LapTimeResults
    tread: TreadResults
    pressure: PressureResults

    @cached_property
    def doubts(self) -> tuple[Doubt, ...]:
        """What the lap times themselves cast doubt on; a fit for every stint, so made on demand."""
        return lap_doubts(self.lap_model, self.lap_time)


@dataclass(frozen=True)
class Conditions:
    """Temperatures the plans assume, and where they come from.

    `again` says in words that they are to be measured again before pressures are set, if so.
    """

    air_c: float
    track_c: float
    bowser_c: float
    basis: str
    again: str = ""


@dataclass(frozen=True)
class Answer:
    """A weekend's fits and plans. ``next_session`` and ``cold_pressures`` are None at its end.

    Before a wet session, declared or supposed, ``next_is_wet`` is true and ``cold_pressures`` None:
    what is fitted is of dry tyres.
    """

    weekend: Weekend
    fits: Fits
    conditions: Conditions
    allocation: AllocationPlan
    next_session: NextSession | None
    fuel_loads: dict[str, FuelLoad]
    cold_pressures: ColdPressures | None
    notes: tuple[str, ...]
    next_is_wet: bool = False

    @property
    def beliefs(self) -> Beliefs:
        """What was believed before."""
        return self.fits.beliefs

    @property
    def fuel_use(self) -> FuelUseResults:
        """The fuel fit."""
        return self.fits.fuel_use

    @property
    def laps(self) -> pd.DataFrame:
        """The laps as they were fitted."""
        return self.fits.laps

    @property
    def lap_time(self) -> LapTimeResults:
        """The lap-time fit."""
        return self.fits.lap_time

    @property
    def tread(self) -> TreadResults:
        """The wear fit."""
        return self.fits.tread

    @property
    def pressure(self) -> PressureResults:
        """The pressure fit."""
        return self.fits.pressure

    @property
    def doubts(self) -> tuple[Doubt, ...]:
        """Every doubt about the data, the files' and the lap times', the surest first."""
        return tuple(sorted((*self.weekend.doubts, *self.fits.doubts), key=lambda d: -d.sure))


def fit_weekend(weekend: Weekend, progress: Progress | None = None) -> Fits:
    """Return the four fits: fuel first, since fuel carried enters the lap times."""
    say = progress or _silent
    event = weekend.event
    believed = beliefs(event)
    say("fuel use")
    fuel_use = FuelUseModel(
        weekend.laps, weekend.fuel, weekend.runs, event, believed.fuel_use
    ).fit()
    laps = fuel_use.corrected(weekend.laps)
    say("lap time")
    model = LapTimeModel(laps, believed.lap_time, sessions=event.sessions, inputs=weekend.inputs)
    lap_time = model.fit()
    say("tread wear")
    tread = tread_fit(weekend, believed)
    say("hot pressure")
    pressure = pressure_fit(weekend, believed)
    marked = _marked(laps, lap_time.left_out)
    return Fits(believed, fuel_use, marked, model, lap_time, tread, pressure)


def tread_fit(weekend: Weekend, believed: Beliefs) -> TreadResults:
    """Return what the tread readings say of wear."""
    readings = with_running(weekend.tread, weekend.laps)
    return TreadModel(readings, weekend.event, believed.tread).fit()


def pressure_fit(weekend: Weekend, believed: Beliefs) -> PressureResults:
    """Return what the hot pressures say."""
    wets = weekend.tyres.loc[weekend.tyres["wet"], "tyre_id"]
    readings = hot_readings(weekend.pressures, weekend.laps, weekend.runs, weekend.weather, wets)
    return PressureModel(readings, weekend.event, believed.pressure).fit()


def _marked(laps: pd.DataFrame, left_out: pd.DataFrame) -> pd.DataFrame:
    """Return the laps with those the fit left out not counting, and its reason beside them."""
    reason = left_out.set_index(["run_id", "lap"])["reason"]
    said = reason.reindex(pd.MultiIndex.from_frame(laps[["run_id", "lap"]])).to_numpy()
    by_fit = laps["counts"].astype(bool) & pd.notna(said)
    return laps.assign(
        counts=laps["counts"].astype(bool) & ~by_fit, reason=laps["reason"].where(~by_fit, said)
    )


def answer(
    weekend: Weekend,
    *,
    event: Event | None = None,
    fits: Fits | None = None,
    locks: Sequence[Lock] = (),
    supposed: tuple[AgeLoss, Wear] | None = None,
    rank: bool = True,
    plan_only: bool = False,
    progress: Progress | None = None,
) -> Answer:
    """Fit and plan a weekend.

    Parameters
    ----------
    weekend : Weekend
        What happened.
    event : Event, optional
        Limits and targets to plan with instead of the weekend's own: a what-if.
    fits : Fits, optional
        Fits of this weekend already made, so that a panel need not repeat them.
    locks : sequence of Lock
        The engineer's own decisions, beside those in event.toml.
    supposed : (AgeLoss, Wear), optional
        What tyres lose and wear, to plan with instead of what the fits found.
    rank : bool
        Whether to rank the next session's choices; without, its tyres are the plan's.
    plan_only : bool
        Whether to leave out, for speed, the ranking, fuel loads, the plan's alternatives and, when
        there is no plan, the limits that clash.
    progress : callable, optional
        Told in a few words what is being worked on.
    """
    say = progress or _silent
    event = event or weekend.event
    fits = fits or fit_weekend(weekend, say)
    conditions = conditions_now(weekend)
    say("tyre plan")
    tyres = supposed or (fits.lap_time, fits.tread)
    plan = planned(weekend, event, tyres, locks, plan_only)
    coming = weekend.next_session
    ranked = pressures = None
    if coming is not None:
        if rank and not plan_only:
            say("next session")
            ranked = rank_next(plan, coming.id)
        if not event.session(coming.id).wet:
            pressures = cold_pressures(
                event, coming, fits.pressure, air_c=conditions.air_c, track_c=conditions.track_c
            )
    say("fuel loads")
    loads = {
        session.id: session_load(
            event, session, fits.fuel_use, fits.lap_time, plan, bowser_c=conditions.bowser_c
        )
        for session in event.sessions_after(weekend.done)
        if not plan_only
    }
    return Answer(
        weekend=weekend,
        fits=fits,
        conditions=conditions,
        allocation=plan,
        next_session=ranked,
        fuel_loads=loads,
        cold_pressures=pressures,
        next_is_wet=coming is not None and event.session(coming.id).wet,
        notes=(
            *weekend.notes,
            *of_track(fits.lap_time, conditions.track_c),
            conditions.basis,
        ),
    )


def planned(
    weekend: Weekend,
    event: Event,
    tyres: tuple[AgeLoss, Wear],
    locks: Sequence[Lock] = (),
    plan_only: bool = False,
) -> AllocationPlan:
    """Return the tyre plan; before any running on expected wear when none is sure enough."""
    return allocate(
        event,
        weekend.tyres,
        *tyres,
        done=weekend.done,
        fitted=tyres_fitted(weekend),
        locks=locks,
        alternatives=0 if plan_only else 3,
        expected_wear=True,
        explain=not plan_only,
        rng=np.random.default_rng(SEED),
    )


def conditions_now(weekend: Weekend) -> Conditions:
    """Return the temperatures for the next session, as `conditions_at` gives them."""
    return conditions_at(weekend, weekend.next_session)


def conditions_at(weekend: Weekend, session: Session | None) -> Conditions:
    """Return the temperatures written down nearest a session's start, or assumed; say which.

    A row after the start counts like one before it: it may be a forecast. Without a session the
    last row is taken.
    """
    weather, fuel = weekend.weather, weekend.fuel
    air_c, track_c, basis = AIR_C, TRACK_C, "no weather written down"
    basis += f": air {AIR_C:.0f} degC and track {TRACK_C:.0f} degC are assumed"
    again = "no weather written down: measure air and track before setting"
    if len(weather):
        row = _nearest(weather, session)
        air_c, track_c = float(row["air_c"]), float(row["track_c"])
        basis = f"weather as of {row['taken_at']:%a %H:%M}: air {celsius(air_c)} degC, track"
        basis += f" {celsius(track_c)} degC"
        again = _again(session, row["taken_at"])
    measured = fuel["fuel_c"].dropna() if "fuel_c" in fuel else pd.Series(dtype=float)
    bowser_c = float(measured.iloc[-1]) if len(measured) else air_c
    return Conditions(air_c, track_c, bowser_c, basis, again)


def _nearest(weather: pd.DataFrame, session: Session | None) -> pd.Series:
    """Return the row nearest in time to a session's start; of two as near the earlier."""
    ordered = weather.sort_values("taken_at", kind="stable")
    if session is None:
        return ordered.iloc[-1]
    away = (ordered["taken_at"] - pd.Timestamp(session.start)).abs().to_numpy()
    return ordered.iloc[int(away.argmin())]


def _again(session: Session | None, taken_at: datetime) -> str:
    """Return that the weather is to be measured again when it is not of the session's time."""
    if session is None or abs(session.start - taken_at) <= FRESH:
        return ""
    early_s = (session.start - taken_at).total_seconds()
    hours, minutes = divmod(int(abs(early_s)) // 60, 60)
    side = "before" if early_s > 0 else "after"
    day = "" if taken_at.date() == session.start.date() else ", of another day"
    return (
        f"weather as of {taken_at:%a %H:%M}, {hours} h {minutes:02d} min {side} {session.id}{day}:"
        " measure again before setting"
    )


def tyres_fitted(weekend: Weekend) -> pd.DataFrame:
    """Return session, corner and tyre_id of every tyre that has run, in the order it ran."""
    rows = [
        (run["session"], corner.upper(), run[corner])
        for _, run in weekend.runs.iterrows()
        for corner in CORNERS
    ]
    return pd.DataFrame(rows, columns=["session", "corner", "tyre_id"]).drop_duplicates()


def _silent(_: str) -> None:
    """Say nothing."""
