"""Races with stops: how many, when, on which tyres and with how much fuel, proven best.

Seconds lost are additive: a stop, warming up after it, tyre age lap by lap and, when fuel may be
added, carrying it. Position, traffic and the driver are not in it. Every stop is made inside the
window the event gives; tyres that come off do not go on again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from heapq import merge
from itertools import islice

import numpy as np
import pandas as pd

from tyrekit.plan.loss import chance_least
from tyrekit.plan.stint_search import (
    FIRST,
    LAST,
    MIDDLE,
    ONLY,
    Blocks,
    Floats,
    StintProblem,
    best_first,
    stop_laps,
)  # fmt: skip
from tyrekit.plan.stop_window import no_window, problem_of, stop_window
from tyrekit.record.event import Caution

WINDOW_DRAWS = 60  # enough for a 90 % interval on a chart, few enough to be quick
FUELLED = (FIRST, ONLY)  # roles that run the formation laps
FINISHING = (LAST, ONLY)  # roles that run the cool-down laps


@dataclass(frozen=True, eq=False)
class TyreSet:
    """Four tyres that may be fitted together in a race.

    Attributes
    ----------
    lap_loss_s : array (laps,)
        Expected seconds lost on the 1st, 2nd, ... lap it runs from now, relative to new tyres;
        formation laps count as laps run.
    longest_laps : int
        Laps it may still run, cool-down included; at most the length of `lap_loss_s`.
    draws_s : array (draws, laps), optional
        What `lap_loss_s` may be instead; the same draws for all sets.
    may_start : bool
        Whether the race may start on it.
    """

    name: str
    age_laps: float
    lap_loss_s: Floats
    longest_laps: int
    draws_s: Floats | None = None
    may_start: bool = True

    def alike(self, other: TyreSet) -> bool:
        """Return whether a plan would not notice if the two were exchanged."""
        same = self.longest_laps == other.longest_laps and self.may_start == other.may_start
        return same and np.array_equal(self.lap_loss_s, other.lap_loss_s)


@dataclass(frozen=True, eq=False)
class StintRace:
    """A race as numbers.

    Attributes
    ----------
    stop_s : float
        Seconds a stop costs, lane and standing; `standing_s` of it standing.
    warm_up_s : float
        Seconds lost by tyres that were standing, once per stint.
    least_stops, most_stops : int
    first_lap, last_lap : int
        Window: stops are made at the end of these laps and those between.
    change_tyres, refuel : bool
        What a stop may be used for.
    fuel_kg : array (most_stops + 1, 4, laps + 1)
        Fuel to start n laps between stops with, by the stops of the plan, whose stints share the
        risk accepted, and by role (middle, first, last, only); inf where the tank cannot hold it.
        Without refuelling only the last entry of each last row counts.
    use_kg_per_lap, fuel_effect_s_per_kg : float
    """

    session: str
    laps: int
    stop_s: float
    warm_up_s: float
    least_stops: int
    most_stops: int
    first_lap: int
    last_lap: int
    change_tyres: bool
    refuel: bool
    fuel_kg: Floats
    use_kg_per_lap: float
    fuel_effect_s_per_kg: float
    standing_s: float = 0.0
    formation_laps: int = 0
    formation_kg: float = 0.0
    cool_down_laps: int = 0
    caution: Caution | None = None
    notes: tuple[str, ...] = ()

    def fuel_s(self) -> Floats:
        """Return the seconds lost to carrying the fuel of n laps between stops, (4, laps + 1).

        It is the fuel of a plan with `most_stops`.
        """
        fuel_kg = self.fuel_kg[self.most_stops]
        n = np.arange(self.laps + 1.0)
        burnt = np.array([[self.formation_kg * (role in FUELLED)] for role in range(4)])
        fits = np.isfinite(fuel_kg)
        start_kg = np.where(fits, fuel_kg, 0.0) - burnt
        carried = start_kg * n - self.use_kg_per_lap * n * (n - 1) / 2
        return np.where(fits, self.fuel_effect_s_per_kg * carried, np.inf)


@dataclass(frozen=True, eq=False)
class StintPlan:
    """One way to run a race.

    Attributes
    ----------
    cost_s, difference_s : float
        Seconds lost to stops, warming up, tyres and fuel added; and more than the best plan.
    stops : tuple of int
        Laps at whose end the stops are made.
    chance_best : float
        How often it is the best of the plans found, over the draws; NaN without draws.
    """

    cost_s: float
    difference_s: float
    stops: tuple[int, ...]
    chance_best: float
    rows: tuple[dict[str, object], ...]

    @cached_property
    def table(self) -> pd.DataFrame:
        """A row per stint: stint, set, changed, first_lap, last_lap, laps, age_laps, fuel_kg,
        lost_s; age and fuel at its start, lost to tyres and warming up."""
        return pd.DataFrame(self.rows)


@dataclass(frozen=True, eq=False)
class StintPlans:
    """The best way to run a race with stops and those near it.

    ``status`` is ``optimal`` or ``impossible``, then ``blocked_by`` says what is in the way.
    ``plans`` are in order of cost, each a different choice of laps per set.
    """

    session: str
    status: str
    plans: tuple[StintPlan, ...]
    blocked_by: tuple[str, ...]
    notes: tuple[str, ...]
    race: StintRace
    sets: tuple[TyreSet, ...]
    problems: tuple[StintProblem, ...]
    blocks: tuple[Blocks, ...]

    @property
    def best(self) -> StintPlan:
        """The plan with the least expected loss; only when `status` is ``optimal``."""
        return self.plans[0]

    @cached_property
    def ranking(self) -> pd.DataFrame:
        """A row per plan: rank, stops (laps, in words), sets, difference_s, chance_best."""
        rows = [
            {
                "rank": rank,
                "stops": " ".join(str(lap) for lap in plan.stops),
                "sets": ", ".join(f"{row['set']} {row['laps']}" for row in plan.rows),
                "difference_s": plan.difference_s,
                "chance_best": plan.chance_best,
            }
            for rank, plan in enumerate(self.plans, start=1)
        ]
        return pd.DataFrame(rows, columns=["rank", "stops", "sets", "difference_s", "chance_best"])

    @cached_property
    def window(self) -> pd.DataFrame:
        """Seconds lost if a stop of the best plan is made on another lap; see `stop_window`."""
        return self.window_of(self.blocks[0]) if self.blocks else no_window()

    def window_of(self, plan: Blocks) -> pd.DataFrame:
        """Return the same for another plan of the race."""
        return stop_window(self.problems, plan, self._drawn())

    def _drawn(self, most: int = WINDOW_DRAWS) -> list[tuple[StintProblem, ...]]:
        """Return the problems as they are in up to `most` of the sets' draws, evenly spaced."""
        draws = [one.draws_s for one in self.sets if one.draws_s is not None]
        if not draws or len(draws) < len(self.sets):
            return []
        chosen = np.unique(np.linspace(0, len(draws[0]) - 1, most).astype(int))
        tyre_s = [self._drawn_tyre_s(draws, i) for i in chosen]
        return [tuple(replace(one, tyre_s=d) for one in self.problems) for d in tyre_s]

    def _drawn_tyre_s(self, draws: list[Floats], i: int) -> Floats:
        as_drawn = zip(self.sets, draws, strict=True)
        return np.stack([_tyre_s(self.race, replace(one, lap_loss_s=d[i])) for one, d in as_drawn])


