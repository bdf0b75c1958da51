"""What if: an event with other laps, risks, targets, weather or locks, and what follows from it.

`State` with `start` and `update` is what a panel holds; plain functions, no widget in sight.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from operator import attrgetter
from typing import Any

from tyrekit.plan.cold_pressure import cold_pressures
from tyrekit.plan.race_plan import session_load
from tyrekit.plan.tyre_state import Wear
from tyrekit.plan.weekend_problem import AgeLoss
from tyrekit.record.event import Event, HotTarget, Lock, Session
from tyrekit.record.weekend import Weekend
from tyrekit.show.answer import Answer, Conditions, Fits, answer, conditions_now, fit_weekend
from tyrekit.show.scaled_fits import ScaledLoss, ScaledWear
from tyrekit.show.words import celsius


@dataclass(frozen=True)
class WhatIf:
    """What to suppose in place of the event's own values; None or absent leaves those.

    ``laps``, ``value`` and ``wet`` are by session id. ``wear_pct`` and ``drop_off_pct`` are what
    tyres wear and lose to age from now on, per cent of what the fits found.
    """

    laps: dict[str, int] = field(default_factory=dict)
    value: dict[str, float] = field(default_factory=dict)
    wet: dict[str, bool] = field(default_factory=dict)
    wear_pct: float = 100.0
    drop_off_pct: float = 100.0
    locks: tuple[Lock, ...] = ()
    shortfall_risk: float | None = None
    hot_front_bar: float | None = None
    hot_rear_bar: float | None = None
    air_c: float | None = None
    track_c: float | None = None

    @property
    def supposed(self) -> bool:
        """Whether anything differs from the event's own values."""
        return self != WhatIf()


@dataclass(frozen=True)
class State:
    """What a panel shows: the weekend, its fits, what is supposed, and the answer."""

    weekend: Weekend
    fits: Fits
    what_if: WhatIf
    answer: Answer
    rank: bool = True
    plan_only: bool = False


def start(
    weekend: Weekend, what_if: WhatIf | None = None, rank: bool = True, plan_only: bool = False
) -> State:
    """Return the state for a weekend as it stands; fits and plans.

    `rank` and `plan_only` as in `answer`.
    """
    what_if = what_if or WhatIf()
    fits = fit_weekend(weekend)
    found = planned(weekend, fits, what_if, rank, plan_only)
    return State(weekend, fits, what_if, found, rank, plan_only)


def update(state: State, change: Mapping[str, Any]) -> State:
    """Return the state after a change of what is supposed; only what depends on it is redone."""
    what_if = replace(state.what_if, **change)
    if what_if == state.what_if:
        return state
    if moves_tyres(state.what_if, what_if):
        found = planned(state.weekend, state.fits, what_if, state.rank, state.plan_only)
    else:
        found = with_pressures(state.answer, state.fits, what_if)
        if what_if.shortfall_risk != state.what_if.shortfall_risk:
            found = with_fuel(found, state.fits, what_if)
    return replace(state, what_if=what_if, answer=found)


def relocked(state: State) -> State:
    """Return the state with the locks its book holds now; the fits stay."""
    weekend = state.weekend.with_locks()
    found = planned(weekend, state.fits, state.what_if, state.rank, state.plan_only)
    return replace(state, weekend=weekend, answer=found)


def changed_event(event: Event, what_if: WhatIf) -> Event:
    """Return the event as supposed."""
    target = event.tyres.hot_target_bar
    hot = HotTarget(
        front=what_if.hot_front_bar or target.front, rear=what_if.hot_rear_bar or target.rear
    )
    changes: dict[str, Any] = {
        "sessions": tuple(_changed_session(s, what_if) for s in event.sessions),
        "tyres": event.tyres.model_copy(update={"hot_target_bar": hot}),
    }
    if what_if.shortfall_risk is not None:
        risk = {"shortfall_risk": what_if.shortfall_risk}
        changes["fuel"] = event.fuel.model_copy(update=risk)
    return event.model_copy(update=changes)


