"""Tyres to sessions and corners over what is left of a weekend, proven best under its limits.

`allocate` draws up the problem, solves it with proof (`optimum`), and hands back the plan with
its nearest alternatives; an impossible event gets the limits that clash (`clash`). Costs are
seconds weighted by each session's value; ages count every lap on a tyre.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
import pandas as pd

from tyrekit.plan.alternatives import each_distinct, session_ages
from tyrekit.plan.beyond import of_tyres
from tyrekit.plan.clash import Clash, clash, too_few
from tyrekit.plan.effort import WORK_DONE, Effort
from tyrekit.plan.fitting import difference, drawn_costs_s, plan_table, spare_table
from tyrekit.plan.graph import build_graph
from tyrekit.plan.loss import TIE_S
from tyrekit.plan.optimum import optimum
from tyrekit.plan.problem import AllocationProblem, PlanLimit
from tyrekit.plan.relaxation import Relaxation, relax
from tyrekit.plan.search import FEASIBLE, IMPOSSIBLE, OPTIMAL, UNKNOWN, Whole
from tyrekit.plan.tyre_limits import StaysOnCorner
from tyrekit.plan.tyre_state import Wear
from tyrekit.plan.weekend_problem import AgeLoss, allocation_problem
from tyrekit.record.event import Event, Limit, Lock, MinimumTread


@dataclass(frozen=True, eq=False)
class AllocationPlan:
    """Which tyre runs where in every session still to come.

    Attributes
    ----------
    status : str
        ``optimal`` (proven), ``feasible`` (a plan and how far from the best it can be),
        ``impossible`` (proven), or ``unknown`` (the work allowed was done without a plan).
    cost_s, bound_s, gap_s : float
        Weighted seconds lost to tyre age and heat cycles; no plan costs less than the bound.
    table : DataFrame
        A row per session, stint and corner: session, stint, corner, tyre_id, age_laps (start),
        age_end_laps, heat_cycles (before), distance_km (end), tread_start_mm, tread_end_mm
        (expected mean depth), tread_end_low_mm (thinnest place, at the limit's confidence),
        expected_loss_s (not weighted), locked.
    spares : DataFrame
        session, corners it fits, tyre_id: the tyres that `keep_spare` sets aside.
    alternatives : tuple of AllocationPlan
        The next best plans that differ in axle and age of some qualifying or race, best first;
        each says its `difference_s` to the best and in words what `differs`.
    solved : (Relaxation, Whole) or None
        What the proof rests on, for questions that start from this plan.
    chance_best, chance_tie : float
        Chance over the fits' draws that this plan beats its first alternative, and that the two
        cost the same; NaN without one.
    blocked_by, repairs : tuple of str
        When impossible: limits that clash, and the smallest changes that would make it possible.
    """

    status: str
    cost_s: float
    bound_s: float
    gap_s: float
    table: pd.DataFrame
    spares: pd.DataFrame
    problem: AllocationProblem
    solved: tuple[Relaxation, Whole] | None = field(default=None, repr=False)
    alternatives: tuple[AllocationPlan, ...] = ()
    difference_s: float = 0.0
    differs: str = ""
    chance_best: float = np.nan
    chance_tie: float = np.nan
    blocked_by: tuple[str, ...] = ()
    repairs: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def next_fitting(self) -> dict[str, str]:
        """Corner -> tyre id at the start of the next session; empty without a plan."""
        if not len(self.table):
            return {}
        session = self.problem.stints[0].session
        rows = self.table[(self.table["session"] == session) & (self.table["stint"] == 1)]
        return dict(zip(rows["corner"], rows["tyre_id"], strict=True))


def allocate(
    event: Event,
    tyres: pd.DataFrame,
    lap_time: AgeLoss,
    tread: Wear,
    *,
    done: Collection[str] = (),
    fitted: pd.DataFrame | None = None,
    locks: Sequence[Lock] = (),
    stint_laps: Mapping[str, Sequence[int]] | None = None,
    alternatives: int = 3,
    expected_wear: bool = False,
    explain: bool = True,
    rng: np.random.Generator,
) -> AllocationPlan:
    """Return the best tyre plan for the sessions after `done`; see `allocation_problem`.

    The same inputs give the same plan: searches are limited in work, not in time.

    Parameters
    ----------
    alternatives : int
        How many other plans to look for.
    expected_wear : bool
        Whether to plan on expected wear before any running when no plan keeps the last tread with
        the stated confidence: beliefs about wear are wide. Such a plan says so in its first note.
    explain : bool
        Whether to look for the limits that clash when no plan exists; `explained` does it later.

    Raises
    ------
    EventError
        A lock names a tyre that is not to be had.
    """
    drawn_up = partial(
        allocation_problem,
        tyres=tyres,
        lap_time=lap_time,
        tread=tread,
        done=done,
        fitted=fitted,
        locks=locks,
        stint_laps=stint_laps,
        rng=rng,
    )
    plan = plan_problem(drawn_up(event), alternatives=alternatives, explain=explain)
    if plan.status != IMPOSSIBLE or done or not expected_wear:
        return plan
    easier = event.model_copy(update={"limits": tuple(map(_on_expected_wear, event.rules))})
    eased = plan_problem(drawn_up(easier), alternatives=alternatives, explain=explain)
    if eased.status == IMPOSSIBLE:
        return plan
    words = "; ".join(plan.blocked_by) or "the last tread"
    note = f"planned on expected wear, as sure as not: unmeasured, nothing can promise {words}."
    return replace(eased, notes=(f"{note} Measure tread after the first session", *eased.notes))


def _on_expected_wear(limit: Limit) -> Limit:
    if isinstance(limit, MinimumTread):
        return limit.model_copy(update={"confidence_pct": 50.0})
    return limit


def plan_problem(
    problem: AllocationProblem, *, alternatives: int = 3, explain: bool = True
) -> AllocationPlan:
    """Return the best plan of a problem already drawn up."""
    if not problem.stints:
        return _nothing_left(problem)
    if not problem.tyres:
        return _impossible(problem, Clash(missing=too_few(problem)))
    best, relaxed = best_within_reach(problem)
    if best.status == IMPOSSIBLE:
        return _impossible(problem, clash(problem) if explain else Clash())
    plan = plan_of(problem, relaxed, best)
    for found in each_alternative(plan, alternatives):
        plan = found
    return plan


def explained(plan: AllocationPlan, effort: Effort | None = None) -> AllocationPlan:
    """Return an impossible plan with the limits that clash and the smallest changes.

    Parameters
    ----------
    effort : Effort, optional
        What the search may spend, in questions; may be taken away from another thread.
    """
    if plan.status != IMPOSSIBLE or plan.blocked_by:
        return plan
    return _impossible(plan.problem, clash(plan.problem, effort))


def each_alternative(plan: AllocationPlan, alternatives: int) -> Iterator[AllocationPlan]:
    """Yield the plan again and again, each time with one more of its alternatives.

    For a plan made with none; last comes the plan with all found, which says why when they are
    fewer than asked for.
    """
    if plan.solved is None or not len(plan.table) or alternatives < 1:
        return
    relaxed, best = plan.solved
    for found in each_distinct(relaxed, best, session_ages(relaxed.graph), alternatives):
        if isinstance(found, str):
            plan = replace(plan, notes=(*plan.notes, found))
        else:
            plan = _with_alternative(plan, relaxed, found)
        yield plan


def best_within_reach(problem: AllocationProblem) -> tuple[Whole, Relaxation]:
    """Return the best plan; of a problem too large for its graph, one without changes of corner.

    The bound then comes from the problem without the limits that follow corners.
    """
    try:
        return optimum(build_graph(problem))
    except MemoryError:
        found, relaxed = optimum(
            build_graph(problem.with_limits([*problem.limits, StaysOnCorner()]))
        )
    freer = relax(build_graph(problem.with_limits(_not_by_corner(problem))))
    if found.status == OPTIMAL and found.cost - freer.bound < 0.5:
        return found, relaxed
    status = FEASIBLE if len(found.paths) else UNKNOWN if freer.possible else IMPOSSIBLE
    reason = "the event is too large to plan changes of corner: tyres stay where they first run"
    return Whole(status, found.paths, found.cost, min(freer.bound, found.cost), reason), relaxed


def _not_by_corner(problem: AllocationProblem) -> list[PlanLimit]:
    return [
        limit
        for limit in problem.limits
        if not any(limit.follows_corners(tyre, problem) for tyre in problem.tyres)
    ]


def plan_of(problem: AllocationProblem, relaxed: Relaxation, found: Whole) -> AllocationPlan:
    """Return what a solve found as a plan."""
    gap_s = max(found.cost_s - found.bound_s, 0.0)
    table = plan_table(relaxed.graph, found.paths)
    notes = (*of_tyres(table, problem.seen), *problem.notes)
    if found.status != OPTIMAL:
        within = f"; it is within {gap_s:.2f} s of the best possible" if len(found.paths) else ""
        what = "the plan is not proven the best" if len(found.paths) else "no plan was found"
        notes = (*notes, f"{what}: {found.reason or WORK_DONE}{within}")
    return AllocationPlan(
        status=found.status,
        cost_s=found.cost_s,
        bound_s=found.bound_s,
        gap_s=gap_s,
        table=table,
        spares=spare_table(relaxed.graph, found.paths),
        problem=problem,
        solved=(relaxed, found),
        notes=notes,
    )


def _with_alternative(plan: AllocationPlan, relaxed: Relaxation, found: Whole) -> AllocationPlan:
    """Return the plan with one more alternative and the chance of beating the first."""
    other = plan_of(plan.problem, relaxed, found)
    other = replace(
        other,
        difference_s=other.cost_s - plan.cost_s,
        differs=difference(plan.table, other.table),
        notes=(),
    )
    plan = replace(plan, alternatives=(*plan.alternatives, other))
    if len(plan.alternatives) > 1:
        return plan
    apart = drawn_costs_s(plan.problem, other.table) - drawn_costs_s(plan.problem, plan.table)
    return replace(
        plan,
        chance_best=float(np.mean(apart > TIE_S)),
        chance_tie=float(np.mean(np.abs(apart) <= TIE_S)),
    )


def _nothing_left(problem: AllocationProblem) -> AllocationPlan:
    notes = (*problem.notes, "no dry session is left to plan")
    return AllocationPlan(
        OPTIMAL, 0.0, 0.0, 0.0, plan_table(None, None), spare_table(None, None), problem,
        notes=notes,
    )  # fmt: skip


def _impossible(problem: AllocationProblem, found: Clash) -> AllocationPlan:
    return AllocationPlan(
        IMPOSSIBLE, np.inf, np.inf, 0.0, plan_table(None, None), spare_table(None, None), problem,
        blocked_by=found.blocked_by, repairs=found.repair_words,
        notes=(*problem.notes, *found.notes),
    )  # fmt: skip
