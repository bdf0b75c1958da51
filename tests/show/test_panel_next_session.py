"""Panel 1 moved from Python as the browser would: check-in, entry, drafts, two windows, laps."""

import asyncio
import shutil
import threading
from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from demo_weekends import DATA, copy_of

from tyrekit.errors import BookError
from tyrekit.record.drafts import Drafts
from tyrekit.record.weekend import Weekend
from tyrekit.show import check_in, left_out, panel_next_session
from tyrekit.show.charts_laps import brush_chart, moved_chart, run_laps_chart
from tyrekit.show.panel_next_session import NextSessionPanel
from tyrekit.show.panels import Background
from tyrekit.show.readings import Readings
from tyrekit.show.refresh import refreshed
from tyrekit.show.style import svg
from tyrekit.show.what_if import start

TYPED = {"hot_bar": "205", "inner_mm": "42", "centre_mm": "4,5", "outer_mm": "40"}


@pytest.fixture(scope="module")
def after_p3(tmp_path_factory):
    """The demo after P3, and the log of the session that has just ended in logs/."""
    folder = copy_of("fenmoor-after-p3", tmp_path_factory.mktemp("w"))
    shutil.copy(DATA / "fenmoor-complete" / "logs" / "Q.csv.gz", folder / "logs")
    return folder


@pytest.fixture(scope="module", autouse=True)
def without_the_charts_that_say_why():
    """They and the ranking are tested in test_panels; here they would only take time."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(panel_next_session, "figures", lambda answer: [])
        patch.setattr(panel_next_session, "start", partial(start, rank=False))
        yield


@pytest.fixture(scope="module")
def story(after_p3):
    """One panel through a session's check-in; the tests below tell it in order."""
    panel = NextSessionPanel(after_p3)
    assert panel.problem.value == ""
    return panel


def second_window(story):
    """Another kernel's panel on the same folder; the fits it would make are the first one's."""
    with pytest.MonkeyPatch.context() as patch:
        state = story.state
        patch.setattr(panel_next_session, "start", lambda weekend: replace(state, weekend=weekend))
        return NextSessionPanel(story.folder)


def send(panel, row, kind="row", edit=1, **texts):
    """What the browser sends when a row is typed in or left."""
    key = panel.entry.rows[row]["key"]
    panel.entry._on_message(
        panel.entry, {"kind": kind, "key": key, "texts": texts, "edit": edit}, []
    )
    return key


def test_the_new_log_is_offered_with_what_it_holds_and_what_was_advised(story):
    form = story.check_in
    assert form.is_open and form.texts["log"] == "Q.csv.gz" and form.texts["session"] == "Q"
    assert "7 laps, 5 timed" in form.pick.options[0][0]
    advised = story.state.answer
    first = advised.allocation.table.query("session == 'Q' and stint == 1").set_index("corner")
    assert form.texts["fl"] == first.loc["FL", "tyre_id"]
    assert float(form.texts["fuel_start_kg"]) == round(advised.fuel_loads["Q"].start_kg, 1)
    assert "7 laps seen, 5 count" in form.trial.value
    assert "Q" not in Weekend.open(story.folder).done


def test_doubts_stand_beside_the_form_before_anything_is_saved(story):
    """The demo's fill before Q is in no book yet, so the start fuel contradicts the litres left."""
    assert "start fuel" in story.check_in.trial.value


@pytest.mark.parametrize(
    ("box", "text", "words"),
    [
        ("start", "quarter past", "is not a time"),
        ("fuel_start_kg", "520", "the tank holds"),
        ("cold_fl_bar", "18,5", "cold FL is over 4 bar"),
        ("fr", "", "fr is empty"),
        ("run_id", "P3-1", "is there twice"),
        ("start", "14:05", "is driven until"),
    ],
)
def test_a_slip_in_the_form_is_said_and_nothing_is_saved(story, box, text, words):
    before = story.check_in.texts
    with pytest.raises(BookError, match=words):
        check_in.tried(story.state.weekend, before | {box: text, "session": "P3"}
                       if text == "14:05" else before | {box: text})  # fmt: skip
    assert "Q" not in Weekend.open(story.folder).done


def test_a_look_at_the_folder_while_the_form_opens_takes_back_nothing_typed(story, monkeypatch):
    """Clicks come in a thread of their own, the look at the folder in the kernel's."""
    form = story.check_in
    form.not_now.click()
    fill, begun, typed = form._fill, threading.Event(), threading.Event()
    look = threading.Thread(target=form.look)

    def slowly(texts):
        if threading.current_thread() is look:
            begun.set()
            typed.wait(10)
        elif look.ident is None:
            look.start()
            begun.wait(1)
        fill(texts)

    monkeypatch.setattr(form, "_fill", slowly)
    form.begin.click()
    form.boxes["fuel_start_kg"].value = "10,6"
    typed.set()
    look.join()
    assert form.is_open and form.texts["fuel_start_kg"] == "10,6"


