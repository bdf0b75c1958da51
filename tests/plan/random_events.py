"""Random tyre problems for the tests: plain cases, and the same as the planner's problem.

Losses are multiples of 1/1024 s and shares are quarters, so that costs in whole units are exact
however they are added up.
"""

from __future__ import annotations

import numpy as np
from checker import CORNERS, Case, Stint, Tyre

from tyrekit.plan.limits import plan_limits
from tyrekit.plan.problem import AllocationProblem, TyreState, WearTable
from tyrekit.plan.problem import Stint as PlanStint
from tyrekit.record.event import (
    KeepSpare,
    Lock,
    LongestLife,
    MatchedAxle,
    MinimumTread,
    NewTyres,
    Pool,
    SameSide,
    ScrubbedBefore,
    StartOn,
)

AGES = 120


def age_loss(rng: np.random.Generator) -> list[float]:
    """Return an invented loss per lap against age: a slope, a curve, a knee."""
    ages = np.arange(AGES)
    slope, curve, knee = rng.integers(10, 60), rng.integers(0, 3), rng.integers(12, 40)
    loss = slope * ages + curve * ages**2 + rng.integers(0, 200) * np.maximum(ages - knee, 0)
    return [float(x) / 1024 for x in loss]


def small_case(seed: int) -> Case:
    """Return a case small enough for every fitting to be tried."""
    rng = np.random.default_rng(seed)
    sessions = [("Q", "qualifying"), ("R1", "race")] if rng.random() < 0.6 else [("R1", "race")]
    if len(sessions) == 1 or rng.random() < 0.2:
        sessions.append(("R2", "race"))
    stops = len(sessions) < 3 and rng.random() < 0.25
    stints = []
    for name, kind in sessions:
        value = float(rng.choice([0.0, 0.25, 0.5, 1.0, 1.5, 2.0]))
        race = kind == "race"
        parts = 2 if stops and name == sessions[-1][0] else 1
        for number in range(1, parts + 1):
            stints.append(
                Stint(
                    name,
                    kind,
                    int(rng.integers(3, 13)),
                    value,
                    number,
                    number == parts,
                    int(race and number == 1 and rng.random() < 0.5),
                    int(race and number == parts and rng.random() < 0.5),
                )
            )
    count = 5 if len(stints) > 2 else int(rng.integers(5, 7))
    return Case(
        stints,
        [_tyre(rng, i) for i in range(count)],
        limits(rng, [name for name, _ in sessions], count),
        age_loss(rng),
        float(rng.integers(0, 80)) / 1024,
        {corner: float(rng.integers(20, 90)) / 1000 for corner in CORNERS},
    )


def _tyre(rng: np.random.Generator, number: int) -> Tyre:
    new = rng.random() < 0.45
    age = 0 if new else int(rng.integers(1, 26))
    used = bool(rng.random() < (0.1 if new else 0.5))
    corners = CORNERS
    if rng.random() < 0.08:
        corners = tuple(rng.permutation(CORNERS)[:2])
    ran = tuple(s for s in ("P1",) if used)
    if used and rng.random() < 0.2:
        ran = (*ran, "Q0")
    if used and new:
        age = int(rng.integers(1, 6))
    return Tyre(
        f"T{number + 1}",
        age,
        int(age > 0) + int(rng.integers(0, 3)) * (age > 0),
        3.0 * age,
        round(8.0 - 0.06 * age - 0.5 * rng.random(), 2),
        corners,
        str(rng.choice(["left", "right"])) if used else "",
        new,
        used,
        bool(rng.random() < 0.92),
        ran,
    )


