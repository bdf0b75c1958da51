"""The weekend plan's panel on copies of the demo weekend, moved from Python as a browser would."""

import asyncio
import math
import threading

import pandas as pd
import pytest
from demo_weekends import copy_of

from tyrekit.plan.fork import Fork
from tyrekit.plan.outlook import rivals
from tyrekit.plan.worth import changes, worth_of
from tyrekit.record.decisions import save_lock
from tyrekit.record.weekend import Weekend
from tyrekit.show import panel_weekend_plan, plan_cards
from tyrekit.show.meanwhile import Meanwhile, aside
from tyrekit.show.panel_weekend_plan import WeekendPlanPanel
from tyrekit.show.plan_grid import DOUBTFUL, WET
from tyrekit.show.plan_tables import cost_parts_table, ran_table, side_by_side_table
from tyrekit.show.slider import Slider


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return copy_of("fenmoor-after-p3", tmp_path_factory.mktemp("plan"))


@pytest.fixture(scope="module")
def panel(folder):
    panel = WeekendPlanPanel(folder, "a <note>")
    assert panel.problem.value == ""
    return panel


@pytest.fixture
def quick(panel, monkeypatch):
    """The panel without what follows a plan: charts, rivals, rain."""
    monkeypatch.setattr(panel.meanwhile, "start", lambda steps, delay_s=0.0: None)
    return panel


def starts(panel):
    table = panel.state.answer.allocation.table
    return table[table["stint"] == 1].set_index(["session", "corner"])["tyre_id"]


def test_the_plan_fills_the_grid_with_age_tread_and_loss(panel):
    table = panel.state.answer.allocation.table
    assert set(panel.grid.choice) == set(starts(panel).index)
    for _, row in table[table["session"] == "Q"].iterrows():
        place = "Q", row["corner"]
        assert panel.grid.choice[place].options[0] == (row["tyre_id"], "")
        words = panel.grid.basis[place].value
        assert f"{row['age_laps']:.0f} laps old" in words
        assert f"at least {row['tread_end_low_mm']:.1f} mm" in words
        assert f"loses {row['expected_loss_s']:.1f} s" in words
    lost_s = table.loc[table["session"] == "R1", "expected_loss_s"].sum()
    assert f"{lost_s:.1f} s" in panel.grid.name["R1"].value
    assert "a &lt;note&gt;" in panel.head.value


def test_the_rows_add_up_to_the_cost_and_stops_have_rows_of_their_own(panel):
    plan = panel.state.answer.allocation
    parts = cost_parts_table(panel.state.answer)
    assert (parts["expected_loss_s"] * parts["value"]).sum() == pytest.approx(plan.cost_s, abs=1e-3)
    assert parts["counted_s"].sum() == pytest.approx(round(plan.cost_s, 1), abs=1e-6)
    assert f">{plan.cost_s:.1f} s</span>" in panel.cost.value
    for _, part in parts.iterrows():
        assert f"× {part['value']:g}" in panel.grid.name[part["session"]].value
        assert f"= {part['counted_s']:.1f} s" in panel.grid.name[part["session"]].value
    second = plan.table[(plan.table["session"] == "R3") & (plan.table["stint"] == 2)]
    shown = panel.grid.after["R3"]
    assert "R3, stint 2" in shown[0].value and shown[0].layout.display == ""
    for box, (_, row) in zip(shown[-4:], second.iterrows(), strict=True):
        assert f"<b>{row['tyre_id']}</b>" in box.value
        assert f"{row['age_laps']:.0f} laps old" in box.value


def test_tyres_that_may_end_near_the_tread_limit_are_framed(panel):
    """Within 0.2 mm as shown; 1.6 mm is the demo event's limit."""
    table = panel.state.answer.allocation.table
    first = table[table["stint"] == 1]
    near = 0
    for _, row in first.iterrows():
        words = panel.grid.basis[row["session"], row["corner"]].value
        at_limit = round(row["tread_end_low_mm"], 1) <= 1.8
        near += at_limit
        assert ("NEAR LIMIT" in words) == ("tk-at-limit" in words) == at_limit
    assert 0 < near < len(first)
    assert "limit 1.6 mm" in panel.grid.children[0].value
    second = table[(table["session"] == "R3") & (table["stint"] == 2)]
    for box, low_mm in zip(panel.grid.after["R3"][-4:], second["tread_end_low_mm"], strict=True):
        assert ("NEAR LIMIT" in box.value) == (round(low_mm, 1) <= 1.8)


