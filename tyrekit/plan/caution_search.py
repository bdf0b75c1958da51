"""The best action on every lap of a race with random cautions, and races drawn to try it on.

A racing lap is followed by a caution with a fixed chance, a caution goes on with a fixed chance,
so its length is geometric and nobody knows how long it will last: a Markov decision process with
a finite horizon (Bellman1957).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tyrekit.plan.fitments import KEEP, STAY, Fitments
from tyrekit.plan.stint_search import Floats
from tyrekit.plan.stints import StintRace

Flags = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Track:
    """What the track may be on each lap: one state when only the average counts, else two.

    Attributes
    ----------
    chance : array (states, states)
        Of the next lap's state given this lap's.
    clean : array (laps + 1, states)
        Share of a lap's tyre loss that counts.
    stop_s : array (laps + 1, states)
        Seconds a stop at the end of that lap costs.
    """

    chance: Floats
    clean: Floats
    stop_s: Floats


@dataclass(frozen=True, eq=False)
class Decisions:
    """Best action by lap, state of the track, fitment, stops made and laps on the tyres.

    ``action`` is (laps, states, fitments, stops, ages), ``stop_gain_s`` the seconds the best stop
    is better than staying out, in the last state of the track; ``start`` is the first fitment.
    """

    cost_s: float
    start: int
    action: NDArray[np.int8]
    stop_gain_s: NDArray[np.float32]


def two_states(race: StintRace) -> Track:
    """Return the track as racing (0) or under caution (1)."""
    laps = race.laps + 1
    begins, goes_on, stop_s = _caution(race)
    chance = np.array([[1 - begins, begins], [1 - goes_on, goes_on]])
    return Track(chance, np.tile([1.0, 0.0], (laps, 1)), np.tile([race.stop_s, stop_s], (laps, 1)))


def average(race: StintRace) -> Track:
    """Return the track as one state whose costs are averaged over cautions, lap by lap."""
    begins, goes_on, stop_s = _caution(race)
    under = np.zeros(race.laps + 1)
    for lap in range(1, race.laps + 1):
        under[lap] = under[lap - 1] * goes_on + (1 - under[lap - 1]) * begins
    cost_s = (1 - under) * race.stop_s + under * stop_s
    return Track(np.ones((1, 1)), (1 - under)[:, None], cost_s[:, None])


def _caution(race: StintRace) -> tuple[float, float, float]:
    """Return the chance that one begins, that it goes on, and what a stop then costs."""
    if race.caution is None:
        return 0.0, 0.0, race.stop_s
    one = race.caution
    return one.chance_per_lap, 1.0 - 1.0 / one.mean_laps, one.pit_loss_s + race.standing_s


def decide(race: StintRace, fitted: Fitments, track: Track) -> Decisions:
    """Return the best action everywhere, backwards from the finish."""
    states = len(track.chance)
    shape = (states, len(fitted.on_car), race.most_stops + 1, fitted.ages)
    action = np.zeros((race.laps, *shape), dtype=np.int8)
    gain_s = np.full((race.laps, *shape[1:]), -np.inf, dtype=np.float32)
    value = np.broadcast_to(fitted.at_finish(race)[:, None], shape[1:]).copy()
    value[:, : race.least_stops] = np.inf
    values = np.broadcast_to(value, shape)
    for lap in range(race.laps, 1, -1):
        values = _expected(track.chance, _run_lap(fitted, track, lap, values))
        if race.first_lap <= lap - 1 <= race.last_lap:
            waiting, ages = values, values.shape[-1]
            cost_s = track.stop_s[lap - 1][:, None, None, None] + race.warm_up_s
            best, act = fitted.best_stop(waiting, race.least_stops)
            best = best + cost_s
            values = np.minimum(best, waiting)
            action[lap - 1, ..., :ages] = np.where(best < waiting, act, STAY)
            with np.errstate(invalid="ignore"):
                gain_s[lap - 1, ..., :ages] = waiting[-1] - best[-1]
    waiting = _expected(track.chance, _run_lap(fitted, track, 1, values))
    begin = waiting[0, fitted.starts, 0, fitted.first_age] + race.warm_up_s
    start = int(np.argmin(begin))
    return Decisions(float(begin[start]), int(fitted.starts[start]), action, gain_s)


def _expected(chance: Floats, values: Floats) -> Floats:
    """Return the mean over the next state; what cannot happen does not count, even if barred."""
    rows = [[p * value for p, value in zip(row, values, strict=True) if p > 0] for row in chance]
    return np.stack([np.sum(parts, axis=0) for parts in rows])


def _run_lap(fitted: Fitments, track: Track, lap: int, after: Floats) -> Floats:
    """Return the value of running a lap in each state of the track, `after` at its end.

    Tyres are a lap younger before it, so the ages on the last axis are one fewer.
    """
    ages = after.shape[-1] - 1
    lost = track.clean[lap][:, None, None] * fitted.loss_s[lap, :, :ages]
    return np.asarray(after[..., 1:] + (lost + fitted.barred[:, :ages])[:, :, None, :])


def run(
    race: StintRace, fitted: Fitments, track: Track, plan: Decisions, cautions: Flags
) -> Floats:
    """Return the seconds lost in each race under a plan; `cautions` is (races, laps)."""
    races = len(cautions)
    fit = np.full(races, plan.start)
    stops, age = np.zeros(races, dtype=int), np.full(races, fitted.first_age)
    lost = np.full(races, race.warm_up_s)
    states = plan.action.shape[1]
    for lap in range(1, race.laps + 1):
        under = cautions[:, lap - 1].astype(int)
        lost += track.clean[lap][under] * fitted.loss_s[lap, fit, age]
        age = age + 1
        if lap == race.laps or not race.first_lap <= lap <= race.last_lap:
            continue
        act = plan.action[lap][under if states > 1 else 0, fit, stops, age]
        at = np.flatnonzero(act)
        lost[at] += track.stop_s[lap][under[at]] + race.warm_up_s
        stops[at] += 1
        age[at] = np.where(act[at] == KEEP, fitted.kept_age(age[at]), 0)
        fit[at] = fitted.after[act[at] - KEEP, fit[at]]
    return lost


def drawn_cautions(race: StintRace, races: int, rng: np.random.Generator) -> Flags:
    """Return which laps are under caution in `races` drawn races, (races, laps)."""
    begins, goes_on, _ = _caution(race)
    luck = rng.random((race.laps, races), dtype=np.float32)
    flags = np.zeros((race.laps, races), dtype=bool)
    now = np.zeros(races, dtype=bool)
    for lap in range(race.laps):
        now = luck[lap] < np.where(now, np.float32(goes_on), np.float32(begins))
        flags[lap] = now
    return flags.T
