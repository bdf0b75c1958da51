"""Impossible events: the clash named is one, is smallest, and every repair is just enough.

Small events are held against brute force (closed form by enumeration); the events below
are told from the contract, with the limits an engineer would name written beside each.
"""

from __future__ import annotations

import time
from dataclasses import replace
from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from checker import TooMany, every_best
from random_events import problem_of, small_case
from stand_ins import StraightLoss, StraightWear, make_event, make_tyres

from tyrekit.plan.allocation import allocate
from tyrekit.plan.clash import clash


def possible(case, limits) -> bool:
    return every_best(replace(case, limits=list(limits)), most=800) is not None


def impossible_cases(count):
    found = 0
    for seed in range(500, 700):
        case = small_case(seed)
        try:
            if every_best(case, most=400) is None and possible(case, []):
                yield seed, case
                found += 1
        except TooMany:
            continue
        if found == count:
            return


def test_clashes_and_repairs_against_every_fitting_tried():
    checked = 0
    for seed, case in impossible_cases(12):
        found = clash(problem_of(case))
        named = [limit.rule for limit in found.limits]
        others = [rule for rule in case.limits if not any(rule is one for one in named)]
        try:
            assert named and not possible(case, named), seed
            for size in range(len(named)):
                for part in combinations(case.limits, size):
                    assert possible(case, part), seed
            for changes in found.repairs:
                gone = [change.limit.rule for change in changes]
                held = [rule for rule in case.limits if not any(rule is one for one in gone)]
                eased = [change.eased.rule for change in changes if change.eased is not None]
                assert possible(case, [*held, *eased]), seed
        except TooMany:
            continue
        assert found.repairs and len(others) + len(named) == len(case.limits)
        checked += 1
    assert checked >= 8


LIFE = '[[limit]]\nkind = "longest_life"\n'
NEW = '[[limit]]\nkind = "new_tyres"\n'
POOL = '[[limit]]\nkind = "pool"\n'
TREAD = '[[limit]]\nkind = "minimum_tread"\nconfidence_pct = 90.0\n'
SPARE = '[[limit]]\nkind = "keep_spare"\n'
SCRUB = '[[limit]]\nkind = "scrubbed_before"\n'
MATCH = '[[limit]]\nkind = "matched_axle"\n'
SAME = '[[limit]]\nkind = "same_side"\n'
START = '[[limit]]\nkind = "start_on"\nsession = "R1"\nsame_as = "Q"\n'
LOCK = '[[limit]]\nkind = "lock"\n'
R2_ONLY = {"P1": "", "Q": "", "R1": ""}
OLD = [{"tyre_id": f"X{i}", "age_laps": 20 + i, "heat_cycles": 4} for i in range(1, 5)]

FRONT_ONLY = np.array(["front" if tyre == "U1" else "any" for tyre in make_tyres()["tyre_id"]])
LEFT = np.array(["FL" if tyre == "U1" else "" for tyre in make_tyres()["tyre_id"]])

