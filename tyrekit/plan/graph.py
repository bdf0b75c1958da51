"""The state graph: everything a tyre may do over the stints left, equal states merged.

A node is a class of identical tyres in a state (laps run on each corner, heat cycles, corners
still open, remembered facts) before a stint; an arc is a move: rest, run on a corner, be kept as
a spare. A path from a class's first node to the end is a programme for one tyre. Limits on one
tyre decide which arcs exist; limits between tyres become rows over arcs.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from tyrekit.plan.loss import LossTable, expected_table
from tyrekit.plan.problem import (
    CORNERS,
    COST_UNIT_S,
    EVERY_CORNER,
    AllocationProblem,
    Bools,
    Ints,
    Memory,
    Moves,
    Row,
    TyreState,
)  # fmt: skip

SPARE = 5  # "running as": 0 nothing, 1 to 4 a corner, 5 kept as this session's spare
MOST_ARCS = 3_000_000


@dataclass(frozen=True, eq=False)
class States:
    """Tyre states before one stint; every array has one entry per state, corners are bit masks.

    `running_as` remembers, between the stints of one session, the corner it is on or `SPARE`.
    """

    tyre_class: Ints
    laps_run: Ints
    cycles_run: Ints
    corners: Ints
    known: Ints
    running_as: Ints

    def take(self, index: Ints | Bools) -> States:
        """Return the states at `index`."""
        return States(**{name: array[index] for name, array in vars(self).items()})


@dataclass(frozen=True, eq=False)
class StateGraph:
    """Nodes and arcs of every class, arcs sorted by stint and then by the node they leave.

    Attributes
    ----------
    classes : tuple of tuple of TyreState
        The tyres of each class; class k starts at node k.
    arcs : Moves
        The moves, one per arc.
    tail, head : int arrays
        Nodes an arc leaves and enters.
    cost : int array
        Weighted loss of each arc in `COST_UNIT_S`.
    first_arc : int array (stints + 1,)
        Arcs of stint s are ``first_arc[s]`` to ``first_arc[s + 1]``.
    rows : tuple of Row
        Cover rows first (stint by stint, corner by corner), then classes, then limits.
    """

    problem: AllocationProblem
    classes: tuple[tuple[TyreState, ...], ...]
    arcs: Moves
    tail: Ints
    head: Ints
    cost: Ints
    first_arc: Ints
    n_nodes: int
    rows: tuple[Row, ...]


def tyre_classes(problem: AllocationProblem) -> tuple[tuple[TyreState, ...], ...]:
    """Return the tyres grouped by what costs and limits can tell apart, in order of their ids."""
    groups: dict[Hashable, list[TyreState]] = {}
    for tyre in problem.tyres:
        keys = tuple(limit.key(tyre, problem) for limit in problem.limits)
        corners = _open_corners(tyre, problem)
        groups.setdefault((tyre.age_laps, tyre.heat_cycles, corners, keys), []).append(tyre)
    return tuple(tuple(group) for group in groups.values())


def build_graph(problem: AllocationProblem) -> StateGraph:
    """Return the state graph of a problem, with the rows of every limit between tyres.

    Raises
    ------
    MemoryError
        More than `MOST_ARCS` arcs.
    """
    classes = tyre_classes(problem)
    rules = _rules(problem, [group[0] for group in classes])
    states, offset = _start(rules), 0
    groups: list[Moves] = []
    tails, heads, costs = [], [], []
    for stint in range(len(problem.stints)):
        moves, source = _moves(rules, states, stint)
        after, head = _merged(_after(rules, states.take(source), moves, stint))
        groups.append(moves)
        costs.append(_costs(rules, moves, stint))
        tails.append(offset + source)
        offset += len(states.tyre_class)
        heads.append(offset + head)
        states = after
        if sum(len(group) for group in groups) > MOST_ARCS:
            raise MemoryError(f"more than {MOST_ARCS} moves")
    arcs = Moves.joined(groups)
    first_arc = np.cumsum([0, *(len(group) for group in groups)])
    rows = [*_cover_rows(problem, arcs), *_class_rows(classes, arcs, int(first_arc[1]))]
    for limit, bit in zip(problem.limits, rules.bits, strict=True):
        rows += limit.rows(arcs, problem, bit)
    return StateGraph(
        problem=problem,
        classes=classes,
        arcs=arcs,
        tail=np.concatenate(tails),
        head=np.concatenate(heads),
        cost=np.concatenate(costs),
        first_arc=first_arc,
        n_nodes=offset + len(states.tyre_class),
        rows=tuple(rows),
    )


def row_matrix(rows: Sequence[Row], n_arcs: int) -> sparse.csr_array:
    """Return the rows as a sparse matrix, (rows, arcs)."""
    at = np.repeat(np.arange(len(rows)), [len(row.moves) for row in rows])
    moves = np.concatenate([row.moves for row in rows] or [np.empty(0, dtype=np.int64)])
    values = np.concatenate([row.values for row in rows] or [np.empty(0)])
    return sparse.csr_array((values, (at, moves)), shape=(len(rows), n_arcs))


@dataclass(frozen=True, eq=False)
class _Rules:
    """What building asks of the problem again and again, worked out once."""

    problem: AllocationProblem
    tyres: tuple[TyreState, ...]
    age_laps: Ints
    heat_cycles: Ints
    memories: tuple[Memory | None, ...]
    bits: tuple[int, ...]
    spares: tuple[tuple[int, frozenset[int]], ...]
    keeps: Ints
    losses: LossTable
    by_corner: Bools


def _rules(problem: AllocationProblem, tyres: Sequence[TyreState]) -> _Rules:
    memories = tuple(limit.memory(problem) for limit in problem.limits)
    taken = np.cumsum([0] + [memory is not None for memory in memories])
    bits = [1 << int(k) if m is not None else 0 for k, m in zip(taken, memories, strict=False)]
    kept = [[limit.keeps_to(corner) for limit in problem.limits] for corner in range(4)]
    keeps = [_mask(EVERY_CORNER.intersection(*corners)) for corners in kept]
    return _Rules(
        problem=problem,
        tyres=tuple(tyres),
        age_laps=np.array([tyre.age_laps for tyre in tyres], dtype=np.int64),
        heat_cycles=np.array([tyre.heat_cycles for tyre in tyres], dtype=np.int64),
        memories=memories,
        bits=tuple(bits),
        spares=tuple(spare for limit in problem.limits for spare in limit.spares(problem)),
        keeps=np.array([*keeps, _mask(EVERY_CORNER)], dtype=np.int64),
        losses=expected_table(problem),
        by_corner=np.array(
            [any(one.follows_corners(tyre, problem) for one in problem.limits) for tyre in tyres],
            dtype=np.bool_,
        ),
    )


def _open_corners(tyre: TyreState, problem: AllocationProblem) -> frozenset[int]:
    return tyre.corners.intersection(*(limit.corners(tyre) for limit in problem.limits))


def _mask(corners: frozenset[int]) -> int:
    return sum(1 << corner for corner in corners)


def _start(rules: _Rules) -> States:
    """Return the state of each class now."""
    known = [
        sum(
            bit
            for limit, memory, bit in zip(
                rules.problem.limits, rules.memories, rules.bits, strict=True
            )
            if memory is not None and limit.knows(tyre)
        )
        for tyre in rules.tyres
    ]
    n = len(rules.tyres)
    zeros = np.zeros(n, dtype=np.int64)
    corners = [_mask(_open_corners(tyre, rules.problem)) for tyre in rules.tyres]
    return States(
        tyre_class=np.arange(n),
        laps_run=np.zeros((n, 4), dtype=np.int64),
        cycles_run=zeros,
        corners=np.array(corners, dtype=np.int64),
        known=np.array(known, dtype=np.int64),
        running_as=zeros,
    )


def _moves(rules: _Rules, states: States, stint: int) -> tuple[Moves, Ints]:
    """Return the moves that the limits on one tyre allow, and the state each one leaves."""
    sources = [np.arange(len(states.tyre_class))]
    kinds = [(-1, -1)]
    for corner in range(4):
        free = (states.running_as == 0) | (states.running_as == corner + 1)
        sources.append(np.flatnonzero((states.corners >> corner & 1 == 1) & free))
        kinds.append((corner, -1))
    for spare, (when, corners) in enumerate(rules.spares):
        for corner in sorted(corners) if when == stint else ():
            sources.append(np.flatnonzero(states.corners >> corner & 1))
            kinds.append((corner, spare))
    tried = [
        _tried(rules, states, stint, at, *kind) for at, kind in zip(sources, kinds, strict=True)
    ]
    moves, source = Moves.joined(tried), np.concatenate(sources)
    allowed = np.ones(len(moves), dtype=np.bool_)
    for limit, bit in zip(rules.problem.limits, rules.bits, strict=True):
        asked = limit.allows(moves, rules.tyres, rules.problem, bit)
        if asked is not None:
            allowed &= asked
    if not allowed.any():
        allowed[0] = True  # no tyre can do anything: a rest keeps the graph whole, covering nothing
    return _one_spare_each(moves.take(allowed), source[allowed])


def _tried(rules: _Rules, states: States, stint: int, at: Ints, corner: int, spare: int) -> Moves:
    """Return one kind of move from the states `at`, not yet held against the limits."""
    group, known = states.tyre_class[at], states.known[at]
    stays_on = (states.running_as[at] == corner + 1) & (corner >= 0)
    cycles = rules.heat_cycles[group] + states.cycles_run[at] - stays_on
    learns = _learnt(rules, stint, spare >= 0) if corner >= 0 else 0
    return Moves(
        stint=np.full(len(at), stint),
        tyre_class=group,
        corner=np.full(len(at), corner),
        spare=np.full(len(at), spare),
        age_laps=rules.age_laps[group] + states.laps_run[at].sum(axis=1),
        heat_cycles=cycles,
        laps_run=states.laps_run[at],
        known=known,
        learns=learns & ~known,
    )


def _learnt(rules: _Rules, stint: int, spare: bool) -> int:
    """Return the memory bits that using a tyre in a stint switches on."""
    return sum(
        bit
        for memory, bit in zip(rules.memories, rules.bits, strict=True)
        if memory is not None and stint in memory.learnt_in and (memory.spares or not spare)
    )


def _one_spare_each(moves: Moves, source: Ints) -> tuple[Moves, Ints]:
    """Return moves sorted by the state they leave, a spare once though it fits several corners."""
    corner = np.where(moves.spare >= 0, -1, moves.corner)
    order = np.lexsort((corner, moves.spare, source))
    key = np.stack([source, moves.spare, corner])[:, order]
    new = np.ones(len(order), dtype=np.bool_)
    new[1:] = (key[:, 1:] != key[:, :-1]).any(axis=0)
    return moves.take(order[new]), source[order[new]]


def _after(rules: _Rules, states: States, moves: Moves, stint: int) -> States:
    """Return the state after each move, without what no later stint can ask about."""
    runs, at = moves.runs, rules.problem.stints[stint]
    if stint + 1 == len(rules.problem.stints):
        zeros = np.zeros(len(moves), dtype=np.int64)
        return States(states.tyre_class, np.outer(zeros, np.ones(4, int)), *[zeros] * 4)
    laps_run = states.laps_run.copy()
    on = np.where(rules.by_corner[states.tyre_class[runs]], moves.corner[runs], 0)
    laps_run[runs, on] += at.tyre_laps
    stays_on = runs & (states.running_as == moves.corner + 1)
    stays_spare = (states.running_as == SPARE) | (moves.spare >= 0)
    running_as = np.where(runs, moves.corner + 1, SPARE * stays_spare)
    live = [m is not None and m.until > stint for m in rules.memories]
    asked_later = sum(bit for bit, lives in zip(rules.bits, live, strict=True) if lives)
    return States(
        tyre_class=states.tyre_class,
        laps_run=laps_run,
        cycles_run=states.cycles_run + (runs & ~stays_on),
        corners=states.corners & rules.keeps[np.where(runs, moves.corner, 4)],
        known=(moves.known | moves.learns) & asked_later,
        running_as=running_as * (not at.last),
    )


def _merged(states: States) -> tuple[States, Ints]:
    """Return the distinct states, classes in order, and which of them each one is."""
    columns = [
        states.tyre_class, states.cycles_run, states.corners, states.known, states.running_as,
        *states.laps_run.T,
    ]  # fmt: skip
    key, room = np.zeros(len(states.tyre_class), dtype=np.int64), 1
    for column in reversed(columns):
        width = int(column.max(initial=0)) + 1
        if room > 2**62 // width:
            key = np.unique(key, return_inverse=True)[1]
            room = int(key.max(initial=0)) + 1
        key, room = key + column * room, room * width
    _, first, head = np.unique(key, return_index=True, return_inverse=True)
    return states.take(first), head


def _costs(rules: _Rules, moves: Moves, stint: int) -> Ints:
    """Return the weighted loss of each move in whole units."""
    at = rules.problem.stints[stint]
    loss_s = rules.losses.stint_s(at, moves.age_laps, moves.heat_cycles)[0]
    share = np.append(rules.problem.corner_share, 0.0)[np.where(moves.runs, moves.corner, 4)]
    cost: Ints = np.rint(at.value * share * loss_s / COST_UNIT_S).astype(np.int64)
    return cost


def _cover_rows(problem: AllocationProblem, arcs: Moves) -> list[Row]:
    """Every corner has one tyre in every stint."""
    rows = []
    for stint in range(len(problem.stints)):
        here = (arcs.stint == stint) & arcs.runs
        for corner in range(len(CORNERS)):
            moves = np.flatnonzero(here & (arcs.corner == corner))
            rows.append(Row(moves, np.ones(len(moves)), 1.0, equal=True))
    return rows


def _class_rows(classes: Sequence[Sequence[TyreState]], arcs: Moves, first: int) -> list[Row]:
    """No class gives more tyres than it has; every programme leaves its class by one move."""
    rows = []
    for group, tyres in enumerate(classes):
        moves = np.flatnonzero(arcs.tyre_class[:first] == group)
        rows.append(Row(moves, np.ones(len(moves)), float(len(tyres))))
    return rows
