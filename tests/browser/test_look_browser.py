"""The notebooks at three widths and in two themes: nothing cut off, open to all; pictures kept.

Axe (axe-core 4, Deque, MPL 2.0, as bundled in axe-playwright-python) judges what is in the panels,
not JupyterLab around them. Pictures show the whole notebook; with `--pictures` the README's are
made anew.
"""

from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from PIL import Image
from playwright.sync_api import expect

pytestmark = pytest.mark.browser
OUT = Path(__file__).parent / "out"
README_PICTURES = Path(__file__).parents[2] / "notebooks" / "pictures"
CHANGE_THEME = """name => { window.jupyterapp.commands.execute(
    'apputils:change-theme', { theme: `JupyterLab ${name}` }); }"""
PAST_THE_EDGE = """() => {
    const edge = document.querySelector('.tk').getBoundingClientRect().right + 1;
    return [...document.querySelectorAll('.tk *')]
        .filter(e => !e.closest('svg') && e.checkVisibility())
        .filter(e => e.getBoundingClientRect().right > edge)
        .map(e => `${e.tagName} ${e.className} ${e.textContent.slice(0, 40)}`);
}"""
# Nothing in the panels has changed for five seconds: charts and second thoughts come after the
# first answer.
SETTLED = """() => new Promise(done => {
    let timer;
    const again = () => { clearTimeout(timer); timer = setTimeout(end, 5000); };
    const look = new MutationObserver(again);
    const end = () => { look.disconnect(); done(); };
    again();
    document.querySelectorAll('.tk').forEach(panel => look.observe(
        panel, { subtree: true, childList: true, characterData: true }));
})"""
OPEN = "open => document.querySelectorAll('.tk details').forEach(d => { d.open = open; })"
# The notebook scrolls inside JupyterLab: how high the window must be to show all of it.
WHOLE = """() => { const scrolled = document.querySelector('.jp-WindowedPanel-outer');
    const panel = document.querySelector('.tk').getBoundingClientRect();
    return Math.ceil(panel.bottom + scrolled.scrollTop) + 100; }"""
HIGHEST = 7000
README_BYTES = 200_000

NOTEBOOKS = (
    "1_next_session", "2_weekend_plan", "3_race_fuel_and_stops", "4_practice_programme",
    "5_review",
)  # fmt: skip
IN_README = ("1_next_session", "2_weekend_plan")


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_nothing_is_cut_off_at_any_width(page, lab, open_notebook, name, figure):
    open_notebook(f"{name}.ipynb")
    OUT.mkdir(exist_ok=True)
    expect(page.locator(".tk-head")).to_be_visible()
    page.evaluate(SETTLED)
    lesser = set()
    for theme in ("Light", "Dark"):
        page.evaluate(CHANGE_THEME, theme)
        light = str(theme == "Light").lower()
        expect(page.locator(f'body[data-jp-theme-light="{light}"]')).to_have_count(1)
        for width in (820, 1400, 1920):
            picture(page, width, OUT / f"{name}-{width}-{theme.lower()}.png")
            assert page.evaluate(PAST_THE_EDGE) == [], (width, theme)
        page.evaluate(OPEN, True)
        found = barriers(page)
        page.evaluate(OPEN, False)
        assert [text for grave, text in found if grave] == [], theme
        lesser |= {text for grave, text in found if not grave}
    figure("\n  ".join([f"{name}: axe's lesser findings: {len(lesser)}", *sorted(lesser)]))
    assert lab.outside == []


def picture(page, width, path):
    """Keep a picture of the whole notebook."""
    page.set_viewport_size({"width": width, "height": 1000})
    page.wait_for_timeout(200)
    page.set_viewport_size({"width": width, "height": min(page.evaluate(WHOLE), HIGHEST)})
    page.wait_for_timeout(300)
    page.screenshot(path=path)


def barriers(page):
    """Return what axe finds inside the panels: whether serious or critical, and what, where."""
    found = Axe().run(page, context=[".tk"]).response["violations"]
    return [
        (
            one["impact"] in ("serious", "critical"),
            f"{one['id']} ({one['impact']}): {one['help']}; {node['html'][:160]}",
        )
        for one in found
        for node in one["nodes"][:4]
    ]


def test_a_planted_barrier_is_seen(page):
    page.set_content('<html lang="en"><div class="tk"><input><p style="color:#ccc">pale</p></div>')
    seen = {text.split(" ")[0] for grave, text in barriers(page) if grave}
    assert seen == {"label", "color-contrast"}


@pytest.mark.parametrize("name", IN_README)
def test_a_picture_for_the_readme(page, lab, open_notebook, name, tmp_path, pytestconfig):
    """The README's pictures are small, as high as the screen is now, and made here."""
    open_notebook(f"{name}.ipynb")
    page.evaluate(SETTLED)
    page.set_viewport_size({"width": 1400, "height": 1500})
    page.wait_for_timeout(500)
    kept = README_PICTURES if pytestconfig.getoption("--pictures") else tmp_path
    made = kept / f"{name}.png"
    page.screenshot(path=made)
    with Image.open(made) as picture_taken:
        small = picture_taken.convert("RGB").quantize(64, dither=Image.Dither.NONE)
    small.save(made, optimize=True)
    assert made.stat().st_size < README_BYTES
    shown = README_PICTURES / made.name
    assert shown.stat().st_size < README_BYTES
    with Image.open(shown) as in_readme:
        assert in_readme.size == small.size
