"""Which tyres are on the car and which are left, numbered, for decisions lap by lap."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import overload

import numpy as np
from numpy.typing import NDArray

from tyrekit.plan.stint_search import FIRST, LAST, MIDDLE, ONLY, Floats
from tyrekit.plan.stints import StintRace, TyreSet, in_classes

Ints = NDArray[np.int64]
STAY, KEEP = 0, 1  # actions; 2, 3, ... fit the next set of a class


@dataclass(frozen=True, eq=False)
class Fitments:
    """Every way to have some sets used up and one of them on the car.

    The age of a state counts the laps since the tyres were fitted; with refuelling but no change
    of tyres, since the tank was filled.

    Attributes
    ----------
    on_car : tuple of int
        Set on the car, by fitment.
    starts : array
        Fitments with which the race may start.
    after : array (actions, fitments)
        Fitment after a stop that keeps the tyres, fits the first class of sets, the next, ...;
        -1 when it cannot be.
    loss_s : array (laps + 1, fitments, ages)
        Seconds lost on a racing lap.
    barred : array (fitments, ages)
        0, or inf when no lap may be run any more.
    """

    names: tuple[str, ...]
    start_age: tuple[float, ...]
    on_car: tuple[int, ...]
    starts: Ints
    after: Ints
    loss_s: Floats
    barred: Floats
    longest_laps: Ints
    ages: int
    first_age: int
    refills: bool

    def at_finish(self, race: StintRace) -> Floats:
        """Return 0 where a race may end, inf where the cool-down is too much, (fitments, ages)."""
        longest = self.longest_laps[list(self.on_car)][:, None]
        run = np.arange(self.ages)
        if self.refills and not race.change_tyres:
            run = np.full(self.ages, race.formation_laps + race.laps)
        return np.where(run + race.cool_down_laps <= longest, 0.0, np.inf)

    def best_stop(self, waiting: Floats, least_stops: int) -> tuple[Floats, NDArray[np.int8]]:
        """Return the value after the best stop and which it is, (states, fitments, stops, ages).

        Tyres stay on for free only where a stop must still be made or the tank is filled.
        """
        fresh = np.full((len(self.after), *waiting.shape[:3]), np.inf)
        for action, after in enumerate(self.after):
            can = np.flatnonzero(after >= 0)
            if action or self.refills:
                fresh[action][:, can, :-1] = waiting[..., 0][:, after[can], 1:]
        ages = waiting.shape[-1]
        best = np.repeat(fresh.min(axis=0)[..., None], ages, axis=-1)
        first = (fresh.argmin(axis=0) + KEEP).astype(np.int8)
        act = np.repeat(first[..., None], ages, axis=-1)
        if not self.refills and least_stops:
            kept, there = waiting[:, :, 1 : least_stops + 1], slice(0, least_stops)
            act[:, :, there] = np.where(kept < best[:, :, there], KEEP, act[:, :, there])
            best[:, :, there] = np.minimum(kept, best[:, :, there])
        return best, act

    @overload
    def kept_age(self, age: int) -> int: ...
    @overload
    def kept_age(self, age: Ints) -> Ints: ...
    def kept_age(self, age: int | Ints) -> int | Ints:
        """Return the age after a stop at which the tyres stay on."""
        return age * 0 if self.refills else age


def fitments(race: StintRace, sets: Sequence[TyreSet]) -> Fitments:
    """Return the fitments of a race; like sets are used in turn, so each way is there once."""
    ordered = in_classes(sets)
    classes = _classes(ordered)
    places = _places(classes, race.change_tyres)
    number = {place: i for i, place in enumerate(places)}
    after = np.full((1 + len(classes), len(places)), -1)
    for (used, _), i in number.items():
        if not (race.refuel and race.change_tyres):
            after[0, i] = i
        for c, members in enumerate(classes):
            left = [k for k in members if not used >> k & 1]
            if left and race.change_tyres:
                after[1 + c, i] = number[used | 1 << left[0], left[0]]
    first_age = 0 if race.refuel and not race.change_tyres else race.formation_laps
    ages = race.laps + first_age + 1
    on_car = tuple(on for _, on in places)
    longest = np.array([one.longest_laps for one in ordered], dtype=np.int64)
    return Fitments(
        names=tuple(one.name for one in ordered),
        start_age=tuple(one.age_laps for one in ordered),
        on_car=on_car,
        starts=np.array(
            [
                i
                for (used, on), i in number.items()
                if used.bit_count() == 1 and ordered[on].may_start
            ]
        ),
        after=after,
        loss_s=_loss_s(race, ordered, on_car, ages),
        barred=_barred(race, places, longest, ages, first_age),
        longest_laps=longest,
        ages=ages,
        first_age=first_age,
        refills=race.refuel,
    )


def _classes(sets: Sequence[TyreSet]) -> list[list[int]]:
    classes: list[list[int]] = []
    for k, one in enumerate(sets):
        if classes and sets[classes[-1][0]].alike(one):
            classes[-1].append(k)
        else:
            classes.append([k])
    return classes


def _places(classes: list[list[int]], change: bool) -> list[tuple[int, int]]:
    """Return (sets used as bits, set on the car) that can come about."""
    found = [(1 << members[0], members[0]) for members in classes]
    for used, _ in found if change else ():
        for members in classes:
            left = [k for k in members if not used >> k & 1]
            place = (used | 1 << left[0], left[0]) if left else found[0]
            if place not in found:
                found.append(place)
    return found


def _loss_s(race: StintRace, sets: Sequence[TyreSet], on_car: tuple[int, ...], ages: int) -> Floats:
    padded = np.zeros((len(sets), race.laps + race.formation_laps + 1))
    for k, one in enumerate(sets):
        size = min(len(one.lap_loss_s), padded.shape[1])
        padded[k, :size] = one.lap_loss_s[:size]
        padded[k, size:] = one.lap_loss_s[size - 1]
    own = padded[list(on_car)]
    if race.refuel and not race.change_tyres:
        by_lap = own[:, np.maximum(np.arange(race.laps + 1) - 1, 0) + race.formation_laps]
        return np.broadcast_to(by_lap.T[:, :, None], (race.laps + 1, len(on_car), ages))
    return np.broadcast_to(own[None, :, :ages], (race.laps + 1, len(on_car), ages))


def _barred(
    race: StintRace, places: list[tuple[int, int]], longest: Ints, ages: int, first_age: int
) -> Floats:
    """Return where tyres or tank have no lap left."""
    age = np.arange(ages)
    first, later = (_range_laps(race, roles) for roles in ((FIRST,), (MIDDLE, LAST)))
    limit = np.empty(len(places))
    for i, (used, on) in enumerate(places):
        by_tank = first + first_age if used.bit_count() == 1 else later
        only_tank = race.refuel and not race.change_tyres
        by_tyres = np.inf if only_tank else longest[on]
        limit[i] = min(by_tyres, min(first, later) if only_tank else by_tank)
    return np.where(age < limit[:, None], 0.0, np.inf)


def _range_laps(race: StintRace, roles: tuple[int, ...]) -> float:
    """Return the most laps between stops that the tank allows."""
    fuel_kg = race.fuel_kg[race.most_stops]
    if not race.refuel:
        return np.inf if np.isfinite(fuel_kg[ONLY, -1]) else 0.0
    return float(min(np.flatnonzero(np.isfinite(fuel_kg[role])).max(initial=0) for role in roles))
