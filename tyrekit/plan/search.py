"""Best-first search for whole plans over the relaxation: the best, the next best, and so on.

A part of the search holds ranges for counts of moves. Its relaxation, cuts included, bounds it;
parts wait in a queue under their bounds, so the first part whose relaxation is whole gives the
best plan not found yet. A fractional part is branched on a count. Parts belong to a region, the
ranges of signature counts alone: a plan found closes its region, which is split into all other
signatures (Lawler 1972: the first i - 1 counts as the plan's own, count i not).
The programmes of reduced cost within the gap are held from the beginning: no plan of cost up to
bound + gap uses another. Parts that cost more have theirs priced out on the graph.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from scipy import sparse

from tyrekit.plan.effort import Effort
from tyrekit.plan.graph import StateGraph
from tyrekit.plan.problem import COST_UNIT_S, Bools, Floats, Ints, Row
from tyrekit.plan.relaxation import TOLERANCE, Master, Relaxation, path_columns
from tyrekit.plan.signature import Ranges, SignatureBounds

RUNGS = tuple(0.0005 * 2.0**n for n in range(11))  # of the bound: how wide a pool is opened
LEAST_SCALE = 40_000.0  # cost units: the bound's stand-in when it is next to nothing
POOL = 8_000  # programmes; a wider pool is not opened
HELD = 600  # programmes held by a search from the beginning, at most
SLACK = 1e-3  # of a cost unit
WHOLE = 1e-5  # how far from a whole number a count may be
MOST = 99  # more than any count
ON_AXLE = 2  # tyres
OPTIMAL, FEASIBLE, IMPOSSIBLE, UNKNOWN = "optimal", "feasible", "impossible", "unknown"


@dataclass(frozen=True, eq=False)
class Whole:
    """A whole-number answer: status, programmes used (one per tyre), cost and bound.

    Costs are in cost units. ``impossible`` is proven; ``unknown`` has no plan but a bound, and
    ``reason`` says what stopped the search.
    """

    status: str
    paths: Ints
    cost: float = np.inf
    bound: float = -np.inf
    reason: str = ""

    @property
    def cost_s(self) -> float:
        """Cost in weighted seconds."""
        return self.cost * COST_UNIT_S

    @property
    def bound_s(self) -> float:
        """No plan costs less than this, in weighted seconds."""
        return self.bound * COST_UNIT_S


@dataclass(eq=False)
class _Region:
    """Ranges of signature counts whose best plan is looked for, until it is found."""

    ranges: Ranges
    found: bool = False


@dataclass(order=True)
class _Part:
    """Ranges of counts, count -> (least, most), with what is known of the plans inside.

    `usage` is the relaxation's use of each arc once solved; `paths` a plan once it is whole.
    """

    bound: float
    number: float
    region: _Region = field(compare=False)
    ranges: Ranges = field(compare=False)
    usage: Floats | None = field(compare=False, default=None)
    paths: Ints | None = field(compare=False, default=None)


class Search:
    """Plans in order of cost, one per signature; `next_plan` gives the next each time.

    Parameters
    ----------
    relaxed : Relaxation
        Of the problem, possible.
    keys : int array (arcs,), optional
        Signature key of each arc, -1 for none. Without it only the first plan is asked for.
    start : Whole, optional
        The best plan, when it is known already: then `next_plan` begins with it.
    """

    def __init__(
        self, relaxed: Relaxation, keys: Ints | None = None, start: Whole | None = None
    ) -> None:
        self.graph = relaxed.graph
        self.master = Master(self.graph, relaxed.cost, relaxed.pricing, relaxed.rows)
        self.reach = self._hold(relaxed)
        none = np.full(len(relaxed.cost), -1, dtype=np.int64)
        self.signature = key_matrix(none if keys is None else keys)
        inside = np.isin(self.graph.arcs.stint, self.graph.arcs.stint[self.signature.indices])
        ages, classes = self.graph.arcs.age_laps, self.graph.arcs.tyre_class
        levels = [
            self.signature,
            key_matrix(_corner_keys(self.graph, ages, inside)),
            key_matrix(_corner_keys(self.graph, ages)),
            key_matrix(_corner_keys(self.graph, classes)),
        ]
        self.counts = sparse.csr_array(sparse.vstack(levels))
        self.levels = np.cumsum([0, *(level.shape[0] for level in levels)])
        self.bounds = SignatureBounds(relaxed, none if keys is None else keys)
        self.queue: list[_Part] = []
        self.parts = 0
        if start is None:
            self._open({}, relaxed.bound)
        else:
            self.queue.append(_Part(start.cost, -np.inf, _Region({}), {}, paths=start.paths))

    def next_plan(self, effort: Effort) -> Whole:
        """Return the next plan, or why there is none; linear programmes are spent from `effort`.

        Raises
        ------
        TyrekitError
            The linear solver fails.
        """
        none = self.master.paths[:0]
        while self.queue:
            part = heapq.heappop(self.queue)
            if part.region.found:
                continue
            if part.paths is not None:
                self._split(part, part.paths)
                return Whole(OPTIMAL, part.paths, part.bound, part.bound)
            if effort.over:
                heapq.heappush(self.queue, part)
                return Whole(UNKNOWN, none, bound=part.bound, reason=effort.over)
            if part.usage is None:
                self._solve(part, effort)
            else:
                self._branch(part, part.usage)
        return Whole(IMPOSSIBLE, none, bound=np.inf)

    def dive(self, effort: Effort) -> Whole:
        """Return a plan soon found: count after count is rounded up, or down where that fails."""
        none = self.master.paths[:0]
        ranges: Ranges = {}
        found = self._relaxed(ranges, effort)
        while found is not None and not effort.over:
            usage = found[1]
            fraction = self._fraction(usage)
            if fraction is None:
                paths = paths_of(self.graph, np.rint(usage).astype(np.int64))
                return Whole(FEASIBLE, paths, float(self.master.cost[paths].sum()))
            key, value = fraction
            least, most = ranges.get(key, (0, MOST))
            up, down = (int(np.ceil(value)), most), (least, int(np.floor(value)))
            found = self._relaxed({**ranges, key: up}, effort)
            ranges = {**ranges, key: up if found is not None else down}
            found = found or self._relaxed(ranges, effort)
        return Whole(UNKNOWN, none)

    def _hold(self, relaxed: Relaxation) -> float:
        """Hold every programme within a gap; return the cost up to which these are all."""
        scale = max(abs(relaxed.bound), LEAST_SCALE)
        near = relaxed.price[relaxed.paths].sum(axis=1) <= RUNGS[2] * scale
        self.master.add(relaxed.paths[near])
        for rung in reversed(RUNGS[:3]):
            paths = relaxed.pricing.within(relaxed.price, rung * scale + SLACK, HELD)
            if paths is not None:
                self.master.add(paths)
                return relaxed.bound + rung * scale
        return -np.inf

    def _solve(self, part: _Part, effort: Effort) -> None:
        """Put a part back with the bound and use of its relaxation; drop it if it has none."""
        found = self._relaxed(part.ranges, effort)
        if found is not None:
            part.bound, part.usage = max(part.bound, found[0]), found[1]
            heapq.heappush(self.queue, part)

    def _relaxed(self, ranges: Ranges, effort: Effort) -> tuple[float, Floats] | None:
        """Return the bound and use of the relaxation within ranges; None if it has none.

        Costs of plans are whole units, so a bound is rounded up.
        """
        rows = []
        for key, (least, most) in ranges.items():
            arcs = self._arcs(key)
            ones = np.ones(len(arcs))
            rows.append(Row(arcs, ones, float(most), equal=least == most))
            if 0 < least < most:
                rows.append(Row(arcs, -ones, -float(least)))
        before = self.master.work
        found, possible = self.master.least(rows, self.reach)
        effort.spend(self.master.work - before)
        if not possible:
            return None
        bound = found.cost - len(self.graph.problem.tyres) * TOLERANCE
        return float(np.ceil(bound)), self.master.usage(found.share)

    def _branch(self, part: _Part, usage: Floats) -> None:
        """Queue a solved part's plan when it is whole, or its two branches."""
        fraction = self._fraction(usage)
        if fraction is None:
            paths = paths_of(self.graph, np.rint(usage).astype(np.int64))
            part.bound, part.number, part.paths = (
                float(self.master.cost[paths].sum()),
                -np.inf,
                paths,
            )
            heapq.heappush(self.queue, part)
            return
        key, value = fraction
        least, most = part.ranges.get(key, (0, MOST))
        signature = key < self.levels[1] and part.ranges == part.region.ranges
        for low, high in ((least, int(np.floor(value))), (int(np.floor(value)) + 1, most)):
            ranges = {**part.ranges, key: (low, high)}
            self._open(ranges, part.bound, None if signature else part.region)

    def _open(self, ranges: Ranges, bound: float, region: _Region | None = None) -> None:
        """Queue a part of a region, its own if none is given; of equal ones the newest is first."""
        bound = max(bound, self.bounds.least(ranges))
        if bound < np.inf:
            self.parts += 1
            part = _Part(bound, -self.parts, region or _Region(ranges), ranges)
            heapq.heappush(self.queue, part)

    def _arcs(self, key: int) -> Ints:
        """Return the arcs a count is over."""
        if key >= self.counts.shape[0]:
            return np.array([key - self.counts.shape[0]])
        start, end = self.counts.indptr[key : key + 2]
        return self.counts.indices[start:end].astype(np.int64)

    def _fraction(self, usage: Floats) -> tuple[int, float] | None:
        """Return the count to branch on and its value; None when every arc's use is whole.

        Signature counts come first, then ages on a corner in the signature's stints, ages on a
        corner in all stints, classes on a corner, and single arcs at last.
        """
        counts = np.r_[self.counts @ usage, usage]
        apart = np.abs(counts - np.rint(counts))
        for first, end in pairwise([*self.levels, len(counts)]):
            worst = first + int(apart[first:end].argmax()) if end > first else first
            if end > first and apart[worst] > WHOLE:
                return worst, float(counts[worst])
        return None

    def _split(self, part: _Part, paths: Ints) -> None:
        """Close the region of a plan and open those of all its signatures but the plan's own."""
        held = path_columns(self.signature, paths).toarray().sum(axis=1)
        part.region.found = True
        same = part.region.ranges
        for key in (int(key) for key in np.flatnonzero(held)):
            count = int(held[key])
            least, most = same.get(key, (0, ON_AXLE))
            for low, high in ((least, count - 1), (count + 1, min(most, ON_AXLE))):
                if low <= high:
                    self._open({**same, key: (low, high)}, part.bound)
            same = {**same, key: (count, count)}


