"""From event, fits and tyre plan to stint plans, caution replies and a decision."""

from functools import partial

import numpy as np
import pandas as pd
import pytest

from tyrekit.fit.prior import beliefs
from tyrekit.fit.tread import TreadModel
from tyrekit.plan.allocation import allocate
from tyrekit.plan.caution import caution_policy
from tyrekit.plan.decision import between
from tyrekit.plan.fitting import drawn_costs_s
from tyrekit.plan.race_sets import race_tyres
from tyrekit.plan.race_stops import fuel_by_laps, stint_race
from tyrekit.plan.stint_search import FIRST, LAST, MIDDLE, ONLY
from tyrekit.plan.stints import stint_plans

DONE = ("P1", "P2", "Q")
NO_TREAD = pd.DataFrame(
    columns=["taken_at", "tyre_id", "corner", "age_laps", "distance_km",
             "inner_mm", "centre_mm", "outer_mm"]
)  # fmt: skip


def tyre_list(new=8, used=8):
    rows = [(f"N{i}", True, 0.0, 0) for i in range(1, new + 1)]
    rows += [(f"U{i}", False, 6.0 + 3 * (i // 4), 2) for i in range(1, used + 1)]
    table = pd.DataFrame(rows, columns=["tyre_id", "new", "age_laps", "heat_cycles"])
    return table.assign(
        spec="control", marked=True, distance_km=3.0 * table["age_laps"], tread_mm=6.5,
        tread_min_mm=6.3, axle="any", side="any", last_corner="", used=False, note="",
    )  # fmt: skip


@pytest.fixture(scope="module")
def tread(event):
    return TreadModel(NO_TREAD, event, beliefs(event).tread).fit()


@pytest.fixture(scope="module")
def plan(event, lap_time, tread):
    return allocate(
        event, tyre_list(), lap_time, tread, done=DONE, rng=np.random.default_rng(1)
    )  # fmt: skip


@pytest.fixture(scope="module")
def race(event, lap_time, fuel_use):
    return partial(stint_race, event, event.session("R3"), lap_time, fuel_use)


def test_race_holds_what_the_event_says(event, race, lap_time):
    one = race(sets=2)
    assert (one.laps, one.least_stops, one.first_lap, one.last_lap) == (34, 1, 8, 28)
    assert one.stop_s == 30.0 + 45.0
    assert one.standing_s == 45.0
    assert one.warm_up_s == pytest.approx(sum(lap_time.warm_up_s))
    assert one.change_tyres and not one.refuel
    assert one.caution == event.session("R3").caution
    assert np.isfinite(one.fuel_kg[:, ONLY, -1]).all()


def test_fuel_by_laps_is_the_needs_own_quantile(make_event, fuel_use):
    # other way: the need asked lap by lap, where the table interpolates
    event = make_event(("refuel = false", "refuel = true"))
    session = event.session("R3")
    table = fuel_by_laps(event, session, fuel_use, 34, 15.0, [0.005])[0]
    for n in (3, 11, 20, 34):
        need = fuel_use.need(n, formation_laps=1, cool_down_laps=1).quantile(0.995)
        assert table[ONLY, n] == pytest.approx(need + 4.0 * 0.745, rel=2e-3)
        need = fuel_use.need(n).quantile(0.995)
        assert table[MIDDLE, n] == pytest.approx(need + 2.5 * 0.745, rel=2e-3)
    assert (table[ONLY, 1:] > table[FIRST, 1:]).all() and (table[LAST] > table[MIDDLE]).all()


def test_sets_are_those_of_the_tyre_plan(event, plan, lap_time):
    sets = race_tyres(event, plan, event.session("R3")).sets
    own = plan.table[plan.table["session"] == "R3"]
    assert plan.status == "optimal"
    assert {i for one in sets for i in one.name.split()} == set(own["tyre_id"])
    assert len(sets) == own["stint"].nunique() == 2
    first = own[own["stint"] == 1]
    assert sets[0].age_laps == pytest.approx(first["age_laps"].mean())
    share = np.full(4, 0.25)
    loss = [lap_time.mean_age_loss_s(age + np.arange(5)) for age in first["age_laps"]]
    heat = lap_time.heat_cycle_s * first["heat_cycles"].mean()
    assert sets[0].lap_loss_s[:5] == pytest.approx(share @ np.array(loss) + heat)
    assert sets[0].draws_s.shape == (len(plan.problem.heat_cycle_draws_s), len(sets[0].lap_loss_s))


def test_from_event_to_the_pit_wall(event, plan, race):
    sets = race_tyres(event, plan, event.session("R3")).sets
    one = race(sets=len(sets))
    found = stint_plans(one, sets)
    policy = caution_policy(one, sets)
    assert found.status == policy.status == "optimal"
    assert found.best.table["laps"].sum() == 34
    assert 8 <= found.best.stops[0] <= 28
    assert sum(p.chance_best for p in found.plans) == pytest.approx(1.0)
    assert policy.gain_s >= 0.0
    assert found.window["lost_s"].min() == pytest.approx(0.0, abs=1e-9)
    assert any("inside the window" in note for note in found.notes)


def test_life_limit_shortens_the_sets(make_event, lap_time, tread):
    text = '[[session]]\nid = "P1"'
    limit = '[[limit]]\nkind = "longest_life"\nlaps = 40\n' + text
    event = make_event((text, limit))
    plan = allocate(event, tyre_list(), lap_time, tread, done=(*DONE, "R1", "R2"),
                    rng=np.random.default_rng(1))  # fmt: skip
    for one in race_tyres(event, plan, event.session("R3")).sets:
        assert one.longest_laps <= 40 - one.age_laps


def test_a_race_without_stops_is_one_stint(event, lap_time, fuel_use, plan):
    one = stint_race(event, event.session("R1"), lap_time, fuel_use, sets=1)
    sets = race_tyres(event, plan, event.session("R1")).sets
    found = stint_plans(one, sets)
    assert found.status == "optimal"
    assert found.best.stops == ()
    assert any("no [stops]" in note for note in one.notes)


def test_refuelling_race_fills_for_each_stint(make_event, lap_time, fuel_use, plan):
    event = make_event(("tank_l = 70.0", "tank_l = 40.0"), ("refuel = false", "refuel = true"))
    one = stint_race(event, event.session("R3"), lap_time, fuel_use, sets=2)
    sets = race_tyres(event, plan, event.session("R3")).sets
    found = stint_plans(one, sets)
    assert one.refuel and found.status == "optimal"
    fuel = found.best.table["fuel_kg"]
    assert (fuel <= 40.0 * 0.745 + 1e-9).all()
    assert (fuel > found.best.table["laps"] * one.use_kg_per_lap).all()
    assert any(note.startswith("every stop stands 45 s, however much") for note in one.notes)


def test_the_last_stint_carries_what_the_minimum_mass_takes(make_event, lap_time, fuel_use, plan):
    changes = [
        ("refuel = false", "refuel = true"),
        ("ballast_limit_kg = 90.0", "ballast_limit_kg = 30.0"),
    ]
    event = make_event(*changes)
    race = stint_race(event, event.session("R3"), lap_time, fuel_use, sets=2)
    usual = stint_race(make_event(changes[0]), event.session("R3"), lap_time, fuel_use, sets=2)
    # by hand: what mass, lightest driver, unusable fuel and all ballast leave to the minimum
    lightest_kg = min(driver.mass_kg for driver in event.drivers)
    car = event.car
    short_kg = car.minimum_mass_kg - car.mass_kg - lightest_kg - 30.0 - 2.5 * 0.745
    assert short_kg > 0
    for role, more_kg in ((FIRST, 0.0), (MIDDLE, 0.0), (LAST, short_kg), (ONLY, short_kg)):
        assert race.fuel_kg[0, role, 10] - usual.fuel_kg[0, role, 10] == pytest.approx(more_kg)


def test_decision_between_plans_is_their_difference_in_cost(event, plan, lap_time):
    # other way: the planner's own costs, expected and over draws
    for other in plan.alternatives:
        decision = between(plan, other)
        expected = plan.cost_s - other.cost_s
        assert decision.difference_s(lap_time) == pytest.approx(expected, abs=2e-3)
        drawn = drawn_costs_s(plan.problem, plan.table)
        drawn = drawn - drawn_costs_s(plan.problem, other.table)
        ages = len(decision.age_weight)
        loss = plan.problem.age_loss_draws_s[:, :ages] @ decision.age_weight
        loss = loss + decision.heat_cycles * plan.problem.heat_cycle_draws_s
        assert loss == pytest.approx(drawn, abs=1e-9)
    assert plan.alternatives