def stint_plans(race: StintRace, sets: Sequence[TyreSet], *, count: int = 20) -> StintPlans:
    """Return the best plans of a race with stops.

    Parameters
    ----------
    race : StintRace
        Laps, window, what a stop costs and may be used for.
    sets : sequence of TyreSet
        Sets that may be used, for instance those the allocation gives to the race.
    count : int
        Plans wanted, 1 or more; fewer exist when fewer are returned.
    """
    ordered = in_classes(sets)
    problems = stint_problems(race, ordered)
    found = list(islice(_best_first(problems), count)) if ordered else []
    blocked = () if found else _blocked_by(race, ordered)
    chance = _chance_best(ordered, found)
    plans = tuple(
        StintPlan(
            cost_s=one.cost_s,
            difference_s=one.cost_s - found[0].cost_s,
            stops=stop_laps(_pieces(problem_of(problems, one), one)),
            chance_best=share,
            rows=_rows(race, ordered, problem_of(problems, one), one),
        )
        for one, share in zip(found, chance, strict=True)
    )
    return StintPlans(
        session=race.session,
        status="optimal" if plans else "impossible",
        plans=plans,
        blocked_by=blocked,
        notes=(*race.notes, "seconds only: position and traffic are not counted"),
        race=race,
        sets=tuple(ordered),
        problems=problems,
        blocks=tuple(found),
    )