# name -> limits, tyres, sessions changed, words of the clash, words of one repair
IMPOSSIBLE_EVENTS = {
    "too few new tyres for a life": (
        NEW + "most = 1\n" + LIFE + "laps = 30\n" + SAME, make_tyres(new=4, used=3), R2_ONLY,
        {"at most 1 new tyres", "no tyre past 30 laps"}, "→ no tyre past 31 laps",
    ),
    "life too short for the longest race": (
        LIFE + "laps = 20\n", make_tyres(new=8), {}, {"no tyre past 20 laps"},
        "→ no tyre past 21 laps",
    ),
    "tread asked for that no tyre keeps": (
        TREAD + "mm = 5.9\n", make_tyres(new=8, used=0), R2_ONLY, {"at least 5.9 mm"},
        "→ at least 4.3 mm",
    ),
    "pool smaller than a set": (
        POOL + 'sessions = ["Q", "R1"]\nmost = 3\n', make_tyres(), {},
        {"at most 3 different tyres over Q, R1"}, "→ at most 4 different tyres",
    ),
    "only three marked": (
        POOL + 'sessions = ["R2"]\nmost = 8\nmarked_only = true\n',
        make_tyres({"tyre_id": "M4", "marked": False}, new=3, used=0), R2_ONLY,
        {"marked tyres only"}, "→ at most 8 different tyres over R2",
    ),
    "new tyres only, scrubbed asked": (
        SCRUB + 'sessions = ["R2"]\n', make_tyres(new=6, used=3), R2_ONLY,
        {"only tyres scrubbed before R2"}, "drop: only tyres scrubbed",
    ),
    "no spare left": (
        SPARE + 'session = "R2"\nper = "corner"\n', make_tyres(new=4, used=2), {},
        {"a usable spare per corner for R2"}, "→ a usable spare per axle for R2",
    ),
    "a spare beyond the new tyres": (
        NEW + "most = 4\n" + SPARE + 'session = "R2"\nper = "axle"\n', make_tyres(new=8, used=0),
        R2_ONLY, {"at most 4 new tyres", "a usable spare per axle for R2"},
        "→ at most 6 new tyres",
    ),
    "ages that do not match": (
        MATCH + "laps = 2\n", make_tyres(*OLD[1::2], new=1, used=1), R2_ONLY,
        {"within 2 laps of age"}, "→ left and right of an axle within 10 laps",
    ),
    "locked to an old tyre": (
        LIFE + "laps = 40\n" + LOCK + 'session = "R2"\ntyres = { FL = "X4" }\n',
        make_tyres(*OLD, new=8), R2_ONLY, {"no tyre past 40 laps", "the lock of R2 to FL X4"},
        "drop: the lock of R2",
    ),
    "locked to other tyres than qualified": (
        START + LOCK + 'session = "Q"\ntyres = { FL = "N1" }\n' + LOCK
        + 'session = "R1"\ntyres = { FL = "N2", FR = "N3", RL = "N4", RR = "U1" }\n',
        make_tyres(), {},
        {"R1 starts on the tyres used in Q", "the lock of Q", "the lock of R1"},
        "drop: R1 starts on the tyres used in Q",
    ),
    "sides used up": (
        SAME, make_tyres(new=0, used=4).assign(used=True, last_corner=["FL", "RL", "FL", "FR"]),
        R2_ONLY, {"tyres stay on the side"}, "drop: tyres stay on the side",
    ),
    "locked to the other side": (
        SAME + LOCK + 'session = "R2"\ntyres = { FR = "U1" }\n',
        make_tyres().assign(last_corner=LEFT), R2_ONLY,
        {"tyres stay on the side", "the lock of R2 to FR U1"}, "drop: the lock of R2",
    ),
    "too few heat cycles left": (
        LIFE + "heat_cycles = 2\n", make_tyres(new=5, used=3), {"P1": ""},
        {"no tyre past 2 heat cycles"}, "→ no tyre past 3 heat cycles",
    ),
    "two locks of one corner": (
        LOCK + 'session = "R2"\ntyres = { FL = "N1" }\n' + LOCK
        + 'session = "R2"\ntyres = { FL = "N2" }\n', make_tyres(), R2_ONLY,
        {"the lock of R2 to FL N1", "the lock of R2 to FL N2"}, "drop: the lock of R2 to FL N2",
    ),
    "locked to the wrong axle": (
        LOCK + 'session = "R2"\ntyres = { RL = "U1" }\n', make_tyres().assign(axle=FRONT_ONLY),
        R2_ONLY, {"the lock of R2 to RL U1", "the tyre list: U1 goes on FL FR only"},
        "drop: the lock of R2",
    ),
    "an unmarked tyre locked": (
        POOL + 'sessions = ["R2"]\nmost = 8\nmarked_only = true\n' + LOCK
        + 'session = "R2"\ntyres = { FL = "X1" }\n',
        make_tyres({"tyre_id": "X1", "marked": False}), R2_ONLY,
        {"marked tyres only", "the lock of R2 to FL X1"}, "→ at most 8 different tyres over R2",
    ),
    "a pair locked that does not match": (
        MATCH + "laps = 5\n" + LOCK + 'session = "R2"\ntyres = { FL = "N1", FR = "U1" }\n',
        make_tyres(), R2_ONLY, {"within 5 laps of age", "the lock of R2 to FL N1, FR U1"},
        "→ left and right of an axle within 10 laps",
    ),
    "a pool too small for the life": (
        POOL + 'sessions = ["Q", "R1", "R2"]\nmost = 4\n' + LIFE + "laps = 40\n", make_tyres(),
        {"P1": ""}, {"at most 4 different tyres over Q, R1, R2", "no tyre past 40 laps"},
        "→ no tyre past 42 laps",  # Q, R1 and R2 are 5 + 16 + 21 laps
    ),
    "only left tyres": (
        "", make_tyres(new=8, used=0).assign(side="left"), R2_ONLY,
        {"the tyre list: 1 tyres are needed for FR, it has none"}, "",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", IMPOSSIBLE_EVENTS)
def test_the_limits_an_engineer_would_name(name, figure):
    limits, tyres, sessions, clashing, repair = IMPOSSIBLE_EVENTS[name]
    begun = time.monotonic()
    found = allocate(
        make_event(limits, **sessions), tyres, StraightLoss(), StraightWear(),
        rng=np.random.default_rng(1),
    )  # fmt: skip
    figure(f"{name}: clash and repair in {time.monotonic() - begun:.1f} s")  # goal 10 s
    assert found.status == "impossible" and not len(found.table)
    assert len(found.blocked_by) == len(clashing), found.blocked_by
    for words in clashing:
        assert any(words in said for said in found.blocked_by), (words, found.blocked_by)
    assert not repair or any(repair in said for said in found.repairs), found.repairs


def test_a_start_on_the_tyres_of_a_session_half_in_the_wet():
    """Q ran on three dry tyres and a wet one: R1 cannot start on four dry tyres of Q."""
    fitted = pd.DataFrame(
        {"session": "Q", "corner": ["FL", "FR", "RL", "RR"], "tyre_id": ["U1", "U2", "U3", "W1"]}
    )
    tyres = make_tyres({"tyre_id": "W1", "spec": "wet", "used": True})
    found = allocate(
        make_event(START), tyres, StraightLoss(), StraightWear(), done=("P1", "Q"), fitted=fitted,
        rng=np.random.default_rng(1),
    )  # fmt: skip
    assert found.blocked_by == ("R1 starts on the tyres used in Q",)
    assert found.repairs == ("drop: R1 starts on the tyres used in Q",)
    assert any("kept out of the dry plan" in note for note in found.notes)
