"""Sets of a race from the tyre plan: whole ones, pairs that change while the others stay on.

Expected values: sums written out from the allocation's own tables (closed form). Invented.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from stand_ins import RATE_MM, StraightLoss, StraightWear, make_event, make_tyres

from tyrekit.plan.allocation import allocate
from tyrekit.plan.laps_left import laps_left
from tyrekit.plan.race_sets import STAYS_ON, race_tyres
from tyrekit.plan.stints import stint_plans

STOPPING = """kind = "race"
laps = 20
formation_laps = 1
value = 1.5
[session.stops]
minimum = 1
first_lap = 5
last_lap = 15
stationary_s = 30.0
tyres = true
refuel = false
"""
LIMITS = """
[[limit]]
kind = "minimum_tread"
mm = 1.6
confidence_pct = 90.0
[[limit]]
kind = "longest_life"
laps = 45
km = 200.0
"""


@pytest.fixture(scope="module")
def meeting():
    return make_event(LIMITS, P1="", Q="", R1="", R2=STOPPING)


@pytest.fixture(scope="module")
def plan(meeting):
    rng = np.random.default_rng(3)
    return allocate(
        meeting, make_tyres(), StraightLoss(), StraightWear(), alternatives=0, rng=rng
    )  # fmt: skip


def with_ids(plan, first, second):
    """The plan with these tyres in the two stints of the race; ages as they then are."""
    table = plan.table.copy()
    rows = {one.tyre_id: one for one in plan.problem.tyres}
    for stint, ids in ((1, first), (2, second)):
        at = table.index[table["stint"] == stint]
        for i, tyre_id in zip(at, ids, strict=True):
            stays = stint == 2 and tyre_id in first
            laps = 11 if stint == 1 else 10
            age = rows[tyre_id].age_laps + (11 if stays else 0)
            table.loc[i, ["tyre_id", "age_laps", "age_end_laps"]] = [tyre_id, age, age + laps]
            table.loc[i, "heat_cycles"] = rows[tyre_id].heat_cycles
    return replace(plan, table=table)


def test_whole_sets_in_turn(meeting, plan):
    changed = with_ids(plan, ["N1", "N2", "N3", "N4"], ["U1", "U2", "U3", "U4"])
    found = race_tyres(meeting, changed, meeting.session("R2"))
    assert [one.name for one in found.sets] == ["N1 N2 N3 N4", "U1 U2 U3 U4"]
    assert [one.age_laps for one in found.sets] == [0.0, 10.0]
    assert len(found.table) == 8 and not (found.table["set"] == STAYS_ON).any()
    ages = np.arange(5)
    assert found.sets[1].lap_loss_s[:5] == pytest.approx(0.05 * (10 + ages) + 0.04 * 2)


def test_a_pair_changes_while_the_others_stay_on(meeting, plan):
    """Closed form: straight losses, so only the front pair's share of age and cycles counts."""
    part = with_ids(plan, ["N1", "N2", "U3", "U4"], ["U1", "U2", "U3", "U4"])
    found = race_tyres(meeting, part, meeting.session("R2"))
    assert [one.name for one in found.sets] == ["N1 N2", "U1 U2"]
    share = plan.problem.corner_share[:2].sum()
    ages = np.arange(5)
    assert found.sets[0].lap_loss_s[:5] == pytest.approx(share * 0.05 * ages)
    assert found.sets[1].lap_loss_s[:5] == pytest.approx(share * (0.05 * (10 + ages) + 0.08))
    stay = found.table[found.table["set"] == STAYS_ON]
    assert list(stay["tyre_id"]) == ["U3", "U4"]
    assert "only FL and FR are changed; RL U3, RR U4 stay on" in found.notes[0]


def test_one_set_that_stays_on_is_one_set(meeting, plan):
    same = with_ids(plan, ["N1", "N2", "N3", "N4"], ["N1", "N2", "N3", "N4"])
    found = race_tyres(meeting, same, meeting.session("R2"))
    assert [one.name for one in found.sets] == ["N1 N2 N3 N4"]
    assert found.notes == ()


def test_the_best_lap_to_change_a_pair_is_the_whole_sets(meeting, plan, lap_time, fuel_use):
    """Closed form: with straight losses of rate r and ages a, b at the start, the stop that
    evens out the ages is at (N + b - a) / 2 whatever the share, here 20 and 10 laps older."""
    from tyrekit.plan.race_stops import stint_race

    session = meeting.session("R2").model_copy(update={"formation_laps": 0})
    race = stint_race(meeting, session, lap_time, fuel_use, sets=2)
    part = with_ids(plan, ["N1", "N2", "U3", "U4"], ["U1", "U2", "U3", "U4"])
    sets = race_tyres(meeting, part, session).sets
    level = [replace(one, lap_loss_s=one.lap_loss_s - 0.08 * (i * 0.5), draws_s=None)
             for i, one in enumerate(sets)]  # fmt: skip
    lost = stint_plans(replace(race, warm_up_s=0.0), level).window
    assert abs(int(lost.loc[lost["planned"], "lap"].iloc[0]) - 15) <= 1


def test_axles_that_change_at_different_stops_are_said(plan):
    three = STOPPING.replace("minimum = 1", "minimum = 2")
    meeting = make_event(LIMITS, P1="", Q="", R1="", R2=three)
    rng = np.random.default_rng(3)
    own = allocate(meeting, make_tyres(), StraightLoss(), StraightWear(), alternatives=0, rng=rng)
    table = own.table.copy()
    ids = ["N1", "N2", "U3", "U4", "U1", "U2", "U3", "U4", "U1", "U2", "N3", "N4"]
    table["tyre_id"] = ids
    found = race_tyres(meeting, replace(own, table=table), meeting.session("R2"))
    assert len(found.sets) == 1
    assert found.left_over == ("N3", "N4", "U1", "U2")
    assert "N3, N4, U1, U2 go on together with tyres already on the car" in found.notes[0]


def test_no_tyres_say_why(meeting, plan):
    none = replace(plan, table=plan.table.iloc[:0], blocked_by=("too few tyres",))
    found = race_tyres(meeting, none, meeting.session("R2"))
    assert found.sets == () and "too few tyres" in found.notes[0]


def test_laps_left_obeys_each_limit(meeting, plan):
    """Closed form: life 45 laps, 200 km of 3 km, tread to 1.6 mm at the wear of the confidence."""
    state = {"age_laps": 30.0, "distance_km": 90.0, "tread_low_mm": 9.0}
    assert laps_left(meeting, plan.problem, 0, **state) == 15
    assert laps_left(meeting, plan.problem, 0, **state | {"distance_km": 176.0}) == 8
    worn = laps_left(meeting, plan.problem, 0, **state | {"tread_low_mm": 2.0})
    rate = RATE_MM["FL"] * (1 + 0.1 * 1.2815515655446004)  # normal quantile of 90 %
    assert worn == int(0.4 / rate)
    assert laps_left(meeting, plan.problem, 0, **state | {"age_laps": 50.0}) < 0


def test_life_of_the_weakest_tyre_is_the_sets(meeting, plan):
    old = with_ids(plan, ["N1", "N2", "N3", "U4"], ["U1", "U2", "U3", "U4"])
    found = race_tyres(meeting, old, meeting.session("R2"))
    for name, rows in found.table.groupby("set"):
        one = next((s for s in found.sets if s.name == name), None)
        if one is not None:
            assert one.longest_laps <= rows["longest_laps"].min()
    assert isinstance(found.table, pd.DataFrame)
