"""What stands behind a tyre plan: its rivals, what they agree on, its limits, what would help.

Tables for the panels, each answering one question about a plan that `allocate` has found.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tyrekit.plan.allocation import AllocationPlan
from tyrekit.plan.fitting import ages_in_words, axle_ages, drawn_costs_s
from tyrekit.plan.loss import TIE_S
from tyrekit.plan.worth import worth

LEVEL = 0.9


@dataclass(frozen=True, eq=False)
class Outlook:
    """What stands behind a plan; every table is empty without one.

    Attributes
    ----------
    rivals : DataFrame
        A row per alternative: plan (1 is the first), differs, difference_s (expected, over the
        plan), lower_s, upper_s (90 % of draws), chance_plan, chance_rival, chance_tie (which of
        the two costs less over the draws, ties apart), same_next (the next session starts alike).
    agreement : DataFrame
        As `agreement` returns.
    limits : DataFrame
        limit, binds (one step less would break the plan; a limit without a number binds where it
        applies), step_s (saved by the best easing of one step; NaN when it has none), dropped_s
        (saved without it), status of those solves.
    worth : DataFrame
        As `worth.worth` returns: one more new tyre, each limit eased by one step, and dropped.
    """

    rivals: pd.DataFrame
    agreement: pd.DataFrame
    limits: pd.DataFrame
    worth: pd.DataFrame


def outlook(plan: AllocationPlan) -> Outlook:
    """Return what stands behind a plan; every change is solved again, some 30 solves in all."""
    changed = worth(plan)
    return Outlook(rivals(plan), agreement(plan), limits_of(plan, changed), changed)


def rivals(plan: AllocationPlan) -> pd.DataFrame:
    """Return how the plan stands against each alternative over the fits' draws."""
    rows = []
    own_s = drawn_costs_s(plan.problem, plan.table) if plan.alternatives else np.empty(0)
    for number, other in enumerate(plan.alternatives, 1):
        apart_s = drawn_costs_s(plan.problem, other.table) - own_s
        ends = [(1 - LEVEL) / 2, (1 + LEVEL) / 2]
        lower_s, upper_s = np.quantile(apart_s, ends) if len(apart_s) else (np.nan, np.nan)
        ahead, behind = np.mean(apart_s > TIE_S), np.mean(apart_s < -TIE_S)
        rows.append(
            (
                number, other.differs, other.difference_s, float(lower_s), float(upper_s),
                float(ahead), float(behind), float(1 - ahead - behind),
                _next_ages(other) == _next_ages(plan),
            )
        )  # fmt: skip
    columns = [
        "plan", "differs", "difference_s", "lower_s", "upper_s", "chance_plan", "chance_rival",
        "chance_tie", "same_next",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def limits_of(plan: AllocationPlan, changed: pd.DataFrame) -> pd.DataFrame:
    """Return of each limit whether it binds and what easing or dropping it would save.

    Parameters
    ----------
    changed : DataFrame
        What `worth.worth` says of the same plan.
    """
    rows = []
    for limit in plan.problem.limits if len(plan.table) else ():
        own = changed[changed["limit"] == limit.words()]
        dropped, step = (own[own["kind"] == kind] for kind in ("dropped", "step"))
        proven = (own["status"] == "optimal").all()
        rows.append(
            (
                limit.words(),
                limit.binds(plan.table, plan.problem),
                step["worth_s"].max(),
                dropped["worth_s"].max(),
                "optimal" if proven else "feasible",
            )
        )
    return pd.DataFrame(rows, columns=["limit", "binds", "step_s", "dropped_s", "status"])


def agreement(plan: AllocationPlan) -> pd.DataFrame:
    """Return how many of the plan and its alternatives put the same ages on the next session.

    Returns
    -------
    DataFrame
        session, axle (front, rear, or both at once), ages (in words, the plan's own), plans (that
        agree), of (plans looked at), within_s (what the dearest of them costs over the best).
    """
    columns = ["session", "axle", "ages", "plans", "of", "within_s"]
    if not len(plan.table):
        return pd.DataFrame(columns=columns)
    first = plan.problem.stints[0].session
    every = [_next_ages(one) for one in (plan, *plan.alternatives)]
    within_s = max((other.difference_s for other in plan.alternatives), default=0.0)
    rows = []
    for axle, at in (("front", slice(0, 1)), ("rear", slice(1, 2)), ("both", slice(0, 2))):
        words = "; ".join(ages_in_words(ages) for ages in every[0][at])
        same = sum(ages[at] == every[0][at] for ages in every)
        rows.append((first, axle, words, same, len(every), within_s))
    return pd.DataFrame(rows, columns=columns)


def _next_ages(plan: AllocationPlan) -> tuple[tuple[int, ...], ...]:
    """Return the ages on front and rear at the start of the next session."""
    ages, first = axle_ages(plan.table), plan.problem.stints[0].session
    return tuple(ages[first, 1, axle] for axle in ("front", "rear"))
