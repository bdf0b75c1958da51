"""One race as a panel holds it: what is supposed of it, its plan, and the tables to show.

Plain functions; the plan is `plan.race_plan`'s on the fits and the tyre plan of an answer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from tyrekit.plan.race_plan import RacePlan, race_plan
from tyrekit.plan.race_sets import STAYS_ON
from tyrekit.plan.stint_search import FIRST, LAST, MIDDLE, ONLY, Block, Blocks
from tyrekit.record.event import Event, Session
from tyrekit.record.weekend import Weekend
from tyrekit.show.answer import SEED, Answer, Fits, answer, fit_weekend
from tyrekit.show.what_if import State, WhatIf
from tyrekit.show.words import each_once

STINTS = ("stint", "set", "first_lap", "last_lap", "laps", "age_laps", "added_kg")
MOST_ROWS = 6  # laps a set may have gone on that are shown
ANOTHER_SHARE = 0.8  # of what a stop costs: a lap that loses more has brought one more
FUEL_ROWS = 10  # laps at which the fuel left is read: what a person can keep up with
STEPS = (5, 10, 20, 50)  # laps between them
REPLIES = ("first_lap", "last_lap", "reply", "planned", "set", "next_set", "low_s", "high_s")


@dataclass(frozen=True)
class RaceIf:
    """What to suppose of a race in place of the event's own values; None leaves those."""

    shortfall_risk: float | None = None
    bowser_c: float | None = None
    laps: int | None = None
    minutes: float | None = None
    chance_per_lap: float | None = None

    @property
    def supposed(self) -> bool:
        """Whether anything differs from the event's own values."""
        return self != RaceIf()


@dataclass(frozen=True)
class RaceState:
    """A race to be planned: the weekend's fits and tyre plan, what is supposed, the plan.

    ``window`` is seconds lost against stop lap of the plan followed; see `stints_followed`.
    """

    weekend: Weekend
    fits: Fits
    answer: Answer
    session: str
    what_if: RaceIf
    plan: RacePlan
    window: pd.DataFrame


def start_weekend(weekend: Weekend) -> State:
    """Return a weekend's fits and tyre plan; its alternatives are left out, no race needs them."""
    fits = fit_weekend(weekend)
    found = answer(weekend, fits=fits, plan_only=True)
    return State(weekend, fits, WhatIf(), found, rank=False)


def start_race(weekend: Weekend, fits: Fits, found: Answer, session: str) -> RaceState:
    """Return the state of a race with nothing supposed; `found` is the answer with those fits."""
    plan = _planned(weekend.event, found, session, RaceIf())
    return RaceState(weekend, fits, found, session, RaceIf(), plan, window(plan))


def update_race(state: RaceState, change: Mapping[str, Any]) -> RaceState:
    """Return the state after a change of what is supposed; only what depends on it is redone.

    Another length of race moves the tyre plan too; the rest leaves it.
    """
    what_if = replace(state.what_if, **change)
    if what_if == state.what_if:
        return state
    event = supposed_event(state.weekend.event, state.session, what_if)
    found = state.answer
    before = (state.what_if.laps, state.what_if.minutes)
    if (what_if.laps, what_if.minutes) != before:
        found = answer(state.weekend, event=event, fits=state.fits, plan_only=True)
    plan = _planned(event, found, state.session, what_if)
    same_tyres = found is state.answer and not plan.race.refuel
    same = same_tyres and stints_followed(plan).equals(stints_followed(state.plan))
    shown = state.window if same else window(plan)
    return replace(state, what_if=what_if, answer=found, plan=plan, window=shown)


def supposed_event(event: Event, session: str, what_if: RaceIf) -> Event:
    """Return the event with one race as supposed."""
    changes: dict[str, Any] = {
        "sessions": tuple(
            _supposed_race(one, what_if) if one.id == session else one for one in event.sessions
        )
    }
    if what_if.shortfall_risk is not None:
        risk = {"shortfall_risk": what_if.shortfall_risk}
        changes["fuel"] = event.fuel.model_copy(update=risk)
    return event.model_copy(update=changes)