def test_a_lock_is_in_the_book_is_obeyed_never_gains_and_is_undone(quick, folder):
    free = quick.state.answer.allocation
    assert quick.take_back.layout.display == "none"  # nothing to undo
    box = quick.grid.choice["Q", "FL"]
    other = next(t for _, t in box.options[1:] if t != box.options[0][0])
    box.value = other
    after = quick.state.answer.allocation
    assert starts(quick)["Q", "FL"] == other
    assert "LOCKED" in quick.grid.basis["Q", "FL"].value
    assert quick.take_back.layout.display == ""
    assert after.cost_s >= free.bound_s - 1e-6
    assert list(Weekend.open(folder).locks["fl"]) == [other]
    assert f"Q FL locked to {other}, saved" in quick.said.value
    assert f"{after.cost_s - free.cost_s:.2f} s</b> by the last change" in quick.cost.value
    quick.undo()
    assert Weekend.open(folder).locks.empty
    assert box.value == ""
    assert quick.state.answer.allocation.cost_s == pytest.approx(free.cost_s, abs=1e-6)


def test_a_place_set_free_is_free_in_the_book(quick, folder):
    box = quick.grid.choice["R3", "RR"]
    box.value = box.options[1][1]
    box.value = ""
    assert Weekend.open(folder).locks.empty and "R3 RR set free" in quick.said.value


def test_a_lock_that_cannot_be_saved_is_said_and_not_shown(quick, monkeypatch):
    book = quick.state.weekend.book
    object.__setattr__(book, "source", book.source.read_bytes())  # as in a folder read only
    try:
        box = quick.grid.choice["Q", "FR"]
        before = quick.said.value
        box.value = box.options[1][1]
        assert "cannot be written" in quick.problem.value
        assert box.value == "" and quick.said.value == before
    finally:
        object.__setattr__(book, "source", quick.folder / "book.sqlite")


def test_undo_leaves_what_was_typed_elsewhere(quick):
    book = quick.state.weekend.book
    book.append("weather", {"taken_at": "2026-05-16 15:30", "air_c": "21", "track_c": "33"}, "Kim")
    quick.undo()
    assert "is in weather, not a lock" in quick.said.value
    assert len(book.read("weather")) and book.last_typed() == ("weather",)
    book.undo("Kim")
    quick._seen()


def test_another_windows_lock_and_reading_are_followed(quick):
    book = quick.state.weekend.book
    save_lock(book, "R2", "FL", "N1", "another")
    fits = quick.state.fits
    quick.look()
    assert quick.grid.choice["R2", "FL"].value == "N1" and quick.state.fits is fits
    assert "another window" in quick.said.value
    book.append("weather", {"taken_at": "2026-05-16 15:40", "air_c": "23", "track_c": "37"}, "Kim")
    quick.look()
    assert quick.state.fits is not fits and "weather" in quick.said.value
    for _ in range(2):
        book.undo("Kim")
    quick.look()
    assert quick.grid.choice["R2", "FL"].value == ""


def test_a_lock_against_a_limit_is_explained_with_the_smallest_change(panel):
    """A tyre that stays on the left cannot go on at the front right."""
    tyres = panel.state.weekend.tyres
    left = tyres.loc[tyres["side"] == "left", "tyre_id"].iloc[0]
    panel.grid.choice["Q", "FR"].value = left
    assert panel.state.answer.allocation.status == "impossible"
    words = panel.clash.value
    assert "No plan meets every limit" in words and "cannot all hold together" in words
    assert f"take away the lock of Q to FR {left}" in words
    assert panel.grid.choice["R1", "RL"].options[0][0] == "no plan"
    panel.undo()
    assert panel.clash.value == ""


