"""The next practice from event, fits and tyre plan. Event and laps are invented."""

import numpy as np
import pandas as pd
import pytest
from test_race_stops import tyre_list

from tyrekit.errors import EventError
from tyrekit.fit.prior import beliefs
from tyrekit.fit.tread import TreadModel
from tyrekit.plan.allocation import allocate
from tyrekit.plan.decision import whole_loss
from tyrekit.plan.fitting import drawn_costs_s
from tyrekit.plan.next_practice import next_practice, practice_decision, practice_sets

NO_TREAD = pd.DataFrame(
    columns=["taken_at", "tyre_id", "corner", "age_laps", "distance_km",
             "inner_mm", "centre_mm", "outer_mm"]
)  # fmt: skip


@pytest.fixture(scope="module")
def allocation(event, lap_time):
    tread = TreadModel(NO_TREAD, event, beliefs(event).tread).fit()
    rng = np.random.default_rng(1)
    tyres = tyre_list(new=8, used=12)
    return allocate(event, tyres, lap_time, tread, done=("P1",), alternatives=3, rng=rng)


def test_runs_are_those_the_session_and_the_tyre_plan_allow(event, lap_time, fuel_use, allocation):
    found = next_practice(event, event.session("P2"), lap_time, fuel_use, allocation)
    sets = {one.set_id: one for one in practice_sets(event, allocation, event.session("P2"))}
    assert found.status == "optimal" and found.judged > 10
    assert set(found.table["set_id"]) <= set(sets)
    used = found.table.groupby("set_id")["laps"].sum()
    assert all(used[name] <= sets[name].longest_laps for name in used.index)
    assert found.table["end_min"].iloc[-1] <= 40.0
    assert found.after_sd_s < found.before_sd_s
    assert any("without touching the tyre plan" in note for note in found.notes)


def test_sets_leave_what_the_plan_needs(event, allocation):
    found = practice_sets(event, allocation, event.session("P2"))
    needed = set(allocation.table.loc[allocation.table["session"] != "P2", "tyre_id"])
    needed |= set(allocation.spares["tyre_id"])
    own = allocation.table[allocation.table["session"] == "P2"].set_index("corner")["tyre_id"]
    assert found[0].set_id == " ".join(own[["FL", "FR", "RL", "RR"]])
    for one in found[1:]:
        ids = set(one.set_id.split())
        assert len(ids) == 4 and not ids & needed
        assert not any(tyre_id.startswith("N") for tyre_id in ids)  # new ones are counted


def test_decision_is_the_one_worth_most_to_know(allocation):
    decision = practice_decision(allocation)
    best_s = drawn_costs_s(allocation.problem, allocation.table)
    worth_s = [
        np.maximum(best_s - drawn_costs_s(one.problem, one.table), 0).mean()
        for one in allocation.alternatives
    ]
    if max(worth_s, default=0.0) > 1e-3:
        assert decision.words == allocation.alternatives[int(np.argmax(worth_s))].differs
        assert decision.choice
    else:
        assert not decision.choice


def test_without_a_rival_no_value_is_claimed(event, lap_time, fuel_use, allocation):
    found = next_practice(
        event, event.session("P2"), lap_time, fuel_use, allocation, decision=whole_loss(allocation)
    )
    assert found.value_s == 0.0 and (found.alternatives["value_s"] == 0.0).all()
    assert any("no choice of tyres" in note for note in found.notes)
    assert found.difference_s == pytest.approx(allocation.cost_s, abs=0.05 * allocation.cost_s)


def test_beliefs_alone_give_a_programme(event, believed_lap_time, fuel_use, allocation):
    found = next_practice(event, event.session("P2"), believed_lap_time, fuel_use, allocation)
    assert found.status == "optimal"
    assert found.after_sd_s < found.before_sd_s
    assert not found.table.isna().any(axis=None)


def test_no_sets_is_said(event, lap_time, fuel_use, allocation):
    found = next_practice(event, event.session("P2"), lap_time, fuel_use, allocation, sets=())
    assert found.status == "impossible" and found.judged == 0
    assert list(found.table.columns)[:2] == ["run", "set_id"]
    assert any("no run fits" in note for note in found.notes)


def test_minutes_too_few_for_a_run(event, lap_time, fuel_use, allocation):
    short = event.session("P2").model_copy(update={"minutes": 3.0})
    found = next_practice(event, short, lap_time, fuel_use, allocation)
    assert found.status == "impossible"


def test_track_temperature_may_be_given(event, lap_time, fuel_use, allocation):
    hot = next_practice(event, event.session("P2"), lap_time, fuel_use, allocation, track_c=50.0)
    assert hot.status == "optimal"


def test_a_race_is_no_practice(event, lap_time, fuel_use, allocation):
    with pytest.raises(EventError, match="R1 is a race session"):
        next_practice(event, event.session("R1"), lap_time, fuel_use, allocation)