def races(weekend: Weekend) -> list[tuple[str, bool]]:
    """Return the weekend's races in order, each with whether it has been run."""
    every = [one.id for one in weekend.event.sessions if one.kind == "race"]
    return [(id, id in weekend.done) for id in every]


def follows_replies(plan: RacePlan) -> bool:
    """Return whether the stops to make are those of the reply to cautions.

    They are where it exists, since waiting for a caution is part of it; not where fuel is added,
    which the reply leaves out.
    """
    return plan.caution is not None and plan.caution.status == "optimal" and not plan.race.refuel


def shortest_laps(session: Session) -> int:
    """Return the fewest laps a race can be supposed to have: its first stop must lie inside."""
    return 1 if session.stops is None else session.stops.first_lap + 1


def stints_followed(plan: RacePlan) -> pd.DataFrame:
    """Return the stints to run when no caution comes, columns `STINTS`.

    A row per stint: its set, laps, the tyres' age at its start and fuel added before it.
    """
    if not plan.stints.plans:
        return pd.DataFrame(columns=list(STINTS))
    if not follows_replies(plan):
        table = plan.stints.best.table
        added = [0.0, *plan.card["added_kg"]]
        return table.assign(added_kg=added)[list(STINTS)]
    assert plan.caution is not None
    stops = plan.caution.table[plan.caution.table["planned"]]
    sets = [plan.caution.start_set]
    path = plan.caution.table.reset_index(drop=True)
    for lap in stops["lap"]:
        after = path.loc[path["lap"] > lap, "set"]
        sets.append(str(after.iloc[0]) if len(after) else _after_last(plan, sets))
    return _rows(plan, [int(lap) for lap in stops["lap"]], sets)


def window(plan: RacePlan) -> pd.DataFrame:
    """Return seconds lost against stop lap, for the stints followed when no caution comes.

    `another_stop` marks laps after which one stop more would be needed.
    """
    table = _window(plan)
    return table.assign(another_stop=table["lost_s"] > ANOTHER_SHARE * plan.race.stop_s)


def _window(plan: RacePlan) -> pd.DataFrame:
    if not plan.stints.plans or not follows_replies(plan):
        return plan.stints.window
    rows = stints_followed(plan)
    names = [one.name for one in plan.stints.sets]
    if rows["set"].duplicated().any():  # tyres stay on at a stop: the best plan's stands for it
        return plan.stints.window
    last = len(rows) - 1
    blocks = tuple(
        Block(names.index(str(row["set"])), int(row["laps"]), 0, _role(i, last))
        for i, (_, row) in enumerate(rows.iterrows())
    )
    return plan.stints.window_of(Blocks(0.0, blocks))


def replies_table(plan: RacePlan) -> pd.DataFrame:
    """Return what to do under a caution as long as none has come, in ranges of laps.

    Columns `REPLIES`: set is on the car, next_set would be after it (the same where tyres stay
    on); low_s and high_s are the seconds by which a stop beats staying out, NaN
    where one must be made.
    """
    if plan.caution is None:
        return pd.DataFrame(columns=list(REPLIES))
    table = plan.caution.table
    table = table[table["stop_gain_s"] > -np.inf]  # a stop that cannot be made is no choice
    if not len(table):
        return pd.DataFrame(columns=list(REPLIES))
    names = ["reply", "set", "next_set", "planned"]
    kind = table[names].astype(str).agg("\n".join, axis=1)
    runs = (kind != kind.shift()).cumsum()
    rows = []
    for _, part in table.groupby(runs):
        gains = part["stop_gain_s"].where(np.isfinite(part["stop_gain_s"]))
        first = part.iloc[0]
        rows.append(
            (
                int(part["lap"].min()), int(part["lap"].max()), str(first["reply"]),
                bool(first["planned"]), str(first["set"]), str(first["next_set"]), gains.min(),
                gains.max(),
            )
        )  # fmt: skip
    return pd.DataFrame(rows, columns=list(REPLIES))


