"""What it costs to make a stop on another lap than planned, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from tyrekit.plan.stint_search import (
    FIRST,
    LAST,
    MIDDLE,
    ONLY,
    Blocks,
    Floats,
    StintProblem,
    values,
)  # fmt: skip


class Car(NamedTuple):
    """Where the car is before a stop: tyres on, laps done when they were fitted and since the
    last stop, which stop comes next, stops these tyres have stayed on for."""

    set_index: int
    mounted: int
    done: int
    stop: int
    kept: int


COLUMNS = {
    "stop": int, "lap": int, "planned": bool, "lost_s": float, "lower_s": float, "upper_s": float,
}  # fmt: skip


def stop_window(
    problems: Sequence[StintProblem],
    plan: Blocks,
    drawn: Sequence[Sequence[StintProblem]] = (),
    level: float = 0.9,
) -> pd.DataFrame:
    """Return stop, lap, planned, lost_s, lower_s, upper_s: what a stop on that lap loses.

    Stops before it are as planned, everything after it is planned anew with the tyres that are
    left, those on the car included. Laps on which the stop cannot be made have no row.

    Parameters
    ----------
    problems : sequence of StintProblem
        The race, once or once for each number of stops; the cheapest counts.
    plan : Blocks
        The best plan; lost_s is against the lap it stops on.
    drawn : sequence of sequences of StintProblem
        The same race with tyres as they may be instead; without, the interval has no width. Its
        lower end is below 0 where another lap than the planned one may well be better.
    level : float
        Share of the interval.
    """
    cost = _least_costs(problems, plan)
    if not cost:
        return no_window()
    draws = [_least_costs(one, plan) for one in drawn]
    parts = []
    for stop, (at, cost_s) in cost.items():
        laps = np.flatnonzero(np.isfinite(cost_s))
        lost_s = cost_s[laps] - cost_s[at]
        ends = lost_s, lost_s
        if draws:
            each = np.stack([one[stop][1][laps] - one[stop][1][at] for one in draws])
            low, high = np.quantile(each, [0.5 - level / 2, 0.5 + level / 2], axis=0)
            ends = np.minimum(low, lost_s), np.maximum(high, lost_s)
        table = pd.DataFrame({"stop": stop, "lap": laps, "planned": laps == at, "lost_s": lost_s})
        parts.append(table.assign(lower_s=ends[0], upper_s=ends[1]))
    return pd.concat(parts, ignore_index=True)


def no_window() -> pd.DataFrame:
    """Return the table of a race without stops."""
    return pd.DataFrame({name: [] for name in COLUMNS}).astype(COLUMNS)


def problem_of(problems: Sequence[StintProblem], plan: Blocks) -> StintProblem:
    """Return the problem of the plan's number of stops."""
    return next(one for one in problems if one.least_stops <= plan.stops <= one.most_stops)


def _least_costs(problems: Sequence[StintProblem], plan: Blocks) -> dict[int, tuple[int, Floats]]:
    """Return for each stop its lap and the least cost by lap over the problems."""
    pieces = [problem_of(problems, plan).pieces(block) for block in plan.blocks]
    each = [_costs(one, plan, pieces) for one in problems]
    return {
        stop: (lap, np.minimum.reduce([costs[stop][1] for costs in each]))
        for stop, (lap, _) in each[0].items()
    }


def _costs(
    problem: StintProblem, plan: Blocks, pieces: Sequence[tuple[int, ...]]
) -> dict[int, tuple[int, Floats]]:
    """Return for each stop its lap and the least cost by lap; tyres that came off left out."""
    found: dict[int, tuple[int, Floats]] = {}
    done, spent_s = 0, 0.0
    for place, block in enumerate(plan.blocks):
        mounted = done
        left = [k for k in range(len(problem.alike)) if k not in _sets(plan, place + 1)]
        to_come = values(problem, left)[0]
        for kept, laps in enumerate(pieces[place]):
            if done + laps == problem.laps:
                break
            stop = len(found) + 1
            car = Car(block.set_index, mounted, done, stop, kept)
            found[stop] = done + laps, spent_s + _cost_by_lap(problem, car, to_come)
            spent_s += float(problem.piece_s[FIRST if done == 0 else MIDDLE, laps])
            done += laps
    return found


def _sets(plan: Blocks, until: int) -> set[int]:
    return {block.set_index for block in plan.blocks[:until]}


def _cost_by_lap(problem: StintProblem, car: Car, to_come: Floats) -> Floats:
    """Return the least cost to come with the next stop at each lap; stops made left out."""
    cost = np.full(problem.laps + 1, np.inf)
    if car.stop > problem.most_stops:
        return cost
    role = FIRST if car.mounted == 0 else MIDDLE
    piece = problem.piece_s[FIRST if car.done == 0 else MIDDLE]
    for lap in range(car.done + 1, problem.laps):
        change = problem.tyre_s[car.set_index, role, lap - car.mounted]
        change = change + to_come[1, 0, car.stop, problem.laps - lap]
        cost[lap] = piece[lap - car.done] + min(change, _kept_on(problem, car, lap, to_come))
    return cost


def _kept_on(problem: StintProblem, car: Car, lap: int, to_come: Floats) -> float:
    """Return the least cost to come when the tyres stay on at the end of `lap`."""
    left = problem.laps - lap
    set_index, run = car.set_index, lap - car.mounted
    ahead, more_stops = np.arange(1, left), problem.most_kept - car.kept
    best = np.inf
    for more in range(min(more_stops, to_come.shape[2] - car.stop - 1)):
        to_the_end = (
            problem.tyre_s[set_index, _block_role(car.mounted, LAST), run + left]
            + problem.splits[more][LAST, left]
            + to_come[1, 1, car.stop + 1 + more, 0]
        )
        then_change = (
            problem.tyre_s[set_index, _block_role(car.mounted, MIDDLE), run + ahead]
            + problem.splits[more][MIDDLE, ahead]
            + to_come[1, 0, car.stop + 1 + more, left - ahead]
        )
        least = min(float(to_the_end), float(then_change.min(initial=np.inf)))
        best = min(best, least + (1 + more) * problem.stop_s)
    return best


def _block_role(mounted: int, part: int) -> int:
    if part == MIDDLE:
        return FIRST if mounted == 0 else MIDDLE
    return ONLY if mounted == 0 else LAST