def test_rivals_stand_side_by_side(panel):
    panel.draw()
    plan = panel.state.answer.allocation
    table, apart = side_by_side_table(plan), rivals(plan)
    assert list(table.columns[1:]) == [str(n) for n in range(1, len(apart) + 2)]
    assert len(plan.alternatives) == 5
    different = table.drop(columns=["fitting", "1"]).ne(table["1"], axis=0)
    assert different.any(axis=0).all() and different.any(axis=1).all()
    for other in plan.alternatives:
        assert f"+{other.difference_s:.2f} s" in panel.others.value
    assert "best plans, all within" in panel.others.value


def test_more_wear_and_more_loss_are_supposed_and_taken_back(quick):
    """Every plan loses half as much again (closed form), so the best one stays the best."""
    free = quick.state.answer.allocation
    quick.drop_off.value = 150.0
    assert quick.state.answer.allocation.cost_s == pytest.approx(1.5 * free.cost_s, abs=2e-3)
    assert "time lost to age 150 % of what was found" in quick.head.value
    quick.drop_off.value = 100.0
    quick.wear.value = 90.0
    ends = quick.state.answer.allocation.table["tread_end_mm"]
    assert ends.mean() > free.table["tread_end_mm"].mean()
    quick._back()
    assert quick.wear.value == 100.0 and "Supposing" not in quick.head.value
    assert quick.state.answer.allocation.cost_s == pytest.approx(free.cost_s, abs=1e-6)


def test_a_warmer_track_moves_the_pressures_and_not_the_plan(panel, monkeypatch):
    monkeypatch.setattr(panel_weekend_plan, "OTHERS", 0)
    before = panel.cold.value, panel.state.answer.allocation
    assert "1 h 55 min before Q: measure again before setting." in before[0]
    panel.track.value += 10
    assert panel.cold.value != before[0]
    assert panel.state.answer.allocation.table.equals(before[1].table)
    panel._back()


def test_rain_frees_a_session_and_rain_in_doubt_is_planned_both_ways(panel, monkeypatch):
    monkeypatch.setattr(panel_weekend_plan, "OTHERS", 0)
    panel.grid.weather["R1"].value = WET
    assert "R1" not in set(panel.state.answer.allocation.table["session"])
    assert panel.grid.choice["R1", "FL"].options[0][0] == "wet"
    panel.grid.weather["R1"].value = DOUBTFUL
    assert "R1" in set(panel.state.answer.allocation.table["session"])
    assert "If it rains in R1" in panel.rain.value and "best if wet" in panel.rain.value
    panel._back()
    assert panel.rain.value == ""


def test_what_would_help_says_the_worth_of_every_change(panel, monkeypatch):
    monkeypatch.setattr(panel_weekend_plan, "OTHERS", 1)
    panel.price()
    plan = panel.state.answer.allocation
    asked = list(changes(plan.problem))
    assert panel.worth.value.count("<tr>") + panel.worth.value.count("<li>") == len(asked) + 1
    assert f"{worth_of(plan, asked[0]).worth_s:.2f} s" in panel.worth.value
    assert "one more new tyre" in panel.worth.value and "Regulations" in panel.worth.value


def test_the_cards_of_rain_and_worth_say_what_is_lacking():
    none = pd.DataFrame(columns=["session", "stint", "corner", "tyre_id"])
    rows = [("Q on A B C D, best if wet", math.inf, 0.0)]
    choices = pd.DataFrame(rows, columns=["choice", "dry_cost_s", "wet_cost_s"])
    said = plan_cards.fork_card(Fork(None, None, none, choices), ["R<1>"])
    assert "no plan" in said and "nothing" in said and "R&lt;1&gt;" in said
    assert "No plan is possible" in plan_cards.fork_card(Fork(None, None, none, choices[:0]), [])
    unknown = [("without: a", "dropped", "a", math.nan, "unknown")]
    table = pd.DataFrame(unknown, columns=["change", "kind", "limit", "worth_s", "status"])
    assert "Too large to work out (1)" in plan_cards.worth_card(table)


