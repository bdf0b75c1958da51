"""Between two sessions by mouse: the answer first, a log arrives, checked in, measured, printed."""

import re
import shutil
from contextlib import contextmanager

import psutil
import pytest
from demo_weekends import DATA
from playwright.sync_api import expect

from tyrekit.record.weekend import Weekend

pytestmark = pytest.mark.browser
READINGS = {"hot": "2,05", "inner": "4,2", "centre": "4,5", "outer": "4,0"}


def kernel(lab):
    """Return the process of the one kernel that runs."""
    (session,) = lab.api("GET", "sessions")
    with_id = (p for p in psutil.process_iter(["cmdline"]) if p.info["cmdline"])
    return next(p for p in with_id if any(session["kernel"]["id"] in word for word in p.cmdline()))


@contextmanager
def stopped(process):
    process.suspend()
    try:
        yield
    finally:
        process.resume()


def top(locator):
    """Return how far down the page something stands, px."""
    return locator.bounding_box()["y"]


def test_check_in_type_read_the_answer_and_print_by_mouse(page, lab, open_notebook):
    open_notebook("1_next_session.ipynb")
    tyre, entry = page.locator("#tk-tyre-FL"), page.locator(".tk-entry")
    expect(page.get_by_text("nothing new from the car")).to_be_visible()
    expect(page.get_by_role("heading", name="Tyres and cold pressures for Q")).to_be_visible()
    assert top(tyre) < top(entry)  # before a session has ended the answer comes first
    assert page.get_by_role("button", name="Save the run").count() == 0

    shutil.copy(DATA / "fenmoor-complete" / "logs" / "Q.csv.gz", lab.folder / "logs")
    save = page.get_by_role("button", name="Save the run")
    expect(save).to_be_visible()
    expect(page.get_by_text("7 laps seen")).to_be_visible()
    page.get_by_role("button", name="Not now").click()
    expect(save).to_have_count(0)
    page.get_by_role("button", name="Check in Q").click()
    expect(save).to_be_visible()
    assert top(save) < top(tyre)  # right after a session the form is what is to be done
    page.get_by_label("fuel at the start, kg").click(click_count=3)
    page.keyboard.type("10,5")
    save.click()
    expect(page.get_by_text(re.compile("run Q saved"))).to_be_visible()
    expect(page.get_by_text("Q: pressure of 4 and tread of 4 tyres to be typed")).to_be_visible()

    rows = page.locator(".tk-entry tbody tr")
    page.get_by_role("button", name="Type tread and pressures").click()
    page.wait_for_function("() => document.activeElement.closest('.tk-entry') !== null")
    centre = rows.nth(2).get_by_label(re.compile(" centre "))
    with stopped(kernel(lab)):  # busy: its answer to the button comes while somebody types
        page.get_by_role("button", name="Type tread and pressures").click()
        centre.click()
        page.keyboard.type(READINGS["centre"][0])
    page.wait_for_timeout(1_000)
    page.keyboard.type(READINGS["centre"][1:])
    expect(centre).to_have_value(READINGS["centre"])
    for row in range(4):
        for name, text in READINGS.items():
            rows.nth(row).get_by_label(re.compile(f" {name} ")).click()
            page.keyboard.type(text)
    page.get_by_role("heading", name="Just measured").click()
    for row in range(4):
        expect(rows.nth(row).get_by_role("status")).to_contain_text(
            re.compile("pressure saved.*tread saved")
        )
    expect(page.get_by_text("tyres to be typed")).to_have_count(0)

    expect(page.get_by_role("heading", name="Tyres and cold pressures for R1")).to_be_visible()
    expect(page.locator(".tk-older")).to_have_count(0)
    chosen = [page.locator(f"#tk-tyre-{corner}").inner_text() for corner in ("FL", "FR")]
    weekend = Weekend.open(lab.folder)
    assert len(weekend.tread[weekend.tread["after_run"] == "Q"]) == 4
    assert weekend.runs.set_index("run_id").loc["Q", "fuel_start_kg"] == 10.5

    page.get_by_role("button", name="Write the crew's sheet").click()
    with page.context.expect_page() as opened:
        page.get_by_role("link", name="Open the sheet").click()
    sheet = opened.value
    expect(sheet.get_by_text(re.compile("Tyres for R1")).first).to_be_visible()
    assert all(tyre_id in sheet.locator("body").inner_text() for tyre_id in chosen)
    assert sheet.pdf(prefer_css_page_size=True).startswith(b"%PDF")
    assert lab.outside == []