def test_the_form_is_kept_on_disk_and_offered_back(story, after_p3):
    story.check_in.boxes["fuel_start_kg"].value = "10,5"
    story.check_in.boxes["cold_fl_bar"].value = "178"
    assert story.check_in.boxes["cold_fl_bar"].value == "1.78"
    again = second_window(story)
    assert again.check_in.texts == story.check_in.texts
    assert "Kept from before" in again.check_in.basis.value


def test_saving_the_run_opens_its_readings_and_moves_on(story):
    parts = story.children  # made anew, the table would lose the keyboard while somebody types
    story.check_in.save.click()
    assert story.children == parts
    assert story.problem.value == "" and "run Q saved" in story.said.value
    story.check_in.save.click()  # pressed twice: it is saved, once
    assert story.problem.value == ""
    runs = Weekend.open(story.folder).runs.set_index("run_id")
    assert runs.loc["Q", "log"] == "Q.csv.gz" and runs.loc["Q", "fuel_start_kg"] == 10.5
    assert runs.loc["Q", "cold_fl_bar"] == 1.78
    assert story.entry.focus == story.entry.rows[0]["key"] == runs.loc["Q", "fl"]
    assert story.state.weekend.next_session.id == "R1" and not story.check_in.is_open
    assert "laps in R1" in story.laps.description
    assert Drafts(story.state.weekend.book).of("") == {}


def test_half_a_row_outlives_the_kernel(story, after_p3):
    key = send(story, 1, "typed", inner_mm="4", centre_mm="x", outer_mm="", hot_bar="")
    again = second_window(story)
    assert again.entry.rows[1]["inner_mm"] == "4" and again.entry.rows[1]["centre_mm"] == "x"
    assert "kept from before, not saved" in again.entry.status[key]


def test_digits_without_a_point_are_read_and_saved(story):
    key = send(story, 1, edit=2, **TYPED)
    assert story.entry.rows[1]["edit"] == "2"
    assert "pressure saved" in story.entry.status[key]
    weekend = Weekend.open(story.folder)
    depth = weekend.tread[weekend.tread["after_run"] == "Q"].iloc[0]
    assert (depth["tyre_id"], depth["inner_mm"], depth["centre_mm"]) == (key, 4.2, 4.5)
    hot = weekend.pressures[weekend.pressures["run_id"] == "Q"].iloc[0]
    assert (hot["corner"], hot["hot_bar"]) == ("FR", 2.05)
    assert Drafts(weekend.book).of("") == {}


def test_depths_in_a_column_have_as_many_decimals_as_the_one_read_finest(tmp_path):
    """The demo's U7 has 3.2 in the middle, where the others have two decimals."""
    weekend = Weekend.open(copy_of("fenmoor-after-p3", tmp_path))
    texts = Readings(weekend).texts()
    assert [row["centre_mm"] for row in texts.values()] == ["2.38", "2.71", "3.20", "3.70"]


def test_another_window_sees_the_entry_and_never_saves_over_it(story, after_p3):
    other = second_window(story)
    key = send(story, 2, **TYPED)
    send(other, 2, edit=3, hot_bar="1.95")
    assert "pressure typed, not saved; the book has 2.05" in other.entry.status[key]
    assert hot_of(after_p3, "RL") == 2.05
    send(other, 2, "typed", edit=4, hot_bar="1.97")
    send(story, 2, edit=5, **TYPED | {"hot_bar": "206"})
    other.look()
    row = other.entry.rows[2]
    assert row["hot_bar"] == "1.97" and row["inner_mm"] == "4.2"
    assert "not saved; the book has 2.06" in other.entry.status[key]
    assert hot_of(after_p3, "RL") == 2.06
    send(other, 2, edit=6, **TYPED | {"hot_bar": "1.97"})
    assert hot_of(after_p3, "RL") == 1.97
    story.look()
    assert story.entry.rows[2]["hot_bar"] == "1.97"
    assert "Another window has saved" in story.said.value


def hot_of(folder, corner):
    table = Weekend.open(folder).pressures.query("run_id == 'Q'").set_index("corner")
    return table.loc[corner, "hot_bar"]


def test_undo_says_what_it_takes_back_and_leaves_unsaved_typing(story):
    send(story, 0, "typed", inner_mm="3")
    key = send(story, 3, hot_bar="2.22")
    story.undo.click()
    assert story.said.value == "taken back: pressures Q RR"
    assert story.entry.rows[3]["hot_bar"] == "" and "saved" not in story.entry.status[key]
    assert story.entry.rows[0]["inner_mm"] == "3"
    send(story, 0, "typed")