def test_a_weekend_that_is_over_says_so_and_shows_what_was_run(tmp_path):
    panel = WeekendPlanPanel(copy_of("fenmoor-complete", tmp_path))
    assert panel.problem.value == ""
    assert "The weekend is over" in panel.cost.value
    ran = ran_table(panel.state.answer)
    assert len(ran) == len(panel.state.weekend.runs)
    assert ran["laps"].sum() == len(panel.state.weekend.laps)
    assert all(run_id in panel.ran.value for run_id in ran["run_id"])


def test_a_plan_on_expected_wear_says_so_before_anything_else(hand_answer):
    hand_answer.allocation.notes = ("planned on expected wear, as sure as not: beliefs",)
    said = plan_cards.cost_card(hand_answer)
    assert said.startswith('<div class="tk-warn">Planned on expected wear')
    assert 'Q 1.6 + R1 1.6 = <b class="tk-whole">3.2 s</b>' in said


def test_work_meanwhile_gives_way_and_long_work_is_given_up():
    done, gave_up = [], threading.Event()

    def attempt(work):
        work()
        return True

    def steps(name, count):
        for number in range(count):
            done.append((name, number))
            yield

    def long():
        yield from aside(lambda: gave_up.wait(20), gave_up.set)

    meanwhile = Meanwhile(attempt)
    meanwhile.start(steps("alone", 2))
    assert done == [("alone", 0), ("alone", 1)]

    async def clicks():
        meanwhile.start(steps("old", 10**6), delay_s=0.0)
        await asyncio.sleep(0.1)
        meanwhile.start(long(), delay_s=0.0)
        await asyncio.sleep(0.1)
        meanwhile.start(steps("new", 3), delay_s=0.0)
        await asyncio.sleep(0.3)

    asyncio.run(clicks())
    assert gave_up.is_set()
    assert done[-3:] == [("new", 0), ("new", 1), ("new", 2)]
    assert 0 < sum(name == "old" for name, _ in done) < 10**6


def test_a_slider_answers_every_move_even_one_that_fails():
    moved = []
    slider = Slider("tread wear", 100, 50, 200, 5, "%", moved.append)
    slider.value = 105.0
    assert moved == [105.0] and slider.answered == 1

    def fails(value):
        raise ValueError(value)

    slider = Slider("tread wear", 100, 50, 200, 5, "%", fails)
    with pytest.raises(ValueError):
        slider.value = 110.0
    assert slider.answered == 1


def test_a_tyre_scrapped_by_a_button_leaves_the_plan_until_it_is_taken_back(tmp_path):
    panel = WeekendPlanPanel(copy_of("fenmoor-after-p3", tmp_path))
    planned, box = starts(panel), panel.scraps
    tyre = planned["Q", "FL"]
    before_s = panel.state.answer.allocation.cost_s
    box.ask.value = True
    assert box.tyre in box.children[0].children
    box.tyre.value = tyre
    box.scrap.click()
    assert "there is no reason" in panel.problem.value
    assert not Weekend.open(panel.folder).tyres["scrapped"].any()
    box.reason.value = "cut or damaged"
    box.scrap.click()
    listed = Weekend.open(panel.folder).tyres.set_index("tyre_id").loc[tyre]
    assert listed["scrapped"] and listed["note"].endswith("scrapped: cut or damaged")
    assert panel.problem.value == "" and f"{tyre} is scrapped, saved" in panel.said.value
    assert tyre not in set(panel.state.answer.allocation.table["tyre_id"])
    assert panel.state.answer.allocation.cost_s > before_s  # one tyre fewer, none cheaper
    assert box.scrap.disabled and f"Scrapped: {tyre}" in box.words.value
    offered = [value for _, value in panel.grid.choice["Q", "FL"].options]
    assert tyre not in offered
    box.use.click()
    assert not Weekend.open(panel.folder).tyres["scrapped"].any()
    assert starts(panel).equals(planned) and not box.scrap.disabled
