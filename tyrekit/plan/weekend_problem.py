"""The allocation problem drawn up from an event, its tyres and its fits.

What had to be inferred or assumed on the way is said in the problem's notes.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Protocol

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from tyrekit.errors import EventError
from tyrekit.plan.beyond import seen_by
from tyrekit.plan.limits import LockLimit, plan_limits, used_new
from tyrekit.plan.problem import (
    CORNERS,
    AllocationProblem,
    Floats,
    Stint,
    TyreState,
    WearTable,
    natural,
)  # fmt: skip
from tyrekit.plan.programme import MIDDLE_AGE_LAPS, laps_to_run, less_stops
from tyrekit.plan.tyre_state import Wear, tyre_states
from tyrekit.record.event import Event, Limit, Lock, MinimumTread, NewTyres, Session, StartOn

CONFIDENCE_PCT = 90.0  # of the tread left, where no limit states one
DRAWS = 400
RUN_IN_LAPS = 25  # at this age the first laps' extra wear is over
FOLLOWS_WEAR = 0.75  # of a corner's share of the loss goes with its share of the wear, as believed


class AgeLoss(Protocol):
    """What the planner asks of the lap-time fit."""

    def mean_age_loss_s(self, ages: ArrayLike) -> Floats:
        """Return expected seconds per lap lost at each age."""
        ...

    def age_loss_s(self, ages: ArrayLike, n: int, rng: np.random.Generator) -> Floats:
        """Return draws of the same, (n, ages)."""
        ...

    def estimate(self, name: str) -> tuple[float, float]:
        """Return mean and sd of a parameter."""
        ...

    def base_lap_s(self, session: str) -> tuple[float, float]:
        """Return mean and sd of a session's clean lap."""
        ...


def allocation_problem(
    event: Event,
    tyres: pd.DataFrame,
    lap_time: AgeLoss,
    tread: Wear,
    *,
    done: Collection[str] = (),
    fitted: pd.DataFrame | None = None,
    locks: Sequence[Lock] = (),
    stint_laps: Mapping[str, Sequence[int]] | None = None,
    rng: np.random.Generator,
) -> AllocationProblem:
    """Return the problem of covering the dry sessions after `done` with these tyres.

    Parameters
    ----------
    event : Event
    tyres : DataFrame
        One row per tyre, its state now, as `Weekend.tyres`.
    lap_time, tread : fits
        Loss against age and heat cycles; wear of the thinnest place per lap and corner.
    done : collection of str
        Sessions that are over.
    fitted : DataFrame, optional
        session, corner, tyre_id of what has run, in the order it ran.
    locks : sequence of Lock
        Beside those in the event.
    stint_laps : mapping of session id to laps of its stints, optional
        Instead of an even split within the stop window.
    rng : Generator
        For the draws of the losses.

    Raises
    ------
    EventError
        A lock names a tyre that is not to be had; a belief about the plan is not one.
    """
    notes: list[str] = []
    stints = planned_stints(event, lap_time, done, stint_laps or {}, notes)
    rules = _rules(event, locks, done, stints, notes)
    confidences = {r.confidence_pct for r in rules if isinstance(r, MinimumTread)}
    laps = sum(stint.tyre_laps for stint in stints)
    confidences = confidences or {CONFIDENCE_PCT}
    states = tyre_states(event, tyres, tread, fitted, max(confidences), notes)
    wear, wear_high = _wear(tread, laps, states, confidences)
    _check_locks(rules, states)
    _say_limits(rules, states, stints, notes)
    ages = np.arange(max((t.age_laps for t in states), default=0) + laps + 2, dtype=float)
    loss_s, draws_s = _losses(lap_time, ages, rng)
    cycle_s, cycle_sd_s = lap_time.estimate("heat_cycle_s")
    shares = _shares(event, tread, notes)
    return AllocationProblem(
        stints=stints,
        tyres=states,
        limits=plan_limits(rules),
        age_loss_s=loss_s,
        heat_cycle_s=float(cycle_s),
        corner_share=shares,
        wear=wear,
        wear_high=wear_high,
        lap_km=event.circuit.length_m / 1000.0,
        age_loss_draws_s=draws_s,
        heat_cycle_draws_s=_around(cycle_s, rng.normal(cycle_s, cycle_sd_s, len(draws_s))),
        notes=tuple(dict.fromkeys(notes)),
        seen=seen_by(lap_time, tread),
    )


