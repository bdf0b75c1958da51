"""The notebooks at three widths and in two themes: nothing cut off, open to all; pictures kept.

Axe (axe-core 4, Deque, MPL 2.0, as bundled in axe-playwright-python) judges what is in the panels,
not JupyterLab around them.
"""

from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
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
        assert barriers(page) == [], theme
    assert lab.outside == []


def barriers(page):
    """Return what axe finds serious or critical inside the panels, with the places."""
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    found = Axe().run(page, context=[".tk"]).response["violations"]
    return [
        f"{one['id']} ({one['impact']}): {one['help']}; {node['html'][:160]}"
        for one in found
        if one["impact"] in ("serious", "critical")
        for node in one["nodes"][:4]
    ]


def test_a_planted_barrier_is_seen(page):
    page.set_content('<html lang="en"><div class="tk"><input><p style="color:#ccc">pale</p></div>')
    assert {one.split(" ")[0] for one in barriers(page)} == {"label", "color-contrast"}
