"""What to run in the next practice, from the event, its fits and the tyre plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from tyrekit.errors import EventError
from tyrekit.fit.fuel_use import FuelUseResults
from tyrekit.fit.lap_time import LapTimeResults
from tyrekit.plan.allocation import AllocationPlan
from tyrekit.plan.beyond import of_ages, of_track
from tyrekit.plan.decision import Decision, between, whole_loss
from tyrekit.plan.fitting import drawn_costs_s
from tyrekit.plan.laps_left import laps_left
from tyrekit.plan.loss import TIE_S
from tyrekit.plan.practice import PracticePlan, practice_plan
from tyrekit.plan.practice_runs import MOST_SEQUENCES, PracticeSet, practice_session
from tyrekit.plan.problem import CORNERS, AllocationProblem, TyreState
from tyrekit.record.event import Event, Session

SHORTEST_RUN_LAPS = 3  # out, timed, in


def next_practice(
    event: Event,
    session: Session,
    lap_time: LapTimeResults,
    fuel_use: FuelUseResults,
    allocation: AllocationPlan,
    *,
    sets: Sequence[PracticeSet] | None = None,
    decision: Decision | None = None,
    fuels_kg: Sequence[float] | None = None,
    run_laps: Sequence[int] | None = None,
    track_c: float | None = None,
    count: int = 5,
    most: int = MOST_SEQUENCES,
) -> PracticePlan:
    """Return the runs of a practice session that would most narrow the decision that matters.

    Parameters
    ----------
    session : Session
        A practice session still to come.
    allocation : AllocationPlan
        The tyre plan: the choice between its plans is the decision, its tyres are the sets.
    sets : sequence of PracticeSet, optional
        Sets that may run, instead of those of `practice_sets`.
    decision : Decision, optional
        What to learn about, instead of what `practice_decision` finds.
    fuels_kg, run_laps : sequences, optional
        Start fuel and lengths of run to choose from; see `practice_session`.
    track_c : float, optional
        Track temperature expected; by default the hottest seen.
    count, most : int
        Alternatives wanted, and sequences to judge at most.

    Raises
    ------
    EventError
        `session` is not a practice session.
    """
    if session.kind != "practice":
        raise EventError(
            f"{session.id} is a {session.kind} session",
            rule="a programme of runs is for practice",
            next_step="Ask for the fuel load or, for a race, the race plan.",
        )
    wanted = decision or practice_decision(allocation)
    own = tuple(sets) if sets is not None else practice_sets(event, allocation, session)
    asked = practice_session(
        event, session, lap_time, fuel_use, own, fuels_kg=fuels_kg, run_laps=run_laps
    )
    if track_c is not None:
        asked = replace(asked, track_c=track_c)
    found = practice_plan(asked, lap_time, wanted, count=count, most=most)
    ends = (found.table["age_laps"] + found.table["laps"]).astype(float)
    said = of_ages(lap_time, [*ends])
    said += of_track(lap_time, track_c) if track_c is not None else ()
    said += () if sets is not None else _sets_note(session, own)
    return replace(found, notes=(*found.notes, *said))


def practice_decision(allocation: AllocationPlan) -> Decision:
    """Return the choice worth most to be sure of: between the best plan and a rival.

    The rival is the one with the most to gain by knowing the drop-off (expected value of perfect
    information over the fits' draws, RaiffaSchlaifer1961); where none could be better, the
    decision is what the best plan will lose in all.
    """
    best_s = drawn_costs_s(allocation.problem, allocation.table) if allocation.alternatives else 0.0
    worth_s = [
        float(np.mean(np.maximum(best_s - drawn_costs_s(one.problem, one.table), 0.0)))
        for one in allocation.alternatives
    ]
    if max(worth_s, default=0.0) <= TIE_S:
        return whole_loss(allocation)
    return between(allocation, allocation.alternatives[int(np.argmax(worth_s))])


def practice_sets(
    event: Event, allocation: AllocationPlan, session: Session
) -> tuple[PracticeSet, ...]:
    """Return the sets that may run in a practice session without touching the tyre plan.

    Its own tyres for the session, for the laps planned, or what their life and tread leave when
    they are not needed later; and whole sets of used tyres that the plan has no use for.
    """
    table, problem = allocation.table, allocation.problem
    sets = []
    own = table[table["session"] == session.id]
    if len(own):
        sets.append(_planned(event, problem, own.set_index("corner").loc[list(CORNERS)], table))
    kept = set(table["tyre_id"]) | set(allocation.spares["tyre_id"])
    left = [one for one in problem.tyres if one.tyre_id not in kept and not one.unused]
    sets += [_unplanned(event, problem, four) for four in _fours(left)]
    return tuple(one for one in sets if one.longest_laps >= SHORTEST_RUN_LAPS)


def _planned(
    event: Event, problem: AllocationProblem, own: pd.DataFrame, table: pd.DataFrame
) -> PracticeSet:
    ids = [str(tyre_id) for tyre_id in own["tyre_id"]]
    laps = int((own["age_end_laps"] - own["age_laps"]).min())
    mine = table[table["tyre_id"].isin(ids)]
    if set(mine["session"]) == set(own["session"]):
        ends = own[["age_end_laps", "distance_km", "tread_end_low_mm"]].to_numpy(dtype=float)
        spare = [
            laps_left(event, problem, at, age_laps=age, distance_km=km, tread_low_mm=low_mm)
            for at, (age, km, low_mm) in enumerate(ends)
        ]
        laps += max(min(spare), 0)
    age, cycles = round(float(own["age_laps"].mean())), float(own["heat_cycles"].mean())
    return PracticeSet(" ".join(ids), age, cycles, laps)


def _unplanned(event: Event, problem: AllocationProblem, four: Sequence[TyreState]) -> PracticeSet:
    laps = [
        laps_left(
            event,
            problem,
            at,
            age_laps=one.age_laps,
            distance_km=one.distance_km,
            tread_low_mm=one.tread_low_mm,
        )
        for at, one in enumerate(four)
    ]
    age = round(float(np.mean([one.age_laps for one in four])))
    cycles = float(np.mean([one.heat_cycles for one in four]))
    return PracticeSet(" ".join(one.tyre_id for one in four), age, cycles, max(min(laps), 0))


def _fours(tyres: Sequence[TyreState]) -> list[tuple[TyreState, ...]]:
    """Return tyres as sets of four, FL FR RL RR: the least run first, each where it may go."""
    left = sorted(tyres, key=lambda one: one.age_laps)
    found: list[tuple[TyreState, ...]] = []
    while True:
        open_to = [sum(c in one.corners for one in left) for c in range(len(CORNERS))]
        four: dict[int, TyreState] = {}
        for corner in np.argsort(open_to, kind="stable"):
            free = [o for o in left if int(corner) in o.corners and o not in four.values()]
            if free:
                four[int(corner)] = free[0]
        if len(four) < len(CORNERS):
            return found
        found.append(tuple(four[c] for c in range(len(CORNERS))))
        left = [one for one in left if one not in four.values()]


def _sets_note(session: Session, sets: Sequence[PracticeSet]) -> tuple[str, ...]:
    if not sets:
        return (f"the tyre plan has no tyres to run in {session.id}",)
    names = "; ".join(f"{one.set_id} up to {one.longest_laps} laps" for one in sets)
    return (f"tyres that may run without touching the tyre plan: {names}",)
