"""The limits of an event as the planner obeys them, one small object per kind of ``[[limit]]``.

Each wraps the record of event.toml and can state itself in words, filter the moves of one tyre or
add rows over all tyres, say whether it binds, and ease itself step by step. Those decided by one
tyre alone stand in `tyre_limits`.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import takewhile

import numpy as np
import pandas as pd

from tyrekit.plan.matched import matched_cuts, matched_rows
from tyrekit.plan.problem import (
    AXLES,
    CORNERS,
    AllocationProblem,
    Bools,
    Easing,
    Floats,
    Memory,
    Moves,
    PlanLimit,
    Row,
    TyreState,
)  # fmt: skip
from tyrekit.plan.tyre_limits import (
    LongestLifeLimit,
    MinimumTreadLimit,
    SameSideLimit,
    ScrubbedBeforeLimit,
    changed,
    within,
)
from tyrekit.record.event import (
    KeepSpare,
    Limit,
    Lock,
    LongestLife,
    MatchedAxle,
    MinimumTread,
    NewTyres,
    Pool,
    SameSide,
    ScrubbedBefore,
    StartOn,
)  # fmt: skip


@dataclass(frozen=True)
class NewTyresLimit(PlanLimit):
    """Tyres first used at this event; a new tyre kept as a spare counts, for it may be needed."""

    rule: NewTyres

    def words(self) -> str:
        """Return the limit in words."""
        return f"at most {self.rule.most} new tyres over the event"

    def key(self, tyre: TyreState, problem: AllocationProblem) -> Hashable:
        """New and unused tyres are a kind of their own."""
        return tyre.unused

    def memory(self, problem: AllocationProblem) -> Memory | None:
        """Whether the tyre is counted already."""
        last = len(problem.stints) - 1
        return Memory(frozenset(range(last + 1)), last, spares=True)

    def knows(self, tyre: TyreState) -> bool:
        """Tyres used before, here or elsewhere, count no more."""
        return not tyre.unused

    def rows(self, moves: Moves, problem: AllocationProblem, bit: int) -> list[Row]:
        """Count first uses."""
        return [_count(moves, bit, self.rule.most - len(used_new(problem.tyres)))]

    def easings(self) -> tuple[Easing, ...]:
        """One tyre more per step."""
        return (lambda n: NewTyresLimit(changed(self.rule, most=self.rule.most + n)),)

    def binds(self, table: pd.DataFrame, problem: AllocationProblem) -> bool:
        """Return whether every new tyre allowed is used."""
        first = {t.tyre_id for t in problem.tyres if t.unused} & set(table["tyre_id"])
        return len(first) + len(used_new(problem.tyres)) >= self.rule.most


@dataclass(frozen=True)
class PoolLimit(PlanLimit):
    """Different tyres over some sessions, those already run included; a spare counts too."""

    rule: Pool

    def words(self) -> str:
        """Return the limit in words."""
        marked = ", marked tyres only" if self.rule.marked_only else ""
        over = ", ".join(self.rule.sessions)
        return f"at most {self.rule.most} different tyres over {over}{marked}"

    def key(self, tyre: TyreState, problem: AllocationProblem) -> Hashable:
        """Marked and already counted tyres are kinds of their own."""
        return (self.rule.marked_only and tyre.marked, self.knows(tyre))

    def memory(self, problem: AllocationProblem) -> Memory | None:
        """Whether the tyre is in the pool already."""
        inside = _stints_in(problem, self.rule.sessions)
        return Memory(inside, max(inside), spares=True) if inside else None

    def knows(self, tyre: TyreState) -> bool:
        """A tyre that ran in a session of the pool is in it."""
        return not tyre.ran_in.isdisjoint(self.rule.sessions)

    def allows(
        self, moves: Moves, tyres: Sequence[TyreState], problem: AllocationProblem, bit: int
    ) -> Bools | None:
        """Only marked tyres, where asked."""
        if not self.rule.marked_only or not within(moves, problem, self.rule.sessions):
            return None
        marked = np.array([tyre.marked for tyre in tyres], dtype=np.bool_)
        return marked[moves.tyre_class] | ~moves.used

    def rows(self, moves: Moves, problem: AllocationProblem, bit: int) -> list[Row]:
        """Count tyres on their first use in the pool."""
        return [_count(moves, bit, self.rule.most - self._used(problem))] if bit else []

    def _used(self, problem: AllocationProblem) -> int:
        return sum(self.knows(tyre) for tyre in problem.tyres)

    def easings(self) -> tuple[Easing, ...]:
        """One tyre more per step; or unmarked tyres too."""

        def unmarked(n: int) -> PlanLimit | None:
            return PoolLimit(changed(self.rule, marked_only=False)) if n == 1 else None

        more: Easing = lambda n: PoolLimit(changed(self.rule, most=self.rule.most + n))  # noqa: E731
        return (more, unmarked) if self.rule.marked_only else (more,)

    def binds(self, table: pd.DataFrame, problem: AllocationProblem) -> bool:
        """Return whether the pool is full."""
        before = {tyre.tyre_id for tyre in problem.tyres if self.knows(tyre)}
        inside = table.loc[table["session"].isin(self.rule.sessions), "tyre_id"]
        return len(before | set(inside)) >= self.rule.most


@dataclass(frozen=True)
class StartOnLimit(PlanLimit):
    """A session starts on tyres used in an earlier one; a spare for it need not be one of them."""

    rule: StartOn

    def words(self) -> str:
        """Return the limit in words."""
        return f"{self.rule.session} starts on the tyres used in {self.rule.same_as}"

    def key(self, tyre: TyreState, problem: AllocationProblem) -> Hashable:
        """Tyres that ran in the earlier session are a kind of their own."""
        return self.knows(tyre)

    def memory(self, problem: AllocationProblem) -> Memory | None:
        """Whether the tyre ran in the earlier session."""
        start = problem.stints_of(self.rule.session)
        source = frozenset(problem.stints_of(self.rule.same_as))
        if not start or not (source or any(self.knows(tyre) for tyre in problem.tyres)):
            return None
        return Memory(source, start[0], spares=False)

    def knows(self, tyre: TyreState) -> bool:
        """Return whether the tyre ran in the earlier session, already done."""
        return self.rule.same_as in tyre.ran_in

    def allows(
        self, moves: Moves, tyres: Sequence[TyreState], problem: AllocationProblem, bit: int
    ) -> Bools | None:
        """The start is on tyres of the earlier session, and if that ran on four, on all of them."""
        start = problem.stints_of(self.rule.session)
        if not bit or int(moves.stint[0]) != start[0]:
            return None
        ran = (moves.known & bit) > 0
        if len(problem.stints_of(self.rule.same_as)) == 1:
            return (moves.runs & ran) | (~moves.runs & ~ran)
        return ran | ~moves.runs


@dataclass(frozen=True)
class MatchedAxleLimit(PlanLimit):
    """Left and right of an axle differ by at most this age at the start of every stint."""

    rule: MatchedAxle

    def words(self) -> str:
        """Return the limit in words."""
        return f"left and right of an axle within {self.rule.laps} laps of age"

    def rows(self, moves: Moves, problem: AllocationProblem, bit: int) -> list[Row]:
        """Bound the difference of ages both ways."""
        return matched_rows(moves, len(problem.stints), self.rule.laps)

    def most_apart_laps(self) -> float:
        """Return the rule's laps."""
        return self.rule.laps

    def cuts(self, moves: Moves, problem: AllocationProblem, usage: Floats) -> list[Row]:
        """Return pairs of ages that cannot go together and that `usage` mixes."""
        return matched_cuts(moves, len(problem.stints), self.rule.laps, usage)

    def easings(self) -> tuple[Easing, ...]:
        """One lap more per step."""
        return (lambda n: MatchedAxleLimit(changed(self.rule, laps=self.rule.laps + n)),)

    def binds(self, table: pd.DataFrame, problem: AllocationProblem) -> bool:
        """Return whether some axle is at the limit."""
        ages = table.pivot(index=["session", "stint"], columns="corner", values="age_laps")
        pairs = ([CORNERS[corner] for corner in axle] for axle in AXLES.values())
        apart = [(ages[left] - ages[right]).abs().max() for left, right in pairs]
        return bool(max(apart) >= self.rule.laps)


