"""The tyres that the tyre plan gives to a race, as sets that may be fitted in turn.

A set is what goes on together: four tyres, or a pair, or a single one when the tyre plan keeps
the others on for the whole race. Those lose the same in every plan and are set apart.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from tyrekit.plan.allocation import AllocationPlan
from tyrekit.plan.laps_left import laps_left
from tyrekit.plan.problem import CORNERS, AllocationProblem
from tyrekit.plan.stints import TyreSet
from tyrekit.record.event import Event, Session

COLUMNS = ("set", "corner", "tyre_id", "age_laps", "heat_cycles", "longest_laps")
STAYS_ON = "stays on"  # what stands for the set of a tyre that is never taken off


@dataclass(frozen=True, eq=False)
class RaceTyres:
    """Tyres of a race.

    Attributes
    ----------
    sets : tuple of TyreSet
        What may be on in turn, the race starting on the first as in the tyre plan, whose limits
        may ask for that; empty when the tyre plan has nothing for the race.
    table : DataFrame
        A row per tyre of a set: set (``stays on`` for one that is never taken off), corner,
        tyre_id, age_laps and heat_cycles at the start, longest_laps it may still run.
    notes : tuple of str
    left_over : tuple of str
        Tyres that go on together with some already on the car: they are in no set.
    """

    sets: tuple[TyreSet, ...]
    table: pd.DataFrame
    notes: tuple[str, ...] = ()
    left_over: tuple[str, ...] = ()


def race_tyres(event: Event, plan: AllocationPlan, session: Session) -> RaceTyres:
    """Return the sets that the tyre plan gives to a race.

    Parameters
    ----------
    plan : AllocationPlan
        With the race in it, one stint or several; tyres that stay on are one set.
    """
    own = plan.table[plan.table["session"] == session.id]
    fittings = [rows.set_index("corner") for _, rows in own.groupby("stint")]
    if not fittings:
        why = "; ".join(plan.blocked_by) or "the session is wet, over or not to be run"
        note = f"the tyre plan has no tyres for {session.id}: {why}"
        return RaceTyres((), pd.DataFrame(columns=list(COLUMNS)), (note,))
    ids = pd.DataFrame([one["tyre_id"].astype(str).reindex(CORNERS) for one in fittings])
    stay = [corner for corner in CORNERS if ids[corner].nunique() == 1]
    changed = [corner for corner in CORNERS if corner not in stay]
    groups = _groups(fittings, changed or list(CORNERS))
    rows = [_rows(event, plan.problem, name, part) for name, part in groups.items()]
    if changed and stay:
        rows.append(_rows(event, plan.problem, STAYS_ON, fittings[0].loc[stay]))
    table = pd.concat(rows, ignore_index=True)
    sets = tuple(
        replace(
            _tyre_set(plan.problem, session, name, table[table["set"] == name]), may_start=i == 0
        )
        for i, name in enumerate(groups)
    )
    met = {str(tyre_id) for part in fittings for tyre_id in part["tyre_id"]}
    left_over = tuple(sorted(met - set(table["tyre_id"].astype(str))))
    notes = _notes(session, table, left_over, groups, stay, changed)
    return RaceTyres(sets, table, notes, left_over)


def _groups(fittings: list[pd.DataFrame], corners: list[str]) -> dict[str, pd.DataFrame]:
    """Return what is fitted together, by name, as it first goes on; each tyre once."""
    found: dict[str, pd.DataFrame] = {}
    met: set[str] = set()
    for fitting in fittings:
        part = fitting.loc[corners]
        ids = [str(tyre_id) for tyre_id in part["tyre_id"]]
        if met.isdisjoint(ids):
            found[" ".join(ids)] = part
        met |= set(ids)
    return found


def _rows(event: Event, problem: AllocationProblem, name: str, part: pd.DataFrame) -> pd.DataFrame:
    left = _longest_laps(event, problem, part)
    rows = part.reset_index()[["corner", "tyre_id", "age_laps", "heat_cycles"]]
    return rows.assign(set=name, longest_laps=left)[list(COLUMNS)]


def _tyre_set(
    problem: AllocationProblem, session: Session, name: str, rows: pd.DataFrame
) -> TyreSet:
    ages, cycles = rows["age_laps"].to_numpy(int), rows["heat_cycles"].to_numpy(float)
    race_laps = sum(s.tyre_laps for s in problem.stints if s.session == session.id)
    size = min(race_laps, len(problem.age_loss_s) - int(ages.max()))
    at = ages[:, None] + np.arange(size)
    share = problem.corner_share[[CORNERS.index(corner) for corner in rows["corner"]]]
    heat = float(share @ cycles)
    draws_s = None
    if len(problem.age_loss_draws_s):
        drawn = np.tensordot(problem.age_loss_draws_s[:, at], share, axes=(1, 0))
        draws_s = drawn + heat * problem.heat_cycle_draws_s[:, None]
    return TyreSet(
        name=name,
        age_laps=float(ages.mean()),
        lap_loss_s=share @ problem.age_loss_s[at] + heat * problem.heat_cycle_s,
        longest_laps=min(size, int(rows["longest_laps"].min())),
        draws_s=draws_s,
    )


def _longest_laps(event: Event, problem: AllocationProblem, part: pd.DataFrame) -> list[int]:
    """Return the laps that limits leave to each tyre from the race's start; not below 0."""
    columns = ["age_laps", "age_end_laps", "distance_km", "tread_end_low_mm"]
    left = []
    for corner, row in zip(part.index, part[columns].to_numpy(dtype=float), strict=True):
        age, age_end, km, low_mm = (float(value) for value in row)
        after = laps_left(
            event, problem, CORNERS.index(str(corner)),
            age_laps=age_end, distance_km=km, tread_low_mm=low_mm,
        )  # fmt: skip
        known = len(problem.age_loss_s) - int(age)  # further on its loss is not worked out
        left.append(min(max(int(age_end - age) + after, 0), known))
    return left


def _notes(
    session: Session,
    table: pd.DataFrame,
    left_over: tuple[str, ...],
    groups: dict[str, pd.DataFrame],
    stay: list[str],
    changed: list[str],
) -> tuple[str, ...]:
    notes = []
    if changed and stay:
        kept = table[table["set"] == STAYS_ON]
        ids = ", ".join(f"{row.corner} {row.tyre_id}" for row in kept.itertuples())
        notes.append(
            f"only {' and '.join(changed)} are changed; {ids} stay on for the whole race and lose"
            " the same in every plan"
        )
    if left_over:
        notes.append(
            f"{', '.join(left_over)} go on together with tyres already on the car, which is not"
            f" planned here: {len(groups)} set(s) of {session.id} are"
        )
    return tuple(notes)
