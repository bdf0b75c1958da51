"""Exact search over stints: how a race's laps are split over tyre sets and stops.

A race is a row of *pieces*, the laps between two stops, and of *blocks*, the laps on one set: a
block is one piece, or several when the tyres stay on at a stop. Time lost adds up over blocks
(tyres) and pieces (warm-up, fuel), and a window for stops restricts the first and the last piece
only. So the order in between is free and a plan is a choice of laps per set: a dynamic programme
(Bellman1957) over sets and laps left. Its values guide a best-first search (Hart1968) that lists
plans in order of cost, each choice of laps once whatever its order.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import count

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Signature = tuple[tuple[int, int, int], ...]

MIDDLE, FIRST, LAST, ONLY = range(4)  # the part of a block or piece in the race
ROLES = ((MIDDLE, 0, 0), (FIRST, 1, 0), (LAST, 0, 1))


@dataclass(frozen=True, order=True)
class Block:
    """Laps run on one tyre set, and how many stops are made meanwhile without changing it."""

    set_index: int
    laps: int
    kept_stops: int
    role: int


@dataclass(frozen=True)
class Blocks:
    """A plan as the search sees it: blocks in running order and the seconds they lose."""

    cost_s: float
    blocks: tuple[Block, ...]

    @property
    def stops(self) -> int:
        """Stops made."""
        return len(self.blocks) - 1 + sum(block.kept_stops for block in self.blocks)


@dataclass(frozen=True, eq=False)
class StintProblem:
    """Laps to cover, what they cost, and which stops are allowed.

    Attributes
    ----------
    tyre_s : array (sets, 4, laps + 1)
        Seconds lost to the tyres in n laps on a set in a role; inf when it may not be.
    piece_s : array (4, laps + 1)
        Seconds lost to warm-up and fuel in n laps between stops in a role; inf when not allowed.
        The window for stops is in it: short first and last pieces are not allowed.
    alike : tuple of int
        Sets with the same number are interchangeable.
    stop_s : float
        Seconds a stop costs.
    least_stops, most_stops : int
        Stops that must and that may be made.
    most_kept : int
        Stops at which the tyres may stay on, per set.
    """

    laps: int
    tyre_s: Floats
    piece_s: Floats
    alike: tuple[int, ...]
    stop_s: float
    least_stops: int
    most_stops: int
    most_kept: int

    @cached_property
    def splits(self) -> list[Floats]:
        """Cheapest pieces for n laps with 0, 1, ... kept stops, each (4, laps + 1)."""
        return [np.stack([self._split(role, m) for role in range(4)]) for m in self._kept]

    @cached_property
    def cost_s(self) -> list[Floats]:
        """Seconds lost in a block, the stop before it too, by kept stops; (sets, 4, laps + 1)."""
        stops = np.array([1.0, 0.0, 1.0, 0.0])[None, :, None] * self.stop_s
        return [
            self.tyre_s + part[None] + stops + kept * self.stop_s
            for kept, part in enumerate(self.splits)
        ]

    @property
    def _kept(self) -> range:
        return range(self.most_kept + 1)

    @cached_property
    def _middles(self) -> list[Floats]:
        nothing = np.full(self.laps + 1, np.inf)
        nothing[0] = 0.0
        sums = [nothing]
        for _ in range(self.most_kept + 1):
            sums.append(min_plus(sums[-1], self.piece_s[MIDDLE]))
        return sums

    def _split(self, role: int, kept: int) -> Floats:
        middle, piece = self._middles, self.piece_s
        if kept == 0:
            return np.asarray(piece[role])
        if role == MIDDLE:
            return middle[kept + 1]
        if role in (FIRST, LAST):
            return min_plus(middle[kept], piece[role])
        return min_plus(min_plus(middle[kept - 1], piece[FIRST]), piece[LAST])

    def pieces(self, block: Block) -> tuple[int, ...]:
        """Return the laps of each piece of a block, cheapest split, most even among equals."""
        ends = {MIDDLE: (MIDDLE, MIDDLE), FIRST: (FIRST, MIDDLE), LAST: (MIDDLE, LAST)}
        if block.kept_stops == 0:
            return (block.laps,)
        first, last = ends.get(block.role, (FIRST, LAST))
        roles = [first, *[MIDDLE] * (block.kept_stops - 1), last]
        return self._cheapest(roles, block.laps)

    def _cheapest(self, roles: list[int], laps: int) -> tuple[int, ...]:
        if len(roles) == 1:
            return (laps,)
        rest = self.piece_s[roles[-1]]
        for role in roles[-2:0:-1]:
            rest = min_plus(rest, self.piece_s[role])
        n = np.arange(laps + 1)
        total = self.piece_s[roles[0]][n] + rest[laps - n]
        equal = n[total <= total.min() + 1e-9]
        here = int(equal[np.argmin(np.abs(equal - laps / len(roles)))])
        return (here, *self._cheapest(roles[1:], laps - here))


def min_plus(one: Floats, two: Floats) -> Floats:
    """Return the least of one[i] + two[n - i] for every n; leading axes of `one` are kept."""
    size = two.shape[-1]
    rows = one.reshape(-1, size)
    out = np.full(rows.shape, np.inf)
    live = np.flatnonzero(np.isfinite(rows).any(axis=1))
    laps = np.flatnonzero(np.isfinite(two))
    if not len(live) or not len(laps):
        return out.reshape(one.shape)
    low, high = int(laps[0]), int(laps[-1]) + 1
    padded = np.hstack([np.full((len(live), high - 1), np.inf), rows[live]])
    shifted = sliding_window_view(padded, high - low, axis=1)[:, :size]
    reversed_two = two[low:high][::-1]
    for row, view in zip(live, shifted, strict=True):
        np.min(view + reversed_two, axis=1, out=out[row])
    return out.reshape(one.shape)


def values(problem: StintProblem, sets: Sequence[int]) -> list[Floats]:
    """Return the least cost to come before each of `sets`, and after the last of them.

    Each array is (first placed, last placed, pieces so far, laps left), the axes 2, 2,
    most_stops + 2 and laps + 1: the state once the sets before have been decided on.
    """
    pieces = problem.most_stops + 2
    end = np.full((2, 2, pieces, problem.laps + 1), np.inf)
    end[1, 1, problem.least_stops + 1 :, 0] = 0.0
    found = [end]
    for k in reversed(sets):
        found.append(_before(problem, k, found[-1]))
    return found[::-1]


def _before(problem: StintProblem, k: int, after: Floats) -> Floats:
    best = after.copy()
    pieces = after.shape[2]
    for kept, cost in enumerate(problem.cost_s):
        for role, first, last in ROLES:
            to = after[first:, last:, kept + 1 :]
            here = best[: 2 - first, : 2 - last, : pieces - kept - 1]
            np.minimum(here, min_plus(to, cost[k, role]), out=here)
    return best


def best_first(problem: StintProblem) -> Iterator[Blocks]:
    """Yield every plan once, cheapest first; plans that differ only in order are one."""
    seen: set[Signature] = set()
    several = _several_blocks(problem)
    for plan in heapq.merge(_one_block(problem), several, key=lambda p: p.cost_s):
        mark = signature(problem, plan.blocks)
        if mark not in seen:
            seen.add(mark)
            yield plan


def signature(problem: StintProblem, blocks: tuple[Block, ...]) -> Signature:
    """Return what tells plans apart: kind of set, laps and kept stops of each block, sorted."""
    return tuple(sorted((problem.alike[b.set_index], b.laps, b.kept_stops) for b in blocks))


def _one_block(problem: StintProblem) -> list[Blocks]:
    plans = [
        Blocks(float(cost[k, ONLY, -1]), (Block(k, problem.laps, kept, ONLY),))
        for kept, cost in enumerate(problem.cost_s)
        for k in range(len(problem.alike))
        if problem.least_stops <= kept <= problem.most_stops and np.isfinite(cost[k, ONLY, -1])
    ]
    return sorted(plans, key=lambda plan: plan.cost_s)


@dataclass(frozen=True, eq=False)
class _Choices:
    """What may be done with one set in one state, cheapest way on first."""

    total_s: Floats
    cost_s: Floats
    laps: NDArray[np.int64]
    kept: NDArray[np.int64]
    role: NDArray[np.int64]


State = tuple[int, int, int, int, int]  # set, first placed, last placed, pieces, laps left


def _choices(problem: StintProblem, to_come: list[Floats], state: State) -> _Choices:
    k, first, last, pieces, left = state
    after = to_come[k + 1]
    n = np.arange(1, left + 1)
    parts = [(after[first, last, pieces, left : left + 1], np.zeros(1), np.zeros((3, 1), int))]
    for kept, cost in enumerate(problem.cost_s):
        for role, f, b in ROLES:
            if first + f > 1 or last + b > 1 or pieces + kept + 1 >= after.shape[2]:
                continue
            here = cost[k, role, 1 : left + 1]
            ahead = after[first + f, last + b, pieces + kept + 1, left - n]
            labels = np.stack([n, np.full_like(n, kept), np.full_like(n, role)])
            parts.append((here + ahead, here, labels))
    total, own, what = (np.concatenate([p[i] for p in parts], axis=-1) for i in range(3))
    order = np.argsort(total, kind="stable")
    order = order[np.isfinite(total[order])]
    return _Choices(total[order], own[order], *what[:, order])


def _several_blocks(problem: StintProblem) -> Iterator[Blocks]:
    sets = range(len(problem.alike))
    to_come = [np.empty(0), *values(problem, range(1, len(sets)))]
    known: dict[State, _Choices] = {}
    ticket = count()
    met: set[tuple[int, int, int, Signature]] = set()
    heap: list[tuple[float, int, float, State, int, tuple[Block, ...]]] = []

    def push(spent: float, state: State, choice: int, blocks: tuple[Block, ...]) -> None:
        if state not in known:
            known[state] = _choices(problem, to_come, state)
        if choice < len(known[state].total_s):
            total = spent + float(known[state].total_s[choice])
            heapq.heappush(heap, (total, next(ticket), spent, state, choice, blocks))

    push(0.0, (0, 0, 0, 0, problem.laps), 0, ())
    while heap:
        total, _, spent, state, choice, blocks = heapq.heappop(heap)
        push(spent, state, choice + 1, blocks)
        options = known[state]
        k, first, last, pieces, left = state
        laps, kept, role = (int(a[choice]) for a in (options.laps, options.kept, options.role))
        if laps and _out_of_turn(problem, k, laps, blocks):
            continue
        if laps:
            blocks = (*blocks, Block(k, laps, kept, role))
            pieces += kept + 1
        first, last, left = first + (role == FIRST), last + (role == LAST), left - laps
        mark = (k, first, last, signature(problem, blocks))
        if mark in met:
            continue  # the same laps in other roles, and no cheaper
        met.add(mark)
        if k + 1 == len(sets):
            yield Blocks(total, in_order(blocks))
        else:
            push(
                spent + float(options.cost_s[choice]), (k + 1, first, last, pieces, left), 0, blocks
            )


def _out_of_turn(problem: StintProblem, k: int, laps: int, blocks: tuple[Block, ...]) -> bool:
    """Among like sets the earlier runs at least as long, so that each plan is met once."""
    if k == 0 or problem.alike[k] != problem.alike[k - 1]:
        return False
    before = blocks[-1] if blocks and blocks[-1].set_index == k - 1 else None
    return before is None or before.laps < laps


def in_order(blocks: tuple[Block, ...]) -> tuple[Block, ...]:
    """Return blocks as they run: first, those between, last."""
    place = {FIRST: 0, MIDDLE: 1, LAST: 2, ONLY: 0}
    return tuple(sorted(blocks, key=lambda block: (place[block.role], block.set_index)))


def stop_laps(pieces: tuple[int, ...]) -> tuple[int, ...]:
    """Return the laps at whose end the stops between `pieces` are made."""
    return tuple(int(lap) for lap in np.cumsum(pieces)[:-1])
