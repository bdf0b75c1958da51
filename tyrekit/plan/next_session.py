"""What to put on for the next session: every set worth thinking of, ranked over the weekend.

Sets are told apart by the ages on each axle, not by the names of like tyres. Each is followed by
the best plan for the rest of the weekend that starts with it, so the ranking is exact: no set left
out would rank above the last one listed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tyrekit.plan.allocation import AllocationPlan, plan_of
from tyrekit.plan.alternatives import distinct_plans, signature_keys
from tyrekit.plan.beyond import of_choices
from tyrekit.plan.fitting import ages_in_words, axle_ages, drawn_losses_s
from tyrekit.plan.loss import TIE_S, chance_least
from tyrekit.plan.problem import CORNERS, AllocationProblem

LEVEL = 0.9
COLUMNS = (
    "rank", "fl", "fr", "rl", "rr", "expected_s", "lower_s", "upper_s", "chance_best",
    "later_cost_s", "weekend_cost_s", "weekend_lower_s", "weekend_upper_s", "age_end_laps",
    "tread_end_mm", "reason",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class NextSession:
    """The ranked sets for one session.

    Attributes
    ----------
    status : str
        That of the allocation, ``impossible`` when nothing can be fitted.
    table : DataFrame
        rank; fl, fr, rl, rr (tyre ids at the start); expected_s, lower_s, upper_s (seconds over
        the session against the first choice, 90 % interval over draws; in qualifying over the
        best lap); chance_best (of the least weekend cost among these, a tie shared);
        later_cost_s (what it costs the sessions after, against the first choice, weighted);
        weekend_cost_s, weekend_lower_s, weekend_upper_s (both together, weighted, 90 % interval);
        age_end_laps (oldest tyre) and tread_end_mm (expected, thinnest of the four) at the end of
        the session; reason.
    plans : tuple of AllocationPlan
        The weekend that follows each choice.
    """

    session: str
    status: str
    table: pd.DataFrame
    plans: tuple[AllocationPlan, ...] = ()
    notes: tuple[str, ...] = ()


def rank_next(
    allocation: AllocationPlan,
    session: str | None = None,
    *,
    most: int = 12,
) -> NextSession:
    """Return the distinct sets for the next session, best over the weekend first.

    Parameters
    ----------
    allocation : AllocationPlan
        Of the weekend as it stands.
    session : str, optional
        The session to be run next; the first one planned by default. When it is not planned
        (wet, no laps) the table is empty and the notes say so.
    most : int
        Sets to list, 1 or more.
    """
    problem = allocation.problem
    first = problem.stints[0].session if problem.stints else ""
    name = session if session is not None else first
    empty = pd.DataFrame(columns=list(COLUMNS))
    if allocation.solved is None or not len(allocation.table):
        return NextSession(name, allocation.status, empty, notes=allocation.blocked_by)
    if name != first:
        return NextSession(name, allocation.status, empty, notes=(f"{name} is not planned here",))
    relaxed, best = allocation.solved
    keys = signature_keys(relaxed.graph, [0])
    found = distinct_plans(relaxed, best, keys, most - 1)
    plans = (allocation, *(plan_of(problem, relaxed, other) for other in found.plans))
    notes = _notes(problem, len(plans), most, found.reason)
    table = _ranked(problem, plans)
    notes += of_choices(table, problem.seen)
    return NextSession(name, allocation.status, table, plans, notes)


def _notes(problem: AllocationProblem, listed: int, most: int, reason: str) -> tuple[str, ...]:
    notes = [reason.replace("plans", "choices")] if reason else []
    if listed == most and not reason:
        notes.append(f"the best {most} choices are listed; any other costs at least as much")
    if problem.stints[0].kind == "qualifying":
        notes.append("seconds of a choice are those of the best lap")
    if problem.stints[0].value == 0:
        notes.append(f"a second saved in {problem.stints[0].session} is worth nothing (value = 0)")
    return tuple(notes)


def _ranked(problem: AllocationProblem, plans: tuple[AllocationPlan, ...]) -> pd.DataFrame:
    own = problem.stints_of(problem.stints[0].session)
    lost_s = [drawn_losses_s(problem, plan.table) for plan in plans]
    here = np.array([sum(lost[i] for i in own) for lost in lost_s])
    weighted = np.array(
        [sum(problem.stints[i].value * loss for i, loss in lost.items()) for lost in lost_s]
    )
    value = problem.stints[0].value
    chance = chance_least(weighted)
    rows = []
    for rank, plan in enumerate(plans):
        apart = here[rank] - here[0]
        weekend = weighted[rank] - weighted[0]
        (lower, upper), (weekend_lower, weekend_upper) = (
            np.quantile(drawn, [(1 - LEVEL) / 2, (1 + LEVEL) / 2]) for drawn in (apart, weekend)
        )
        start = plan.next_fitting
        ends = plan.table[plan.table["session"] == problem.stints[0].session]
        expected_s = float(apart.mean())
        weekend_cost_s = float(weekend.mean())
        rows.append(
            (
                rank + 1,
                *(start[corner] for corner in CORNERS),
                expected_s,
                float(lower),
                float(upper),
                float(chance[rank]),
                weekend_cost_s - value * expected_s,
                weekend_cost_s,
                float(weekend_lower),
                float(weekend_upper),
                int(ends["age_end_laps"].max()),
                float(ends["tread_end_mm"].min()),
                _reason(problem, plans[0], plan, expected_s),
            )
        )
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _reason(
    problem: AllocationProblem, best: AllocationPlan, plan: AllocationPlan, expected_s: float
) -> str:
    """Return in one sentence what speaks for or against a choice."""
    first = problem.stints[0].session
    ages = axle_ages(plan.table)
    worn = ", ".join(f"{axle} {ages_in_words(ages[first, 1, axle])}" for axle in ("front", "rear"))
    if plan is best:
        return f"{worn}: least cost over the weekend"
    later = {stint.session: 0.0 for stint in problem.stints if stint.session != first}
    for sign, one in ((1.0, plan), (-1.0, best)):
        for session, corner_s in zip(
            one.table["session"], one.table["expected_loss_s"], strict=True
        ):
            if session != first:
                later[session] += sign * float(corner_s)
    here = _seconds(expected_s, "here")
    most = sorted(later, key=lambda session: -abs(later[session]))[:2]
    words = [_seconds(later[name], f"in {name}") for name in most if abs(later[name]) > TIE_S]
    return f"{worn}: {here}; {' and '.join(words) if words else 'no difference'} later"


def _seconds(lost_s: float, where: str) -> str:
    if abs(lost_s) < 0.005:
        return f"equal {where}"
    return f"{abs(lost_s):.2f} s {'slower' if lost_s > 0 else 'quicker'} {where}"
