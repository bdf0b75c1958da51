"""One practice session as a panel holds it: what is supposed of it, and what to run.

Plain functions; the programme is `plan.next_practice`'s on the fits and the tyre plan of an answer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from tyrekit.model.petrol import density_kg_per_l
from tyrekit.plan.next_practice import next_practice
from tyrekit.plan.practice import PracticePlan
from tyrekit.record.weekend import Weekend
from tyrekit.show.answer import Answer, Fits
from tyrekit.show.words import each_once

COLUMNS = (
    "run", "start_min", "end_min", "set_id", "age_laps", "fuel_kg", "fuel_l", "laps", "tells_apart",
)  # fmt: skip


@dataclass(frozen=True)
class PracticeIf:
    """What to suppose of a practice session; None leaves the event's values."""

    minutes: float | None = None
    track_c: float | None = None

    @property
    def supposed(self) -> bool:
        """Whether anything differs from the event's own values."""
        return self != PracticeIf()


@dataclass(frozen=True)
class PracticeState:
    """A practice session to be planned: the weekend, its fits and tyre plan, and the programme."""

    weekend: Weekend
    fits: Fits
    answer: Answer
    session: str
    what_if: PracticeIf
    plan: PracticePlan


def start_practice(weekend: Weekend, fits: Fits, found: Answer, session: str) -> PracticeState:
    """Return the state of a session with nothing supposed; `found` is the answer of those fits."""
    plan = _planned(weekend, fits, found, session, PracticeIf())
    return PracticeState(weekend, fits, found, session, PracticeIf(), plan)


def update_practice(state: PracticeState, change: Mapping[str, Any]) -> PracticeState:
    """Return the state after a change of what is supposed."""
    what_if = replace(state.what_if, **change)
    if what_if == state.what_if:
        return state
    plan = _planned(state.weekend, state.fits, state.answer, state.session, what_if)
    return replace(state, what_if=what_if, plan=plan)


def practices(weekend: Weekend) -> list[tuple[str, bool]]:
    """Return the weekend's practice sessions in order, each with whether it is over."""
    every = [one.id for one in weekend.event.sessions if one.kind == "practice"]
    coming = {one.id for one in weekend.event.sessions_after(weekend.done)}
    return [(id, id not in coming) for id in every]


def runs_table(state: PracticeState) -> pd.DataFrame:
    """Return the runs to make, columns `COLUMNS`; litres at the bowser's temperature."""
    event = state.weekend.event
    density = density_kg_per_l(event.fuel.density_kg_per_l, state.answer.conditions.bowser_c)
    table = state.plan.table
    if not len(table):
        return pd.DataFrame(columns=list(COLUMNS))
    return table.assign(fuel_l=table["fuel_kg"] / density)[list(COLUMNS)]


def notes(answer: Answer) -> list[str]:
    """Return what bears on a programme of runs: the fits of lap times, fuel and tread, the logs."""
    fits = (answer.lap_time, answer.fuel_use, answer.tread)
    parts = (*(fit.notes for fit in fits), answer.notes)
    return each_once(parts)


def _planned(
    weekend: Weekend, fits: Fits, found: Answer, session: str, what_if: PracticeIf
) -> PracticePlan:
    asked = weekend.event.session(session)
    if what_if.minutes is not None:
        asked = asked.model_copy(update={"minutes": what_if.minutes})
    return next_practice(
        weekend.event, asked, fits.lap_time, fits.fuel_use, found.allocation,
        track_c=what_if.track_c,
    )  # fmt: skip