@dataclass(frozen=True)
class KeepSpareLimit(PlanLimit):
    """A tyre per axle or corner that does not run in a session but could run its first stint."""

    rule: KeepSpare

    def words(self) -> str:
        """Return the limit in words."""
        return f"a usable spare per {self.rule.per} for {self.rule.session}"

    def spares(self, problem: AllocationProblem) -> tuple[tuple[int, frozenset[int]], ...]:
        """Return the spares of the session's first stint."""
        stints = problem.stints_of(self.rule.session)
        groups: Iterable[tuple[int, ...]] = AXLES.values()
        if self.rule.per == "corner":
            groups = [(corner,) for corner in range(4)]
        return tuple((stints[0], frozenset(group)) for group in groups) if stints else ()

    def rows(self, moves: Moves, problem: AllocationProblem, bit: int) -> list[Row]:
        """One tyre for every spare asked; more would cost nothing and mean nothing."""
        others = takewhile(lambda limit: limit is not self, problem.limits)
        first = sum(len(limit.spares(problem)) for limit in others)
        kept = [np.flatnonzero(moves.spare == first + n) for n in range(len(self.spares(problem)))]
        return [Row(at, np.ones(len(at)), 1.0, equal=True) for at in kept]

    def easings(self) -> tuple[Easing, ...]:
        """From one per corner to one per axle."""
        if self.rule.per == "axle":
            return ()
        eased = KeepSpareLimit(changed(self.rule, per="axle"))
        return (lambda n: eased if n == 1 else None,)


