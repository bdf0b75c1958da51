"""The tyre plan beside its rivals, and what ran, as DataFrames: what the plan's cards show."""

from __future__ import annotations

import pandas as pd

from tyrekit.plan.allocation import AllocationPlan
from tyrekit.plan.fitting import axle_ages
from tyrekit.show.answer import Answer
from tyrekit.show.words import adding_up
from tyrekit.terms import CORNERS

Place = tuple[str, int, str]  # session, stint, axle


def side_by_side_table(plan: AllocationPlan) -> pd.DataFrame:
    """Return what the crew would fit in the plan and in each alternative, a column a plan.

    Columns: fitting (session, stint and axle in words), then ``1`` for the plan, ``2``, ``3``, ...
    for its alternatives, in each the ages in words. Only fittings in which some plan differs.
    """
    every = [axle_ages(one.table) for one in (plan, *plan.alternatives)]
    names = [str(number) for number in range(1, len(every) + 1)]
    rows = []
    for place in every[0] if len(every) > 1 else ():
        ages = [one.get(place, ()) for one in every]
        if any(one != ages[0] for one in ages):
            rows.append((fitting_words(place), *map(_axle_words, ages)))
    return pd.DataFrame(rows, columns=["fitting", *names])


def _axle_words(ages: tuple[int, ...]) -> str:
    """Return the ages of an axle's two tyres, short enough for a narrow column."""
    words = ["new" if age == 0 else f"{age} laps" for age in ages]
    if len(set(words)) == 1:
        return f"both {words[0]}"
    return " and ".join(words).replace(" laps and", " and") if words else "not run"


def fitting_words(place: Place) -> str:
    """Return a session, stint and axle in words: ``R3 stint 2 front``; the axle may be empty."""
    session, stint, axle = place
    return f"{session}{f' stint {stint}' if stint > 1 else ''} {axle}".strip()


def cost_parts_table(answer: Answer) -> pd.DataFrame:
    """Return session, expected_loss_s, value and counted_s: what the plan's cost is the sum of.

    `expected_loss_s` is the time lost there against new tyres, `value` what a second counts and
    `counted_s` both multiplied, rounded to 0.1 s so that the rows add up to the rounded cost.
    """
    plan = answer.allocation
    lost = plan.table.groupby("session", sort=False)["expected_loss_s"].sum()
    values = {stint.session: float(stint.value) for stint in plan.problem.stints}
    table = lost.rename_axis("session").reset_index()
    table["value"] = [values[session] for session in table["session"]]
    table["counted_s"] = adding_up((table["expected_loss_s"] * table["value"]).tolist())
    return table


def ran_table(answer: Answer) -> pd.DataFrame:
    """Return what was run: session, run_id, driver, laps, and a tyre per corner; a row per run."""
    weekend = answer.weekend
    laps = weekend.laps.groupby("run_id").size()
    rows = [
        (
            run["session"], run["run_id"], run["driver"], int(laps.get(run["run_id"], 0)),
            *(str(run[corner.lower()]) for corner in CORNERS),
        )
        for _, run in weekend.runs.sort_values("start").iterrows()
    ]  # fmt: skip
    corners = [corner.upper() for corner in CORNERS]
    return pd.DataFrame(rows, columns=["session", "run_id", "driver", "laps", *corners])
