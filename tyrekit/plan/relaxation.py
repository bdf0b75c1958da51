"""The allocation's linear relaxation, solved by column generation on the state graph.

Columns are programmes (paths). The master holds the few that matter; pricing on the graph finds
the ones missing. At the end no programme has a negative reduced cost, so the optimum is a lower
bound for every plan, and any plan within `gap` of it uses programmes of reduced cost at most
`gap` only: the ground of the proof in `optimum`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import optimize, sparse

from tyrekit.errors import TyrekitError
from tyrekit.plan.graph import StateGraph, row_matrix
from tyrekit.plan.pricing import Pricing
from tyrekit.plan.problem import Floats, Ints, Row

EACH = 3  # programmes taken per kind of move and round
TOLERANCE = 1e-4  # of a cost unit: reduced costs below this are noise of the LP
MISSING = 1e-6  # cover left to artificial columns that counts as none
CUT_ROUNDS = 12


@dataclass(frozen=True, eq=False)
class Relaxation:
    """The optimum of the relaxation, or the proof that there is none.

    Attributes
    ----------
    possible : bool
        False when even fractions of tyres cannot meet every limit.
    bound : float
        Least cost of any plan, in cost units.
    price : array (arcs,)
        Cost of each arc less the duals of its rows; along a programme, its reduced cost.
    paths : int array (programmes, stints)
        Programmes generated.
    share : array (programmes,)
        How much of each the optimum uses.
    rows : tuple of Row
        Rows of the graph and the cuts added.
    """

    graph: StateGraph
    pricing: Pricing
    cost: Floats
    possible: bool
    bound: float
    price: Floats
    paths: Ints
    share: Floats
    rows: tuple[Row, ...]
    matrix: sparse.csr_array

    def columns(self, paths: Ints) -> sparse.csc_array:
        """Return the programmes' entries in the rows, (rows, programmes)."""
        return path_columns(self.matrix, paths)

    @property
    def rows_upper(self) -> Floats:
        """Upper limit of every row."""
        return np.array([row.upper for row in self.rows])

    @property
    def rows_lower(self) -> Floats:
        """Lower limit of every row, minus infinity where it has none."""
        return np.array([row.upper if row.equal else -np.inf for row in self.rows])

    def path_cost(self, paths: Ints) -> Floats:
        """Return the programmes' costs in cost units."""
        cost: Floats = self.cost[paths].sum(axis=1)
        return cost


@dataclass(frozen=True, eq=False)
class _Dual:
    """One solved master: duals of the rows, shares of the columns, and what stays uncovered."""

    cost: float
    duals: Floats
    share: Floats
    missing: float


def relax(graph: StateGraph, cost: Floats | None = None) -> Relaxation:
    """Return the relaxation of the graph's problem; `cost` per arc replaces the graph's own.

    Raises
    ------
    TyrekitError
        The LP solver fails twice on one master.
    """
    master = _Master(graph, graph.cost.astype(float) if cost is None else cost)
    penalty = 2.0 * float(np.abs(master.cost).max(initial=0.0)) + 1000.0
    for round_ in range(CUT_ROUNDS + 1):
        found = master.generate(penalty)
        if found.missing > MISSING:
            first_phase = master.generate(1.0, free=True)
            if first_phase.missing > MISSING:
                return master.result(first_phase, possible=False)
            while found.missing > MISSING:
                penalty *= 20.0
                found = master.generate(penalty)
        if round_ == CUT_ROUNDS or not master.add_cuts(found):
            break
    return master.result(found, possible=True)


def path_columns(matrix: sparse.csr_array, paths: Ints) -> sparse.csc_array:
    """Return the entries of programmes in rows over arcs, (rows, programmes)."""
    count, stints = paths.shape
    ones = np.ones(paths.size)
    within = sparse.csc_array(
        (ones, paths.ravel(), np.arange(0, paths.size + 1, stints)), shape=(matrix.shape[1], count)
    )
    return (matrix @ within).tocsc()


