"""Notebook 2 as a person meets it: the plan on screen, a tyre locked, the rest planned again."""

import re

import pytest
from playwright.sync_api import expect

pytestmark = pytest.mark.browser


def test_a_lock_replans_and_can_be_taken_back(page, lab, open_notebook):
    open_notebook("2_weekend_plan.ipynb")
    cost = page.locator("#tk-cost")
    expect(cost).to_have_text(re.compile(r"^\d+\.\d\d s$"))
    before = cost.inner_text()
    boxes = page.locator(".tk-grid select")
    expect(boxes.first).to_be_visible()
    last = boxes.nth(boxes.count() - 4)
    planned = last.locator("option").first.inner_text()
    other = next(
        text
        for text in last.locator("option").all_inner_texts()[1:]
        if text.removesuffix(" locked") != planned
    )
    last.select_option(label=other)
    expect(page.get_by_text("To keep them, add to event.toml")).to_be_visible()
    expect(page.locator(".tk-grid .tk-locked")).to_have_count(1)
    page.get_by_role("button", name="As planned").click()
    expect(cost).to_have_text(before)
    expect(page.get_by_text("To keep them, add to event.toml")).to_have_count(0)
    assert lab.outside == []