@dataclass(frozen=True)
class LockLimit(PlanLimit):
    """The engineer's own decision for the start of a session."""

    rule: Lock

    def words(self) -> str:
        """Return the limit in words."""
        tyres = ", ".join(
            f"{corner} {self.rule.tyres[corner]}" for corner in sorted(self.rule.tyres)
        )
        return f"the lock of {self.rule.session} to {tyres}"

    def locked(self) -> Mapping[str, str]:
        """Return the rule's tyres."""
        return {str(corner): tyre for corner, tyre in self.rule.tyres.items()}

    def key(self, tyre: TyreState, problem: AllocationProblem) -> Hashable:
        """A locked tyre is one of a kind."""
        return tyre.tyre_id if tyre.tyre_id in self.rule.tyres.values() else None

    def allows(
        self, moves: Moves, tyres: Sequence[TyreState], problem: AllocationProblem, bit: int
    ) -> Bools | None:
        """Locked tyres run on their corners, others elsewhere."""
        if int(moves.stint[0]) not in problem.stints_of(self.rule.session)[:1]:
            return None
        corner_of = {tyre: CORNERS.index(corner) for corner, tyre in self.rule.tyres.items()}
        asked = np.array([corner_of.get(tyre.tyre_id, -1) for tyre in tyres])[moves.tyre_class]
        others = ~np.isin(moves.corner, list(corner_of.values())) | ~moves.runs
        own: Bools = moves.runs & (moves.corner == asked) & (asked >= 0)
        return own | (others & (asked < 0))


KINDS: dict[type, Callable[..., PlanLimit]] = {
    NewTyres: NewTyresLimit,
    Pool: PoolLimit,
    StartOn: StartOnLimit,
    MinimumTread: MinimumTreadLimit,
    LongestLife: LongestLifeLimit,
    SameSide: SameSideLimit,
    MatchedAxle: MatchedAxleLimit,
    ScrubbedBefore: ScrubbedBeforeLimit,
    KeepSpare: KeepSpareLimit,
    Lock: LockLimit,
}


def plan_limits(rules: Iterable[Limit]) -> tuple[PlanLimit, ...]:
    """Return the planner's limits for the records of event.toml, in their order."""
    return tuple(KINDS[type(rule)](rule) for rule in rules)


def used_new(tyres: Iterable[TyreState]) -> list[TyreState]:
    """Return the new tyres that have been used at this event."""
    return [tyre for tyre in tyres if tyre.new and not tyre.unused]


def _count(moves: Moves, bit: int, most: int) -> Row:
    """At most so many tyres switch a memory on; one broken already leaves no room."""
    first = np.flatnonzero(moves.learns & bit)
    return Row(first, np.ones(len(first)), float(max(most, 0)))


def _stints_in(problem: AllocationProblem, sessions: Collection[str]) -> frozenset[int]:
    return frozenset(i for i, stint in enumerate(problem.stints) if stint.session in sessions)