def in_classes(sets: Sequence[TyreSet]) -> list[TyreSet]:
    """Return the sets with like ones side by side, otherwise in the order given."""
    classes: list[list[TyreSet]] = []
    for one in sets:
        home = next((group for group in classes if group[0].alike(one)), None)
        if home is None:
            classes.append([one])
        else:
            home.append(one)
    return [one for group in classes for one in group]


def stint_problems(race: StintRace, sets: Sequence[TyreSet]) -> tuple[StintProblem, ...]:
    """Return the search problems of a race; like sets must stand side by side.

    With refuelling there is one for every number of stops, each with the fuel of its own.
    """
    if not race.refuel:
        return (_stint_problem(race, sets),)
    return tuple(
        _stint_problem(replace(race, least_stops=stops, most_stops=stops), sets)
        for stops in range(race.least_stops, race.most_stops + 1)
    )


def _best_first(problems: Sequence[StintProblem]) -> Iterator[Blocks]:
    return merge(*map(best_first, problems), key=lambda plan: plan.cost_s)


def _stint_problem(race: StintRace, sets: Sequence[TyreSet]) -> StintProblem:
    alike: list[int] = []
    for i, one in enumerate(sets):
        same = next((j for j in range(i) if sets[j].alike(one)), None)
        alike.append(i if same is None else alike[same])
    return StintProblem(
        laps=race.laps,
        tyre_s=np.stack([_tyre_s(race, one) for one in sets])
        if sets
        else np.zeros((0, 4, race.laps + 1)),
        piece_s=_piece_s(race),
        alike=tuple(alike),
        stop_s=race.stop_s,
        least_stops=race.least_stops,
        most_stops=race.most_stops,
        most_kept=race.most_stops if race.refuel else race.least_stops,
    )


def _tyre_s(race: StintRace, tyres: TyreSet) -> Floats:
    """Return seconds lost to age in n laps by role; inf past the set's life."""
    total = np.concatenate([[0.0], np.cumsum(tyres.lap_loss_s)])
    out = np.full((4, race.laps + 1), np.inf)
    for role in range(4):
        if (role != ONLY and not race.change_tyres) or (role in FUELLED and not tyres.may_start):
            continue
        before = race.formation_laps if role in FUELLED else 0
        after = race.cool_down_laps if role in FINISHING else 0
        life = min(tyres.longest_laps, len(tyres.lap_loss_s)) - before - after
        n = np.arange(1, min(life, race.laps) + 1)
        out[role, n] = total[n + before] - total[before]
    return out


def _piece_s(race: StintRace) -> Floats:
    n = np.arange(race.laps + 1)
    piece = np.full((4, race.laps + 1), race.warm_up_s)
    if race.refuel:
        piece += race.fuel_s()
    elif not np.isfinite(race.fuel_kg[race.most_stops, ONLY, -1]):
        piece[:] = np.inf
    piece[:, 0] = np.inf
    piece[FIRST, n < race.first_lap] = np.inf
    piece[LAST, n < race.laps - race.last_lap] = np.inf
    return piece