def key_matrix(keys: Ints) -> sparse.csr_array:
    """Return which arcs have which key, (keys, arcs); -1 is none."""
    at = np.flatnonzero(keys >= 0)
    size = (int(keys.max(initial=-1)) + 1, len(keys))
    return sparse.csr_array((np.ones(len(at)), (keys[at], at)), shape=size)


def _corner_keys(graph: StateGraph, by: Ints, inside: Bools | None = None) -> Ints:
    """Return a key per stint, corner and value of `by` for arcs that run, -1 for the others."""
    arcs = graph.arcs
    runs = arcs.runs if inside is None else arcs.runs & inside
    code = (arcs.stint * 4 + arcs.corner) * (int(by.max(initial=0)) + 1) + by
    keys = np.full(len(arcs), -1, dtype=np.int64)
    keys[runs] = np.unique(code[runs], return_inverse=True)[1]
    return keys


def paths_of(graph: StateGraph, flow: Ints) -> Ints:
    """Return the programmes a whole flow over the arcs is made of, one per tyre used."""
    left, paths = flow.copy(), []
    stints = len(graph.first_arc) - 1
    leaving = np.searchsorted(graph.tail, np.arange(graph.n_nodes + 1))
    for start in np.flatnonzero(left[: graph.first_arc[1]]):
        while left[start] > 0:
            path, arc = [], int(start)
            for _ in range(stints):
                left[arc] -= 1
                path.append(arc)
                at = np.arange(*leaving[graph.head[arc] : graph.head[arc] + 2])
                arc = int(at[left[at] > 0][0]) if len(path) < stints else arc
            paths.append(path)
    found = np.array(paths, dtype=np.int64).reshape(-1, stints)
    return found[graph.arcs.used[found].any(axis=1)]