def supposed_words(what_if: WhatIf) -> str:
    """Return in words what is supposed; empty when nothing is."""
    words = [f"{count} laps in {id}" for id, count in what_if.laps.items()]
    words += [f"a second in {id} worth {value:g}" for id, value in what_if.value.items()]
    words += [f"{id} {'wet' if wet else 'dry'}" for id, wet in what_if.wet.items()]
    shares = {"tread wear": what_if.wear_pct, "time lost to age": what_if.drop_off_pct}
    words += [
        f"{name} {pct:.0f} % of what was found" for name, pct in shares.items() if pct != 100.0
    ]
    given = {"track": what_if.track_c, "air": what_if.air_c}
    words += [f"{name} {value:.0f} °C" for name, value in given.items() if value is not None]
    if what_if.supposed and not words:
        words = ["other values than the event's"]
    return f"Supposing {', '.join(words)}." if words else ""


def changed_conditions(weekend: Weekend, what_if: WhatIf) -> Conditions:
    """Return the temperatures as supposed; the basis says which are."""
    now = conditions_now(weekend)
    supposed = {"air_c": what_if.air_c, "track_c": what_if.track_c}
    given = {name: value for name, value in supposed.items() if value is not None}
    if not given:
        return now
    words = ", ".join(f"{name[:-2]} {celsius(value)} degC" for name, value in given.items())
    again = "" if len(given) == len(supposed) else now.again
    return replace(now, basis=f"{now.basis}; supposed: {words}", again=again, **given)


def planned(
    weekend: Weekend, fits: Fits, what_if: WhatIf, rank: bool = True, plan_only: bool = False
) -> Answer:
    """Return the whole answer as supposed, from fits already made; the rest as in `start`."""
    event = changed_event(weekend.event, what_if)
    found = answer(
        weekend, event=event, fits=fits, locks=what_if.locks,
        supposed=supposed_fits(fits, what_if), rank=rank, plan_only=plan_only,
    )  # fmt: skip
    return with_pressures(found, fits, what_if)


def supposed_fits(fits: Fits, what_if: WhatIf) -> tuple[AgeLoss, Wear]:
    """Return what tyres lose and wear as supposed."""
    lap_time: AgeLoss = fits.lap_time
    tread: Wear = fits.tread
    if what_if.drop_off_pct != 100.0:
        lap_time = ScaledLoss(lap_time, what_if.drop_off_pct / 100)
    if what_if.wear_pct != 100.0:
        tread = ScaledWear(tread, what_if.wear_pct / 100)
    return lap_time, tread


def with_fuel(found: Answer, fits: Fits, what_if: WhatIf) -> Answer:
    """Return the answer with the fuel loads as supposed; the rest stays."""
    event = changed_event(found.weekend.event, what_if)
    bowser_c = found.conditions.bowser_c
    loads = {
        id: session_load(
            event,
            event.session(id),
            fits.fuel_use,
            fits.lap_time,
            found.allocation,
            bowser_c=bowser_c,
        )
        for id in found.fuel_loads
    }
    return replace(found, fuel_loads=loads)


def with_pressures(found: Answer, fits: Fits, what_if: WhatIf) -> Answer:
    """Return the answer with temperatures and cold pressures as supposed; the rest stays."""
    coming = found.weekend.next_session
    conditions = changed_conditions(found.weekend, what_if)
    if coming is None:
        return replace(found, conditions=conditions)
    event = changed_event(found.weekend.event, what_if)
    if event.session(coming.id).wet:
        return replace(found, conditions=conditions, cold_pressures=None, next_is_wet=True)
    pressures = cold_pressures(
        event, event.session(coming.id), fits.pressure,
        air_c=conditions.air_c, track_c=conditions.track_c,
    )  # fmt: skip
    return replace(found, conditions=conditions, cold_pressures=pressures, next_is_wet=False)


def moves_tyres(before: WhatIf, after: WhatIf) -> bool:
    """Return whether a change can alter the tyre plan, or only fuel and pressures."""
    moving = attrgetter("laps", "value", "wet", "wear_pct", "drop_off_pct", "locks")
    return bool(moving(before) != moving(after))


def _changed_session(session: Session, what_if: WhatIf) -> Session:
    changes: dict[str, Any] = {}
    if session.id in what_if.value:
        changes["value"] = what_if.value[session.id]
    if session.id in what_if.wet:
        changes["wet"] = what_if.wet[session.id]
    if session.id in what_if.laps:
        laps = what_if.laps[session.id]
        if session.kind == "race":
            changes["laps"] = laps
        if session.kind != "race" or session.planned_laps is not None:
            changes["planned_laps"] = laps
    return session.model_copy(update=changes)
