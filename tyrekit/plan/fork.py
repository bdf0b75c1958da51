"""A weekend that may turn wet: the dry and the wet weekend planned side by side.

What is put on next must be decided before the rain is known, so each scenario's own choice is
also priced in the other: the best plan of either with that choice locked.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tyrekit.plan.allocation import AllocationPlan, allocate
from tyrekit.plan.tyre_state import Wear
from tyrekit.plan.weekend_problem import AgeLoss
from tyrekit.record.event import Event, Lock
from tyrekit.terms import CORNER_NAMES


@dataclass(frozen=True, eq=False)
class Fork:
    """Two plans for two kinds of weather.

    Attributes
    ----------
    dry, wet : AllocationPlan
        The plans with the sessions asked about dry, and wet (left out: they use no dry tyres).
    common : DataFrame
        session, corner, tyre_id of what both plans do alike.
    choices : DataFrame
        choice (the next session's set, and whose it is), dry_cost_s, wet_cost_s: what each
        scenario costs over its best when the next session is run on that set; infinite when the
        set leaves no plan.
    """

    dry: AllocationPlan
    wet: AllocationPlan
    common: pd.DataFrame
    choices: pd.DataFrame


def fork(
    event: Event,
    sessions: Collection[str],
    tyres: pd.DataFrame,
    lap_time: AgeLoss,
    tread: Wear,
    *,
    done: Collection[str] = (),
    fitted: pd.DataFrame | None = None,
    locks: Sequence[Lock] = (),
    expected_wear: bool = False,
    seed: int = 0,
) -> Fork:
    """Return the plans for `sessions` dry and wet, and what is common to both.

    Parameters are those of `allocate`; `seed` gives both scenarios the same draws.

    Raises
    ------
    EventError
        A session that is not in the event, or a lock on a tyre that is not to be had.
    """

    def plan(wet: bool, more: Sequence[Lock] = ()) -> AllocationPlan:
        return allocate(
            with_weather(event, sessions, wet), tyres, lap_time, tread, done=done, fitted=fitted,
            locks=(*locks, *more), alternatives=0, expected_wear=expected_wear,
            rng=np.random.default_rng(seed),
        )  # fmt: skip

    plans = {"dry": plan(False), "wet": plan(True)}
    keys = ["session", "stint", "corner", "tyre_id"]
    common = plans["dry"].table[keys].merge(plans["wet"].table[keys], on=keys)
    rows = []
    for name, one in plans.items():
        chosen = next_choice(one)
        if chosen is None:
            continue
        costs = [
            _over_best(plan(wet, (chosen,)), plans["wet" if wet else "dry"])
            for wet in (False, True)
        ]
        ids = " ".join(one.next_fitting[corner] for corner in CORNER_NAMES)
        rows.append((f"{chosen.session} on {ids}, best if {name}", *costs))
    choices = pd.DataFrame(rows, columns=["choice", "dry_cost_s", "wet_cost_s"])
    return Fork(plans["dry"], plans["wet"], common, choices)


def with_weather(event: Event, sessions: Collection[str], wet: bool) -> Event:
    """Return the event with these sessions wet, or dry.

    Raises
    ------
    EventError
        A session that is not in the event.
    """
    asked: Mapping[str, object] = {event.session(name).id: None for name in sessions}
    changed = tuple(
        session.model_copy(update={"wet": wet}) if session.id in asked else session
        for session in event.sessions
    )
    return event.model_copy(update={"sessions": changed})


def next_choice(plan: AllocationPlan) -> Lock | None:
    """Return the start of a plan's first session as a lock; None without a plan."""
    tyres = plan.next_fitting
    if not tyres:
        return None
    session = plan.problem.stints[0].session
    return Lock.model_validate({"kind": "lock", "session": session, "tyres": tyres})


def _over_best(plan: AllocationPlan, best: AllocationPlan) -> float:
    return plan.cost_s - best.cost_s if len(plan.table) else float(np.inf)
