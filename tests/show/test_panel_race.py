"""The race panel on copies of the demo weekends, moved from Python as the browser would.

Expected values: the rules stated beside them; otherwise agreement between plan and screen.
"""

import re
import shutil

import numpy as np
import pandas as pd
import pytest
from demo_weekends import copy_of
from traitlets import TraitError

from tyrekit.plan.race_plan import race_plan
from tyrekit.plan.stints import TyreSet
from tyrekit.record.template import new_weekend
from tyrekit.show import cards_race, charts_race, race
from tyrekit.show.panel_race import RacePanel
from tyrekit.show.sheet_race import race_page
from tyrekit.show.style import svg
from tyrekit.show.words import number


@pytest.fixture(scope="module")
def panel(tmp_path_factory):
    made = RacePanel(copy_of("fenmoor-after-p3", tmp_path_factory.mktemp("w")), "a <note>")
    assert made.problem.value == ""
    return made


@pytest.fixture
def r1_plan(panel):
    panel.which.value = "R1"
    panel.as_planned.click()
    assert panel.problem.value == ""
    return panel.race.plan


@pytest.fixture
def r3(panel):
    """The panel on the race with stops, nothing supposed."""
    panel.which.value = "R3"
    panel.as_planned.click()
    assert panel.problem.value == ""
    return panel


def tyre_set(name, age):
    loss_s = 0.06 * (age + np.arange(60.0)) + 0.004 * (age + np.arange(60.0)) ** 1.6
    return TyreSet(name, float(age), loss_s, 45, loss_s * np.linspace(0.5, 1.5, 20)[:, None])


@pytest.fixture(scope="module")
def two_stops(panel):
    """A race of 40 laps with two stops and three sets of our own."""
    event = panel.state.weekend.event
    session = event.session("R3")
    stops = session.stops.model_copy(update={"minimum": 2, "last_lap": 36})
    return race_plan(
        event, session.model_copy(update={"laps": 40, "stops": stops}),
        panel.state.fits.lap_time, panel.state.fits.fuel_use, panel.state.answer.allocation,
        sets=[tyre_set("A", 0), tyre_set("B", 6), tyre_set("C", 12)], races=200,
        rng=np.random.default_rng(1),
    )  # fmt: skip


def test_opens_on_the_next_race_and_says_why_there_is_no_stop(panel):
    panel.which.value = "R1"
    assert panel.race.session == "R1"
    assert "R1 is one stint without stops" in panel.plan.value
    assert panel.replies.value == ""
    assert "a &lt;note&gt;" in panel.head.value
    assert len(panel.figures.children) == 1


def test_what_is_on_screen_is_the_plan(r3):
    plan = r3.race.plan
    assert f"{number(plan.start_l)} L" in r3.plan.value
    assert f"{number(plan.fuel.finish_mass_kg, 0)} kg" in r3.plan.value
    rows = race.stints_followed(plan)
    assert f"lap {rows['last_lap'].iloc[0]}" in r3.plan.value
    assert rows["laps"].sum() == plan.race.laps
    for _, one in plan.stints.ranking.head(6).iterrows():
        assert one["sets"] in r3.others.value


def test_more_risk_or_a_colder_bowser_needs_fewer_litres(r3):
    """Petrol is denser when cold: the same kilograms are fewer litres."""
    before, window = r3.race.plan, r3.race.window
    r3.risk.value = 0.05
    assert r3.race.plan.start_l < before.start_l
    assert r3.race.window is window
    r3.as_planned.click()
    r3.bowser.value = before.fuel.bowser_c - 20
    assert r3.race.plan.start_l < before.start_l
    assert r3.race.plan.start_kg == pytest.approx(before.start_kg, abs=0.1)
    assert "supposed" in r3.head.value
    r3.as_planned.click()
    assert r3.race.plan.start_l == before.start_l
    assert "supposed" not in r3.head.value


