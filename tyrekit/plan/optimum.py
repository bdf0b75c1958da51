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
import time
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
from scipy import optimize, sparse

from tyrekit.errors import TyrekitError
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
    paths_of,
)  # fmt: skip

FEW = 400  # programmes that are not worth choosing among first
ROUNDS = 40  # relaxations the search may solve before pools go to the whole-number solver


def optimum(
    graph: StateGraph, time_limit_s: float = 20.0, relaxed: Relaxation | None = None
) -> tuple[Whole, Relaxation]:
    """Return the best plan with its proof, and the relaxation it rests on.

    Parameters
    ----------
    graph : StateGraph
        The problem.
    time_limit_s : float
        After about this long the best plan so far is returned as ``feasible`` with its bound.
    relaxed : Relaxation, optional
        The graph's relaxation when it is known already.
    """
    ends = time.monotonic() + time_limit_s
    relaxed = relaxed or relax(graph)
    if not relaxed.possible:
        return Whole(IMPOSSIBLE, relaxed.paths[:0]), relaxed
    best = _if_whole(relaxed) or _searched(relaxed, ends)
    if best.status in (OPTIMAL, IMPOSSIBLE):
        return best, relaxed
    return by_pools(relaxed, best, ends), relaxed


def _searched(relaxed: Relaxation, ends: float) -> Whole:
    try:
        return Search(relaxed).next_plan(ROUNDS, ends)
    except TyrekitError as error:
        return Whole(UNKNOWN, relaxed.paths[:0], bound=relaxed.bound, reason=str(error))


def by_pools(relaxed: Relaxation, best: Whole, ends: float) -> Whole:
    """Return the best plan by whole-number solves over wider and wider pools.

    Parameters
    ----------
    best : Whole
        What is known already; its bound is kept where it is the better.
    ends : float
        `time.monotonic` after which the best so far is returned.
    """
    gap = 0.0
    if relaxed.pricing.within(relaxed.price, np.inf, FEW) is not None:
        gap = RUNGS[-1] * max(abs(relaxed.bound), LEAST_SCALE)
    while best.status not in (OPTIMAL, IMPOSSIBLE) and np.isfinite(gap):
        if gap > 0 and time.monotonic() > ends:
            break
        gap = _next_gap(relaxed, best, gap)
        pool = relaxed.pricing.within(relaxed.price, gap + SLACK, POOL)
        left_s = max(ends - time.monotonic(), 1.0)
        if pool is None:
            return _better(best, whole_flow(relaxed, left_s), relaxed, np.inf)
        best = _better(best, whole_pool(relaxed, pool, left_s), relaxed, gap)
    if not len(best.paths) and best.status == UNKNOWN:
        best = _better(best, whole_pool(relaxed, relaxed.paths, 1.0), relaxed, 0.0)
    return best


def whole_pool(relaxed: Relaxation, pool: Ints, time_limit_s: float) -> Whole:
    """Return the best plan made of the programmes of `pool`."""
    columns = relaxed.columns(pool)
    cost = relaxed.path_cost(pool)
    status, counts, bound = solve_whole(
        cost, columns, relaxed.rows_lower, relaxed.rows_upper, time_limit_s
    )
    if counts is None:
        return Whole(status, pool[:0], bound=bound)
    paths = np.repeat(pool, counts, axis=0)
    return Whole(status, paths, float(cost @ counts), bound)


def whole_flow(relaxed: Relaxation, time_limit_s: float) -> Whole:
    """Return the best plan as a flow on the graph: larger, but no programme need be listed."""
    graph = relaxed.graph
    arcs = np.arange(len(graph.cost))
    inner = graph.n_nodes
    ones = np.ones(len(arcs))
    balance = sparse.csr_array(
        (np.r_[ones, -ones], (np.r_[graph.head, graph.tail], np.r_[arcs, arcs])),
        shape=(inner, len(arcs)),
    )
    last = int(graph.tail.max()) + 1
    keep = balance[len(graph.classes) : last]
    zeros = np.zeros(keep.shape[0])
    status, flow, bound = solve_whole(
        relaxed.cost,
        sparse.vstack([relaxed.matrix, keep]).tocsc(),
        np.r_[relaxed.rows_lower, zeros],
        np.r_[relaxed.rows_upper, zeros],
        time_limit_s,
    )
    if flow is None:
        return Whole(status, relaxed.paths[:0], bound=bound)
    paths = paths_of(graph, flow)
    return Whole(status, paths, float(relaxed.path_cost(paths).sum()), bound)


def solve_whole(
    cost: Floats, columns: sparse.csc_array, lower: Floats, upper: Floats, time_limit_s: float
) -> tuple[str, Ints | None, float]:
    """Return status, whole numbers of each column and the proven bound on the cost.

    Status is optimal, feasible (time ran out with a plan in hand), impossible or unknown.
    """
    if not len(cost):
        return IMPOSSIBLE, None, np.inf
    for presolve in (True, False):
        with _stray_lines_dropped():
            solved = optimize.milp(
                cost,
                integrality=np.ones(len(cost), dtype=np.int64),
                constraints=optimize.LinearConstraint(columns, lower, upper),
                options={"mip_rel_gap": 0.0, "time_limit": time_limit_s, "presolve": presolve},
            )
        if solved.status in (0, 1, 2):
            break
    if solved.status == 2:
        return IMPOSSIBLE, None, np.inf
    bound = solved.mip_dual_bound if solved.mip_dual_bound is not None else -np.inf
    if solved.x is None or solved.status not in (0, 1):
        return UNKNOWN, None, bound
    counts = np.rint(solved.x).astype(np.int64)
    return (OPTIMAL if solved.status == 0 else FEASIBLE), counts, bound


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


def _next_gap(relaxed: Relaxation, best: Whole, gap: float) -> float:
    """Return how wide to open the pool next: a rung, or just what the best plan so far needs."""
    scale = max(abs(relaxed.bound), LEAST_SCALE)
    wider = next((rung * scale for rung in RUNGS if rung * scale > gap), np.inf)
    if np.isfinite(best.cost):
        return float(best.cost - relaxed.bound) if gap < best.cost - relaxed.bound else wider
    return wider


def _better(best: Whole, new: Whole, relaxed: Relaxation, gap: float) -> Whole:
    """Return the better of two findings, with what the new one proves over a pool of `gap`."""
    if new.status == IMPOSSIBLE:
        return new if np.isinf(gap) else best
    over_all = min(new.bound, relaxed.bound + gap)
    bound = max(best.bound, over_all)
    cost, paths = (new.cost, new.paths) if new.cost < best.cost else (best.cost, best.paths)
    if not np.isfinite(cost):
        return Whole(UNKNOWN, best.paths, bound=bound)
    proven = cost - bound < 0.5 or (new.status == OPTIMAL and cost <= relaxed.bound + gap + SLACK)
    return Whole(OPTIMAL if proven else FEASIBLE, paths, cost, cost if proven else bound)
