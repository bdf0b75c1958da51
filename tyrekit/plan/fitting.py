"""A plan as tables: programmes given to individual tyres, row by row, and what differs in words."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pandas as pd

from tyrekit.plan.graph import StateGraph
from tyrekit.plan.loss import drawn_table, expected_table
from tyrekit.plan.problem import (
    AXLES,
    CORNERS,
    AllocationProblem,
    Floats,
    Ints,
    TyreState,
    WearTable,
    natural,
)  # fmt: skip
from tyrekit.plan.weekend_problem import locked_corners

COLUMNS = (
    "session", "stint", "corner", "tyre_id", "age_laps", "age_end_laps", "heat_cycles",
    "distance_km", "tread_start_mm", "tread_end_mm", "tread_end_low_mm", "expected_loss_s",
    "locked",
)  # fmt: skip


def assigned(graph: StateGraph, paths: Ints) -> list[tuple[TyreState, Ints]]:
    """Return each programme with its tyre.

    Alike tyres are told apart by their ids only: the programme that starts first gets the first.
    """
    given = []
    for group, tyres in enumerate(graph.classes):
        own = paths[graph.arcs.tyre_class[paths[:, 0]] == group] if len(paths) else paths
        order = sorted(range(len(own)), key=lambda i: _when(graph, own[i]))
        members = sorted(tyres, key=lambda tyre: natural(tyre.tyre_id))
        given += [(members[n], own[i]) for n, i in enumerate(order)]
    return given


def _when(graph: StateGraph, path: Ints) -> list[tuple[int, int]]:
    """Return a sort key: early use first, then corner by corner."""
    arcs = graph.arcs
    return [
        (0, int(corner)) if runs else (1, 0)
        for runs, corner in zip(arcs.runs[path], arcs.corner[path], strict=True)
    ]


def plan_table(graph: StateGraph | None, paths: Ints | None) -> pd.DataFrame:
    """Return the plan row by row, in the order of sessions and corners; empty without one."""
    rows: list[tuple[object, ...]] = []
    if graph is not None and paths is not None:
        for tyre, path in assigned(graph, paths):
            rows += _rows_of(graph, tyre, path)
    table = pd.DataFrame(rows, columns=["order", *COLUMNS])
    table = table.sort_values("order", kind="stable").drop(columns="order")
    return table.reset_index(drop=True).astype({"locked": bool})


def _rows_of(graph: StateGraph, tyre: TyreState, path: Ints) -> list[tuple[object, ...]]:
    problem, arcs = graph.problem, graph.arcs
    locked, losses = locked_corners(problem), expected_table(problem)
    high = problem.wear_high[max(problem.wear_high)]
    rows: list[tuple[object, ...]] = []
    after = np.zeros(4, dtype=np.int64)
    for arc in path[arcs.runs[path]]:
        stint, corner = problem.stints[arcs.stint[arc]], int(arcs.corner[arc])
        before = after
        after = before + stint.tyre_laps * (np.arange(4) == corner)
        age, cycles = int(arcs.age_laps[arc]), int(arcs.heat_cycles[arc])
        loss_s = losses.stint_s(stint, np.array([age]), np.array([cycles]))[0, 0]
        name = CORNERS[corner]
        rows.append(
            (
                4 * int(arcs.stint[arc]) + corner,
                stint.session,
                stint.number,
                name,
                tyre.tyre_id,
                age,
                age + stint.tyre_laps,
                cycles,
                tyre.distance_km + after.sum() * problem.lap_km,
                max(tyre.tread_mm - _worn(problem.wear, before, tyre), 0.0),
                max(tyre.tread_mm - _worn(problem.wear, after, tyre), 0.0),
                max(tyre.tread_low_mm - _worn(high, after, tyre), 0.0),
                float(loss_s * problem.corner_share[corner]),
                stint.number == 1 and (stint.session, name) in locked,
            )
        )
    return rows


def _worn(wear: WearTable, laps: Ints, tyre: TyreState) -> float:
    return float(wear.worn_mm(laps[None, :], np.array([tyre.age_laps]))[0])


def spare_table(graph: StateGraph | None, paths: Ints | None) -> pd.DataFrame:
    """Return session, corners and tyre_id of the tyres kept as spares."""
    rows = []
    if graph is not None and paths is not None:
        arcs, problem = graph.arcs, graph.problem
        asked = [spare for limit in problem.limits for spare in limit.spares(problem)]
        for tyre, path in assigned(graph, paths):
            for arc in path[arcs.spare[path] >= 0]:
                spare = int(arcs.spare[arc])
                stint, corners = asked[spare]
                fits = " ".join(CORNERS[corner] for corner in sorted(corners))
                rows.append((spare, problem.stints[stint].session, fits, tyre.tyre_id))
    table = pd.DataFrame(rows, columns=["order", "session", "corners", "tyre_id"])
    return table.sort_values("order").drop(columns="order").reset_index(drop=True)


def drawn_costs_s(problem: AllocationProblem, table: pd.DataFrame) -> Floats:
    """Return a plan's weighted cost in each draw of the losses, (draws,)."""
    cost_s = np.zeros(len(problem.heat_cycle_draws_s))
    for stint, lost_s in drawn_losses_s(problem, table).items():
        cost_s += problem.stints[stint].value * lost_s
    return cost_s


def drawn_losses_s(problem: AllocationProblem, table: pd.DataFrame) -> dict[int, Floats]:
    """Return the seconds lost in each stint in each draw, stint -> (draws,)."""
    losses = drawn_table(problem)
    lost_s = {}
    for at, stint in enumerate(problem.stints):
        rows = table[(table["session"] == stint.session) & (table["stint"] == stint.number)]
        share = problem.corner_share[[CORNERS.index(corner) for corner in rows["corner"]]]
        ages, cycles = rows["age_laps"].to_numpy(int), rows["heat_cycles"].to_numpy(int)
        lost_s[at] = losses.stint_s(stint, ages, cycles) @ share
    return lost_s


def axle_ages(table: pd.DataFrame) -> dict[tuple[str, int, str], tuple[int, ...]]:
    """Return the sorted ages on each axle, by session, stint and axle."""
    axle_of = {CORNERS[corner]: axle for axle, at in AXLES.items() for corner in at}
    axle = table["corner"].map(axle_of)
    found: dict[tuple[str, int, str], tuple[int, ...]] = {}
    for session, stint, on, age in zip(
        table["session"], table["stint"], axle, table["age_laps"], strict=True
    ):
        key = str(session), int(stint), str(on)
        found[key] = tuple(sorted((*found.get(key, ()), int(age))))
    return found


def difference(best: pd.DataFrame, other: pd.DataFrame, most: int = 3) -> str:
    """Return in words where another plan puts other ages on an axle."""
    one, two = axle_ages(best), axle_ages(other)
    changed = [key for key in one if two.get(key) != one[key]]
    words = [
        f"{session}{f' stint {stint}' if stint > 1 else ''} {axle} {ages_in_words(two[key])}"
        f" instead of {ages_in_words(one[key])}"
        for key in changed[:most]
        for session, stint, axle in [key]
    ]
    if len(changed) > most:
        words.append(f"and {len(changed) - most} more axles")
    return "; ".join(words)


def ages_in_words(ages: tuple[int, ...]) -> str:
    """Return ages as the crew says them: two new, one of 8 laps, ..."""
    count = Counter(ages)
    number = {1: "one", 2: "two"}
    return " and ".join(
        f"{number.get(n, str(n))} {'new' if age == 0 else f'of {age} laps'}"
        for age, n in sorted(count.items())
    )
