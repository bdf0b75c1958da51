"""The notebooks at three widths and in two themes: nothing is cut off; pictures are kept."""

from pathlib import Path

import pytest
from playwright.sync_api import expect

pytestmark = pytest.mark.browser
OUT = Path(__file__).parent / "out"
CHANGE_THEME = """name => { window.jupyterapp.commands.execute(
    'apputils:change-theme', { theme: `JupyterLab ${name}` }); }"""
PAST_THE_EDGE = """() => {
    const edge = document.querySelector('.tk').getBoundingClientRect().right + 1;
    return [...document.querySelectorAll('.tk *')]
        .filter(e => !e.closest('svg') && e.checkVisibility())
        .filter(e => e.getBoundingClientRect().right > edge)
        .map(e => `${e.tagName} ${e.className} ${e.textContent.slice(0, 40)}`);
}"""


NOTEBOOKS = (
    "1_next_session", "2_weekend_plan", "3_race_fuel_and_stops", "4_practice_programme",
    "5_review",
)  # fmt: skip


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_nothing_is_cut_off_at_any_width(page, lab, open_notebook, name):
    open_notebook(f"{name}.ipynb")
    OUT.mkdir(exist_ok=True)
    expect(page.locator(".tk-head")).to_be_visible()
    for theme in ("Light", "Dark"):
        page.evaluate(CHANGE_THEME, theme)
        light = str(theme == "Light").lower()
        expect(page.locator(f'body[data-jp-theme-light="{light}"]')).to_have_count(1)
        for width in (820, 1400, 1920):
            page.set_viewport_size({"width": width, "height": 1900})
            page.wait_for_timeout(300)
            page.screenshot(path=OUT / f"{name}-{width}-{theme.lower()}.png")
            assert page.evaluate(PAST_THE_EDGE) == [], (width, theme)
    assert lab.outside == []
