"""The proven best allocation: relaxation, best-first search, and whole-number solves behind them.

Most events are settled by the relaxation or a short search over it. Where that takes too long
(tight pairs, few new tyres) pools of programmes go to the whole-number solver: if the best plan
over all programmes of reduced cost <= gap costs no more than the relaxation's bound + gap, no
other plan is better; otherwise the gap grows until that holds or every programme is in. A solver
error is tried again without presolve; only a proof over every programme counts as impossible.
"""

from __future__ import annotations

import ctypes
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from scipy import optimize, sparse

from tyrekit.errors import TyrekitError
from tyrekit.plan.effort import A_SECOND, LAST_RESORT_S, PAST_S, WORK_DONE, Effort
from tyrekit.plan.graph import StateGraph
from tyrekit.plan.problem import Floats, Ints
from tyrekit.plan.relaxation import Relaxation, relax
from tyrekit.plan.search import (
    FEASIBLE,
    IMPOSSIBLE,
    LEAST_SCALE,
    OPTIMAL,
    POOL,
    RUNGS,
    SLACK,
    UNKNOWN,
    Search,
    Whole,
)  # fmt: skip

FEW = 400  # programmes that are not worth choosing among first
SEARCH_WORK = 1.0 * A_SECOND
DIVE_WORK = 0.3 * A_SECOND
NODES = 400  # of the whole-number solver's own tree


def optimum(
    graph: StateGraph, relaxed: Relaxation | None = None, work: float = SEARCH_WORK
) -> tuple[Whole, Relaxation]:
    """Return the best plan with its proof, and the relaxation it rests on.

    Parameters
    ----------
    graph : StateGraph
        The problem.
    relaxed : Relaxation, optional
        The graph's relaxation when it is known already.
    work : float
        What the search may spend, in the units of `effort`; pools are opened when that is done,
        and what they cannot prove is returned as ``feasible`` with its bound.
    """
    relaxed = relaxed or relax(graph)
    if not relaxed.possible:
        return Whole(IMPOSSIBLE, relaxed.paths[:0]), relaxed
    best = _if_whole(relaxed) or _searched(relaxed, work)
    if best.status in (OPTIMAL, IMPOSSIBLE):
        return best, relaxed
    return by_pools(relaxed, best), relaxed


def _searched(relaxed: Relaxation, work: float) -> Whole:
    """Return the best plan, or a plan soon found with the bound that the search has proven."""
    try:
        search = Search(relaxed)
        found = search.next_plan(Effort(work))
        if found.status != UNKNOWN:
            return found
        dived = search.dive(Effort(DIVE_WORK))
        return replace(dived, bound=found.bound, reason=found.reason)
    except TyrekitError as error:
        return Whole(UNKNOWN, relaxed.paths[:0], bound=relaxed.bound, reason=str(error))


def by_pools(relaxed: Relaxation, best: Whole) -> Whole:
    """Return the best plan by whole-number solves over wider and wider pools.

    Parameters
    ----------
    best : Whole
        What is known already; its bound is kept where it is the better.
    """
    gap = 0.0
    if relaxed.pricing.within(relaxed.price, np.inf, FEW) is not None:
        gap = RUNGS[-1] * max(abs(relaxed.bound), LEAST_SCALE)
    while best.status not in (OPTIMAL, IMPOSSIBLE) and np.isfinite(gap):
        opened = _next_pool(relaxed, best, gap)
        if opened is None:
            break
        gap, pool = opened
        best = _better(best, whole_pool(relaxed, pool), relaxed, gap)
    if not len(best.paths) and best.status == UNKNOWN:
        best = _better(best, whole_pool(relaxed, relaxed.paths), relaxed, 0.0)
    return best


def whole_pool(relaxed: Relaxation, pool: Ints) -> Whole:
    """Return the best plan made of the programmes of `pool`."""
    columns = relaxed.columns(pool)
    cost = relaxed.path_cost(pool)
    solved = solve_whole(cost, columns, relaxed.rows_lower, relaxed.rows_upper)
    if solved.counts is None:
        return Whole(solved.status, pool[:0], bound=solved.bound, reason=solved.reason)
    paths = np.repeat(pool, solved.counts, axis=0)
    return Whole(solved.status, paths, float(cost @ solved.counts), solved.bound, solved.reason)