def test_the_fuel_shown_adds_up_and_agrees_with_itself(r3):
    """To a tenth: parts to the start fuel; start, formation and flag as in the table beside it."""
    plan = r3.race.plan
    account = race.fuel_account(plan).set_index("what")
    for unit, start in (("kg", plan.start_kg), ("l", plan.start_l)):
        assert account[f"fuel_{unit}"].sum() == pytest.approx(round(start, 1))
        after = start - account[f"fuel_{unit}"].cumsum()
        assert account[f"left_{unit}"].to_numpy() == pytest.approx(after.to_numpy(), abs=0.051)
    left = plan.fuel_left["fuel_kg"]
    assert number(account.loc["formation", "left_kg"]) == number(left.iloc[0])
    assert number(account.loc["race", "left_kg"]) == number(left.iloc[-1])
    fuel = plan.fuel
    assert number(account.loc["unusable", "fuel_kg"]) == number(fuel.unusable_kg)
    assert number(account.loc["sample", "fuel_kg"]) == number(fuel.sample_kg)
    spare_kg = plan.fuel_account["fuel_kg"].iloc[-1]
    assert account.loc["spare", "fuel_kg"] == pytest.approx(spare_kg, abs=0.21)
    for value in account["fuel_kg"]:
        assert f"{number(value)} kg" in r3.account.value


def test_the_fuel_table_is_short_and_the_whole_one_is_kept(r3):
    plan = r3.race.plan
    rows = race.fuel_rows(plan).set_index("lap")["why"]
    stop = int(race.stints_followed(plan)["last_lap"].iloc[0])
    assert rows[0].startswith("start") and rows[28] == "finish" and rows[stop] == "stop"
    assert rows[8] == "first lap to stop" and {5, 10, 15, 25} <= set(rows.index)
    assert r3.left.value.count("<tr>") == 2 + len(rows) + 29
    assert "event.toml" not in r3.left.value + r3.account.value + r3.others.value


def test_a_long_race_has_no_more_rows(r3):
    r3.laps.value = 55  # too long for the tyres: the fuel is worked out all the same
    assert len(race.fuel_rows(r3.race.plan)) <= race.FUEL_ROWS + 3


def test_without_cautions_the_best_stint_plan_is_followed(r3):
    r3.caution.value = 0.0
    plan = r3.race.plan
    rows = race.stints_followed(plan)
    assert tuple(rows["last_lap"].iloc[:-1]) == plan.stints.best.stops
    assert "No caution is counted on" in r3.plan.value
    planned = r3.race.window[r3.race.window["planned"]]
    assert (planned["lost_s"] == 0).all() and (r3.race.window["lost_s"] >= 0).all()


def test_with_cautions_the_replies_and_the_stops_are_one_plan(r3):
    plan = r3.race.plan
    assert race.follows_replies(plan)
    rows, table = race.stints_followed(plan), plan.caution.table
    assert rows["set"].iloc[0] == plan.caution.start_set
    assert list(table.loc[table["planned"], "lap"]) == list(rows["last_lap"].iloc[:-1])
    window = r3.race.window
    assert set(window.loc[window["planned"], "lap"]) == set(rows["last_lap"].iloc[:-1])
    for _, one in race.replies_table(plan).iterrows():
        laps = table[table["lap"].between(one["first_lap"], one["last_lap"])]
        assert (laps["reply"] == one["reply"]).all()


def test_the_grid_agrees_with_the_replies_before_any_stop(r3):
    plan = r3.race.plan
    grid = race.replies_grid(plan)
    start = grid[grid["since"] == "from the start"].set_index("lap")
    path = plan.caution.table.set_index("lap")
    first = int(race.stints_followed(plan)["last_lap"].iloc[0])
    own = path.loc[:first]
    assert start.loc[own.index, "reply"].equals(own["reply"])
    assert start["planned"].sum() == 1


def test_a_longer_race_moves_the_tyre_plan_too(r3):
    before = r3.race
    r3.laps.value = 30
    assert r3.race.plan.race.laps == 30
    assert r3.race.answer.allocation is not before.answer.allocation
    assert r3.race.plan.start_l > before.plan.start_l


