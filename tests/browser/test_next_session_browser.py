"""Notebook 1 as a person meets it: opens run, a control moves numbers, a depth is saved."""

import re
import sqlite3

import pytest
from playwright.sync_api import expect

pytestmark = pytest.mark.browser


def test_from_open_to_answer_to_saved_depth(page, lab, open_notebook):
    open_notebook("1_next_session.ipynb")
    cold = page.locator("#tk-cold-FL")
    expect(cold).to_have_text(re.compile(r"^\d\.\d\d bar$"))
    before = cold.inner_text()
    page.get_by_label("hot front, bar").fill("2.4")
    page.get_by_label("hot front, bar").press("Enter")
    expect(cold).not_to_have_text(before)

    depths = page.get_by_label(re.compile(r"^FL .* (inner|centre|outer) mm$"))
    expect(depths).to_have_count(3)
    depths.nth(0).click()
    page.keyboard.press("Control+a")
    page.keyboard.type("4,9")
    page.keyboard.press("Tab")
    page.keyboard.type("50")  # read as 5.0, and on to the next cell by itself
    page.keyboard.type("5.1")
    page.keyboard.press("Enter")
    expect(depths.nth(1)).to_have_value("5.0")
    row = page.get_by_role("row").filter(has=depths.nth(0))
    expect(row.get_by_role("status")).to_contain_text("tread corrected")
    expect(depths.nth(2)).to_have_value("5.1")
    with sqlite3.connect(f"file:{lab.folder / 'book.sqlite'}?mode=ro", uri=True) as book:
        cells = book.execute(
            "SELECT cells FROM entries WHERE sheet = 'tread' ORDER BY row_id DESC LIMIT 1"
        ).fetchone()[0]
    book.close()
    assert '"4.9"' in cells and '"5.0"' in cells and '"5.1"' in cells
    assert lab.outside == []
