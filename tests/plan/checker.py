"""A plain checker of tyre plans and a plain search over all of them, written from the contract.

Nothing here is taken from `tyrekit.plan`: rules are coded again from the wording of event.toml's
limits, one plan at a time. Slow on purpose.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import product

CORNERS = ("FL", "FR", "RL", "RR")
SIDE = {"FL": "left", "RL": "left", "FR": "right", "RR": "right"}
AXLE = {"FL": "front", "FR": "front", "RL": "rear", "RR": "rear"}


@dataclass
class Tyre:
    id: str
    age: int = 0
    cycles: int = 0
    km: float = 0.0
    tread: float = 8.0
    corners: tuple[str, ...] = CORNERS
    side: str = ""  # it first ran on, "" if it has not run
    new: bool = False
    used: bool = False  # at this event
    marked: bool = True
    ran_in: tuple[str, ...] = ()


@dataclass
class Stint:
    session: str
    kind: str
    laps: int
    value: float
    number: int = 1
    last: bool = True
    formation: int = 0
    cool_down: int = 0

    @property
    def on_tyre(self) -> int:
        return self.formation + self.laps + self.cool_down


@dataclass
class Case:
    stints: list[Stint]
    tyres: list[Tyre]
    limits: list  # records of event.toml
    loss: list[float]  # seconds per lap at each age
    cycle: float
    wear: dict[str, float]  # mm per lap, at the confidence asked
    lap_km: float = 3.0
    share: dict[str, float] = field(default_factory=lambda: dict.fromkeys(CORNERS, 0.25))

    def of_kind(self, kind: str) -> list:
        return [limit for limit in self.limits if limit.kind == kind]


Plan = list[dict[str, str]]  # a stint: corner -> tyre id


@dataclass
class Now:
    """A tyre on its way through the plan."""

    age: int
    cycles: int
    km: float
    tread: float
    side: str
    sessions: set[str]


def start(tyre: Tyre) -> Now:
    return Now(tyre.age, tyre.cycles, tyre.km, tyre.tread, tyre.side, set(tyre.ran_in))


def stays_on(before: dict[str, str] | None, stint: Stint, corner: str, tyre: str) -> bool:
    return stint.number > 1 and before is not None and before.get(corner) == tyre


def may_run(case: Case, tyre: Tyre, now: Now, stint: Stint, corner: str, kept: bool) -> str:
    """Return why a tyre alone may not run this stint on this corner, "" if it may."""
    if corner not in tyre.corners:
        return f"{tyre.id} may not go on {corner}"
    if case.of_kind("same_side") and now.side and now.side != SIDE[corner]:
        return f"{tyre.id} changes side"
    for pool in case.of_kind("pool"):
        if stint.session in pool.sessions and pool.marked_only and not tyre.marked:
            return f"{tyre.id} is not marked"
    for scrub in case.of_kind("scrubbed_before"):
        if stint.session in scrub.sessions and now.cycles - kept < 1:
            return f"{tyre.id} is not scrubbed"
    for life in case.of_kind("longest_life"):
        if life.laps is not None and now.age + stint.on_tyre > life.laps:
            return f"{tyre.id} is too old"
        if life.heat_cycles is not None and now.cycles + (not kept) > life.heat_cycles:
            return f"{tyre.id} has too many heat cycles"
        if life.km is not None and now.km + stint.on_tyre * case.lap_km > life.km + 1e-9:
            return f"{tyre.id} has run too far"
    for depth in case.of_kind("minimum_tread"):
        if now.tread - case.wear[corner] * stint.on_tyre < depth.mm - 1e-9:
            return f"{tyre.id} ends too thin"
    return ""


def run(case: Case, now: Now, stint: Stint, corner: str, kept: bool) -> Now:
    return Now(
        now.age + stint.on_tyre,
        now.cycles + (not kept),
        now.km + stint.on_tyre * case.lap_km,
        now.tread - case.wear[corner] * stint.on_tyre,
        now.side or SIDE[corner],
        now.sessions | {stint.session},
    )


def together(case: Case, stint: Stint, fitted: dict[str, str], states: dict[str, Now]) -> str:
    """Return why four tyres may not run together, "" if they may."""
    for matched in case.of_kind("matched_axle"):
        for left, right in (("FL", "FR"), ("RL", "RR")):
            if abs(states[fitted[left]].age - states[fitted[right]].age) > matched.laps:
                return f"{stint.session}: {left} and {right} are too far apart"
    if stint.number == 1:
        for lock in case.of_kind("lock"):
            if lock.session == stint.session and any(
                fitted[corner] != tyre for corner, tyre in lock.tyres.items()
            ):
                return f"{stint.session}: lock not kept"
        for same in case.of_kind("start_on"):
            known = any(same.same_as in tyre.ran_in for tyre in case.tyres) or any(
                other.session == same.same_as for other in case.stints
            )
            if same.session == stint.session and known:
                for tyre in fitted.values():
                    if same.same_as not in states[tyre].sessions:
                        return f"{stint.session}: {tyre} did not run in {same.same_as}"
    return ""


def moved_at_stop(before: dict[str, str] | None, stint: Stint, fitted: dict[str, str]) -> bool:
    if stint.number == 1 or before is None:
        return False
    was = {tyre: corner for corner, tyre in before.items()}
    return any(was.get(tyre, corner) != corner for corner, tyre in fitted.items())


def counts_hold(case: Case, plan: Plan, spares: list[tuple[str, str]]) -> bool:
    """New tyres and pools, spares (session, tyre) counted as used in their session."""
    for new in case.of_kind("new_tyres"):
        already = sum(tyre.new and tyre.used for tyre in case.tyres)
        fresh = {tyre.id for tyre in case.tyres if tyre.new and not tyre.used}
        used = {t for fitted in plan for t in fitted.values()} | {t for _, t in spares}
        if len(fresh & used) > max(new.most - already, 0):
            return False
    for pool in case.of_kind("pool"):
        before = {t.id for t in case.tyres if set(t.ran_in) & set(pool.sessions)}
        inside = {
            tyre
            for stint, fitted in zip(case.stints, plan, strict=True)
            if stint.session in pool.sessions
            for tyre in fitted.values()
        } | {tyre for session, tyre in spares if session in pool.sessions}
        if len(inside - before) > max(pool.most - len(before), 0):
            return False
    return True


def spare_choices(case: Case, plan: Plan, history: list[dict[str, Now]]) -> list[list]:
    """Return for each spare asked the list of (session, tyre) that could be it."""
    asked = []
    tyres = {tyre.id: tyre for tyre in case.tyres}
    for keep in case.of_kind("keep_spare"):
        at = [i for i, stint in enumerate(case.stints) if stint.session == keep.session]
        if not at:
            continue
        on = {tyre for i in at for tyre in plan[i].values()}
        groups = {c: [c] for c in CORNERS}
        if keep.per == "axle":
            groups = {a: [c for c in CORNERS if AXLE[c] == a] for a in ("front", "rear")}
        stint = case.stints[at[0]]
        for corners in groups.values():
            fit = [
                (keep.session, tyre)
                for tyre, now in history[at[0]].items()
                if tyre not in on
                and any(not may_run(case, tyres[tyre], now, stint, c, False) for c in corners)
            ]
            asked.append(fit)
    return asked


def spares_exist(case: Case, plan: Plan, history: list[dict[str, Now]]) -> bool:
    def pick(asked: list[list], chosen: list[tuple[str, str]]) -> bool:
        if not asked:
            return counts_hold(case, plan, chosen)
        return any(pick(asked[1:], [*chosen, one]) for one in asked[0] if one not in chosen)

    return pick(spare_choices(case, plan, history), [])


def cost_units(case: Case, now: Now, stint: Stint, corner: str, kept: bool) -> int:
    """Return a tyre's weighted loss in a stint in tenths of a millisecond."""
    if stint.kind == "qualifying":
        laps = [lap for lap in (1, 2) if lap < stint.laps] or [stint.laps - 1]
        divisor = len(laps)
    else:
        laps = list(range(stint.formation, stint.formation + stint.laps))
        divisor = 1
    cycles = now.cycles - kept
    lost = sum(case.loss[now.age + lap] + case.cycle * cycles for lap in laps) / divisor
    return round(stint.value * case.share[corner] * lost / 1e-4)