def limits(rng: np.random.Generator, sessions: list[str], tyres: int) -> list:
    """Return a random mix of limits, some of them tight."""
    found: list = []

    def often(share: float) -> bool:
        return bool(rng.random() < share)

    if often(0.5):
        found.append(NewTyres(kind="new_tyres", most=int(rng.integers(1, 6))))
    if often(0.4):
        over = tuple(sorted({str(s) for s in rng.choice(sessions, len(sessions))}))
        over = (*over, "Q0") if often(0.3) else over
        found.append(
            Pool(kind="pool", sessions=over, most=int(rng.integers(4, 9)), marked_only=often(0.2))
        )
    if "Q" in sessions and "R1" in sessions and often(0.5):
        found.append(StartOn(kind="start_on", session="R1", same_as="Q"))
    if often(0.05):
        found.append(StartOn(kind="start_on", session=sessions[0], same_as="Q0"))
    if often(0.4):
        mm = float(rng.integers(40, 68)) / 10
        found.append(MinimumTread(kind="minimum_tread", mm=mm, confidence_pct=90.0))
    if often(0.5):
        laps = int(rng.integers(22, 55)) if often(0.8) else None
        cycles = int(rng.integers(3, 6)) if often(0.4) or laps is None else None
        km = float(rng.integers(70, 150)) if often(0.2) else None
        found.append(LongestLife(kind="longest_life", laps=laps, heat_cycles=cycles, km=km))
    if often(0.3):
        found.append(SameSide(kind="same_side"))
    if often(0.4):
        found.append(MatchedAxle(kind="matched_axle", laps=int(rng.integers(1, 20))))
    if often(0.2):
        found.append(ScrubbedBefore(kind="scrubbed_before", sessions=(str(rng.choice(sessions)),)))
    if often(0.25):
        per = "axle" if often(0.8) else "corner"
        found.append(KeepSpare(kind="keep_spare", session=str(rng.choice(sessions)), per=per))
    if often(0.2):
        ids = [f"T{n + 1}" for n in rng.permutation(tyres)[:2]]
        at = [str(c) for c in rng.permutation(CORNERS)[: int(rng.integers(1, 3))]]
        named = dict(zip(at, ids, strict=False))
        found.append(Lock(kind="lock", session=str(rng.choice(sessions)), tyres=named))
    return found


def problem_of(case: Case, laps: int = AGES) -> AllocationProblem:
    """Return the planner's problem for a case."""
    at = {corner: i for i, corner in enumerate(CORNERS)}
    worn_mm = np.outer([case.wear[corner] for corner in CORNERS], np.arange(laps + 1))
    wear = WearTable(worn_mm, np.zeros((1, laps + 1)))
    return AllocationProblem(
        stints=tuple(
            PlanStint(
                s.session, s.kind, s.laps, s.value, s.number, s.last, s.formation, s.cool_down
            )
            for s in case.stints
        ),
        tyres=tuple(
            TyreState(
                t.id,
                t.age,
                t.cycles,
                t.km,
                t.tread,
                t.tread,
                frozenset(at[corner] for corner in t.corners),
                t.side,
                t.new and not t.used,
                t.new,
                t.marked,
                frozenset(t.ran_in),
            )
            for t in case.tyres
        ),
        limits=plan_limits(case.limits),
        age_loss_s=np.array(case.loss),
        heat_cycle_s=case.cycle,
        corner_share=np.array([case.share[corner] for corner in CORNERS]),
        wear=wear,
        wear_high={90.0: wear},
        lap_km=case.lap_km,
        age_loss_draws_s=np.empty((0, len(case.loss))),
        heat_cycle_draws_s=np.empty(0),
    )


def plan_of_table(case: Case, table) -> list[dict[str, str]]:
    """Return a plan's table as the checker wants it."""
    plan = []
    for stint in case.stints:
        rows = table[(table["session"] == stint.session) & (table["stint"] == stint.number)]
        plan.append(dict(zip(rows["corner"], rows["tyre_id"], strict=True)))
    return plan


def middle_case(seed: int) -> Case:
    """Return a case of eight to ten tyres over three or four stints: too many to try each."""
    rng = np.random.default_rng(10_000 + seed)
    sessions = [("Q", "qualifying", 2.0), ("R1", "race", 1.0), ("R2", "race", 1.5)]
    if seed % 3 == 0:
        sessions.insert(0, ("P2", "practice", 0.25))
    stints = [
        Stint(name, kind, int(rng.integers(4, 14)), value, formation=int(kind == "race"))
        for name, kind, value in sessions
    ]
    tyres = [_tyre(rng, number) for number in range(int(rng.integers(8, 11)))]
    return Case(
        stints,
        tyres,
        limits(rng, [name for name, _, _ in sessions], len(tyres)),
        age_loss(rng),
        float(rng.integers(0, 80)) / 1024,
        {corner: float(rng.integers(20, 90)) / 1000 for corner in CORNERS},
    )
