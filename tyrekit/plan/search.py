"""Best-first search for whole plans over the relaxation: the best, the next best, and so on.

A part of the search holds ranges for counts of moves. Its relaxation over the pool of programmes,
cuts included, bounds it; parts wait in a queue under their bounds, so the first part whose
relaxation is whole gives the best plan not found yet. A fractional part is branched on a count; a
plan found splits its part into all other signatures (Lawler 1972: the first i - 1 counts as the
plan's own, count i lower). The pool holds every programme whose reduced cost is within the gap:
no plan of cost up to bound + gap uses another, and the gap grows when the queue reaches it.
"""

from __future__ import annotations

import heapq
import time
from dataclasses import dataclass, field, replace

import numpy as np
from scipy import sparse

from tyrekit.plan.graph import StateGraph, row_matrix
from tyrekit.plan.problem import COST_UNIT_S, Floats, Ints
from tyrekit.plan.relaxation import CUT_ROUNDS, Relaxation, least_cost, path_columns

RUNGS = tuple(0.0005 * 2.0**n for n in range(11))  # of the bound: how wide the pool is opened
LEAST_SCALE = 40_000.0  # cost units: the bound's stand-in when it is next to nothing
POOL = 60_000  # programmes; a wider pool is not opened
SLACK = 1e-3  # of a cost unit
WHOLE = 1e-5  # how far from a whole number a count may be
MOST = 99  # more than any count
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
        self.relaxed, self.graph = relaxed, relaxed.graph
        none = np.full(len(relaxed.cost), -1, dtype=np.int64)
        self.signature = key_matrix(none if keys is None else keys)
        corners = key_matrix(_corner_keys(self.graph))
        self.counts = sparse.csr_array(sparse.vstack([self.signature, corners]))
        self.matrix, self.lower, self.upper = relaxed.matrix, relaxed.rows_lower, relaxed.rows_upper
        self.scale = max(abs(relaxed.bound), LEAST_SCALE)
        self.rounds, self.parts = 0, 1
        self.gap, self.paths = -np.inf, relaxed.paths[:0]
        self.seen: set[bytes] = set()
        least = start.cost - relaxed.bound if start is not None else 0.0
        self.stuck = not self._open(max(least, RUNGS[1] * self.scale))
        first = _Part(relaxed.bound, 0, {}, paths=None if start is None else start.paths)
        self.queue = [first if start is None else replace(first, bound=start.cost)]

    def next_plan(self, rounds: int, ends: float = np.inf) -> Whole:
        """Return the next plan, or why there is none.

        Parameters
        ----------
        rounds : int
            Relaxations to be solved at most, counted from the search's beginning.
        ends : float
            `time.monotonic` at which to stop.
        """
        while self.queue:
            part = heapq.heappop(self.queue)
            if part.paths is not None:
                if self._split(part, part.paths):
                    return Whole(OPTIMAL, part.paths, part.bound, part.bound)
                continue
            if not self.stuck and part.bound >= self.reach - SLACK:
                self.stuck = not self._open(self._wider())
            if reason := self._stopped(part, rounds, ends):
                heapq.heappush(self.queue, part)
                return self._none(UNKNOWN, part.bound, reason)
            self._advance(part)
        return self._none(IMPOSSIBLE, np.inf, "")

    @property
    def reach(self) -> float:
        """Cost up to which the pool holds every plan."""
        return self.relaxed.bound + self.gap

    def _stopped(self, part: _Part, rounds: int, ends: float) -> str:
        if self.stuck and part.bound >= self.reach - SLACK:
            return "too many programmes"
        if self.rounds >= rounds:
            return "the search was long enough"
        return "time ran out" if time.monotonic() > ends else ""

    def _none(self, status: str, bound: float, reason: str) -> Whole:
        return Whole(status, self.relaxed.paths[:0], bound=bound, reason=reason)

    def _wider(self) -> float:
        return next((r * self.scale for r in RUNGS if r * self.scale > self.gap + SLACK), np.inf)

    def _open(self, gap: float) -> bool:
        """List every programme within `gap`; return False, and keep the old, if too many."""
        paths = self.relaxed.pricing.within(self.relaxed.price, gap + SLACK, POOL)
        if paths is None:
            return False
        self.gap, self.paths = gap, paths
        self.cost = self.relaxed.path_cost(paths)
        self.rows = path_columns(self.matrix, paths).tocsr()
        self.held = path_columns(self.counts, paths).tocsr()
        return True

    def _advance(self, part: _Part) -> None:
        """Solve a part's relaxation, or take its plan or its branches from the one solved."""
        if part.usage is None:
            self._solve(part)
            return
        fraction = self._fraction(part.usage)
        if fraction is None:
            paths = paths_of(self.graph, np.rint(part.usage).astype(np.int64))
            cost = float(self.relaxed.path_cost(paths).sum())
            self._push(_Part(cost, part.number, part.ranges, paths=paths))
            return
        key, value = fraction
        least, most = part.ranges.get(key, (0, MOST))
        for low, high in ((least, int(np.floor(value))), (int(np.floor(value)) + 1, most)):
            self._push(_Part(part.bound, self.parts, part.ranges | {key: (low, high)}))

    def _push(self, part: _Part) -> None:
        self.parts += 1
        heapq.heappush(self.queue, part)

    def _solve(self, part: _Part) -> None:
        """Put a part back with the bound and use of its relaxation; drop it if it has no plan."""
        keys = list(part.ranges)
        own = sparse.vstack([self._count_rows(key) for key in keys]) if keys else None
        least = [part.ranges[key][0] for key in keys]
        most = [part.ranges[key][1] for key in keys]
        for _ in range(CUT_ROUNDS):
            rows = sparse.csr_array(self.rows if own is None else sparse.vstack([self.rows, own]))
            cost, share = least_cost(
                self.cost, rows, np.r_[self.lower, least], np.r_[self.upper, most]
            )
            self.rounds += 1
            if cost >= self.reach - SLACK or np.isinf(cost):
                break
            each = np.repeat(share, self.paths.shape[1])
            usage = np.bincount(self.paths.ravel(), each, len(self.relaxed.cost)).astype(float)
            if not self._cut(usage):
                bound = max(cost, part.bound)
                self._push(_Part(bound, part.number, part.ranges, usage=usage))
                return
        if np.isfinite(self.gap):
            self._push(_Part(max(self.reach, part.bound), part.number, part.ranges))

    def _count_rows(self, key: int) -> sparse.csr_array:
        """Return a count's entries in the pool, (1, programmes)."""
        if key < self.counts.shape[0]:
            return self.held[[key]]
        arc = key - self.counts.shape[0]
        return sparse.csr_array((self.paths == arc).any(axis=1).astype(float)[None, :])

    def _cut(self, usage: Floats) -> bool:
        """Add the cuts that a use of arcs breaks; return whether there were any."""
        problem, arcs = self.graph.problem, self.graph.arcs
        cuts = [cut for limit in problem.limits for cut in limit.cuts(arcs, problem, usage)]
        if cuts:
            more = row_matrix(cuts, len(self.relaxed.cost))
            self.matrix = sparse.csr_array(sparse.vstack([self.matrix, more]))
            own = path_columns(more, self.paths)
            self.rows = sparse.csr_array(sparse.vstack([self.rows, own]))
            self.upper = np.r_[self.upper, [cut.upper for cut in cuts]]
            self.lower = np.r_[self.lower, np.full(len(cuts), -np.inf)]
        return bool(cuts)

    def _fraction(self, usage: Floats) -> tuple[int, float] | None:
        """Return the count to branch on and its value; None when every arc's use is whole.

        Signature counts come first, then tyres of a class on a corner, then single arcs.
        """
        counts = self.counts @ usage
        signatures = self.signature.shape[0]
        for values, first in (
            (counts[:signatures], 0),
            (counts[signatures:], signatures),
            (usage, len(counts)),
        ):
            apart = np.abs(values - np.rint(values))
            worst = int(apart.argmax()) if len(apart) else -1
            if worst >= 0 and apart[worst] > WHOLE:
                return first + worst, float(values[worst])
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
            least, _ = same.get(key, (0, MOST))
            if count > least:
                self._push(_Part(part.bound, self.parts, same | {key: (least, count - 1)}))
            same = same | {key: (count, count)}
        return new


def key_matrix(keys: Ints) -> sparse.csr_array:
    """Return which arcs have which key, (keys, arcs); -1 is none."""
    at = np.flatnonzero(keys >= 0)
    size = (int(keys.max(initial=-1)) + 1, len(keys))
    return sparse.csr_array((np.ones(len(at)), (keys[at], at)), shape=size)


def _corner_keys(graph: StateGraph) -> Ints:
    """Return a key per class, stint and corner for arcs that run, -1 for the others."""
    arcs = graph.arcs
    code = (arcs.stint * 4 + arcs.corner) * len(graph.classes) + arcs.tyre_class
    keys = np.full(len(arcs), -1, dtype=np.int64)
    keys[arcs.runs] = np.unique(code[arcs.runs], return_inverse=True)[1]
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