def violations(case: Case, plan: Plan) -> list[str]:
    """Return every rule a plan breaks, in words; empty when it may be driven."""
    found = []
    tyres = {tyre.id: tyre for tyre in case.tyres}
    states = {tyre.id: start(tyre) for tyre in case.tyres}
    history, before = [], None
    for stint, fitted in zip(case.stints, plan, strict=True):
        history.append(dict(states))
        if set(fitted) != set(CORNERS) or len(set(fitted.values())) != 4:
            found.append(f"{stint.session}: not four different tyres on four corners")
        if moved_at_stop(before, stint, fitted):
            found.append(f"{stint.session}: a tyre changes corner at a stop")
        if reason := together(case, stint, fitted, states):
            found.append(reason)
        for corner, tyre in fitted.items():
            kept = stays_on(before, stint, corner, tyre)
            if reason := may_run(case, tyres[tyre], states[tyre], stint, corner, kept):
                found.append(f"{stint.session}: {reason}")
        for corner, tyre in fitted.items():
            kept = stays_on(before, stint, corner, tyre)
            states[tyre] = run(case, states[tyre], stint, corner, kept)
        before = fitted
    if not counts_hold(case, plan, []):
        found.append("too many new tyres or tyres in a pool")
    elif not spares_exist(case, plan, history):
        found.append("no spare is left")
    return found


