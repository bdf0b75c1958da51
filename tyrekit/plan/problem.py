"""The tyre allocation as plain data: stints to cover, tyres to cover them, losses, wear, limits.

Everything the planner needs from an event, its tyres and its fits stands in one
`AllocationProblem`; nothing behind it reads a file, a table or a fit. Corners are numbered in the
order of `CORNERS`. Ages count every lap on a tyre: out, in, caution, formation and cool-down.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.terms import CORNER_NAMES

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

CORNERS = CORNER_NAMES
SIDES = {"left": (0, 2), "right": (1, 3)}
AXLES = {"front": (0, 1), "rear": (2, 3)}
EVERY_CORNER = frozenset(range(4))
COST_UNIT_S = 1e-4  # costs are whole tenths of a weighted millisecond, so equal means equal
QUALIFYING_LAPS = (1, 2)  # the out-lap is lap 0; the time is set on the next two


@dataclass(frozen=True)
class Stint:
    """Laps that a session asks of one fitting of four tyres.

    A session is one stint, a race that must stop (and may change tyres) one more per stop.

    Attributes
    ----------
    session : str
        Session id; stints of one session share it.
    number : int
        From 1 within the session.
    last : bool
        True for the session's last stint.
    laps : int
        Laps at speed, 1 or more; `formation_laps` before and `cool_down_laps` after also age.
    value : float
        What a second saved is worth, 0 or more.
    """

    session: str
    kind: str
    laps: int
    value: float
    number: int = 1
    last: bool = True
    formation_laps: int = 0
    cool_down_laps: int = 0

    @property
    def tyre_laps(self) -> int:
        """Laps the tyres age by."""
        return self.formation_laps + self.laps + self.cool_down_laps

    @property
    def label(self) -> str:
        """Session id, with the stint's number where there are several."""
        return self.session if self.last and self.number == 1 else f"{self.session}/{self.number}"


@dataclass(frozen=True)
class TyreState:
    """One tyre as it stands now.

    Attributes
    ----------
    corners : frozenset of int
        Corners it may run on by its own axle and side.
    first_side : str
        Side it first ran on, left or right; empty when it has not run.
    tread_mm, tread_low_mm : float
        Mean depth, and the depth of the thinnest place that limits are held against.
    unused : bool
        New, and not yet run at this event.
    ran_in : frozenset of str
        Sessions already done in which it ran.
    """

    tyre_id: str
    age_laps: int = 0
    heat_cycles: int = 0
    distance_km: float = 0.0
    tread_mm: float = np.inf
    tread_low_mm: float = np.inf
    corners: frozenset[int] = EVERY_CORNER
    first_side: str = ""
    unused: bool = False
    new: bool = False
    marked: bool = False
    ran_in: frozenset[str] = frozenset()


@dataclass(frozen=True, eq=False)
class WearTable:
    """Tread worn from now on.

    Wear on several corners is the sum of each corner's: for high wear that is on the safe side.

    Attributes
    ----------
    run_in_mm : array (4, laps + 1)
        Worn off a run-in tyre over 0, 1, 2, ... laps on each corner.
    early_mm : array (ages, laps + 1)
        Worn besides off a tyre that is 0, 1, 2, ... laps old now, 0 from the last age on.
    """

    run_in_mm: Floats
    early_mm: Floats

    def worn_mm(self, laps_run: Ints, age_laps: Ints) -> Floats:
        """Return the wear of tyres with this age now after laps on each corner, (tyres, 4)."""
        early = self.early_mm[np.minimum(age_laps, len(self.early_mm) - 1), laps_run.sum(axis=1)]
        worn: Floats = early + sum(self.run_in_mm[c, laps_run[:, c]] for c in range(4))
        return worn

    def fastest_mm(self) -> float:
        """Return the most that any lap wears off, on average over any number of laps."""
        laps = np.arange(1, self.run_in_mm.shape[1])
        run_in = (self.run_in_mm[:, 1:] / laps).max(initial=0.0)
        return float(run_in + (self.early_mm[:, 1:] / laps).max(initial=0.0))