def planned_stints(
    event: Event,
    lap_time: AgeLoss,
    done: Collection[str],
    stint_laps: Mapping[str, Sequence[int]],
    notes: list[str],
) -> tuple[Stint, ...]:
    """Return the stints of the dry sessions still to come, in order.

    A race that must stop and may change tyres is split at its stops: evenly, moved into the
    window, unless `stint_laps` says otherwise. A tyre may stay on over a stop, on its corner and
    without another heat cycle.
    """
    stints: list[Stint] = []
    for session in event.sessions_after(done):
        if session.wet:
            notes.append(f"{session.id} is wet: no tyres are planned for it here")
        elif session.planned_laps == 0:
            notes.append(f"{session.id} has planned_laps = 0: no tyres are planned for it")
        else:
            stints += _stints_of(event, session, lap_time, stint_laps.get(session.id, ()), notes)
    return tuple(stints)


def laps_by_time(event: Event, session: Session, lap_time: AgeLoss) -> tuple[int, float]:
    """Return the laps a session has in its minutes, and the lap in s: of a race, as it is planned.

    A race is on tyres of middle age and loses the time of its stops, as `stint_race` counts it.
    """
    lap_s = float(lap_time.base_lap_s(session.id)[0])
    if session.kind == "race":
        lap_s += float(lap_time.mean_age_loss_s([MIDDLE_AGE_LAPS])[0])
        lap_s += float(lap_time.estimate("heat_cycle_s")[0])
    return laps_to_run(less_stops(event, session), lap_s), lap_s


def _stints_of(
    event: Event, session: Session, lap_time: AgeLoss, given: Sequence[int], notes: list[str]
) -> list[Stint]:
    laps = session.planned_laps or (session.laps if session.minutes is None else None)
    if laps is None:
        laps, lap_s = laps_by_time(event, session, lap_time)
        notes.append(
            f"{session.id}: {laps} laps are taken, from its minutes at {lap_s:.1f} s a lap"
        )
    parts = list(given) or _split(session, laps, notes)
    if len(parts) > 1 and not given:
        split = " + ".join(str(part) for part in parts)
        notes.append(f"{session.id} is split at its stops into {split} laps; tyres may stay on")
    final = len(parts) - 1
    return [
        Stint(
            session=session.id,
            kind=session.kind,
            laps=part,
            value=session.value,
            number=number + 1,
            last=number == final,
            formation_laps=session.formation_laps if number == 0 else 0,
            cool_down_laps=session.cool_down_laps if number == final else 0,
        )
        for number, part in enumerate(parts)
    ]


def _split(session: Session, laps: int, notes: list[str]) -> list[int]:
    """Return the laps of each stint: even, each stop moved into the window, none before another."""
    stops = session.stops
    if stops is None or not stops.tyres or stops.minimum == 0:
        return [laps]
    last = min(stops.last_lap, laps - 1)
    ends: list[int] = []
    for stop in range(1, stops.minimum + 1):
        even = round(laps * stop / (stops.minimum + 1))
        earliest = max(stops.first_lap, ends[-1] + 1 if ends else 1)
        latest = last - (stops.minimum - stop)
        if earliest > latest:
            notes.append(
                f"{session.id}: its stops do not fit into {laps} laps; planned as one stint"
            )
            return [laps]
        ends.append(max(earliest, min(even, latest)))
    return [int(n) for n in np.diff([0, *ends, laps])]


def _rules(
    event: Event,
    locks: Sequence[Lock],
    done: Collection[str],
    stints: Sequence[Stint],
    notes: list[str],
) -> list[Limit]:
    """Return the limits to obey; a lock of a session that is not planned is left out and said."""
    planned = {stint.session for stint in stints}
    rules: list[Limit] = []
    for rule in (*event.rules, *locks):
        if isinstance(rule, Lock) and rule.session not in planned:
            over = "is over" if rule.session in done else "is not planned here"
            notes.append(f"the lock of {rule.session} is left out: the session {over}")
        elif rule not in rules:
            rules.append(rule)
    return rules


def _wear(
    tread: Wear, laps: int, states: Sequence[TyreState], confidences: Collection[float]
) -> tuple[WearTable, dict[float, WearTable]]:
    """Return expected wear and wear at each confidence over 0, 1, ... laps."""
    steps = np.arange(laps + 1.0)
    ages = sorted({min(tyre.age_laps, RUN_IN_LAPS) for tyre in states})

    def table(worn: Callable[[str, int], Floats]) -> WearTable:
        run_in = np.array([worn(corner, RUN_IN_LAPS) for corner in CORNERS])
        early = np.zeros((RUN_IN_LAPS + 1, laps + 1))
        for age in ages[: -1 if ages and ages[-1] == RUN_IN_LAPS else None]:
            now = np.array([worn(corner, age) for corner in CORNERS])
            early[age] = (now - run_in).max(axis=0).clip(min=0.0)
        return WearTable(run_in, early)

    def mean(corner: str, age: int) -> Floats:
        rate = float(tread.wear_mm_per_lap(corner)[0])
        worst = [tread.mean_wear_mm(corner, steps, age_laps=a) for a in (age, RUN_IN_LAPS)]
        return rate * steps + worst[0] - worst[1]

    def high(confidence: float) -> Callable[[str, int], Floats]:
        return lambda corner, age: tread.quantile_wear_mm(
            corner, steps, confidence / 100, age_laps=age
        )

    return table(mean), {confidence: table(high(confidence)) for confidence in confidences}


