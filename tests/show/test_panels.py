"""Both panels on a copy of the demo weekend, moved from Python as the browser would move them."""

import asyncio
import shutil
import sqlite3

import numpy as np
import pandas as pd
import pytest
from demo_weekends import copy_of

from tyrekit.errors import InputError
from tyrekit.show import charts, notebook
from tyrekit.show.panel_next_session import NextSessionPanel
from tyrekit.show.panel_weekend_plan import WeekendPlanPanel
from tyrekit.show.panels import Background, Figure, Figures, Later, Panel


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return copy_of("fenmoor-after-p3", tmp_path_factory.mktemp("w"))


@pytest.fixture(scope="module")
def next_panel(folder):
    panel = NextSessionPanel(folder)
    panel.again = Background(lambda: None, lambda outcome: None)  # refitting is tested elsewhere
    assert panel.problem.value == ""
    return panel


def cold_bar(panel):
    return panel.state.answer.cold_pressures.table.set_index("corner")["cold_bar"]


def test_the_answer_is_on_screen(next_panel):
    for corner, bar in cold_bar(next_panel).items():
        assert f'id="tk-cold-{corner}">{bar:.2f} bar' in next_panel.tyres.value
    for load in next_panel.state.answer.fuel_loads.values():
        assert f"{load.start_l:.1f} L" in next_panel.fuel.value
        assert f"{load.start_kg:.1f} kg, {load.laps:.0f} laps" in next_panel.fuel.value


def test_old_weather_and_the_least_hot_pressure_stand_in_a_frame(next_panel):
    """The demo's weather was written down at 14:30 and its qualifying starts at 16:25."""
    said = next_panel.tyres.value
    frame = said[said.index("tk-musts") :].split("</p>")[0]
    old = "Weather as of Sat 14:30, 1 h 55 min before Q: measure again before setting."
    assert old in frame and frame.index(old) < frame.index("Do not bleed a hot tyre below FL")
    assert "air 19.5 °C, track 32.5 °C" in said and said.count("Do not bleed") == 1
    next_panel.track.value, next_panel.air.value = 30.0, 20.0
    assert old not in next_panel.tyres.value and "Do not bleed" in next_panel.tyres.value
    next_panel.back.click()
    assert old in next_panel.tyres.value


def test_a_warmer_track_lowers_the_cold_pressures_and_back(next_panel):
    """Hotter tyres rise more (gas law), so less is set cold for the same hot target."""
    before, shown = cold_bar(next_panel), next_panel.tyres.value
    next_panel.track.value += 15
    assert (cold_bar(next_panel) < before).all()
    assert next_panel.tyres.value != shown
    assert "supposing" in next_panel.head.value.lower()
    next_panel.back.click()
    assert cold_bar(next_panel).equals(before)
    assert next_panel.tyres.value == shown
    assert "supposing" not in next_panel.head.value.lower()


def test_more_risk_means_less_fuel_and_the_same_tyres(next_panel):
    before = next_panel.state.answer
    next_panel.risk.value = 0.05
    after = next_panel.state.answer
    assert all(after.fuel_loads[s].start_l < before.fuel_loads[s].start_l for s in after.fuel_loads)
    assert after.allocation is before.allocation
    next_panel.back.click()


def test_depths_typed_are_in_the_book_and_a_second_typing_corrects(next_panel, folder):
    tyre_id = next_panel.entry.rows[1]["key"]
    rows = len(next_panel.readings.weekend.book.read("tread"))
    for inner in ("4,1", "4,2"):
        next_panel.entry.fill(tyre_id, inner_mm=inner, centre_mm="4.4", outer_mm="4.6")
        next_panel.entry.commit(tyre_id)
        assert "!" not in next_panel.entry.status[tyre_id]
    book = next_panel.readings.weekend.book.read("tread")
    own = book[book["tyre_id"] == tyre_id].sort_values("taken_at").iloc[-1]
    assert (own["inner_mm"], own["centre_mm"], own["outer_mm"]) == (4.2, 4.4, 4.6)
    assert len(book) == rows
    with sqlite3.connect(folder / "book.sqlite") as connection:
        cells = [row[0] for row in connection.execute("SELECT cells FROM entries")]
    connection.close()
    assert sum('"inner_mm": "4.1"' in text for text in cells) == 1


def test_undo_takes_back_the_last_entry(next_panel):
    tyre_id = next_panel.entry.rows[2]["key"]
    before = dict(next_panel.entry.rows[2])
    next_panel.entry.fill(tyre_id, hot_bar="1.23")
    next_panel.entry.commit(tyre_id)
    next_panel.undo.click()
    assert next_panel.entry.rows[2]["hot_bar"] == before["hot_bar"]
    assert "taken back" in next_panel.said.value