def test_two_stops_are_told_and_drawn(two_stops):
    rows = race.stints_followed(two_stops)
    assert len(rows) == 3 and rows["laps"].sum() == 40
    assert list(rows["first_lap"].iloc[1:]) == [lap + 1 for lap in rows["last_lap"].iloc[:-1]]
    window = race.window(two_stops)
    assert set(window["stop"]) == {1, 2}
    grid = race.replies_grid(two_stops)
    assert grid.groupby("set")["since"].nunique().max() <= race.MOST_ROWS
    assert not grid.duplicated(["lap", "set", "since"]).any()
    words = cards_race.decision_cards(two_stops)
    for lap in rows["last_lap"].iloc[:-1]:
        assert f"lap {lap}" in words
    drawn = svg(charts_race.replies_chart(grid))
    assert "from the start" in drawn


def test_a_stop_that_would_bring_another_is_marked(r3):
    window = race.window(r3.race.plan)
    far = window[window["another_stop"]]
    assert len(far) == 0 or far["lost_s"].min() > 0.5 * r3.race.plan.race.stop_s
    assert not window.loc[window["planned"], "another_stop"].any()


def test_the_card_is_written_and_says_what_is_supposed(r3):
    r3.card.click()
    assert 'href="/files/out/race_card_R3.html"' in r3.link.value
    path = r3.folder / "out" / "race_card_R3.html"
    assert f"{number(r3.race.plan.start_l)} L" in path.read_text(encoding="utf-8")
    assert "supposed" not in path.read_text(encoding="utf-8")
    r3.caution.value = 0.1
    r3.card.click()
    assert "are supposed for this race" in path.read_text(encoding="utf-8")


def test_a_race_too_long_for_the_tank_is_said(r3):
    """A tank of 70 l and 0.75 kg a litre hold 52 kg: a hundred laps at 0.9 kg need 90."""
    r3.laps.value = 100
    assert r3.problem.value == ""
    assert r3.race.plan.status == "impossible"
    assert "cannot be run like this" in r3.plan.value and "not enough" in r3.plan.value
    assert r3.replies.value == ""

    first = r3.race.weekend.event.session("R3").stops.first_lap
    with pytest.raises(TraitError, match=f"not from {first + 1} "):
        r3.laps.value = 1
    r3.laps.value = first + 1
    assert r3.problem.value == ""
    assert r3.race.plan.race.laps == r3.laps.value
    assert r3.race.plan.race.laps == r3.laps.value


def test_a_race_with_refuelling_tells_its_fuel_and_its_replies(tmp_path):
    """The replies leave the fuel added out; they start on the same tyres as the stints."""
    folder = copy_of("fenmoor-after-p3", tmp_path)
    text = (folder / "event.toml").read_text(encoding="utf-8")
    for old, new in (
        ("refuel = false", "refuel = true"),
        ("laps = 28", "laps = 24"),
        ("tank_l = 70.0", "tank_l = 25.0"),
    ):
        assert old in text
        text = text.replace(old, new)
    (folder / "event.toml").write_text(text, encoding="utf-8")
    panel = RacePanel(folder)
    panel.which.value = "R3"
    assert panel.problem.value == ""
    plan = panel.race.plan
    rows = race.stints_followed(plan)
    assert tuple(rows["last_lap"].iloc[:-1]) == plan.stints.best.stops
    assert rows["added_kg"].sum() > 0 and f"{number(plan.start_l)} L" in panel.plan.value
    assert plan.caution.start_set == rows["set"].iloc[0] and len(race.replies_table(plan)) > 0
    page = "".join(race_page(plan).sections)
    for added_kg, fuel_kg in plan.card[["added_kg", "fuel_kg"]].to_numpy():
        assert f"add {number(added_kg)} kg" in page
        assert f"to leave with {number(fuel_kg)} kg" in page


def test_a_race_that_may_refuel_but_has_no_stop_to_make_has_no_replies(panel):
    """One set and a tank for the whole race: no stop can be made, so no caution is answered."""
    event = panel.state.weekend.event
    session = event.session("R3")
    stops = session.stops.model_copy(update={"minimum": 0, "refuel": True})
    plan = race_plan(
        event, session.model_copy(update={"laps": 20, "stops": stops}),
        panel.state.fits.lap_time, panel.state.fits.fuel_use, panel.state.answer.allocation,
        sets=[tyre_set("A", 0)], races=200, rng=np.random.default_rng(1),
    )  # fmt: skip
    assert plan.stints.best.stops == () and not len(race.replies_table(plan))
    assert not len(race.replies_grid(plan))
    assert "No stop is planned" in "".join(race_page(plan).sections)


