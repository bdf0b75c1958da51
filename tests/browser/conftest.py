"""JupyterLab on a copy of the demo weekend, in a real Chromium, with every request watched."""

import shutil
from pathlib import Path

import pytest
from playwright.sync_api import expect, sync_playwright
from running_lab import started_lab

OUT = Path(__file__).parent / "out"
CELL_ERRORS = """() => [...window.jupyterapp.shell.currentWidget.content.model.cells]
    .flatMap(c => c.type !== 'code' ? [] : c.outputs.toJSON()
    .filter(o => o.output_type === 'error').map(o => o.ename + ': ' + o.evalue))"""
CHROMIUM = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
expect.set_options(timeout=60_000)


@pytest.fixture(scope="module")  # while it is open an event loop runs, which other tests mind
def chromium():
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        pytest.fail("no chromium: apt install chromium")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=path, args=list(CHROMIUM))
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    with started_lab(tmp_path_factory.mktemp("lab")) as running:
        yield running


@pytest.fixture
def page(chromium, lab, request):
    """A page that notes where it asks; each test's sessions are ended after it."""
    context = chromium.new_context(viewport={"width": 1400, "height": 1000})
    context.on("request", lambda asked: lab.watch(asked.url))
    shown = context.new_page()
    shown.on("websocket", lambda socket: lab.watch(socket.url.replace("ws://", "http://")))
    shown.set_default_timeout(60_000)
    yield shown
    OUT.mkdir(exist_ok=True)
    shown.screenshot(path=OUT / f"{request.node.name}-last.png")
    context.close()
    for session in lab.api("GET", "sessions"):
        lab.api("DELETE", f"sessions/{session['id']}")


@pytest.fixture
def open_notebook(page, lab):
    """Return a function that opens a notebook and waits until it has run by itself."""

    def opened(name: str) -> None:
        page.goto(f"{lab.url}doc/tree/notebooks/{name}?reset&token={lab.token}")
        page.wait_for_selector("[data-autorun=done]")
        assert page.evaluate(CELL_ERRORS) == []

    return opened
