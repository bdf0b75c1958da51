"""Why an event is impossible: the limits that clash, and the smallest changes that would help.

A clash is a set of limits that cannot hold together while every smaller part of it can. It is
found by deletion, then checked against all smaller sets not yet known to be possible, so that the
one named is the smallest. A repair eases or drops limits until a plan exists; numbers are eased
as little as whole steps allow.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np

from tyrekit.errors import TyrekitError
from tyrekit.plan.effort import A_SECOND, Effort
from tyrekit.plan.graph import build_graph
from tyrekit.plan.optimum import whole_pool
from tyrekit.plan.problem import CORNERS, AllocationProblem, Easing, PlanLimit
from tyrekit.plan.relaxation import relax
from tyrekit.plan.search import IMPOSSIBLE, Search

QUESTIONS = 300  # "is this possible?" at most, for the clash and its repairs together
CHECK_WORK = 0.3 * A_SECOND  # for one of them, beyond its relaxation
MOST_STEPS = 64
MOST_TOGETHER = 3  # limits changed in one repair


@dataclass(frozen=True)
class Change:
    """One limit eased, or dropped where `eased` is None."""

    limit: PlanLimit
    eased: PlanLimit | None

    def words(self) -> str:
        """Return the change in words."""
        if self.eased is None:
            return f"drop: {self.limit.words()}"
        return f"ease: {self.limit.words()} → {self.eased.words()}"


@dataclass(frozen=True)
class Clash:
    """The smallest set of limits that clash, and repairs: changes that together are enough.

    `missing` says what stands in the tyre list and no easing can mend.
    """

    limits: tuple[PlanLimit, ...] = ()
    repairs: tuple[tuple[Change, ...], ...] = ()
    missing: str = ""
    notes: tuple[str, ...] = ()

    @property
    def blocked_by(self) -> tuple[str, ...]:
        """What clashes, in words."""
        missing = (self.missing,) if self.missing else ()
        return (*(one.words() for one in self.limits), *missing)

    @property
    def repair_words(self) -> tuple[str, ...]:
        """Each repair in words."""
        return tuple("; and ".join(c.words() for c in changes) for changes in self.repairs)


def clash(problem: AllocationProblem, effort: Effort | None = None) -> Clash:
    """Return why no plan exists for `problem`, which must be impossible.

    When the effort, `QUESTIONS` by default, is spent the search ends with what is known, and says
    so.
    """
    search = _Search(problem, effort or Effort(QUESTIONS))
    every = frozenset(range(len(problem.limits)))
    if search.possible(frozenset()) is False:
        return Clash(missing=too_few(problem))
    core = search.smallest(search.core(every))
    found = search.repairs(every, core)
    notes = (
        ("the search for clashing limits was cut short: a smaller clash or change may exist",)
        if search.cut_short
        else ()
    )
    limits = tuple(problem.limits[i] for i in sorted(core))
    return Clash(limits, tuple(found), _wrong_corners(problem, limits), notes)


def is_possible(problem: AllocationProblem, work: float = CHECK_WORK) -> bool | None:
    """Return whether some plan keeps every limit; None when that could not be settled."""
    try:
        graph = build_graph(problem)
        relaxed = relax(graph, np.zeros(len(graph.cost)))
    except (MemoryError, TyrekitError):
        return None
    if not relaxed.possible:
        return False
    if len(whole_pool(relaxed, relaxed.paths).paths):
        return True
    search, effort = Search(relaxed), Effort(work)
    if len(search.dive(effort).paths):
        return True
    found = search.next_plan(effort)
    if len(found.paths):
        return True
    return False if found.status == IMPOSSIBLE else None


@dataclass
class _Search:
    """Questions asked so far about which of the problem's limits can hold together."""

    problem: AllocationProblem
    effort: Effort
    possible_sets: list[frozenset[int]] = field(default_factory=list)
    impossible_sets: list[frozenset[int]] = field(default_factory=list)
    cut_short: bool = False

    def possible(self, limits: frozenset[int]) -> bool | None:
        """Return whether these limits can hold together; a part of a possible set can."""
        if any(limits <= known for known in self.possible_sets):
            return True
        if any(limits >= known for known in self.impossible_sets):
            return False
        if self.effort.over:
            self.cut_short = True
            return None
        self.effort.spend(1)
        chosen = [self.problem.limits[i] for i in sorted(limits)]
        answer = is_possible(self.problem.with_limits(chosen))
        if answer is not None:
            (self.possible_sets if answer else self.impossible_sets).append(limits)
        return answer

    def core(self, limits: frozenset[int]) -> frozenset[int]:
        """Return a part of an impossible set of which no limit can be spared."""
        for one in sorted(limits):
            if self.possible(limits - {one}) is False:
                limits -= {one}
        return limits

    def smallest(self, core: frozenset[int]) -> frozenset[int]:
        """Return the smallest impossible set, the given one if none is smaller."""
        every = range(len(self.problem.limits))
        for size in range(1, len(core)):
            for part in combinations(every, size):
                if self.possible(frozenset(part)) is False:
                    return frozenset(part)
        return core

    def repairs(self, every: frozenset[int], core: frozenset[int]) -> list[tuple[Change, ...]]:
        """Return the repairs that change fewest limits."""
        tried: list[tuple[frozenset[int], frozenset[int]]] = [(frozenset(), core)]
        for _ in range(MOST_TOGETHER):
            dropped = {gone | {one} for gone, clashing in tried for one in clashing}
            enough = [gone for gone in dropped if self.possible(every - gone)]
            if enough:
                return [self.least_changes(every, gone) for gone in sorted(enough, key=sorted)]
            tried = [(gone, self.core(every - gone)) for gone in sorted(dropped, key=sorted)]
        return []

    def least_changes(self, every: frozenset[int], gone: frozenset[int]) -> tuple[Change, ...]:
        """Return the least changes to the limits `gone` that make a plan possible."""
        held = {i: self.problem.limits[i] for i in every - gone}
        changes = []
        for one in sorted(gone):
            eased = self.least_easing(self.problem.limits[one], list(held.values()))
            changes.append(Change(self.problem.limits[one], eased))
            if eased is not None:
                held[one] = eased
        return tuple(changes)

    def least_easing(self, limit: PlanLimit, others: Sequence[PlanLimit]) -> PlanLimit | None:
        """Return the limit eased by the fewest steps that help, None if only dropping does."""
        found = [
            (steps, eased)
            for easing in limit.easings()
            for steps, eased in self.fewest_steps(easing, others)
        ]
        return min(found, key=lambda pair: pair[0])[1] if found else None

    def fewest_steps(
        self, easing: Easing, others: Sequence[PlanLimit]
    ) -> Iterator[tuple[int, PlanLimit]]:
        """Yield the fewest steps that help with the limit eased so far, if any number does."""

        def helps(steps: int) -> bool:
            eased = easing(steps)
            if eased is None or self.effort.over:
                self.cut_short |= eased is not None
                return False
            self.effort.spend(1)
            return is_possible(self.problem.with_limits([*others, eased])) is True

        low, high = 0, 1
        while not helps(high):
            low, high = high, high * 2
            if high > MOST_STEPS:
                return
            while high > low + 1 and easing(high) is None:
                high -= 1
            if easing(high) is None:
                return
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if helps(middle) else (middle, high)
        eased = easing(high)
        if eased is not None:
            yield high, eased


