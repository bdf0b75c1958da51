"""A plan as tables: programmes given to individual tyres, row by row, and what differs in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from functools import partial

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
    if graph is None or paths is None or not len(paths):
        return pd.DataFrame(columns=list(COLUMNS)).astype({"locked": bool})
    problem, arcs = graph.problem, graph.arcs
    given = assigned(graph, paths)
    paths = np.array([path for _, path in given])
    of, at = np.nonzero(arcs.runs[paths])
    order = np.lexsort((arcs.corner[paths[of, at]], at))
    of, at = of[order], at[order]
    arc, tyres = paths[of, at], [given[i][0] for i in of]
    corner = arcs.corner[arc]
    stint_laps = np.array([stint.tyre_laps for stint in problem.stints])
    laps = np.zeros((*paths.shape, 4), dtype=np.int64)
    laps[of, at, corner] = stint_laps[at]
    after = laps.cumsum(axis=1)[of, at]
    tread = partial(_tread_mm, tyres)
    stints, locked = [problem.stints[i] for i in at], locked_corners(problem)
    names = [CORNERS[c] for c in corner]
    high = problem.wear_high[max(problem.wear_high)]
    return pd.DataFrame(
        {
            "session": [stint.session for stint in stints],
            "stint": [stint.number for stint in stints],
            "corner": names,
            "tyre_id": [tyre.tyre_id for tyre in tyres],
            "age_laps": arcs.age_laps[arc],
            "age_end_laps": arcs.age_laps[arc] + stint_laps[at],
            "heat_cycles": arcs.heat_cycles[arc],
            "distance_km": [t.distance_km for t in tyres] + after.sum(axis=1) * problem.lap_km,
            "tread_start_mm": tread("tread_mm", problem.wear, after - laps[of, at]),
            "tread_end_mm": tread("tread_mm", problem.wear, after),
            "tread_end_low_mm": tread("tread_low_mm", high, after),
            "expected_loss_s": _expected_loss_s(graph, arc),
            "locked": [
                stint.number == 1 and (stint.session, name) in locked
                for stint, name in zip(stints, names, strict=True)
            ],
        }
    )


def _tread_mm(tyres: Sequence[TyreState], depth: str, wear: WearTable, laps: Ints) -> Floats:
    """Return the tread left of each tyre's `depth` now after laps on each corner."""
    now_mm = np.array([getattr(tyre, depth) for tyre in tyres])
    worn_mm = wear.worn_mm(laps, np.array([tyre.age_laps for tyre in tyres]))
    left_mm: Floats = np.maximum(now_mm - worn_mm, 0.0)
    return left_mm


def _expected_loss_s(graph: StateGraph, arc: Ints) -> Floats:
    """Return the seconds each running arc is expected to lose, not weighted."""
    problem, arcs = graph.problem, graph.arcs
    losses, lost_s = expected_table(problem), np.zeros(len(arc))
    for at, stint in enumerate(problem.stints):
        here = arcs.stint[arc] == at
        own = arc[here]
        lost_s[here] = losses.stint_s(stint, arcs.age_laps[own], arcs.heat_cycles[own])[0]
    share: Floats = problem.corner_share[arcs.corner[arc]]
    return lost_s * share


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
    session, number = table["session"].to_numpy(str), table["stint"].to_numpy(int)
    corner = np.array([CORNERS.index(name) for name in table["corner"]], dtype=np.int64)
    ages, cycles = table["age_laps"].to_numpy(int), table["heat_cycles"].to_numpy(int)
    lost_s = {}
    for at, stint in enumerate(problem.stints):
        here = (session == stint.session) & (number == stint.number)
        share = problem.corner_share[corner[here]]
        lost_s[at] = losses.stint_s(stint, ages[here], cycles[here]) @ share
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
