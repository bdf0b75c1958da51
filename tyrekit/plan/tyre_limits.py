"""The limits that one tyre's own history decides: they filter its moves.

Laps, heat cycles, kilometres and tread bind on use only: a tyre already past them may lie in the
truck.
"""

from __future__ import annotations

from collections.abc import Collection, Hashable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import pandas as pd

from tyrekit.plan.problem import (
    CORNERS,
    EVERY_CORNER,
    SIDES,
    AllocationProblem,
    Bools,
    Easing,
    Ints,
    Moves,
    PlanLimit,
    TyreState,
)  # fmt: skip
from tyrekit.record.event import LongestLife, MinimumTread, SameSide, ScrubbedBefore
from tyrekit.record.limit import Record

TREAD_STEP_MM = 0.1  # a depth gauge is read to a tenth
SLACK = 1e-9  # keeps sums of decimal fractions on the right side of a limit
Kind = TypeVar("Kind", bound=Record)


@dataclass(frozen=True)
class MinimumTreadLimit(PlanLimit):
    """Tread of the thinnest place at the end of every stint, with the stated confidence."""

    rule: MinimumTread

    def words(self) -> str:
        """Return the limit in words."""
        rule = self.rule
        return (
            f"at least {rule.mm:.1f} mm of tread at the end of every session"
            f" ({rule.confidence_pct:g} % confidence)"
        )

    def key(self, tyre: TyreState, problem: AllocationProblem) -> Hashable:
        """Tyres too deep to come near the limit are alike."""
        return tyre.tread_low_mm if self.follows_corners(tyre, problem) else np.inf

    def follows_corners(self, tyre: TyreState, problem: AllocationProblem) -> bool:
        """Corners wear differently, which only matters to a tyre that can come near the limit."""
        fastest = problem.wear_high[self.rule.confidence_pct].fastest_mm()
        return tyre.tread_low_mm - fastest * problem.laps_left() < self.rule.mm

    def allows(
        self, moves: Moves, tyres: Sequence[TyreState], problem: AllocationProblem, bit: int
    ) -> Bools | None:
        """Enough tread is left at the end."""
        wear = problem.wear_high[self.rule.confidence_pct]
        age_laps = np.array([tyre.age_laps for tyre in tyres])[moves.tyre_class]
        left_mm = np.array([tyre.tread_low_mm for tyre in tyres])[moves.tyre_class]
        left_mm = left_mm - wear.worn_mm(_laps_after(moves, problem), age_laps)
        enough: Bools = left_mm >= self.rule.mm - SLACK
        return enough | ~moves.used

    def easings(self) -> tuple[Easing, ...]:
        """A tenth of a millimetre less per step."""

        def lower(n: int) -> PlanLimit | None:
            mm = round(self.rule.mm - n * TREAD_STEP_MM, 3)
            return MinimumTreadLimit(changed(self.rule, mm=mm)) if mm >= 0 else None

        return (lower,)

    def binds(self, table: pd.DataFrame, problem: AllocationProblem) -> bool:
        """Return whether some tyre ends within a lap's wear of the limit."""
        lap_mm = problem.wear_high[self.rule.confidence_pct].run_in_mm[:, 1]
        spare_mm = table["tread_end_low_mm"].to_numpy() - self.rule.mm
        corner = [CORNERS.index(name) for name in table["corner"]]
        return bool((spare_mm < lap_mm[corner]).any())