def _wrong_corners(problem: AllocationProblem, limits: Sequence[PlanLimit]) -> str:
    """Return in words which locked tyres the tyre list keeps from their corner; often none."""
    locked = sorted({pair for limit in limits for pair in limit.locked().items()})
    tyres = {tyre.tyre_id: tyre for tyre in problem.tyres}
    said = []
    for corner, tyre_id in locked:
        open_to = [CORNERS[c] for c in sorted(tyres[tyre_id].corners)]
        if corner not in open_to:
            only = f"goes on {' '.join(open_to)} only" if open_to else "is scrapped"
            said.append(f"{tyre_id} {only}")
    return f"the tyre list: {', '.join(dict.fromkeys(said))}" if said else ""


def too_few(problem: AllocationProblem) -> str:
    """Return in words which corners the tyre list cannot cover, limits aside."""
    for size in range(1, 5):
        for corners in combinations(range(4), size):
            fits = [tyre for tyre in problem.tyres if not tyre.corners.isdisjoint(corners)]
            if len(fits) < size:
                names = ", ".join(CORNERS[corner] for corner in corners)
                have = ", ".join(tyre.tyre_id for tyre in fits) or "none"
                return f"the tyre list: {size} tyres are needed for {names}, it has {have}"
    return "the tyre list: it cannot cover every session"
