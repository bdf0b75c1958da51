"""What it costs to make a stop on another lap than planned."""

from __future__ import annotations

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


def stop_window(problem: StintProblem, plan: Blocks) -> pd.DataFrame:
    """Return stop, lap, lost_s: seconds lost when a stop of the plan is made on that lap.

    Stops before it are as planned, everything after it is planned anew with the tyres that are
    left, those on the car included. Laps on which the stop cannot be made have no row.
    """
    parts = []
    done = stop = 0
    for place, block in enumerate(plan.blocks):
        mounted = done
        left = [k for k in range(len(problem.alike)) if k not in _sets(plan, place + 1)]
        to_come = values(problem, left)[0]
        for kept, laps in enumerate(problem.pieces(block)):
            if done + laps == problem.laps:
                break
            stop += 1
            car = Car(block.set_index, mounted, done, stop, kept)
            cost_s = _cost_by_lap(problem, car, to_come)
            laps_at = np.flatnonzero(np.isfinite(cost_s))
            lost_s = cost_s[laps_at] - cost_s.min()
            parts.append(pd.DataFrame({"stop": stop, "lap": laps_at, "lost_s": lost_s}))
            done += laps
    return pd.concat(parts, ignore_index=True) if parts else no_window()


def no_window() -> pd.DataFrame:
    """Return the table of a race without stops."""
    empty = pd.DataFrame({"stop": [], "lap": [], "lost_s": []})
    return empty.astype({"stop": int, "lap": int, "lost_s": float})


def _sets(plan: Blocks, until: int) -> set[int]:
    return {block.set_index for block in plan.blocks[:until]}


def _cost_by_lap(problem: StintProblem, car: Car, to_come: Floats) -> Floats:
    """Return the least cost to come with the next stop at each lap; constants left out."""
    cost = np.full(problem.laps + 1, np.inf)
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
