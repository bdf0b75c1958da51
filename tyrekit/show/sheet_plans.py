"""What the sheets print beyond an answer: races, the next practice, pressures, tread to measure."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from tyrekit.plan.cold_pressure import ColdPressures, cold_pressures
from tyrekit.plan.next_practice import next_practice
from tyrekit.plan.practice import PracticePlan
from tyrekit.plan.race_plan import RacePlan, race_plan
from tyrekit.record.event import Event
from tyrekit.show import tables
from tyrekit.show.answer import SEED, Answer, conditions_at

PLACES = ("inner_mm", "centre_mm", "outer_mm")
READ = ("tyre_id", "corner", "read_mm", "laps_since", "tread_end_low_mm", "why")


@dataclass(frozen=True)
class SheetPlans:
    """Plans for the sessions to come that only the sheets need.

    Attributes
    ----------
    races : dict
        Race id -> its plan.
    practice : PracticePlan, optional
        The runs of the next session, when that is practice.
    pressures : dict
        Id of each dry session -> cold pressures, at the weather written down nearest its start.
    """

    races: dict[str, RacePlan] = field(default_factory=dict)
    practice: PracticePlan | None = None
    pressures: dict[str, ColdPressures] = field(default_factory=dict)


def sheet_plans(answer: Answer, event: Event | None = None) -> SheetPlans:
    """Return the plans that the sheets need beyond the answer itself.

    Parameters
    ----------
    event : Event, optional
        The event as supposed, when the answer was made for one; by default the weekend's.
    """
    event, now = event or answer.weekend.event, answer.conditions
    to_come = event.sessions_after(answer.weekend.done)
    races = {
        session.id: race_plan(
            event, session, answer.lap_time, answer.fuel_use, answer.allocation,
            bowser_c=now.bowser_c, rng=np.random.default_rng(SEED),
        )
        for session in to_come
        if session.kind == "race"
    }  # fmt: skip
    pressures, coming = {}, answer.weekend.next_session
    for session in (one for one in to_come if not one.wet):
        own = coming is not None and session.id == coming.id
        then = now if own else conditions_at(answer.weekend, session)
        pressures[session.id] = cold_pressures(
            event, session, answer.pressure, air_c=then.air_c, track_c=then.track_c
        )
    return SheetPlans(races, _practice(answer, event), pressures)


def _practice(answer: Answer, event: Event) -> PracticePlan | None:
    """Return the runs of the next session, when it is a practice with a tyre plan."""
    coming = answer.weekend.next_session
    planned = answer.allocation.status in ("optimal", "feasible")
    if coming is None or coming.kind != "practice" or not planned:
        return None
    return next_practice(
        event, event.session(coming.id), answer.lap_time, answer.fuel_use, answer.allocation,
        track_c=answer.conditions.track_c,
    )  # fmt: skip


def tread_to_measure(answer: Answer) -> pd.DataFrame:
    """Return the tyres whose tread should be measured, those of the next session first.

    Columns tyre_id, corner (to run next, else where it ran last), read_mm (thinnest place when
    last measured, NaN never), laps_since (run since then), tread_end_low_mm (the least expected
    after the next session, NaN for tyres not in it), why. Tyres not in the plan are left out.
    """
    chosen = tables.next_tyres_table(answer).set_index("tyre_id")
    planned = list(dict.fromkeys(answer.allocation.table["tyre_id"].astype(str)))
    state = answer.weekend.tyres.set_index("tyre_id")
    rows = []
    for tyre_id in dict.fromkeys([*chosen.index, *planned]):
        read_mm, since = _last_reading(answer, tyre_id, float(state["age_laps"][tyre_id]))
        coming = tyre_id in chosen.index
        if not coming and since == 0 and np.isfinite(read_mm):
            continue
        corner = chosen["corner"][tyre_id] if coming else state["last_corner"][tyre_id]
        after = chosen.get("tread_end_low_mm", pd.Series(dtype=float)).get(tyre_id, np.nan)
        why = "runs next" if coming else "has run" if since else "never measured"
        rows.append((tyre_id, corner, read_mm, since, after, why))
    return pd.DataFrame(rows, columns=list(READ))


def _last_reading(answer: Answer, tyre_id: str, age_laps: float) -> tuple[float, float]:
    """Return a tyre's thinnest place when last measured and the laps it has run since."""
    tread = answer.weekend.tread
    own = tread[tread["tyre_id"] == tyre_id].sort_values("taken_at")
    if not len(own):
        thinnest = answer.weekend.tyres.set_index("tyre_id")["tread_min_mm"][tyre_id]
        return float(thinnest), age_laps
    last = own.iloc[-1]
    since = age_laps - float(last["age_laps"])
    return float(last[list(PLACES)].min()), max(since, 0.0)