@dataclass(frozen=True)
class Memory:
    """One fact about a tyre's past that a limit needs: a bit switched on by running.

    Attributes
    ----------
    learnt_in : frozenset of int
        Stints in which running switches it on.
    until : int
        Last stint at which it still matters.
    spares : bool
        True when being kept as a spare switches it on too.
    """

    learnt_in: frozenset[int]
    until: int
    spares: bool


@dataclass(frozen=True, eq=False)
class Moves:
    """What one tyre may do in one stint, many at a time; every array has one entry per move.

    Attributes
    ----------
    corner : int
        0 to 3, or -1 when the tyre rests.
    spare : int
        Index of the spare it is kept as, or -1. `corner` then is where it could be fitted.
    age_laps, heat_cycles : int
        At the start of the stint; cycles are those completed before this run.
    laps_run : int, (moves, 4)
        Laps run on each corner from now to the start of the stint; all on the first for tyres
        whose corners no limit follows.
    known, learns : int
        Memory bits on before the move, and switched on by it.
    """

    stint: Ints
    tyre_class: Ints
    corner: Ints
    spare: Ints
    age_laps: Ints
    heat_cycles: Ints
    laps_run: Ints
    known: Ints
    learns: Ints

    def __len__(self) -> int:
        return len(self.stint)

    @property
    def runs(self) -> Bools:
        """True where the tyre is on the car."""
        return (self.corner >= 0) & (self.spare < 0)

    @property
    def used(self) -> Bools:
        """True where the tyre is on the car or kept as a spare."""
        return (self.corner >= 0) | (self.spare >= 0)

    def take(self, index: Ints | Bools) -> Moves:
        """Return the moves at `index`."""
        return Moves(**{name: array[index] for name, array in vars(self).items()})

    @staticmethod
    def joined(parts: Sequence[Moves]) -> Moves:
        """Return several groups of moves as one."""
        names = vars(parts[0])
        return Moves(**{n: np.concatenate([getattr(p, n) for p in parts]) for n in names})


@dataclass(frozen=True, eq=False)
class Row:
    """A linear rule over moves: sum of `values` of the moves made <= `upper` (or equal to it)."""

    moves: Ints
    values: Floats
    upper: float
    equal: bool = False


class PlanLimit:
    """One rule of the event as the planner sees it. Each kind overrides what it needs."""

    def words(self) -> str:
        """Return the limit in words."""
        raise TypeError(f"{type(self).__name__} cannot state itself")

    def key(self, tyre: TyreState, problem: AllocationProblem) -> Hashable:
        """Return what must agree for two tyres to be the same to this limit."""
        return ()

    def corners(self, tyre: TyreState) -> frozenset[int]:
        """Return the corners it leaves to a tyre before its next run."""
        return EVERY_CORNER

    def keeps_to(self, corner: int) -> frozenset[int]:
        """Return the corners it leaves to a tyre that has run on `corner`."""
        return EVERY_CORNER

    def follows_corners(self, tyre: TyreState, problem: AllocationProblem) -> bool:
        """Return whether it may ask on which corners this tyre has run its laps."""
        return False

    def locked(self) -> Mapping[str, str]:
        """Return the tyre it asks for by corner name; empty for all but locks."""
        return {}

    def memory(self, problem: AllocationProblem) -> Memory | None:
        """Return the fact it needs remembered, if any."""
        return None

    def knows(self, tyre: TyreState) -> bool:
        """Return whether the fact it needs is already so."""
        return False

    def spares(self, problem: AllocationProblem) -> tuple[tuple[int, frozenset[int]], ...]:
        """Return the spares it asks for: stint, and the corners each must fit one of."""
        return ()

    def allows(
        self, moves: Moves, tyres: Sequence[TyreState], problem: AllocationProblem, bit: int
    ) -> Bools | None:
        """Return which moves it allows, None for all; `tyres` has one of each class.

        All moves are of one stint; `bit` is the mask of its memory in ``moves.known``.
        """
        return None

    def rows(self, moves: Moves, problem: AllocationProblem, bit: int) -> list[Row]:
        """Return its linear rules over all moves of the graph."""
        return []

    def most_apart_laps(self) -> float:
        """Return how far left and right of an axle may be apart in age."""
        return np.inf

    def cuts(self, moves: Moves, problem: AllocationProblem, usage: Floats) -> list[Row]:
        """Return rules that hold for every plan and that the fractional `usage` breaks."""
        return []

    def easings(self) -> tuple[Easing, ...]:
        """Return the ways to ease it by whole steps; empty when it can only be dropped."""
        return ()

    def binds(self, table: pd.DataFrame, problem: AllocationProblem) -> bool:
        """Return whether a plan's table stands at the limit, so that one step less breaks it.

        A limit without a number binds wherever it applies.
        """
        return True