class _Master:
    """The LP over the programmes generated so far; it only ever grows."""

    def __init__(self, graph: StateGraph, cost: Floats) -> None:
        self.graph, self.cost = graph, cost
        self.pricing = Pricing(graph)
        self.rows: list[Row] = []
        self.paths = np.empty((0, len(graph.first_arc) - 1), dtype=np.int64)
        self._add_rows(graph.rows)

    def generate(self, penalty: float, free: bool = False) -> _Dual:
        """Add columns until none is missing; an uncovered row costs `penalty`, a tyre 0 if free."""
        cost = 0 * self.cost if free else self.cost
        while True:
            found = self._solve(cost, penalty)
            price = cost - self.matrix.T @ found.duals
            tolerance = TOLERANCE if not free else 1e-9
            new = self.pricing.best_through(price, EACH, -tolerance)
            if not len(new) or not self._add(new):
                return found
            if free and found.missing <= MISSING:
                return found

    def add_cuts(self, found: _Dual) -> bool:
        """Add the cuts that the shares break; return whether there were any."""
        each = np.repeat(found.share, self.paths.shape[1])
        usage = np.bincount(self.paths.ravel(), each, len(self.cost)).astype(float)
        problem, arcs = self.graph.problem, self.graph.arcs
        cuts = [cut for limit in problem.limits for cut in limit.cuts(arcs, problem, usage)]
        self._add_rows(cuts)
        return bool(cuts)

    def result(self, found: _Dual, possible: bool) -> Relaxation:
        """Return the relaxation as it stands."""
        price = self.cost - self.matrix.T @ found.duals
        tyres = len(self.graph.problem.tyres)
        return Relaxation(
            graph=self.graph,
            pricing=self.pricing,
            cost=self.cost,
            possible=possible,
            bound=found.cost - tyres * TOLERANCE,
            price=price,
            paths=self.paths,
            share=found.share,
            rows=tuple(self.rows),
            matrix=self.matrix,
        )

    def _add_rows(self, rows: Sequence[Row]) -> None:
        self.rows += rows
        self.matrix = row_matrix(self.rows, len(self.cost))
        self.upper = np.array([row.upper for row in self.rows])
        self.equal = np.array([row.equal for row in self.rows], dtype=np.bool_)
        self.columns = path_columns(self.matrix, self.paths).toarray()

    def _add(self, paths: Ints) -> bool:
        """Add programmes not held yet; return whether there were any."""
        held = {path.tobytes() for path in self.paths}
        new = paths[[path.tobytes() not in held for path in paths]]
        self.paths = np.vstack([self.paths, new])
        self.columns = np.hstack([self.columns, path_columns(self.matrix, new).toarray()])
        return len(new) > 0

    def _solve(self, cost: Floats, penalty: float) -> _Dual:
        """Solve the LP, with an artificial column for every row that asks for something."""
        asks = np.flatnonzero(self.equal | (self.upper < 0))
        artificial = np.zeros((len(self.rows), len(asks)))
        artificial[asks, np.arange(len(asks))] = np.where(self.equal[asks], 1.0, -1.0)
        columns = np.hstack([self.columns, artificial])
        costs = np.r_[cost[self.paths].sum(axis=1), np.full(len(asks), penalty)]
        solved = solve_lp(
            costs,
            columns[~self.equal],
            self.upper[~self.equal],
            columns[self.equal],
            self.upper[self.equal],
        )
        duals = np.empty(len(self.rows))
        duals[self.equal] = solved.eqlin.marginals
        duals[~self.equal] = solved.ineqlin.marginals
        share = solved.x[: len(self.paths)]
        return _Dual(float(solved.fun), duals, share, float(solved.x[len(self.paths) :].sum()))


def least_cost(
    costs: Floats, rows: sparse.csr_array, lower: Floats, upper: Floats
) -> tuple[float, Floats]:
    """Return the least cost over columns >= 0 with rows within limits, and the columns' shares.

    The cost is infinite when no columns do.

    Raises
    ------
    TyrekitError
        The solver fails with and without presolve.
    """
    equal = lower == upper
    under, above = np.isfinite(upper) & ~equal, np.isfinite(lower) & ~equal
    solved = solve_lp(
        costs,
        sparse.vstack([rows[under], -rows[above]]).tocsr(),
        np.r_[upper[under], -lower[above]],
        rows[equal],
        upper[equal],
    )
    if solved.status == 2:
        return np.inf, np.zeros(len(costs))
    return float(solved.fun) - TOLERANCE, np.asarray(solved.x)


def solve_lp(
    costs: Floats, under: Any, most: Floats, equal: Any, value: Floats
) -> optimize.OptimizeResult:
    """Return the optimum over columns >= 0 with ``under @ x <= most`` and ``equal @ x == value``.

    The matrices are dense or sparse; the status is 0, or 2 when infeasible.

    Raises
    ------
    TyrekitError
        The solver fails with and without presolve.
    """
    for presolve in (True, False):
        solved: optimize.OptimizeResult = optimize.linprog(
            costs,
            A_ub=under,
            b_ub=most,
            A_eq=equal,
            b_eq=value,
            method="highs",
            options={"presolve": presolve},
        )
        if solved.status in (0, 2):
            return solved
    raise TyrekitError(f"the linear solver failed on the tyre plan: {solved.message}")
