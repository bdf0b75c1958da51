"""JupyterLab on a copy of the demo weekend, in a real Chromium, with every request watched."""

import json
import os
import secrets
import shutil
import signal
import subprocess
import sys
import time
import urllib.request
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from demo_weekends import copy_of
from playwright.sync_api import expect, sync_playwright

OUT = Path(__file__).parent / "out"
START_S = 60
CELL_ERRORS = """() => [...window.jupyterapp.shell.currentWidget.content.model.cells]
    .flatMap(c => c.type !== 'code' ? [] : c.outputs.toJSON()
    .filter(o => o.output_type === 'error').map(o => o.ename + ': ' + o.evalue))"""
CHROMIUM = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
expect.set_options(timeout=60_000)


@dataclass
class Lab:
    """A running JupyterLab and the weekend it stands on."""

    url: str
    token: str
    folder: Path
    outside: list[str] = field(default_factory=list)

    def api(self, method: str, path: str) -> object:
        request = urllib.request.Request(
            f"{self.url}api/{path}", method=method, headers={"Authorization": f"token {self.token}"}
        )
        with urllib.request.urlopen(request, timeout=20) as answer:
            text = answer.read()
        return json.loads(text) if text else None

    def watch(self, url: str) -> None:
        """Note a request that is neither the lab's nor inside the page."""
        parts = urlsplit(url)
        inside = parts.scheme in ("data", "blob", "about")
        if not inside and parts.netloc != urlsplit(self.url).netloc:
            self.outside.append(url)


@pytest.fixture(scope="module")
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
    """Start `tyrekit lab` as a user would, everything of Jupyter's inside a temporary folder."""
    base = tmp_path_factory.mktemp("lab")
    folder = copy_of("fenmoor-after-p3", base)
    token = secrets.token_hex(24)
    places = ("CONFIG_DIR", "DATA_DIR", "RUNTIME_DIR")
    env = dict(os.environ, HOME=str(base), JUPYTER_TOKEN=token, IPYTHONDIR=str(base / "ipython"))
    env |= {f"JUPYTER_{name}": str(base / name.lower()) for name in places}
    env["JUPYTERLAB_SETTINGS_DIR"] = str(base / "settings")
    command = [sys.executable, "-m", "tyrekit", "lab", str(folder), "--no-browser",
               "--expose-app-in-browser", "--ServerApp.port=0"]  # fmt: skip
    with (base / "lab.log").open("w") as log:
        process = subprocess.Popen(
            command, env=env, stdout=log, stderr=subprocess.STDOUT, start_new_session=True
        )
    try:
        yield Lab(_address(process, base), token, folder)
    finally:
        os.killpg(process.pid, signal.SIGTERM)
        process.wait(timeout=20)


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


def _address(process, base: Path) -> str:
    """Return the lab's URL once it says it; fail with its log otherwise."""
    info = base / "runtime_dir" / f"jpserver-{process.pid}.json"
    for _ in range(START_S * 10):
        if process.poll() is not None:
            break
        if info.exists() and info.stat().st_size:
            return json.loads(info.read_text())["url"]
        time.sleep(0.1)
    pytest.fail(f"JupyterLab did not start:\n{(base / 'lab.log').read_text()}")
