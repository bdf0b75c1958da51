"""Best-first search for whole plans over the relaxation: the best, the next best, and so on.

A part of the search holds ranges for counts of moves. Its relaxation, cuts included, bounds it;
parts wait in a queue under their bounds, so the first part whose relaxation is whole gives the
best plan not found yet. A fractional part is branched on a count; a plan found splits its part
into all other signatures (Lawler 1972: the first i - 1 counts as the plan's own, count i not).
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


@dataclass(order=True)
class _Part:
    """Ranges of counts, count -> (least, most), with what is known of the plans inside.

    `usage` is the relaxation's use of each arc once solved; `paths` a plan once it is whole.
    """

    bound: float
    number: int
    ranges: dict[int, tuple[int, int]] = field(compare=False)
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
        self.otherwise = self._otherwise(relaxed)
        self.parts = 1
        self.seen: set[bytes] = set()
        first = _Part(relaxed.bound, 0, {})
        self.queue = [first if start is None else _Part(start.cost, 0, {}, paths=start.paths)]

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
            if part.paths is not None:
                if self._split(part, part.paths):
                    return Whole(OPTIMAL, part.paths, part.bound, part.bound)
                continue
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
        ranges: dict[int, tuple[int, int]] = {}
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
            found = self._relaxed(ranges | {key: up}, effort)
            ranges |= {key: up if found is not None else down}
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

    def _otherwise(self, relaxed: Relaxation) -> Floats:
        """Return for each signature key the least cost of any plan with another in its place.

        That plan runs some programme through an arc of the same stint and axle with another key,
        and adds at least that programme's reduced cost to the relaxation's bound.
        """
        graph, arcs = self.graph, self.graph.arcs
        there, back = (
            relaxed.pricing.to_end(relaxed.price),
            relaxed.pricing.from_start(relaxed.price),
        )
        through = back[graph.tail] + relaxed.price + there[graph.head]
        least = np.full(self.signature.shape[0], np.inf)
        place = arcs.stint * 2 + arcs.corner // 2
        for key in range(len(least)):
            own = self._arcs(key)
            others = arcs.runs & (place == place[own[0]])
            others[own] = False
            least[key] = relaxed.bound + through[others].min(initial=np.inf)
        return least

    def _solve(self, part: _Part, effort: Effort) -> None:
        """Put a part back with the bound and use of its relaxation; drop it if it has none."""
        found = self._relaxed(part.ranges, effort)
        if found is not None:
            self._push(_Part(max(part.bound, found[0]), part.number, part.ranges, usage=found[1]))

    def _relaxed(
        self, ranges: dict[int, tuple[int, int]], effort: Effort
    ) -> tuple[float, Floats] | None:
        """Return the bound and use of the relaxation within ranges; None if it has none."""
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
        return bound, self.master.usage(found.share)

    def _branch(self, part: _Part, usage: Floats) -> None:
        """Queue a solved part's plan when it is whole, or its two branches."""
        fraction = self._fraction(usage)
        if fraction is None:
            paths = paths_of(self.graph, np.rint(usage).astype(np.int64))
            cost = float(self.master.cost[paths].sum())
            self._push(_Part(cost, part.number, part.ranges, paths=paths))
            return
        key, value = fraction
        least, most = part.ranges.get(key, (0, MOST))
        for low, high in ((least, int(np.floor(value))), (int(np.floor(value)) + 1, most)):
            self._push(_Part(part.bound, -self.parts, part.ranges | {key: (low, high)}))

    def _push(self, part: _Part) -> None:
        self.parts += 1
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

    def _split(self, part: _Part, paths: Ints) -> bool:
        """Queue the parts of all signatures in `part` but the plan's own; False if not new.

        A signature comes up again where another part was branched off by classes or arcs.
        """
        held = path_columns(self.signature, paths).toarray().sum(axis=1)
        new = held.tobytes() not in self.seen
        self.seen.add(held.tobytes())
        same = part.ranges
        for key in (int(key) for key in np.flatnonzero(held)):
            count = int(held[key])
            least, most = same.get(key, (0, ON_AXLE))
            if count > least:
                bound = max(part.bound, self.otherwise[key])
                self._push(_Part(bound, -self.parts, same | {key: (least, count - 1)}))
            if count < min(most, ON_AXLE):
                self._push(_Part(part.bound, -self.parts, same | {key: (count + 1, most)}))
            same = same | {key: (count, count)}
        return new


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