def test_before_any_running_and_without_tyres(tmp_path):
    folder = copy_of("fenmoor-after-p3", tmp_path)
    shutil.rmtree(folder / "logs")
    for path in (folder / "book").glob("*.csv"):
        if path.stem != "tyres":
            path.write_text(path.read_text(encoding="utf-8").splitlines()[0] + "\n")
    panel = RacePanel(folder)
    assert panel.problem.value == "" and "nothing yet" in panel.head.value
    assert f"{number(panel.race.plan.start_l)} L" in panel.plan.value
    new_weekend(tmp_path / "new")
    empty = RacePanel(tmp_path / "new")
    assert empty.problem.value == ""
    assert "the tyre plan has no tyres" in empty.plan.value


def test_a_race_that_has_been_run_is_planned_from_what_was_known(tmp_path):
    panel = RacePanel(copy_of("fenmoor-complete", tmp_path))
    assert panel.problem.value == "" and panel.race.session == "R3"
    assert "has been run" in panel.said.value
    assert "R3" not in panel.race.weekend.done and "R2" in panel.race.weekend.done
    assert panel.race.plan.status == "optimal"
    laps = panel.race.weekend.laps
    assert set(laps["session"]) == set(panel.race.weekend.done)
    assert isinstance(race.fuel_risk(panel.race.plan), pd.DataFrame)


def test_tyres_beyond_what_has_run_and_axles_apart_are_told(r1_plan):
    """The event's own: 14 laps, one formation and one cool-down lap on tyres of 29 and 7 laps."""
    said = cards_race.decision_cards(r1_plan, 30.0)
    ages = r1_plan.tyres.table.set_index("corner")["age_laps"]
    most = int(ages.max()) + r1_plan.race.laps + 2
    assert f"reach {most} laps with the slow ones; none was timed here beyond 30" in said
    assert f"{int(ages['RL'] - ages['FL'])} laps older: it may let go first" in said
    assert "none was timed here" not in cards_race.decision_cards(r1_plan, 99.0)


def test_what_must_be_left_at_the_finish_adds_up(r1_plan):
    said = cards_race.fuel_left_card(r1_plan)
    words = said.split("At the finish")[1]
    parts = [float(kg) for kg in re.findall(r"([\d.]+) kg (?:for|that)", words)]
    least = float(r1_plan.fuel_left["least_kg"].iloc[-1])
    assert len(parts) == 3 and abs(sum(parts) - least) < 0.15 + 1e-9


def test_what_a_timed_race_has_in_laps_and_before_which_the_car_stays_out(tmp_path):
    """The same race counted with cautions and without, and a reply that ends where the stop is."""
    folder = copy_of("fenmoor-after-p3", tmp_path)
    event = folder / "event.toml"
    text = event.read_text(encoding="utf-8").replace("laps = 28", "minutes = 45", 1)
    event.write_text(text, encoding="utf-8")
    panel = RacePanel(folder)
    panel.which.value = "R3"
    plan = panel.race.plan
    said = cards_race.decision_cards(plan, 30.0)
    assert round(plan.fuel.laps) != plan.race.laps
    assert f"laps on average with cautions, {plan.race.laps} without" in said
    replies = race.replies_table(plan)
    stays = replies.assign(reply=replies["reply"].where(replies["planned"], "stay out"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(race, "replies_table", lambda plan: stays)
        lap = int(stays.loc[stays["planned"], "first_lap"].iloc[0])
        assert cards_race.caution_words(plan) == f"stay out under every caution before lap {lap}"


def test_corners_of_other_ages_each_have_their_own_end():
    ages = pd.Series({"FL": 0.0, "FR": 0.0, "RL": 11.0, "RR": 16.0})
    said = cards_race._on_old_tyres(ages, 21, 9.0)
    assert "FL, FR to 21, RL to 32, RR to 37 laps with the slow ones; none was timed" in said