@dataclass(frozen=True)
class LongestLifeLimit(PlanLimit):
    """The most a tyre may run, in any of laps, heat cycles and kilometres."""

    rule: LongestLife

    def words(self) -> str:
        """Return the limit in words."""
        rule = self.rule
        measures = ((rule.laps, "laps"), (rule.heat_cycles, "heat cycles"), (rule.km, "km"))
        return "no tyre past " + " or ".join(f"{most:g} {unit}" for most, unit in measures if most)

    def key(self, tyre: TyreState, problem: AllocationProblem) -> Hashable:
        """Tyres that cannot reach the distance are alike."""
        longest_km = tyre.distance_km + problem.laps_left() * problem.lap_km
        return None if self.rule.km is None or longest_km <= self.rule.km else tyre.distance_km

    def allows(
        self, moves: Moves, tyres: Sequence[TyreState], problem: AllocationProblem, bit: int
    ) -> Bools | None:
        """No measure is past its limit at the end."""
        stint = problem.stints[int(moves.stint[0])]
        rule, fits = self.rule, np.ones(len(moves), dtype=np.bool_)
        if rule.laps is not None:
            fits &= moves.age_laps + stint.tyre_laps <= rule.laps
        if rule.heat_cycles is not None:
            fits &= moves.heat_cycles + 1 <= rule.heat_cycles
        if rule.km is not None:
            before_km = np.array([tyre.distance_km for tyre in tyres])[moves.tyre_class]
            run_km = _laps_after(moves, problem).sum(axis=1) * problem.lap_km
            fits &= before_km + run_km <= rule.km + SLACK
        return fits | ~moves.used

    def easings(self) -> tuple[Easing, ...]:
        """One lap, heat cycle or kilometre more per step, one measure at a time."""

        def more(name: str) -> Easing:
            before = getattr(self.rule, name)
            return lambda n: LongestLifeLimit(changed(self.rule, **{name: before + n}))

        names = ("laps", "heat_cycles", "km")
        return tuple(more(name) for name in names if getattr(self.rule, name) is not None)

    def binds(self, table: pd.DataFrame, problem: AllocationProblem) -> bool:
        """Return whether some tyre has not one more lap, cycle or lap's distance."""
        rule = self.rule
        by_laps = rule.laps is not None and table["age_end_laps"].max() + 1 > rule.laps
        by_cycles = rule.heat_cycles is not None and (
            table["heat_cycles"].max() + 2 > rule.heat_cycles
        )
        by_km = rule.km is not None and table["distance_km"].max() + problem.lap_km > rule.km
        return bool(by_laps or by_cycles or by_km)


@dataclass(frozen=True)
class SameSideLimit(PlanLimit):
    """Tyres stay on the side they first ran on."""

    rule: SameSide

    def words(self) -> str:
        """Return the limit in words."""
        return "tyres stay on the side they first ran on"

    def corners(self, tyre: TyreState) -> frozenset[int]:
        """Return the side a tyre has run on, both for one that has not run."""
        return frozenset(SIDES[tyre.first_side]) if tyre.first_side else EVERY_CORNER

    def keeps_to(self, corner: int) -> frozenset[int]:
        """Return the corner's side."""
        return next(frozenset(side) for side in SIDES.values() if corner in side)


@dataclass(frozen=True)
class ScrubbedBeforeLimit(PlanLimit):
    """At least one heat cycle before these sessions, for a spare as well."""

    rule: ScrubbedBefore

    def words(self) -> str:
        """Return the limit in words."""
        return f"only tyres scrubbed before {', '.join(self.rule.sessions)}"

    def allows(
        self, moves: Moves, tyres: Sequence[TyreState], problem: AllocationProblem, bit: int
    ) -> Bools | None:
        """No tyre without a heat cycle."""
        if not within(moves, problem, self.rule.sessions):
            return None
        return (moves.heat_cycles >= 1) | ~moves.used


@dataclass(frozen=True)
class StaysOnCorner(PlanLimit):
    """Tyres stay on the corner they next run on: no event's rule, it keeps a large one small."""

    def words(self) -> str:
        """Return the limit in words."""
        return "tyres stay on the corner they next run on"

    def keeps_to(self, corner: int) -> frozenset[int]:
        """Return the corner itself."""
        return frozenset({corner})


def changed(rule: Kind, **changes: object) -> Kind:
    """Return an event.toml limit with other numbers."""
    return rule.model_copy(update=changes)


def within(moves: Moves, problem: AllocationProblem, sessions: Collection[str]) -> bool:
    """Return whether the moves, all of one stint, are of one of the sessions."""
    return problem.stints[int(moves.stint[0])].session in sessions


def _laps_after(moves: Moves, problem: AllocationProblem) -> Ints:
    """Return laps run on each corner at the end of the move, (moves, 4)."""
    laps = moves.laps_run.copy()
    on = np.flatnonzero(moves.corner >= 0)
    laps[on, moves.corner[on]] += problem.stints[int(moves.stint[0])].tyre_laps
    return laps