def _shares(event: Event, tread: Wear, notes: list[str]) -> Floats:
    """Return each corner's share of a lap's loss: as its wear, drawn towards a quarter.

    The lap-time fit sees the mean age of the four tyres only, so it cannot tell corners apart.
    The corner that works hardest both wears and loses most: its share of the wear is the best
    guess at hand, and what it may be wrong by pulls it to an even share.
    """
    wear_mm = np.array([max(float(tread.wear_mm_per_lap(c)[0]), 0.0) for c in CORNERS])
    even, follows = np.full(len(CORNERS), 0.25), _follows_wear(event)
    total_mm = wear_mm.sum()
    shares = (1 - follows) * even + follows * wear_mm / total_mm if total_mm > 0 else even
    said = ", ".join(f"{c} {100 * share:.0f} %" for c, share in zip(CORNERS, shares, strict=True))
    notes.append(
        f"the laps cannot tell which corner loses the time; assumed from tread wear: {said}"
        " (event.toml [beliefs.tyre_plan.loss_follows_wear], 0 for a quarter each, 1 for wear's)"
    )
    return shares


def _follows_wear(event: Event) -> float:
    stated = event.beliefs.get("tyre_plan", {})
    for name, belief in stated.items():
        where = f"event.toml [beliefs.tyre_plan.{name}]"
        if name != "loss_follows_wear":
            raise EventError(
                f"the tyre plan has no belief {name!r}",
                where=where,
                rule="it has loss_follows_wear",
                next_step="Did you mean loss_follows_wear?",
            )
        if not 0 <= belief.mean <= 1:
            raise EventError(
                f"loss_follows_wear cannot be {belief.mean:g}",
                where=where,
                rule="mean from 0 (a quarter for each corner) to 1 (as tread wears)",
                next_step="Give the mean as a share.",
            )
        return belief.mean
    return FOLLOWS_WEAR


def _losses(lap_time: AgeLoss, ages: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Return expected losses against age and draws around them."""
    mean = np.asarray(lap_time.mean_age_loss_s(ages), dtype=float)
    return mean, _around(mean, np.asarray(lap_time.age_loss_s(ages, DRAWS, rng), dtype=float))


def _around(mean: float | Floats, draws: Floats) -> Floats:
    """Return draws moved onto their expectation.

    The fit's expectation is exact, the draws' mean is not: a difference of plans should not
    depend on the draws' luck.
    """
    moved: Floats = draws - draws.mean(axis=0) + mean
    return moved


def _check_locks(rules: Sequence[Limit], states: Sequence[TyreState]) -> None:
    known = {tyre.tyre_id for tyre in states}
    for rule in rules:
        if not isinstance(rule, Lock):
            continue
        for corner, tyre_id in rule.tyres.items():
            if tyre_id not in known:
                raise EventError(
                    f"tyre {tyre_id!r} is not among the dry tyres",
                    where=f"event.toml [[limit]] lock of {rule.session}, {corner}",
                    rule=f"they are {', '.join(sorted(known, key=natural))}",
                    next_step="Add it to tyres or correct the lock.",
                )


def _say_limits(
    rules: Sequence[Limit],
    states: Sequence[TyreState],
    stints: Sequence[Stint],
    notes: list[str],
) -> None:
    """Say which limits cannot apply any more, or are broken by what has run."""
    planned = {stint.session for stint in stints}
    for rule in rules:
        if isinstance(rule, NewTyres) and len(used_new(states)) > rule.most:
            used = len(used_new(states))
            notes.append(
                f"{used} new tyres have run and the limit is {rule.most}: no more are used"
            )
        if isinstance(rule, StartOn) and rule.session in planned:
            known = any(rule.same_as in tyre.ran_in for tyre in states)
            if rule.same_as not in planned and not known:
                notes.append(
                    f"no dry tyres are known from {rule.same_as}: {rule.session} may start on any"
                )


def locked_corners(problem: AllocationProblem) -> set[tuple[str, str]]:
    """Return session and corner of every lock."""
    locks = [limit.rule for limit in problem.limits if isinstance(limit, LockLimit)]
    return {(lock.session, corner) for lock in locks for corner in lock.tyres}