def replies_grid(plan: RacePlan, most: int = MOST_ROWS) -> pd.DataFrame:
    """Return the reply by lap and tyre age: rows of `caution.grid` with `since` and `planned`.

    `since` says in words how long the tyres have been on. Kept are the sets in the order planned,
    each with the stops made that it is planned with, and of the laps it may have gone on at most
    `most` a set.
    """
    if plan.caution is None:
        return pd.DataFrame(columns=["lap", "set", "age_laps", "reply", "since", "planned"])
    grid = plan.caution.grid
    planned = list(dict.fromkeys(stints_followed(plan)["set"]))
    made = grid["set"].map({name: stops for stops, name in enumerate(planned)})
    grid = grid[grid["stops"] == made]
    age_laps = {one.name: one.age_laps for one in plan.stints.sets}
    at_start = np.where(grid["set"] == planned[0], plan.race.formation_laps, 0)
    on = (grid["lap"] - grid["age_laps"] + grid["set"].map(age_laps) + at_start).astype(int)
    grid = grid[_thinned(grid["set"], on, most)]
    words = ["from the start" if lap <= 0 else f"from lap {lap + 1}" for lap in on[grid.index]]
    path = plan.caution.table.set_index(["lap", "set", "age_laps"])["planned"]
    keys = pd.MultiIndex.from_frame(grid[["lap", "set", "age_laps"]])
    stops = path.reindex(keys).eq(True).to_numpy(dtype=bool)
    order = np.lexsort((grid["lap"], on[grid.index], grid["stops"]))
    return grid.assign(since=words, planned=stops).iloc[order].reset_index(drop=True)


def _thinned(sets: pd.Series, on: pd.Series, most: int) -> pd.Series:
    """Return which rows to keep so that a set has at most so many laps it may have gone on."""
    keep = pd.Series(False, index=on.index)
    for _, laps in on.groupby(sets):
        every = np.unique(laps)
        few = every[np.unique(np.linspace(0, len(every) - 1, most).round().astype(int))]
        keep |= laps.isin(few).reindex(on.index, fill_value=False)
    return keep


def fuel_risk(plan: RacePlan) -> pd.DataFrame:
    """Return start fuel against the chance of running short; `chosen` marks the load."""
    table, fuel = plan.fuel.table, plan.fuel
    chosen = np.isclose(table["start_l"], fuel.start_l, atol=0.01)
    return table.assign(chosen=chosen, accepted_risk=fuel.accepted_risk)


def notes(found: Answer) -> list[str]:
    """Return what bears on a race: tyre plan, fits of lap times, fuel and tread, logs."""
    fits = (found.lap_time, found.fuel_use, found.tread)
    parts = (found.allocation.notes, *(fit.notes for fit in fits), found.notes)
    return each_once(parts)


def litres(plan: RacePlan, fuel_kg: float) -> float:
    """Return fuel in litres at the bowser's temperature."""
    return fuel_kg * plan.fuel.start_l / plan.fuel.start_kg


def fuel_account(plan: RacePlan) -> pd.DataFrame:
    """Return `RacePlan.fuel_account` as it is shown: fuel_kg, fuel_l, left_kg, left_l to a tenth.

    Each figure taken is the difference of what is left before and after, so that the column adds
    up to the start fuel; start, formation and flag are those of `RacePlan.fuel_left`, and the
    spare takes what rounding leaves.
    """
    account = plan.fuel_account
    shown = account[["what", "laps"]].copy()
    if not len(account):
        return shown.reindex(columns=["what", "laps", "fuel_kg", "left_kg", "fuel_l", "left_l"])
    flag = list(account["what"]).index("race")
    for unit, per_kg in (("kg", 1.0), ("l", litres(plan, 1.0))):
        start = round(plan.start_kg * per_kg, 1)
        left = [round(kg * per_kg, 1) for kg in account["left_kg"][: flag + 1]]
        for kg in account["fuel_kg"][flag + 1 : -1]:
            left.append(left[-1] - round(kg * per_kg, 1))
        left.append(0.0)
        shown[f"fuel_{unit}"] = -np.diff([start, *left])
        shown[f"left_{unit}"] = left
    return shown


