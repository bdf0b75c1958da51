"""A session checked in by keyboard, a kernel restarted in mid-entry, two windows on one weekend."""

import re
import shutil
import time

import pytest
from demo_weekends import DATA
from playwright.sync_api import expect

from tyrekit.record.weekend import Weekend

pytestmark = pytest.mark.browser
COUNT_KEYS = """() => { window.keys = 0;
    document.addEventListener('keydown', () => window.keys++, true); }"""
FOCUSED = "() => document.activeElement.getAttribute('aria-label') || ''"
PASTE = """(cell, text) => { const data = new DataTransfer(); data.setData('text/plain', text);
    cell.dispatchEvent(new ClipboardEvent('paste', { clipboardData: data, bubbles: true })); }"""
SAVED = re.compile("pressure saved.*tread saved")


def cell(page, row, name):
    return page.locator(".tk-entry tbody tr").nth(row).get_by_label(re.compile(f" {name} "))


def state(page, row):
    return page.locator(".tk-entry tbody tr").nth(row).get_by_role("status")


def test_check_in_by_keyboard_restart_in_mid_entry_and_a_second_window(
    page, lab, open_notebook, figure
):
    shutil.copy(DATA / "fenmoor-complete" / "logs" / "Q.csv.gz", lab.folder / "logs")
    open_notebook("1_next_session.ipynb")
    expect(page.get_by_text("7 laps seen")).to_be_visible()
    page.evaluate(COUNT_KEYS)
    page.get_by_role("button", name="Save the run").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_text(re.compile("run Q saved"))).to_be_visible()
    page.wait_for_function(f"() => / hot /.test(({FOCUSED})())")
    for digits in ("205", "42", "45", "40") * 4:
        page.keyboard.type(digits)
    typed = time.monotonic()
    for row in range(4):
        expect(state(page, row)).to_contain_text(SAVED)
    figure(f"last row on disk {time.monotonic() - typed:.2f} s after its last key")
    keys = page.evaluate("window.keys")
    figure(f"check-in, 4 pressures and 12 depths: {keys} keystrokes")
    assert keys <= 40
    expect(cell(page, 3, "hot")).to_have_value("2.05")
    expect(cell(page, 3, "outer")).to_have_value("4.0")

    block = "\n".join(f"2,1{row}\t3,9\t4,1\t3,8" for row in range(4))
    cell(page, 0, "hot").evaluate(PASTE, block)
    for row in range(4):
        expect(cell(page, row, "hot")).to_have_value(f"2,1{row}" if row else "2,10")

    for _ in range(300):  # the words may still be those of the first saving: the book tells
        hot = Weekend.open(lab.folder).pressures.query("run_id == 'Q'")["hot_bar"]
        if sorted(hot) == [2.10, 2.11, 2.12, 2.13]:
            break
        page.wait_for_timeout(200)
    assert sorted(hot) == [2.10, 2.11, 2.12, 2.13]

    cell(page, 1, "inner").click()
    page.keyboard.type("3")  # half a depth, and the kernel dies
    page.wait_for_timeout(1000)
    kernel = lab.api("GET", "sessions")[0]["kernel"]["id"]
    lab.api("POST", f"kernels/{kernel}/restart")
    open_notebook("1_next_session.ipynb")
    expect(cell(page, 1, "inner")).to_have_value("3")
    expect(state(page, 1)).to_contain_text("not saved")
    expect(cell(page, 1, "hot")).to_have_value("2.11")

    shutil.copy(lab.folder / "notebooks/1_next_session.ipynb", lab.folder / "notebooks/other.ipynb")
    other = page.context.new_page()
    other.goto(f"{lab.url}doc/tree/notebooks/other.ipynb?reset&token={lab.token}")
    other.wait_for_function("() => window.jupyterapp?.shell?.currentWidget?.context?.isReady")
    other.evaluate("() => window.jupyterapp.shell.currentWidget.sessionContext.ready")
    other.evaluate("() => window.jupyterapp.commands.execute('notebook:run-all-cells')")
    expect(cell(other, 2, "inner")).to_have_value("3.9")
    cell(other, 2, "inner").click()
    other.keyboard.type("37")
    other.keyboard.press("Enter")
    expect(state(other, 2)).to_contain_text(re.compile("tread corrected"))
    page.bring_to_front()
    expect(cell(page, 2, "inner")).to_have_value("3.7")
    expect(cell(page, 1, "inner")).to_have_value("3")  # what is half typed here stays
    assert lab.outside == []