class Counts(NamedTuple):
    """The whole-number solver's answer: status, number of each column, bound, why it stopped.

    ``feasible`` is a plan in hand after `NODES`; ``unknown`` none, or a solver error.
    """

    status: str
    counts: Ints | None
    bound: float
    reason: str = ""


def solve_whole(cost: Floats, columns: sparse.csc_array, lower: Floats, upper: Floats) -> Counts:
    """Return the best whole numbers of each column; a solver error is tried without presolve."""
    if not len(cost):
        return Counts(IMPOSSIBLE, None, np.inf)
    for presolve in (True, False):
        with _stray_lines_dropped():
            solved = optimize.milp(
                cost,
                integrality=np.ones(len(cost), dtype=np.int64),
                constraints=optimize.LinearConstraint(columns, lower, upper),
                options={
                    "mip_rel_gap": 0.0,
                    "node_limit": NODES,
                    "time_limit": LAST_RESORT_S,
                    "presolve": presolve,
                },
            )
        out_of_nodes = "limit reached" in solved.message  # a status of its own only in words
        if solved.status in (0, 1, 2) or out_of_nodes:
            break
    if solved.status == 2:
        return Counts(IMPOSSIBLE, None, np.inf)
    bound = solved.mip_dual_bound if solved.mip_dual_bound is not None else -np.inf
    if solved.status not in (0, 1) and not out_of_nodes:
        return Counts(UNKNOWN, None, bound, "the whole-number solver failed twice on it")
    reason = ""
    if solved.status == 1 and "Time limit" in solved.message:
        reason = PAST_S
    elif solved.status != 0:
        reason = WORK_DONE
    if solved.x is None:
        return Counts(UNKNOWN, None, bound, reason)
    counts = np.rint(solved.x).astype(np.int64)
    return Counts(OPTIMAL if solved.status == 0 else FEASIBLE, counts, bound, reason)


@contextmanager
def _stray_lines_dropped() -> Iterator[None]:
    """Drop what the solver prints from C while it works: it would stand in the crew's report."""
    flush = getattr(ctypes.CDLL(None), "fflush", None) if os.name == "posix" else None
    if flush is None:
        yield
        return
    flush(None)
    kept, nowhere = os.dup(1), os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    try:
        yield
    finally:
        flush(None)
        os.dup2(kept, 1)
        os.close(kept)
        os.close(nowhere)


def _if_whole(relaxed: Relaxation) -> Whole | None:
    """Return the relaxation's optimum as a plan when its shares are whole numbers."""
    counts = np.rint(relaxed.share).astype(np.int64)
    if np.abs(relaxed.share - counts).max(initial=0.0) > 1e-6:
        return None
    cost = float(relaxed.path_cost(relaxed.paths) @ counts)
    paths = np.repeat(relaxed.paths, counts, axis=0)
    return Whole(OPTIMAL, paths, cost, cost) if cost - relaxed.bound < 0.5 else None


def _next_pool(relaxed: Relaxation, best: Whole, gap: float) -> tuple[float, Ints] | None:
    """Return the next gap and its pool: what the best plan so far needs, else one rung wider."""
    scale = max(abs(relaxed.bound), LEAST_SCALE)
    needed = float(best.cost - relaxed.bound)
    wider = next((rung * scale for rung in RUNGS if rung * scale > gap), np.inf)
    for width in (needed, wider):
        if width > gap and (width < np.inf or width == wider):
            pool = relaxed.pricing.within(relaxed.price, width + SLACK, POOL)
            if pool is not None:
                return width, pool
    return None


def _better(best: Whole, new: Whole, relaxed: Relaxation, gap: float) -> Whole:
    """Return the better of two findings, with what the new one proves over a pool of `gap`."""
    if new.status == IMPOSSIBLE:
        return new if np.isinf(gap) else best
    over_all = min(new.bound, relaxed.bound + gap)
    bound = max(best.bound, over_all)
    cost, paths = (new.cost, new.paths) if new.cost < best.cost else (best.cost, best.paths)
    reason = new.reason or best.reason
    if not np.isfinite(cost):
        return Whole(UNKNOWN, best.paths, bound=bound, reason=reason)
    proven = cost - bound < 0.5 or (new.status == OPTIMAL and cost <= relaxed.bound + gap + SLACK)
    if proven:
        return Whole(OPTIMAL, paths, cost, cost)
    return Whole(FEASIBLE, paths, cost, bound, reason)
