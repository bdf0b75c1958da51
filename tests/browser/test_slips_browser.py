"""Slips of a tired hand: a comma, a number out of range, headings in a paste, a program killed."""

import re
import sqlite3
from contextlib import closing

import pytest
from playwright.sync_api import expect

from tyrekit.record.weekend import Weekend

pytestmark = pytest.mark.browser
PASTE = """(cell, text) => { const data = new DataTransfer(); data.setData('text/plain', text);
    cell.dispatchEvent(new ClipboardEvent('paste', { clipboardData: data, bubbles: true })); }"""
KILL = """() => { window.jupyterapp.shell.currentWidget.sessionContext.session.kernel
    .requestExecute({ code: 'import os, signal; os.kill(os.getpid(), signal.SIGKILL)' }); }"""


def typed(page, box, text):
    box.click()
    page.keyboard.press("Control+a")
    page.keyboard.type(text)
    page.keyboard.press("Enter")


def test_a_comma_is_read_and_a_slip_is_said(page, open_notebook):
    open_notebook("1_next_session.ipynb")
    box, cold = page.get_by_label("hot front, bar"), page.locator("#tk-cold-FL")
    planned = cold.inner_text()
    typed(page, box, "2,35")
    expect(cold).not_to_have_text(planned)
    higher = cold.inner_text()
    assert float(higher.split()[0]) > float(planned.split()[0])
    for slip, words in (("21", "21 is over 4"), ("-1", "under 0.8"), ("2.1.1", "not a number")):
        typed(page, box, slip)
        expect(page.get_by_text(re.compile(f"{words}.*: 2.35 counts"))).to_be_visible()
        expect(box).to_have_value(slip)
    expect(cold).to_have_text(higher)
    laps = page.get_by_label("laps in Q")
    typed(page, laps, "5,5")
    expect(page.get_by_text("5.5 is not whole: 7 counts")).to_be_visible()
    page.get_by_role("button", name="As planned").click()
    expect(box).to_have_value("2.1")
    expect(laps).to_have_value("7")
    expect(page.locator(".tk-refused", has_text="counts")).to_have_count(0)
    expect(cold).to_have_text(planned)
    box.press("ArrowUp")
    expect(box).to_have_value("2.15")


def test_headings_in_a_paste_put_nothing_beside_its_place(page, lab, open_notebook):
    open_notebook("1_next_session.ipynb")
    before = Weekend.open(lab.folder).book.latest_save()
    first = page.get_by_label(re.compile(r"^FL .* hot bar$"))
    held = first.input_value()
    block = "tyre\thot\tinner\tcentre\nFL\t2.01\t2.1\t2.4\nFR\t2.0\t2.3\t2.7"
    first.evaluate(PASTE, block)
    expect(page.get_by_text("nothing pasted: tyre is no number")).to_be_visible()
    expect(first).to_have_value(held)
    first.press("Tab")
    page.wait_for_timeout(1000)
    assert Weekend.open(lab.folder).book.latest_save() == before


def test_a_reading_that_could_not_be_saved_stands_out_until_it_is(page, lab, open_notebook):
    open_notebook("1_next_session.ipynb")
    cell = page.get_by_label(re.compile(r"^FL .* hot bar$"))
    state = page.get_by_role("row").filter(has=cell).get_by_role("status")
    weight = "one => getComputedStyle(one).fontWeight"
    with closing(sqlite3.connect(lab.folder / "book.sqlite")) as book:
        book.execute("BEGIN EXCLUSIVE")  # another program holds the book
        typed(page, cell, "2.07")
        expect(state).to_contain_text("not kept on disk")
        assert int(state.evaluate(weight)) >= 600
        book.rollback()
    cell.press("Enter")
    expect(state).to_contain_text("pressure corrected")
    assert int(state.evaluate(weight)) < 600


def test_nothing_under_a_tyre_runs_into_the_next_at_twice_the_size(page, open_notebook):
    """A laptop's 1366 pixels at 200 %, as WCAG 2.2, 1.4.4 asks."""
    open_notebook("2_weekend_plan.ipynb")
    page.set_viewport_size({"width": 683, "height": 800})
    page.wait_for_timeout(500)
    wide = """all => all.filter(one => one.getBoundingClientRect().right
        > one.closest('.widget-vbox').getBoundingClientRect().right + 1).length"""
    words = page.locator(".tk-grid .widget-vbox .tk-whole")
    assert words.count() > 8
    assert words.evaluate_all(wide) == 0


def test_a_killed_program_is_said_until_it_is_started_again(page, open_notebook):
    open_notebook("2_weekend_plan.ipynb")
    asks = page.get_by_role("button", name="What would help?")
    expect(asks).to_be_visible()
    page.evaluate(KILL)
    said = page.get_by_text("The program behind this page has stopped")
    expect(said).to_contain_text("Press Start again")
    page.get_by_role("button", name="Ok", exact=True).click()  # JupyterLab says it too, once
    page.get_by_role("button", name="Start again").click()
    expect(said).to_have_count(0)
    expect(asks).to_have_count(0)  # the old panel is taken away, then the new one comes
    asks.click()
    expect(page.get_by_text("would save")).to_be_visible()
