"""Notebook 2 as a person meets it: the plan on screen, a tyre locked, the rest planned again."""

import re
from statistics import median

import pytest
from playwright.sync_api import expect

from tyrekit.record.weekend import Weekend

pytestmark = pytest.mark.browser

# Changes a control as a hand does and waits until another cost, the last thing drawn, is shown.
UNTIL_REDRAWN = """(control, change) => new Promise((done, fail) => {
    const cost = () => document.querySelector('#tk-cost')?.dataset.exact;
    const before = cost(), start = performance.now();
    if (change === 'click') control.click();
    else {
        control.value = change;
        const event = control.type === 'range' ? 'input' : 'change';
        control.dispatchEvent(new Event(event, { bubbles: true }));
    }
    const look = () => cost() && cost() !== before
        ? done((performance.now() - start) / 1000) : requestAnimationFrame(look);
    look();
    setTimeout(() => fail(new Error(`${change}: still ${cost()}`)), 60000);
})"""


def redrawn_s(control, change):
    """Return the seconds from a change to the plan on screen."""
    return control.evaluate(UNTIL_REDRAWN, change)


def test_a_lock_replans_is_on_disk_and_is_undone(page, lab, open_notebook, figure):
    open_notebook("2_weekend_plan.ipynb")
    cost = page.locator("#tk-cost")
    expect(cost).to_have_text(re.compile(r"^\d+\.\d s$"))
    expect(page.get_by_text("best plans, all within")).to_be_visible()
    heads = [page.locator(".tk-grid").get_by_text(c, exact=True) for c in ("session", "FL", "RR")]
    assert len({head.bounding_box()["y"] for head in heads}) == 1  # one row
    undo = page.get_by_role("button", name="Undo the last lock")
    loss = page.get_by_label("time lost to age")
    before, locks, slides = cost.inner_text(), [], []
    for session, corner in (("Q", "FL"), ("R2", "RL"), ("R2", "FL")):
        box = page.get_by_label(f"tyre in {session} at {corner}, choosing one locks it")
        locks.append(redrawn_s(box, "N1 locked"))
        expect(page.locator(".tk-grid .tk-locked")).to_have_count(1)
        expect(page.get_by_text(f"{session} {corner} locked to N1, saved")).to_be_visible()
        assert list(Weekend.open(lab.folder).locks[corner.lower()]) == ["N1"]
        locks.append(redrawn_s(undo, "click"))
        expect(cost).to_have_text(before)
    for loss_pct in ("105", "110", "115", "120", "100"):
        slides.append(redrawn_s(loss, loss_pct))
    expect(cost).to_have_text(before)
    # goals on a quiet machine: 0.8 and 0.4 s
    figure(f"lock to new plan on screen: median {median(locks):.2f} s of {len(locks)}")
    figure(f"slider to redrawn plan: median {median(slides):.2f} s of {len(slides)}")
    assert Weekend.open(lab.folder).locks.empty
    assert lab.outside == []