def plan_cost(case: Case, plan: Plan) -> int:
    states = {tyre.id: start(tyre) for tyre in case.tyres}
    before, total = None, 0
    for stint, fitted in zip(case.stints, plan, strict=True):
        for corner, tyre in fitted.items():
            kept = stays_on(before, stint, corner, tyre)
            total += cost_units(case, states[tyre], stint, corner, kept)
            states[tyre] = run(case, states[tyre], stint, corner, kept)
        before = fitted
    return total


class TooMany(Exception):
    """More fittings than the caller wants to wait for."""


def fittings(case: Case, stint: Stint, states: dict[str, Now], before: dict[str, str] | None):
    """Yield (cost, corner -> tyre) of every way to fit one stint that each tyre alone may run."""
    cost: dict[tuple[str, str], int] = {}
    for tyre in case.tyres:
        for corner in CORNERS:
            kept = stays_on(before, stint, corner, tyre.id)
            if not may_run(case, tyre, states[tyre.id], stint, corner, kept):
                cost[corner, tyre.id] = cost_units(case, states[tyre.id], stint, corner, kept)
    able = [[t.id for t in case.tyres if (corner, t.id) in cost] for corner in CORNERS]
    for four in product(*able):
        if len(set(four)) == 4:
            fitted = dict(zip(CORNERS, four, strict=True))
            if not (moved_at_stop(before, stint, fitted) or together(case, stint, fitted, states)):
                yield sum(cost[pair] for pair in fitted.items()), fitted


def every_plan(case: Case, worth_going_on=lambda spent: True):
    """Yield (cost, plan) of every plan that breaks no rule, cheaper fittings of a stint first.

    `worth_going_on` may cut off parts by what they have cost so far.
    """

    def go(at: int, states: dict[str, Now], plan: Plan, spent: int, history: list):
        if at == len(case.stints):
            if spares_exist(case, plan, history):
                yield spent, plan
            return
        stint, before = case.stints[at], plan[-1] if plan else None
        upto = replace(case, stints=case.stints[: at + 1])
        for cost, fitted in sorted(fittings(case, stint, states, before), key=lambda pair: pair[0]):
            if not worth_going_on(spent + cost):
                return
            if not counts_hold(upto, [*plan, fitted], []):
                continue
            after = dict(states)
            for corner, tyre in fitted.items():
                kept = stays_on(before, stint, corner, tyre)
                after[tyre] = run(case, states[tyre], stint, corner, kept)
            yield from go(at + 1, after, [*plan, fitted], spent + cost, [*history, states])

    yield from go(0, {tyre.id: start(tyre) for tyre in case.tyres}, [], 0, [])


def every_best(case: Case, most: int = 10**9) -> int | None:
    """Return the least cost over every way to fit the tyres, None when there is none.

    Raises `TooMany` after `most` fittings of one stint looked at.
    """
    best: int | None = None
    seen = 0

    def worth_going_on(spent: int) -> bool:
        nonlocal seen
        seen += 1
        if seen > most:
            raise TooMany
        return best is None or spent < best

    for cost, _ in every_plan(case, worth_going_on):
        best = cost if best is None else min(best, cost)
    return best
