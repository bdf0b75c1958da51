"""The reply to cautions as tables: along the planned race, and wherever the car may stand."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from tyrekit.plan.caution_search import Decisions
from tyrekit.plan.fitments import KEEP, STAY, Fitments
from tyrekit.plan.stints import StintRace

PATH = ("lap", "set", "age_laps", "planned", "reply", "next_set", "stop_gain_s")
GRID = ("lap", "set", "stops", "age_laps", "reply", "next_set", "stop_gain_s")


def reply_table(race: StintRace, fitted: Fitments, plan: Decisions) -> pd.DataFrame:
    """Return what to do lap by lap as long as no caution has come; columns `PATH`."""
    rows: list[tuple[object, ...]] = []
    for lap, fit, stops, age in _no_caution(race, fitted, plan):
        planned, reply = (int(plan.action[lap, y, fit, stops, age]) for y in (0, -1))
        on, own_age = _on_car(fitted, fit, age)
        onto = _onto(fitted, fit, reply)
        gain_s = float(plan.stop_gain_s[lap, fit, stops, age])
        said = "stop" if reply else "stay out"
        rows.append((lap, on, own_age, planned != STAY, said, onto, gain_s))
    return pd.DataFrame(rows, columns=list(PATH))


def reply_grid(race: StintRace, fitted: Fitments, plan: Decisions) -> pd.DataFrame:
    """Return what to do if a lap is run under caution, wherever the car stands; columns `GRID`.

    A row for every lap of the window, set on the car, stops made and age the tyres may have by
    then, where a stop can be made and the race can still be run within its rules.
    """
    rows: list[tuple[object, ...]] = []
    for lap in range(race.first_lap, race.last_lap + 1):
        for fit, ages, stops in _reachable(race, fitted, plan.start, lap):
            gains = plan.stop_gain_s[lap, fit, stops, ages]
            replies = plan.action[lap, -1, fit, stops, ages]
            for age, gain_s, reply in zip(ages, gains, replies, strict=True):
                if np.isnan(gain_s) or gain_s == -np.inf:
                    continue
                on, own_age = _on_car(fitted, fit, int(age))
                said, onto = "stop" if reply else "stay out", _onto(fitted, fit, int(reply))
                rows.append((lap, on, stops, own_age, said, onto, float(gain_s)))
    return pd.DataFrame(rows, columns=list(GRID))


def planned_stops(race: StintRace, fitted: Fitments, plan: Decisions) -> tuple[int, ...]:
    """Return the laps at whose end a plan stops when no caution comes."""
    return tuple(
        lap
        for lap, fit, stops, age in _no_caution(race, fitted, plan)
        if plan.action[lap, 0, fit, stops, age] != STAY
    )


def _no_caution(
    race: StintRace, fitted: Fitments, plan: Decisions
) -> Iterator[tuple[int, int, int, int]]:
    """Yield lap, fitment, stops made and age at the end of each lap of the window."""
    fit, stops, age = plan.start, 0, fitted.first_age
    for lap in range(1, race.laps):
        age += 1
        if not race.first_lap <= lap <= race.last_lap:
            continue
        yield lap, fit, stops, age
        act = int(plan.action[lap, 0, fit, stops, age])
        if act != STAY:
            stops, age = stops + 1, int(fitted.kept_age(age)) if act == KEEP else 0
            fit = int(fitted.after[act - KEEP, fit])


def _reachable(
    race: StintRace, fitted: Fitments, start: int, lap: int
) -> Iterator[tuple[int, np.ndarray[tuple[int], np.dtype[np.int64]], int]]:
    """Yield fitment, ages and stops made that are possible at the end of a lap."""
    stops_by_now = min(race.most_stops, lap - race.first_lap)
    changes = {start: 0}
    for fit in range(len(fitted.on_car)):  # fitments are numbered in the order they come about
        for after in fitted.after[1:, fit]:
            if fit in changes and after >= 0:
                changes.setdefault(int(after), changes[fit] + 1)
    for fit, least in sorted(changes.items()):
        for stops in range(least, stops_by_now + 1):
            since_start = fitted.first_age + lap
            ages = [since_start] if least == 0 else []
            if stops and (least or fitted.refills):
                youngest = lap - race.last_lap if lap > race.last_lap else 1
                ages += list(range(youngest, lap - race.first_lap + 1))
            yield fit, np.array(sorted(set(ages)), dtype=np.int64), stops


def _on_car(fitted: Fitments, fit: int, age: int) -> tuple[str, float]:
    tyres = fitted.on_car[fit]
    return fitted.names[tyres], fitted.start_age[tyres] + age


def _onto(fitted: Fitments, fit: int, action: int) -> str:
    """Return the set that is on after an action."""
    after = int(fitted.after[action - KEEP, fit]) if action != STAY else fit
    return fitted.names[fitted.on_car[after]]