def _pieces(problem: StintProblem, plan: Blocks) -> tuple[int, ...]:
    return tuple(laps for block in plan.blocks for laps in problem.pieces(block))


def _rows(
    race: StintRace, sets: Sequence[TyreSet], problem: StintProblem, plan: Blocks
) -> tuple[dict[str, object], ...]:
    rows: list[dict[str, object]] = []
    done = 0
    load_kg = race.fuel_kg[plan.stops]
    fuel_kg = float(load_kg[ONLY, -1])
    for block in plan.blocks:
        tyres = sets[block.set_index]
        on_set = race.formation_laps if done == 0 else 0
        for i, laps in enumerate(problem.pieces(block)):
            if race.refuel:
                fuel_kg = float(load_kg[_role(done, laps, race.laps), laps])
            lost_s = float(tyres.lap_loss_s[on_set : on_set + laps].sum()) + race.warm_up_s
            row = {"stint": len(rows) + 1, "set": tyres.name, "changed": i == 0 and done > 0}
            row |= {"first_lap": done + 1, "last_lap": done + laps, "laps": laps}
            row |= {"age_laps": tyres.age_laps + on_set, "fuel_kg": fuel_kg, "lost_s": lost_s}
            rows.append(row)
            burnt_kg = laps * race.use_kg_per_lap + (race.formation_kg if done == 0 else 0.0)
            fuel_kg -= burnt_kg
            done += laps
            on_set += laps
    return tuple(rows)


def _role(done: int, laps: int, race_laps: int) -> int:
    first, last = done == 0, done + laps == race_laps
    return ONLY if first and last else FIRST if first else LAST if last else MIDDLE


def _chance_best(sets: Sequence[TyreSet], found: Sequence[Blocks]) -> list[float]:
    """Return how often each plan is the best of those found, over the draws; ties shared."""
    draws = [one.draws_s for one in sets]
    if not found or any(one is None for one in draws):
        return [float("nan")] * len(found)
    totals = [np.cumsum(np.asarray(one), axis=1) for one in draws]
    expected = [np.cumsum(one.lap_loss_s) for one in sets]
    costs = [
        plan.cost_s
        + sum(totals[b.set_index][:, b.laps - 1] - expected[b.set_index][b.laps - 1]
              for b in plan.blocks)
        for plan in found
    ]  # fmt: skip
    return [float(share) for share in chance_least(np.stack(costs))]


def _blocked_by(race: StintRace, sets: Sequence[TyreSet]) -> tuple[str, ...]:
    """Return, in words, each rule whose absence alone would make a plan possible."""
    if not sets:
        return (f"no tyre set is left for {race.session}",)
    full = [replace(one, longest_laps=len(one.lap_loss_s)) for one in sets]
    room = np.where(np.isfinite(race.fuel_kg), race.fuel_kg, 0.0)
    eased = (
        (replace(race, first_lap=1, last_lap=race.laps - 1), sets,
         f"stops only at the end of laps {race.first_lap} to {race.last_lap}"),
        (replace(race, least_stops=0), sets, f"at least {race.least_stops} stops"),
        (race, full, "laps the tyres may still run: "
         + ", ".join(f"{one.name} {one.longest_laps}" for one in sets)),
        (replace(race, change_tyres=True), sets, "tyres may not be changed at a stop"),
        (replace(race, fuel_kg=room), sets, "the tank cannot hold the fuel between stops"),
    )  # fmt: skip
    alone = [words for r, s, words in eased if _possible(r, s)]
    return tuple(alone) or tuple(words for _, _, words in eased)


def _possible(race: StintRace, sets: Sequence[TyreSet]) -> bool:
    return next(_best_first(stint_problems(race, sets)), None) is not None