def test_the_sheet_is_written_and_linked(next_panel, folder):
    next_panel.write.click()
    assert (folder / "out" / "sheet.html").stat().st_size > 10_000
    assert 'href="/files/out/sheet.html"' in next_panel.sheet_link.value


def before_running(folder):
    """Turn a copy of the demo into a weekend of which nothing has been run."""
    shutil.rmtree(folder / "logs")
    (folder / "logs").mkdir()
    for path in (folder / "book").glob("*.csv"):
        if path.stem != "tyres":
            path.write_text(path.read_text(encoding="utf-8").splitlines()[0] + "\n")


@pytest.mark.parametrize(
    ("source", "words"),
    [("fenmoor-after-p3", "nothing yet"), ("fenmoor-complete", "no session is left")],
)
def test_panels_open_before_any_running_and_after_the_last_race(tmp_path, source, words):
    folder = copy_of(source, tmp_path)
    if words == "nothing yet":
        before_running(folder)
    for panel in (NextSessionPanel(folder), WeekendPlanPanel(folder)):
        assert panel.problem.value == ""
        assert words in panel.head.value
        assert len(panel.figures.children)


def test_a_failure_is_said_in_the_panel_and_never_swallowed():
    panel = Panel()

    def wrong():
        raise InputError("tyre 'N9' is not in the <list>", where="book/runs.csv row 7")

    assert not panel.attempt(wrong)
    assert "book/runs.csv row 7" in panel.problem.value and "&lt;list&gt;" in panel.problem.value
    assert not panel.attempt(lambda: 1 / 0)
    assert "ZeroDivisionError" in panel.problem.value and "Traceback" in panel.problem.value
    assert panel.attempt(lambda: None)
    assert panel.problem.value == ""


def test_a_folder_without_event_opens_as_a_panel_that_says_so(tmp_path):
    panel = NextSessionPanel(tmp_path)
    assert "event.toml" in panel.problem.value
    assert panel.state is None


def test_charts_are_drawn_again_only_when_their_table_changed():
    drawn = []

    def draw(table):
        drawn.append(len(table))
        return charts.drop_off_chart(table)

    ages = np.arange(4.0)
    table = pd.DataFrame({"age_laps": ages, "mean": ages, "lower": ages, "upper": ages})
    table["seen"] = True
    figures = Figures()
    figures.show([Figure("drop-off", table, draw), Figure("none", table.iloc[:0], draw)])
    figures.show([Figure("drop-off", table.copy(), draw)])
    assert drawn == [4]
    assert len(figures.children) == 1
    figures.show([Figure("drop-off", table.iloc[:3], draw)])
    assert drawn == [4, 3]


def test_later_waits_inside_a_loop_and_runs_once():
    ran = []
    Later(lambda: ran.append("now")).call()
    assert ran == ["now"]

    async def twice():
        later = Later(lambda: ran.append("later"), delay_s=0.01)
        later.call()
        later.call()
        assert ran == ["now"]
        await asyncio.sleep(0.1)

    asyncio.run(twice())
    assert ran == ["now", "later"]


def test_a_notebook_finds_its_weekend(tmp_path, monkeypatch):
    inside = tmp_path / "weekend" / "notebooks"
    inside.mkdir(parents=True)
    (inside.parent / "event.toml").touch()
    monkeypatch.delenv("TYREKIT_WEEKEND", raising=False)
    assert notebook.find_weekend(inside) == (inside.parent, "")
    monkeypatch.setenv("TYREKIT_WEEKEND", str(inside.parent))
    assert notebook.find_weekend(tmp_path) == (inside.parent, "")
    monkeypatch.setenv("TYREKIT_WEEKEND", str(tmp_path))
    with pytest.raises(InputError, match="tyrekit new"):
        notebook.find_weekend(tmp_path)


def test_a_notebook_elsewhere_says_what_to_do(tmp_path, monkeypatch):
    """The first cell shows the words and the exact command; no demo in place of one's own data."""
    monkeypatch.delenv("TYREKIT_WEEKEND", raising=False)
    (tmp_path / "1_next_session.ipynb").touch()
    monkeypatch.chdir(tmp_path)
    for panel in (notebook.next_session_panel(), notebook.weekend_plan_panel()):
        assert "not a weekend folder" in panel.problem.value
        assert f"tyrekit new {tmp_path / 'my-weekend'}" in panel.problem.value
        assert f"tyrekit lab {tmp_path / 'my-weekend'}" in panel.problem.value


def test_the_kits_own_notebooks_show_a_copy_of_the_demo_and_say_so(tmp_path, monkeypatch):
    monkeypatch.delenv("TYREKIT_WEEKEND", raising=False)
    monkeypatch.setattr(notebook.tempfile, "mkdtemp", lambda prefix: str(tmp_path))
    found = notebook.find_weekend(notebook.shipped_notebooks())
    assert found.folder.parent == tmp_path
    assert (found.folder / "event.toml").is_file()
    assert "invented demo" in found.note
