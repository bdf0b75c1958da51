"""One race from event, fits and tyre plan to fuel, stints, stop window and replies to cautions.

Expected values: closed form where a test says so; otherwise the rules of the event and agreement
between the tables of one plan. Event and laps are invented.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from test_race_stops import DONE, tyre_list

from tyrekit.errors import EventError
from tyrekit.fit.prior import beliefs
from tyrekit.fit.tread import TreadModel
from tyrekit.plan.allocation import allocate
from tyrekit.plan.fuel_load import fuel_load
from tyrekit.plan.race_plan import race_plan, session_load
from tyrekit.plan.stints import TyreSet
from tyrekit.record.event import Caution, Stops

NO_TREAD = pd.DataFrame(
    columns=["taken_at", "tyre_id", "corner", "age_laps", "distance_km",
             "inner_mm", "centre_mm", "outer_mm"]
)  # fmt: skip


@pytest.fixture(scope="module")
def allocation(event, lap_time):
    tread = TreadModel(NO_TREAD, event, beliefs(event).tread).fit()
    rng = np.random.default_rng(1)
    return allocate(event, tyre_list(), lap_time, tread, done=DONE, alternatives=0, rng=rng)


@pytest.fixture(scope="module")
def planned(lap_time, fuel_use, allocation):
    def make(event, session, allocation=allocation, **changes):
        rng = np.random.default_rng(7)
        return race_plan(event, session, lap_time, fuel_use, allocation, races=400, rng=rng,
                         **changes)  # fmt: skip

    return make


@pytest.fixture(scope="module")
def whole(event, planned):
    return planned(event, event.session("R3"))


def tyre_set(name="A", age=0, laps=60, life=60, draws=8):
    loss_s = 0.05 * (age + np.arange(float(laps)))
    drawn = loss_s * np.linspace(0.5, 1.5, draws)[:, None]
    return TyreSet(name, float(age), loss_s, life, drawn)


def test_fuel_stints_and_card_are_one_plan(event, whole):
    best = whole.stints.best
    assert whole.status == "optimal" and whole.blocked_by == ()
    assert whole.start_kg == whole.fuel.start_kg == best.table["fuel_kg"].iloc[0]
    assert whole.start_l == pytest.approx(whole.fuel.start_l)
    assert list(whole.card["lap"]) == list(best.stops)
    row = whole.card.iloc[0]
    assert (row["off"], row["on"]) == tuple(best.table["set"])
    assert 8 <= row["from_lap"] <= row["lap"] <= row["to_lap"] <= 28
    window = whole.stints.window.set_index("lap")
    assert (window.loc[row["from_lap"] : row["to_lap"], "lost_s"] <= 1.0).all()
    assert window.loc[row["lap"], "planned"] and window["planned"].sum() == 1
    assert row["added_kg"] == 0.0
    replies = whole.caution.table
    assert whole.caution.start_set == row["off"]
    assert set(replies.loc[replies["planned"], "lap"]) == {row["until_lap"]}


@pytest.mark.parametrize(("first", "last"), [(8, 12), (24, 28)])
def test_a_race_starts_on_the_tyres_that_the_tyre_plan_starts_it_on(
    event, planned, allocation, first, last
):
    # a limit may ask for them (start_on, lock); the long stint is before or after the stop
    race = event.session("R3")
    stops = race.stops.model_copy(update={"first_lap": first, "last_lap": last})
    found = planned(event, race.model_copy(update={"stops": stops}))
    own = allocation.table.query("session == 'R3' and stint == 1").set_index("corner")["tyre_id"]
    starts = " ".join(own[["FL", "FR", "RL", "RR"]])
    assert {str(plan.rows[0]["set"]) for plan in found.stints.plans} == {starts}
    assert found.caution.start_set == starts


def test_window_has_an_interval_about_what_is_lost(whole):
    window = whole.stints.window
    assert (window["lower_s"] <= window["lost_s"]).all()
    assert (window["lost_s"] <= window["upper_s"]).all()
    at = window["planned"]
    assert (window.loc[at, ["lost_s", "lower_s", "upper_s"]].abs() < 1e-9).all(axis=None)
    assert (window.loc[~at, "upper_s"] > window.loc[~at, "lower_s"]).any()


def test_interval_of_the_window_is_that_of_straight_losses(planned, event):
    """Closed form: equal new sets losing r per lap of age, stop at lap n of N.

    Loss is r (n(n-1) + (N-n)(N-n-1)) / 2, so n against the middle m costs r (n - m)^2, and the
    interval of r, even from half to one and a half of 0.05, gives the interval.
    """
    sets = [tyre_set("A", draws=60), tyre_set("B", draws=60)]
    bare = event.session("R3").model_copy(update={"formation_laps": 0, "cool_down_laps": 0})
    window = planned(event, bare, sets=sets).stints.window
    apart = (window["lap"] - 17.0) ** 2
    rate = 0.05 * np.linspace(0.5, 1.5, 60)
    assert window["lost_s"].to_numpy() == pytest.approx(0.05 * apart.to_numpy())
    assert window["lower_s"].to_numpy() == pytest.approx(np.quantile(rate, 0.05) * apart)
    assert window["upper_s"].to_numpy() == pytest.approx(np.quantile(rate, 0.95) * apart)


def test_fuel_that_must_be_left_is_enough_for_the_rest(event, fuel_use, whole):
    left, session = whole.fuel_left, event.session("R3")
    assert (left["lower_kg"] <= left["fuel_kg"]).all() and (
        left["fuel_kg"] <= left["upper_kg"]
    ).all()
    assert (np.diff(left["least_kg"]) < 0).all()
    assert list(left["lap"]) == list(range(35))
    kept_kg = whole.fuel.unusable_kg + whole.fuel.sample_kg
    for _, row in left.iloc[:-1].iterrows():  # between laps worked out it is interpolated
        need = fuel_use.need(int(34 - row["lap"]), cool_down_laps=1, caution=session.caution)
        assert row["least_kg"] == pytest.approx(need.quantile(0.995) + kept_kg, abs=0.005)
    assert left["fuel_kg"].iloc[0] >= left["least_kg"].iloc[0]


def test_the_start_fuel_is_accounted_for(event, fuel_use, whole):
    """The parts are the event's and the fit's; what no part takes is the spare."""
    account, load = whole.fuel_account.set_index("what"), whole.fuel
    assert account["fuel_kg"].sum() == pytest.approx(load.start_kg)
    assert account["left_kg"].iloc[-1] == pytest.approx(0.0, abs=1e-9)
    assert account.loc["unusable", "fuel_kg"] == pytest.approx(2.5 * 0.745)
    assert account.loc["sample", "fuel_kg"] == pytest.approx(1.5 * 0.745)
    slow = fuel_use.use_by_kind(race=True)["mean"]
    assert account.loc["formation", "fuel_kg"] == pytest.approx(slow["formation"])
    assert account.loc["cool_down", "fuel_kg"] == pytest.approx(slow["cool_down"])
    assert account.loc["race", "left_kg"] == whole.fuel_left["fuel_kg"].iloc[-1]
    calm = fuel_use.need(34, formation_laps=1, cool_down_laps=1)
    burnt_kg = account.loc[["formation", "race", "cool_down"], "fuel_kg"].sum()
    assert burnt_kg == pytest.approx(calm.mean, rel=0.002)
    assert account.loc["spare", "fuel_kg"] > 0


def test_grid_agrees_with_the_planned_race_and_the_decisions(whole):
    policy = whole.caution
    same = policy.grid[policy.grid["stops"] == 0].set_index("lap")
    first = policy.table[policy.table["planned"].cumsum().shift(fill_value=0) == 0]
    for row in first.itertuples():
        if np.isfinite(row.stop_gain_s) or row.stop_gain_s > 0:
            assert same.loc[row.lap, "reply"] == row.reply
            assert same.loc[row.lap, "stop_gain_s"] == row.stop_gain_s
            assert same.loc[row.lap, "age_laps"] == row.age_laps
    stops = policy.grid["reply"] == "stop"
    assert ((policy.grid["stop_gain_s"] > 0) == stops).all()
    assert not policy.grid["stop_gain_s"].isna().any()


def test_gain_is_measured_on_the_same_races(whole):
    assert whole.caution.gain_s >= 0.0
    apart = whole.gain.gain_s - whole.caution.gain_s
    assert abs(apart) <= 4 * whole.gain.se_s + 1e-9
    assert whole.gain.races == 400


def test_a_race_with_nothing_optional_is_planned_too(event, planned):
    bare = event.session("R1").model_copy(
        update={"caution": None, "formation_laps": 0, "cool_down_laps": 0}
    )
    found = planned(event, bare)
    assert found.status == "optimal"
    assert found.caution is None and found.gain is None
    assert not len(found.card) and not len(found.stints.window)
    assert found.stints.best.stops == ()


def test_a_race_to_time_loses_the_time_of_its_stops(event, planned):
    """Closed form: a stop of 45 s standing and 18 s under caution takes 63 s of 40 minutes."""
    session, stops = event.session("R2"), event.session("R3").stops
    stopping = session.model_copy(update={"stops": stops.model_copy(update={"last_lap": 20})})
    without, with_stop = planned(event, session), planned(event, stopping)
    assert with_stop.fuel.need_kg < without.fuel.need_kg
    lost_laps = without.fuel.laps - with_stop.fuel.laps
    assert lost_laps == pytest.approx(63.0 / 95.0, abs=0.3)  # laps are whole
    assert len(with_stop.stints.best.stops) == 1


def test_one_risk_over_all_stints(make_event, planned, fuel_use):
    """Chances of the stints that the plan has, added up, stay within the risk accepted."""
    event = make_event(("tank_l = 70.0", "tank_l = 40.0"), ("refuel = false", "refuel = true"))
    found = planned(event, event.session("R3"))
    table = found.stints.best.table
    chances = []
    for i, row in table.iterrows():
        first, last = i == 0, i == len(table) - 1
        need = fuel_use.need(int(row["laps"]), formation_laps=int(first), cool_down_laps=int(last))
        aside_kg = (2.5 + 1.5 * last) * 0.745
        chances.append(need.exceedance(row["fuel_kg"] - aside_kg))
    assert 0.9 * 0.005 < sum(chances) <= 0.005  # the table between lengths worked out is careful
    assert found.start_kg == table["fuel_kg"].iloc[0]
    assert (found.card["added_kg"] > 0).all()
    assert not len(found.fuel_left) and not len(found.fuel_account)


@pytest.mark.parametrize("tank_l", [40.0, 70.0])  # the whole race does not fit, fits
def test_the_fuel_card_and_the_race_card_start_on_the_same_fuel(
    make_event, planned, fuel_use, lap_time, allocation, tank_l
):
    event = make_event(("tank_l = 70.0", f"tank_l = {tank_l}"), ("refuel = false", "refuel = true"))
    found = planned(event, event.session("R3"))
    load = session_load(event, event.session("R3"), fuel_use, lap_time, allocation)
    assert found.start_kg == load.start_kg == found.stints.best.table["fuel_kg"].iloc[0]
    whole = fuel_load(event, event.session("R3"), fuel_use, lap_time)
    assert load.start_kg + load.refuel_kg == pytest.approx(whole.start_kg + whole.refuel_kg)
    assert load.shortfall_risk == pytest.approx(whole.shortfall_risk)
    assert any("its race card says when" in note for note in load.notes)
    for id in ("Q", "R1"):  # nothing is added there
        same = session_load(event, event.session(id), fuel_use, lap_time, allocation)
        assert same.start_kg == fuel_load(event, event.session(id), fuel_use, lap_time).start_kg


def test_without_a_stop_the_fuel_is_the_whole_races(make_event, planned, fuel_use, lap_time):
    event = make_event(("minimum = 1\n", "minimum = 0\n"), ("refuel = false", "refuel = true"))
    found = planned(event, event.session("R3"), sets=[tyre_set(laps=60)])
    assert found.stints.best.stops == () and found.fuel.refuel_kg == 0.0
    whole = fuel_load(event, event.session("R3"), fuel_use, lap_time)
    assert found.start_kg == whole.start_kg


def test_single_tyres_that_go_on_later_are_not_called_impossible(event, planned, allocation):
    """The tyre plan has such a race; only its stops are not planned here."""
    table = allocation.table.copy()
    second = (table["session"] == "R3") & (table["stint"] == 2)
    first = table[(table["session"] == "R3") & (table["stint"] == 1)].set_index("corner")
    table.loc[second & (table["corner"] == "RL"), "tyre_id"] = first["tyre_id"]["FL"]
    stops = event.session("R3").stops.model_copy(update={"minimum": 2})
    session = event.session("R3").model_copy(update={"stops": stops, "laps": 60})
    mixed = replace(allocation, table=table)
    found = planned(event, session, allocation=mixed)
    assert found.status == "impossible" and found.tyres.left_over
    assert "follow the tyre plan stint by stint" in found.blocked_by[-1]


def test_leave_to_stop_more_often_never_costs_more(make_event, planned):
    """A plan allowed with fewer stops at most is allowed with more: the least cost only falls."""
    sets = [tyre_set(name, age=4) for name in "ABC"]
    costs, stops = [], []
    for most in ("maximum = 1\n", "maximum = 2\n", ""):
        event = make_event(
            ("minimum = 1\n", f"minimum = 1\n{most}"), ("refuel = false", "refuel = true")
        )
        best = planned(event, event.session("R3"), sets=sets).stints.best
        costs.append(best.cost_s)
        stops.append(len(best.stops))
    assert stops == [1, 1, 1]
    assert costs == pytest.approx([costs[0]] * 3, abs=1e-9)


def test_most_stops_of_the_event_are_kept(make_event, planned):
    event = make_event(("minimum = 1\n", "minimum = 1\nmaximum = 1\n"))
    found = planned(event, event.session("R3"), sets=[tyre_set(n, age=12) for n in "ABC"])
    assert {len(plan.stops) for plan in found.stints.plans} == {1}
    with pytest.raises(EventError, match="maximum is 0"):
        make_event(("minimum = 1\n", "minimum = 1\nmaximum = 0\n"))


def test_a_practice_is_no_race(event, planned):
    with pytest.raises(EventError, match="P2 is a practice session"):
        planned(event, event.session("P2"))


@pytest.mark.parametrize(
    ("changes", "sets", "words"),
    [
        ({}, (), "the sets are those given"),
        ({"tank_l": 12.0}, None, "tank"),
        ({"tank_l": 3.0}, None, "tank"),
        ({"ballast_limit_kg": 0.0, "minimum_mass_kg": 1700.0}, None, "minimum mass"),
        ({"life": 10}, (10, 10), "laps the tyres may still run"),
    ],
)
def test_what_is_in_the_way_is_said(event, planned, changes, sets, words):
    fuel = {k: v for k, v in changes.items() if k == "tank_l"}
    car = {k: v for k, v in changes.items() if k.endswith("_kg")}
    other = event.model_copy(
        update={
            "fuel": event.fuel.model_copy(update=fuel),
            "car": event.car.model_copy(update=car),
        }
    )
    given = None if sets is None else [tyre_set(str(i), life=n) for i, n in enumerate(sets)]
    found = planned(other, other.session("R3"), sets=given)
    assert found.status == "impossible"
    assert any(words in said for said in found.blocked_by)


def test_beliefs_alone_still_give_a_plan(event, believed_lap_time, allocation, laps):
    from tyrekit.fit.fuel_use import FuelUseModel

    nothing = pd.DataFrame(columns=["run_id", "session", "lap", "kind", "fuel_used_l"])
    book = pd.DataFrame(columns=["taken_at", "run_id", "kind", "mass_kg", "volume_l", "fuel_c"])
    runs = pd.DataFrame(columns=["run_id", "session", "start", "fuel_start_kg"])
    believed = FuelUseModel(nothing, book, runs, event, beliefs(event).fuel_use).fit()
    rng = np.random.default_rng(1)
    found = race_plan(event, event.session("R1"), believed_lap_time, believed, allocation, rng=rng)
    assert found.status in ("optimal", "impossible")
    assert found.stints.status == "optimal" or found.blocked_by
    assert "use per lap: 0 % from data" in found.fuel.rests_on


STOPS = st.none() | st.builds(
    Stops,
    minimum=st.integers(0, 3),
    maximum=st.none() | st.integers(3, 4),
    first_lap=st.integers(1, 20),
    last_lap=st.integers(1, 40),
    stationary_s=st.floats(0.0, 90.0),
    tyres=st.booleans(),
    refuel=st.booleans(),
)
CAUTIONS = st.none() | st.builds(
    Caution,
    chance_per_lap=st.sampled_from([0.0, 0.02, 0.5, 0.999]),
    mean_laps=st.sampled_from([1.0, 3.0, 50.0]),
    lap_time_pct=st.floats(100.0, 300.0),
    fuel_pct=st.floats(20.0, 120.0),
    pit_loss_s=st.floats(0.0, 60.0),
)
LENGTHS = st.one_of(
    st.fixed_dictionaries({"laps": st.integers(1, 30), "minutes": st.none()}),
    st.fixed_dictionaries({"laps": st.none(), "minutes": st.floats(0.5, 45.0)}),
    st.fixed_dictionaries({"laps": st.integers(1, 30), "minutes": st.floats(0.5, 45.0)}),
)
FUEL = st.fixed_dictionaries(
    {"tank_l": st.floats(1.0, 90.0), "unusable_l": st.floats(0.0, 5.0),
     "sample_l": st.floats(0.0, 5.0), "shortfall_risk": st.floats(1e-4, 0.4)}
)  # fmt: skip
CAR = st.fixed_dictionaries(
    {"ballast_limit_kg": st.floats(0.0, 90.0), "minimum_mass_kg": st.floats(1300.0, 1700.0)}
)
SETS = st.lists(st.builds(tyre_set, st.sampled_from("ABC"), st.integers(0, 40), st.just(60),
                          st.integers(0, 60)), max_size=3)  # fmt: skip


@settings(
    max_examples=25, deadline=None, derandomize=True, phases=(Phase.explicit, Phase.generate),
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)  # fmt: skip
@given(
    length=LENGTHS, stops=STOPS, caution=CAUTIONS, fuel=FUEL, car=CAR, sets=SETS,
    slow=st.tuples(st.integers(0, 2), st.integers(0, 2)),
)  # fmt: skip
def test_whatever_the_race_there_is_an_answer_without_nan(
    event, planned, length, stops, caution, fuel, car, sets, slow
):
    session = event.session("R3").model_copy(
        update=length
        | {"stops": stops, "caution": caution}
        | dict(zip(("formation_laps", "cool_down_laps"), slow, strict=True))
    )
    other = event.model_copy(
        update={
            "fuel": event.fuel.model_copy(update=fuel),
            "car": event.car.model_copy(update=car),
        }
    )
    found = planned(other, session, sets=sets, count=3)
    assert found.status in ("optimal", "impossible")
    assert (found.status == "optimal") == (not found.blocked_by)
    assert all(found.blocked_by)
    tables = [found.fuel.table, found.fuel_left, found.card, found.stints.ranking]
    tables += [found.stints.window, found.tyres.table]
    tables += [plan.table for plan in found.stints.plans]
    tables += [found.caution.table, found.caution.grid] if found.caution else []
    assert not any(table.isna().any(axis=None) for table in tables)
    numbers = [v for v in vars(found.fuel).values() if isinstance(v, float)]
    assert np.isfinite(numbers).all()
    assert 0.0 <= found.fuel.shortfall_risk <= found.fuel.joint_risk + 1e-12 <= 1.0 + 1e-9
    if found.stints.status == "optimal":
        best = found.stints.best
        assert best.table["laps"].sum() == found.race.laps
        assert len(best.stops) >= found.race.least_stops
        assert all(found.race.first_lap <= lap <= found.race.last_lap for lap in best.stops)
    if found.caution:
        assert found.caution.gain_s >= -1e-9


def test_tyres_beyond_the_data_are_as_old_as_the_oldest_of_their_set(whole):
    # by hand: U8 starts at 12 laps and does the 12 laps of the second stint
    stints = whole.stints.best.table
    assert list(stints["laps"]) == [22, 12]
    older = whole.tyres.table.set_index("tyre_id")["age_laps"]
    assert older["U8"] == 12 and stints["set"].iloc[1] == "U5 U6 U8 U7"
    assert any(note.startswith("tyres reach 24 laps, older than any") for note in whole.notes)