Easing = Callable[[int], PlanLimit | None]  # steps, 1 or more -> the eased limit, None past the end


@dataclass(frozen=True)
class Seen:
    """How far the data behind a tyre plan reach.

    Attributes
    ----------
    run_laps, read_laps : float
        Oldest tyre age among the laps, and among the tread readings; infinite when not known.
    """

    run_laps: float = np.inf
    read_laps: float = np.inf


@dataclass(frozen=True, eq=False)
class AllocationProblem:
    """Stints, tyres, losses, wear and limits of what is left of a weekend.

    Attributes
    ----------
    age_loss_s : array (ages,)
        Seconds per lap lost at a tyre age, relative to age 0, expected; ages 0, 1, 2, ...
    heat_cycle_s : float
        Seconds per lap lost per earlier run of the tyre, expected.
    corner_share : array (4,)
        Each corner's share of a lap's loss; sums to 1.
    wear : WearTable
        Expected tread worn, mean over the tread.
    wear_high : mapping of confidence_pct to WearTable
        The wear of the thinnest place not exceeded with that confidence.
    lap_km : float
        Length of a lap.
    age_loss_draws_s, heat_cycle_draws_s : arrays (draws, ages) and (draws,)
        What they may be instead; their mean is the expected value. Empty when not wanted.
    """

    stints: tuple[Stint, ...]
    tyres: tuple[TyreState, ...]
    limits: tuple[PlanLimit, ...]
    age_loss_s: Floats
    heat_cycle_s: float
    corner_share: Floats
    wear: WearTable
    wear_high: Mapping[float, WearTable]
    lap_km: float
    age_loss_draws_s: Floats
    heat_cycle_draws_s: Floats
    notes: tuple[str, ...] = ()
    seen: Seen = Seen()

    def with_limits(self, limits: Sequence[PlanLimit]) -> AllocationProblem:
        """Return the problem under other limits."""
        return replace(self, limits=tuple(limits))

    def stints_of(self, session: str) -> tuple[int, ...]:
        """Return the indices of a session's stints; empty when it is not to be planned."""
        return tuple(i for i, stint in enumerate(self.stints) if stint.session == session)

    def laps_left(self) -> int:
        """Return the laps all stints ask for together."""
        return sum(stint.tyre_laps for stint in self.stints)


def natural(tyre_id: str) -> tuple[tuple[int, int | str], ...]:
    """Return a sort key that puts N2 before N10."""
    parts: list[tuple[int, int | str]] = []
    run = ""
    for char in tyre_id:
        if run and (char.isdecimal() != run[-1].isdecimal()):
            parts.append(_part(run))
            run = ""
        run += char
    return (*parts, _part(run)) if run else tuple(parts)


def _part(run: str) -> tuple[int, int | str]:
    return (0, int(run)) if run.isdecimal() else (1, run)
