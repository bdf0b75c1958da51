"""What a change would be worth: one more new tyre, one step of a limit, a limit dropped.

Each is the best cost solved again with the change, never a dual: a dual is the slope at a
fraction of a tyre and has been seen to promise what a whole tyre does not give.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pandas as pd

from tyrekit.plan.allocation import AllocationPlan
from tyrekit.plan.graph import build_graph
from tyrekit.plan.limits import NewTyresLimit
from tyrekit.plan.optimum import optimum
from tyrekit.plan.problem import AllocationProblem, TyreState
from tyrekit.plan.search import UNKNOWN, Whole


class Asked(NamedTuple):
    """One change asked about: what it is in words, the problem with it, and the limit changed.

    `kind` is ``tyre`` (one more), ``step`` (a limit eased by one) or ``dropped``.
    """

    words: str
    problem: AllocationProblem
    kind: str
    limit: str = ""


def worth(plan: AllocationPlan) -> pd.DataFrame:
    """Return what each change of tyres or limits would save, the most first.

    Parameters
    ----------
    plan : AllocationPlan
        A plan that exists.

    Returns
    -------
    DataFrame
        change (in words), kind (``tyre``, ``step``, ``dropped``), limit (in words, or empty),
        worth_s (weighted seconds saved), status (``optimal``; ``feasible`` when at least so much
        is saved; ``unknown``).
    """
    asked = changes(plan.problem) if len(plan.table) else ()
    return worth_table([worth_of(plan, one) for one in asked])


class Worth(NamedTuple):
    """What one change would save; a row of `worth`."""

    change: str
    kind: str
    limit: str
    worth_s: float
    status: str


def worth_of(plan: AllocationPlan, asked: Asked) -> Worth:
    """Return what one change would save, solved again."""
    found = _solved(asked.problem)
    saved_s = np.nan if found is None else max(plan.cost_s - found.cost_s, 0.0)
    status = UNKNOWN if found is None else found.status
    return Worth(asked.words, asked.kind, asked.limit, saved_s, status)


def worth_table(rows: Sequence[Worth]) -> pd.DataFrame:
    """Return worths as the table of `worth`, the most first."""
    table = pd.DataFrame(rows, columns=list(Worth._fields))
    return table.sort_values("worth_s", ascending=False, kind="stable").reset_index(drop=True)


def changes(problem: AllocationProblem) -> Iterator[Asked]:
    """Yield every change asked about."""
    yield Asked("one more new tyre", with_new_tyre(problem), "tyre")
    for at, limit in enumerate(problem.limits):
        before, after = problem.limits[:at], problem.limits[at + 1 :]
        for easing in limit.easings():
            eased = easing(1)
            if eased is not None:
                words = f"{limit.words()} → {eased.words()}"
                yield Asked(
                    words, problem.with_limits([*before, eased, *after]), "step", limit.words()
                )
        words = f"without: {limit.words()}"
        yield Asked(words, problem.with_limits([*before, *after]), "dropped", limit.words())


def with_new_tyre(problem: AllocationProblem) -> AllocationProblem:
    """Return the problem with one more new tyre, like the deepest there, and room to use it."""
    new = [tyre for tyre in problem.tyres if tyre.unused]
    depth = max((tyre.tread_low_mm for tyre in new or problem.tyres), default=np.inf)
    mean = max((tyre.tread_mm for tyre in new or problem.tyres), default=np.inf)
    more = TyreState(
        "one more", tread_mm=mean, tread_low_mm=depth, unused=True, new=True, marked=True
    )
    limits = [
        limit.easings()[0](1) or limit if isinstance(limit, NewTyresLimit) else limit
        for limit in problem.limits
    ]
    return replace(problem, tyres=(*problem.tyres, more), limits=tuple(limits))


def _solved(problem: AllocationProblem) -> Whole | None:
    """Return the best plan, None where none is found or the problem grows too large."""
    try:
        found, _ = optimum(build_graph(problem))
    except MemoryError:
        return None
    return found if len(found.paths) else None