def fuel_rows(plan: RacePlan) -> pd.DataFrame:
    """Return the rows of `fuel_left` a person reads, each with `why`: start, stops, finish.

    Every fifth lap, or tenth in a long race, the first and the last lap of the window of stops,
    the stops to make and the finish; `why` is empty for a lap that is only one of the fifths.
    """
    left = plan.fuel_left
    if not len(left):
        return left.assign(why=pd.Series(dtype=str))
    why = {int(left["lap"].iloc[-1]): "finish"}
    if plan.race.most_stops:
        why = {plan.race.last_lap: "last lap to stop"} | why
        why = {plan.race.first_lap: "first lap to stop"} | why
        why |= {int(lap): "stop" for lap in stints_followed(plan)["last_lap"].iloc[:-1]}
    why[0] = "start, formation lap run" if plan.race.formation_laps else "start"
    laps = plan.race.laps
    step = next((n for n in STEPS if laps / n < FUEL_ROWS), STEPS[-1])
    near = {lap + off for lap in why for off in (-1, 1) if lap}  # says the same twice
    shown = set(why) | (set(range(0, laps, step)) - near)
    found = left[left["lap"].isin(shown)]
    return found.assign(why=[why.get(int(lap), "") for lap in found["lap"]])


def tyres_at(plan: RacePlan, name: str) -> dict[str, str]:
    """Return corner -> tyre of a set, those that stay on for the whole race included."""
    table = plan.tyres.table
    own = table[table["set"].isin([name, STAYS_ON])]
    return dict(zip(own["corner"], own["tyre_id"].astype(str), strict=True))


def _supposed_race(session: Session, what_if: RaceIf) -> Session:
    changes: dict[str, Any] = {}
    if what_if.laps is not None:
        changes |= {"laps": what_if.laps, "planned_laps": None}
        if session.stops is not None:  # the window ends before the last lap
            last = {"last_lap": min(session.stops.last_lap, what_if.laps - 1)}
            changes["stops"] = session.stops.model_copy(update=last)
    if what_if.minutes is not None:
        changes |= {"minutes": what_if.minutes, "planned_laps": None}
    if what_if.chance_per_lap is not None and session.caution is not None:
        chance = {"chance_per_lap": what_if.chance_per_lap}
        changes["caution"] = session.caution.model_copy(update=chance)
    return session.model_copy(update=changes)


def _planned(event: Event, found: Answer, session: str, what_if: RaceIf) -> RacePlan:
    bowser_c = found.conditions.bowser_c if what_if.bowser_c is None else what_if.bowser_c
    return race_plan(
        event, event.session(session), found.lap_time, found.fuel_use, found.allocation,
        bowser_c=bowser_c, rng=np.random.default_rng(SEED),
    )  # fmt: skip


def _after_last(plan: RacePlan, used: list[str]) -> str:
    """Return the set that goes on at a stop on the window's last lap."""
    assert plan.caution is not None
    last = plan.caution.table.iloc[-1]
    return str(last["next_set"]) if str(last["next_set"]) else used[-1]


def _rows(plan: RacePlan, stops: list[int], sets: list[str]) -> pd.DataFrame:
    """Return stints from the laps of their stops and the sets they run on."""
    ages = {one.name: one.age_laps for one in plan.stints.sets}
    ends = [*stops, plan.race.laps]
    rows: list[tuple[int, str, int, int, int, float, float]] = []
    first = 1
    for i, (last, name) in enumerate(zip(ends, sets, strict=True)):
        age = ages[name] + (plan.race.formation_laps if i == 0 else 0)
        if i and name == sets[i - 1]:
            age = rows[-1][5] + rows[-1][4]
        rows.append((i + 1, name, first, last, last - first + 1, age, 0.0))
        first = last + 1
    return pd.DataFrame(rows, columns=list(STINTS))


def _role(place: int, last: int) -> int:
    if place == 0:
        return ONLY if last == 0 else FIRST
    return LAST if place == last else MIDDLE