def test_laps_brushed_show_how_the_fit_moves_and_are_left_out_with_a_reason(story):
    box = story.laps_box
    box.choose.value = True
    slow = box.table[box.table["counts"]].nlargest(2, "lap_time_s")
    at = slow["lap_count"].to_numpy()
    low, high = slow["lap_time_s"].min() - 0.01, slow["lap_time_s"].max() + 0.01
    box.brushed({"lap_count": [at.min() - 0.5, at.max() + 0.5], "lap_time_s": [low, high]})
    assert set(box.chosen.value) == set(left_out._pairs(slow))
    assert "without the 2 laps" in box.words.value
    before = story.state.answer.lap_time.drop_off_s_per_lap
    expected = left_out.fit_without(story.state.fits, box.chosen.value).drop_off_s_per_lap
    box.take_out.click()
    assert "there is no reason" in story.problem.value
    box.reason.value = "held up by traffic"
    box.take_out.click()
    assert story.problem.value == "" and "2 laps left out" in story.said.value
    box.take_out.click()  # pressed twice: there is nothing more to say
    assert story.problem.value == ""
    found = story.state.answer.lap_time.drop_off_s_per_lap
    assert found.mean == pytest.approx(expected.mean, abs=1e-9) and found.mean != before.mean
    assert (box.table["state"] == "by the engineer").sum() == 2
    reasons = story.state.answer.laps["reason"]
    assert reasons.str.startswith("left out by the engineer: held up by traffic").sum() == 2


def test_laps_left_out_count_again_by_list_or_undo(story):
    box = story.laps_box
    pairs = left_out._pairs(story.state.weekend.left_out)
    box.chosen.value = (pairs[0],)
    assert box.take_out.disabled and not box.put_back.disabled
    box.put_back.click()
    assert left_out._pairs(story.state.weekend.left_out) == [pairs[1]]
    story.undo.click()
    assert sorted(left_out._pairs(story.state.weekend.left_out)) == sorted(pairs)
    for _ in pairs:
        story.undo.click()
    assert len(story.state.weekend.left_out) == 0


def test_the_rule_of_every_lap_can_be_read(story):
    laps = story.state.weekend.laps.query("run_id == 'Q'")
    for text in laps.loc[laps["reason"] == "", "rule"]:
        assert text in story.laps_box.rules.value
    assert story.laps_box.rules.value.count("<tr>") == len(laps) + 1


def test_the_charts_of_laps_are_drawn(story):
    answer = story.state.answer
    table = left_out.laps_to_brush(answer)
    without = left_out.fit_without(answer.fits, [("P1-2", 2)])
    moved = left_out.moved_table(answer, without)
    laps = answer.laps.query("run_id == 'Q'").assign(words="")
    for chart in (run_laps_chart(laps, "Q"), brush_chart(table), moved_chart(moved)):
        assert "<svg" in svg(chart)
    assert len(moved["fit"].unique()) == 2 and np.isfinite(moved["mean"]).all()


def test_a_saved_reading_refits_only_what_it_touches(after_p3):
    state = start(Weekend.open(after_p3), rank=False, plan_only=True)
    book = state.weekend.book
    same = refreshed(state, Weekend.open(after_p3))
    assert same.fits == state.fits and same.answer.allocation is state.answer.allocation
    row = state.weekend.pressures.index[0]
    book.correct(int(row), {"hot_bar": 1.99}, "Kim")
    hot = refreshed(state, Weekend.open(after_p3))
    assert hot.fits.pressure is not state.fits.pressure
    assert hot.fits.lap_time is state.fits.lap_time and hot.fits.tread is state.fits.tread
    assert hot.answer.allocation is state.answer.allocation
    book.undo("Kim")
    row = state.weekend.tread.index[-1]
    book.correct(int(row), {"inner_mm": 2.0}, "Kim")
    worn = refreshed(state, Weekend.open(after_p3))
    assert worn.fits.tread is not state.fits.tread and worn.fits.lap_time is state.fits.lap_time
    assert worn.answer.allocation is not state.answer.allocation
    book.undo("Kim")


def test_work_in_the_background_runs_once_more_when_asked_meanwhile():
    made, shown, asked_again = [], [], threading.Event()

    def count():
        asked_again.wait()
        made.append(len(made))
        return len(made)

    async def story():
        work = Background(count, shown.append, 0.01)
        work.call()
        work.call()
        while not work._task:
            await asyncio.sleep(0.005)
        work.call()
        asked_again.set()
        while work.busy:
            await asyncio.sleep(0.005)

    asyncio.run(story())
    assert made == [0, 1] and shown == [2]


def test_work_that_fails_in_the_background_is_handed_on():
    shown = []
    Background(lambda: 1 / 0, shown.append).call()
    assert isinstance(shown[0], ZeroDivisionError)
