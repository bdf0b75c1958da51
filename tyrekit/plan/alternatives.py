"""The next best plans that differ in what the crew would do, not in the names of like tyres.

A plan's signature counts tyres by (stint, axle, age) over the stints asked about; `search` gives
plans in order of cost with a signature each, so the list is exact. Where it has to stop short it
says why.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tyrekit.errors import TyrekitError
from tyrekit.plan.effort import A_SECOND, Effort
from tyrekit.plan.graph import StateGraph
from tyrekit.plan.problem import Ints
from tyrekit.plan.relaxation import Relaxation
from tyrekit.plan.search import OPTIMAL, Search, Whole

SHORT = "the list of other plans is short"
LIST_WORK = 4 * A_SECOND


@dataclass(frozen=True, eq=False)
class Distinct:
    """Plans found, best first, and why there are no more than these (empty when all asked for)."""

    plans: tuple[Whole, ...]
    reason: str = ""


def distinct_plans(
    relaxed: Relaxation,
    best: Whole,
    keys: Ints,
    count: int,
    *,
    work: float = LIST_WORK,
) -> Distinct:
    """Return up to `count` plans after `best`, each with a signature of its own.

    Parameters
    ----------
    keys : int array (arcs,)
        Signature key of each arc, -1 for none.
    work : float
        What the search may spend, in the units of `effort`; the list ends there, and says so.
    """
    found: list[Whole] = []
    for one in each_distinct(relaxed, best, keys, count, work=work):
        if isinstance(one, str):
            return Distinct(tuple(found), one)
        found.append(one)
    return Distinct(tuple(found))


def each_distinct(
    relaxed: Relaxation,
    best: Whole,
    keys: Ints,
    count: int,
    *,
    work: float = LIST_WORK,
) -> Iterator[Whole | str]:
    """Yield the plans of `distinct_plans` as they are found; at a short list's end why it is so."""
    effort = Effort(work)
    search = Search(relaxed, keys, best)
    for number in range(count + 1):
        try:
            plan = search.next_plan(effort)
        except TyrekitError as error:
            yield f"{SHORT}: {error}"
            return
        if plan.status != OPTIMAL:
            yield from [f"{SHORT}: {plan.reason}"] if plan.reason else []
            return
        if number:
            yield plan


def session_ages(graph: StateGraph) -> Ints:
    """Return the signature key of each arc: its qualifying or race stint, axle and age.

    With no such session left, of every stint; -1 for moves outside the signature.
    """
    stints = graph.problem.stints
    wanted = [i for i, stint in enumerate(stints) if stint.kind != "practice"]
    return signature_keys(graph, wanted or list(range(len(stints))))


def signature_keys(graph: StateGraph, stints: list[int]) -> Ints:
    """Return the key (stint, axle, age) of each arc that runs in `stints`, -1 for the others."""
    arcs = graph.arcs
    inside = arcs.runs & np.isin(arcs.stint, stints)
    code = ((arcs.stint * 2 + arcs.corner // 2) * (arcs.age_laps.max() + 1) + arcs.age_laps)[inside]
    keys = np.full(len(arcs), -1, dtype=np.int64)
    keys[inside] = np.unique(code, return_inverse=True)[1]
    return keys
