"""Ranked sets for the next session, what changes are worth, and the dry and wet fork.

Expected numbers are the planner's own optimum under a lock or an eased limit, solved apart from
the ranking (consistency), and closed forms of the stand-ins' straight lines.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from stand_ins import StraightLoss, StraightWear, make_event, make_tyres

from tyrekit.errors import EventError
from tyrekit.plan.allocation import allocate
from tyrekit.plan.fork import fork
from tyrekit.plan.loss import chance_least
from tyrekit.plan.next_session import rank_next
from tyrekit.plan.outlook import agreement, outlook
from tyrekit.plan.worth import worth
from tyrekit.record.event import Lock

LIMITS = """
[[limit]]
kind = "new_tyres"
most = 4
[[limit]]
kind = "start_on"
session = "R1"
same_as = "Q"
[[limit]]
kind = "longest_life"
laps = 45
[[limit]]
kind = "matched_axle"
laps = 6
"""


def plan(limits=LIMITS, tyres=None, event=None, **named):
    tyres = make_tyres(new=6, used=4) if tyres is None else tyres
    named = {"rng": np.random.default_rng(1), "alternatives": 0} | named
    event = make_event(limits, P1="") if event is None else event
    return allocate(event, tyres, StraightLoss(), StraightWear(), **named)


@pytest.fixture(scope="module")
def best():
    return plan()


@pytest.fixture(scope="module")
def ranked(best):
    return rank_next(best, "Q")


def axle_sets(row):
    age = {f"N{i}": 0 for i in range(1, 9)} | {f"U{i}": 10 for i in range(1, 9)}
    return tuple(tuple(sorted(age[row[c]] for c in axle)) for axle in (("fl", "fr"), ("rl", "rr")))


def test_the_first_choice_is_the_plans_own(best, ranked):
    start = best.table[best.table["session"] == "Q"].set_index("corner")["tyre_id"]
    first = ranked.table.iloc[0]
    assert [first[c] for c in ("fl", "fr", "rl", "rr")] == [start[c] for c in start.index]
    zero = ["expected_s", "lower_s", "upper_s", "later_cost_s", "weekend_cost_s"]
    assert (first[zero] == 0).all()
    assert ranked.session == "Q" and ranked.status == "optimal"


def test_sets_differ_by_ages_on_the_axles_and_get_dearer(ranked):
    sets = [axle_sets(row) for _, row in ranked.table.iterrows()]
    assert len(set(sets)) == len(sets)
    assert ranked.table["weekend_cost_s"].is_monotonic_increasing
    assert list(ranked.table["rank"]) == list(range(1, len(sets) + 1))
    assert ranked.table["chance_best"].sum() == pytest.approx(1.0)


def test_every_set_there_is_is_listed(ranked):
    """Six new and four used tyres allow new 0, 1 or 2 on each axle; ages 0 and 10 do not match."""
    assert len(ranked.table) == 4  # both axles new, one of them, or neither


def test_later_cost_is_the_optimum_with_that_choice_locked(best, ranked):
    for _, row in ranked.table.iterrows():
        tyres = {c.upper(): row[c] for c in ("fl", "fr", "rl", "rr")}
        locked = plan(locks=(Lock(kind="lock", session="Q", tyres=tyres),))
        assert row["weekend_cost_s"] == pytest.approx(locked.cost_s - best.cost_s, abs=5e-3)
        weighted = 2.0 * row["expected_s"] + row["later_cost_s"]  # a second in Q is worth two
        assert weighted == pytest.approx(row["weekend_cost_s"], abs=1e-9)


def test_seconds_of_the_session_are_the_stand_ins(ranked):
    """Ten laps older and two heat cycles on one axle: share x (10 x 0.05 + 2 x 0.04) s."""
    share = {"front": 0.25 / 2 + 0.75 * 0.115 / 0.18, "rear": 0.25 / 2 + 0.75 * 0.065 / 0.18}
    first = axle_sets(ranked.table.iloc[0])
    for _, row in ranked.table.iterrows():
        apart = 0.0
        for axle, own, other in zip(("front", "rear"), axle_sets(row), first, strict=True):
            apart += share[axle] * ((own[0] == 10) - (other[0] == 10)) * (10 * 0.05 + 2 * 0.04)
        assert row["expected_s"] == pytest.approx(apart, abs=5e-3)
        assert row["lower_s"] <= row["expected_s"] <= row["upper_s"]


def test_the_end_of_the_session_and_the_reason(ranked):
    for _, row in ranked.table.iterrows():
        assert row["age_end_laps"] == max(a for axle in axle_sets(row) for a in axle) + 5
        assert 0 < row["tread_end_mm"] < 6.0
        assert row["reason"].startswith("front ") and "rear " in row["reason"]
    assert "least cost over the weekend" in ranked.table["reason"].iloc[0]
    assert all("later" in reason for reason in ranked.table["reason"].iloc[1:])


def test_the_list_can_be_short_and_says_what_is_left_out(best):
    short = rank_next(best, "Q", most=2)
    assert len(short.table) == 2 and "any other costs at least as much" in short.notes[0]


def test_a_session_that_is_not_planned_and_an_impossible_weekend():
    wet = make_event(Q='kind = "qualifying"\nminutes = 15\nvalue = 2.0\nwet = true', P1="")
    none = rank_next(plan(event=wet), "Q")
    assert not len(none.table) and none.notes == ("Q is not planned here",)
    blocked = plan('[[limit]]\nkind = "longest_life"\nlaps = 3\n')
    answer = rank_next(blocked, "Q")
    assert answer.status == "impossible" and answer.notes == blocked.blocked_by


def test_value_zero_is_said():
    found = rank_next(plan(event=make_event(LIMITS)), "P1", most=3)
    assert any("worth nothing" in note for note in found.notes)


def test_chance_least_shares_ties():
    cost = np.array([[1.0, 1.0, 2.0, 3.0], [1.0, 2.0, 1.0, 3.0]])
    assert chance_least(cost) == pytest.approx([(0.5 + 1 + 0 + 0.5) / 4, (0.5 + 0 + 1 + 0.5) / 4])


def test_one_more_tyre_is_worth_what_solving_with_it_gives(best):
    table = worth(best).set_index("change")
    more = LIMITS.replace("most = 4", "most = 5")
    assert (table["status"] == "optimal").all() and (table["worth_s"] >= 0).all()
    assert table["worth_s"].is_monotonic_decreasing
    again = plan(more, make_tyres(new=7, used=4))
    gain = best.cost_s - again.cost_s
    assert table.loc["one more new tyre", "worth_s"] == pytest.approx(gain, abs=1e-9)
    eased = plan(LIMITS.replace("laps = 45", "laps = 46"))
    words = "no tyre past 45 laps → no tyre past 46 laps"
    assert table.loc[words, "worth_s"] == pytest.approx(best.cost_s - eased.cost_s, abs=1e-9)
    freer = plan("".join(f"[[limit]]{part}" for part in LIMITS.split("[[limit]]")[2:]))
    words = "without: at most 4 new tyres over the event"
    assert table.loc[words, "worth_s"] == pytest.approx(best.cost_s - freer.cost_s, abs=1e-9)


def test_agreement_counts_plans_with_the_same_next_choice():
    found = plan(alternatives=5)
    table = agreement(found)
    assert list(table["axle"]) == ["front", "rear", "both"] and (table["of"] == 6).all()
    assert (table["within_s"] == found.alternatives[-1].difference_s).all()
    starts = []
    for one in (found, *found.alternatives):
        rows = one.table[one.table["session"] == "Q"].set_index("corner")["age_laps"]
        starts.append((sorted(rows[["FL", "FR"]]), sorted(rows[["RL", "RR"]])))
    front, rear = (sum(start[at] == starts[0][at] for start in starts) for at in (0, 1))
    assert list(table["plans"]) == [front, rear, sum(start == starts[0] for start in starts)]


def test_outlook_says_who_wins_how_often_and_which_limit_binds():
    found = plan(alternatives=3)
    seen = outlook(found)
    rivals = seen.rivals
    assert list(rivals["plan"]) == [1, 2, 3] and rivals["difference_s"].is_monotonic_increasing
    assert (rivals[["chance_plan", "chance_rival", "chance_tie"]].sum(axis=1) == 1).all()
    assert rivals["chance_plan"].iloc[0] == found.chance_best
    assert rivals["chance_tie"].iloc[0] == found.chance_tie
    assert (rivals["lower_s"] <= rivals["difference_s"]).all()
    assert (rivals["difference_s"] <= rivals["upper_s"]).all()
    limits = seen.limits.set_index("limit")
    assert list(limits.index) == [limit.words() for limit in found.problem.limits]
    new = limits.loc["at most 4 new tyres over the event"]
    used = {t for t in found.table["tyre_id"] if t.startswith("N")}
    assert new["binds"] == (len(used) == 4)
    gain = found.cost_s - plan(LIMITS.replace("most = 4", "most = 5")).cost_s
    assert new["step_s"] == pytest.approx(gain, abs=1e-9)
    assert (limits["dropped_s"] >= limits["step_s"].fillna(0) - 1e-9).all()
    none = outlook(plan('[[limit]]\nkind = "longest_life"\nlaps = 3\n'))
    assert not len(none.rivals) and not len(none.limits) and not len(none.worth)


def test_dry_and_wet_scenarios_and_what_is_common():
    event = make_event(LIMITS, P1="")
    tyres = make_tyres(new=6, used=4)
    found = fork(event, ["R2"], tyres, StraightLoss(), StraightWear())
    assert set(found.dry.table["session"]) == {"Q", "R1", "R2"}
    assert set(found.wet.table["session"]) == {"Q", "R1"}
    keys = ["session", "corner", "tyre_id"]
    both = [set(map(tuple, p.table[keys].to_numpy())) for p in (found.dry, found.wet)]
    assert set(map(tuple, found.common[keys].to_numpy())) == both[0] & both[1]
    table = found.choices.set_index("choice")
    for name, column in (("dry", "dry_cost_s"), ("wet", "wet_cost_s")):
        own = table[[name in choice.split("best if")[1] for choice in table.index]]
        assert own[column].iloc[0] == pytest.approx(0.0, abs=1e-9)
    assert (table >= -1e-9).to_numpy().all()
    with pytest.raises(EventError, match="'R9' is not in"):
        fork(event, ["R9"], tyres, StraightLoss(), StraightWear())


def test_ranking_is_the_same_for_any_order_of_the_tyre_list(ranked):
    tyres = make_tyres(new=6, used=4)
    for seed in (1, 2):
        again = rank_next(plan(tyres=tyres.sample(frac=1, random_state=seed)), "Q")
        pd.testing.assert_frame_equal(again.table, ranked.table)


def test_distinct_sets_of_many_ages_are_ranked_without_a_gap():
    """Used tyres of three ages: the listed sets are the cheapest of all there are."""
    rows = [
        {"tyre_id": f"U{i}", "age_laps": 6 + i, "distance_km": 18.0 + 3 * i} for i in range(1, 4)
    ]
    tyres = make_tyres(*rows, new=2, used=0)
    event = make_event(P1="", R1="")
    best = plan(event=event, tyres=tyres)
    found = rank_next(best, "Q", most=5)
    costs = []
    age = dict(zip(tyres["tyre_id"], tyres["age_laps"], strict=True))
    met = set()
    for front in combinations(tyres["tyre_id"], 2):
        for rear in combinations([t for t in tyres["tyre_id"] if t not in front], 2):
            ages = tuple(tuple(sorted(age[t] for t in axle)) for axle in (front, rear))
            if ages in met:
                continue
            met.add(ages)
            turns = [(*f, *r) for f in (front, front[::-1]) for r in (rear, rear[::-1])]
            fours = [dict(zip(("FL", "FR", "RL", "RR"), four, strict=True)) for four in turns]
            locks = [Lock(kind="lock", session="Q", tyres=four) for four in fours]
            options = [plan(event=event, tyres=tyres, locks=(one,)).cost_s for one in locks]
            costs.append(min(options))
    assert found.table["weekend_cost_s"].to_numpy() + best.cost_s == pytest.approx(
        sorted(costs)[:5], abs=1e-2
    )
