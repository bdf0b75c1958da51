"""The allocation's linear relaxation, solved by column generation on the state graph.

Columns are programmes (paths). The master holds the few that matter; pricing on the graph finds
the ones missing. At the end no programme has a negative reduced cost, so the optimum is a lower
bound for every plan, and any plan within `gap` of it uses programmes of reduced cost at most
`gap` only: the ground of the proofs in `search` and `optimum`.
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
DEAREST = 1e9  # cost units: no programme costs this much
EACH_LP = 15_000  # units of work that any linear programme costs


@dataclass(frozen=True, eq=False)
class Shares:
    """One solved master: cost, duals of its rows, shares of its columns, and what stays open."""

    cost: float
    duals: Floats
    share: Floats
    missing: float


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


def relax(graph: StateGraph, cost: Floats | None = None) -> Relaxation:
    """Return the relaxation of the graph's problem; `cost` per arc replaces the graph's own.

    Raises
    ------
    TyrekitError
        The LP solver fails twice on one master.
    """
    master = Master(graph, graph.cost.astype(float) if cost is None else cost)
    found, possible = master.least()
    price = master.cost - master.matrix.T @ found.duals
    return Relaxation(
        graph=graph,
        pricing=master.pricing,
        cost=master.cost,
        possible=possible,
        bound=found.cost - len(graph.problem.tyres) * TOLERANCE,
        price=price,
        paths=master.paths,
        share=found.share,
        rows=tuple(master.rows),
        matrix=master.matrix,
    )


def path_columns(matrix: sparse.csr_array, paths: Ints) -> sparse.csc_array:
    """Return the entries of programmes in rows over arcs, (rows, programmes)."""
    count, stints = paths.shape
    within = sparse.csc_array(
        (np.ones(paths.size), paths.ravel(), np.arange(0, paths.size + 1, stints)),
        shape=(matrix.shape[1], count),
    )
    return (matrix @ within).tocsc()


def path_entries(rows: Sequence[Row], paths: Ints, n_arcs: int) -> Floats:
    """Return the entries of programmes in a few rows, (rows, programmes)."""
    entries, value = np.zeros((len(rows), len(paths))), np.zeros(n_arcs)
    for at, row in enumerate(rows):
        value[row.moves] = row.values
        entries[at] = value[paths].sum(axis=1)
        value[row.moves] = 0.0
    return entries


class Master:
    """The LP over the programmes generated so far; columns and cuts are only ever added."""

    def __init__(
        self,
        graph: StateGraph,
        cost: Floats,
        pricing: Pricing | None = None,
        rows: Sequence[Row] | None = None,
    ) -> None:
        self.graph, self.cost = graph, cost
        self.pricing = pricing or Pricing(graph)
        self.penalty = 2.0 * float(np.abs(cost).max(initial=0.0)) + 1000.0
        self.rows: list[Row] = []
        self.paths = np.empty((0, len(graph.first_arc) - 1), dtype=np.int64)
        self.held: set[bytes] = set()
        self.columns = np.empty((0, 0))
        self.work = 0.0  # done so far, in the units of `effort`
        self._add_rows(graph.rows if rows is None else rows)

    def least(self, extra: Sequence[Row] = (), enough: float = -np.inf) -> tuple[Shares, bool]:
        """Return the relaxation under `extra` rows too, cuts added, and whether there is any.

        Below the cost `enough` the programmes held are known to be all that matter, and none are
        looked for.
        """
        for more in reversed(range(CUT_ROUNDS)):
            found = self._generate(extra, self.penalty, enough=enough)
            if found.missing > MISSING:
                first_phase = self._generate(extra, 1.0, free=True)
                if first_phase.missing > MISSING:
                    return first_phase, False
            while found.missing > MISSING:
                self.penalty *= 20.0
                found = self._generate(extra, self.penalty)
                if self.penalty > DEAREST:
                    raise TyrekitError("the linear solver failed on the tyre plan: no cover")
            if not more or not self._cut(found):
                break  # no cut after the last solve: it would have no dual
        return found, True

    def usage(self, share: Floats) -> Floats:
        """Return how much shares of the programmes use each arc."""
        each = np.repeat(share, self.paths.shape[1])
        return np.bincount(self.paths.ravel(), each, len(self.cost)).astype(float)

    def add(self, paths: Ints) -> bool:
        """Add programmes not held yet; return whether there were any."""
        new = paths[[path.tobytes() not in self.held for path in paths]]
        self.held |= {path.tobytes() for path in new}
        self.paths = np.vstack([self.paths, new])
        self.columns = np.hstack([self.columns, path_columns(self.matrix, new).toarray()])
        return len(new) > 0

    def _generate(
        self, extra: Sequence[Row], penalty: float, free: bool = False, enough: float = -np.inf
    ) -> Shares:
        """Add columns until none is missing; an open row costs `penalty`, a tyre 0 if free."""
        cost = 0 * self.cost if free else self.cost
        own = len(self.rows)
        while True:
            found = self._solve(cost, penalty, extra)
            closed = found.missing <= MISSING
            if closed and (free or found.cost < enough):
                return found
            price = cost - self.matrix.T @ found.duals[:own]
            for row, dual in zip(extra, found.duals[own:], strict=True):
                price[row.moves] -= dual * row.values
            new = self.pricing.best_through(price, EACH, -1e-9 if free else -TOLERANCE)
            if not len(new) or not self.add(new):
                return found

    def _solve(self, cost: Floats, penalty: float, extra: Sequence[Row]) -> Shares:
        """Solve the LP, with an artificial column for every row that asks for something."""
        upper = np.r_[self.upper, [row.upper for row in extra]]
        equal = np.r_[self.equal, [row.equal for row in extra]].astype(bool)
        asks = np.flatnonzero(np.where(equal, upper > 0, upper < 0))
        artificial = np.zeros((len(upper), len(asks)))
        artificial[asks, np.arange(len(asks))] = np.where(equal[asks], 1.0, -1.0)
        columns = np.vstack([self.columns, path_entries(extra, self.paths, len(cost))])
        columns = np.hstack([columns, artificial])
        costs = np.r_[cost[self.paths].sum(axis=1), np.full(len(asks), penalty)]
        self.work += EACH_LP + columns.size + len(cost)
        solved = solve_lp(costs, columns, upper, equal)
        duals = np.empty(len(upper))
        duals[equal], duals[~equal] = solved.eqlin.marginals, solved.ineqlin.marginals
        count = len(self.paths)
        return Shares(float(solved.fun), duals, solved.x[:count], float(solved.x[count:].sum()))

    def _cut(self, found: Shares) -> bool:
        """Add the cuts that the shares break; return whether there were any."""
        problem, arcs = self.graph.problem, self.graph.arcs
        usage = self.usage(found.share)
        cuts = [cut for limit in problem.limits for cut in limit.cuts(arcs, problem, usage)]
        self._add_rows(cuts)
        return bool(cuts)

    def _add_rows(self, rows: Sequence[Row]) -> None:
        self.rows += rows
        self.matrix = row_matrix(self.rows, len(self.cost))
        self.upper = np.array([row.upper for row in self.rows])
        self.equal = np.array([row.equal for row in self.rows], dtype=np.bool_)
        self.columns = path_columns(self.matrix, self.paths).toarray()


def solve_lp(costs: Floats, columns: Any, upper: Floats, equal: Any) -> optimize.OptimizeResult:
    """Return the optimum over columns >= 0 with rows at most `upper`, or at it where `equal`.

    Raises
    ------
    TyrekitError
        The solver fails with and without presolve.
    """
    for presolve in (False, True):  # presolve costs more than it saves on these
        solved: optimize.OptimizeResult = optimize.linprog(
            costs,
            A_ub=columns[~equal],
            b_ub=upper[~equal],
            A_eq=columns[equal],
            b_eq=upper[equal],
            method="highs",
            options={"presolve": presolve},
        )
        if solved.status == 0:
            return solved
    raise TyrekitError(f"the linear solver failed on the tyre plan: {solved.message}")
