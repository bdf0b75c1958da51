"""A stranger's folder in JupyterLab, in a real Chromium: its notebooks and modules run nothing.

The notebook that opens first is the kit's own by its cells, but brings a widget with JavaScript
of its own; beside it lie modules under the names that the kernel imports. A second notebook says
that it is the kit's and is trusted.
"""

import json
import os
import secrets
import shutil
import signal
import subprocess
import sys
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread

import planted_attacks as attacks
import pytest
from demo_weekends import copy_of
from playwright.sync_api import sync_playwright

from tyrekit.errors import InputError
from tyrekit.show import lab

START_S, RUN_MS = 120, 240_000


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    base = tmp_path_factory.mktemp("lab")
    (base / "outside").mkdir()
    folder = copy_of("fenmoor-after-p3", base)
    lab.copy_notebooks(folder)
    attacks.deadly(folder, base / "outside")
    attacks.notebook(folder, base / "outside")
    first = folder / "notebooks" / lab.FIRST_NOTEBOOK
    shipped = json.loads((lab.shipped_notebooks() / lab.FIRST_NOTEBOOK).read_text("utf-8"))
    own = lab.without_checks(shipped)["cells"]
    first.write_text(json.dumps(attacks.strange_notebook(base / "outside", own)))
    return folder


@pytest.fixture(scope="module")
def running(folder):
    """The lab's address with its token, started from within the stranger's folder."""
    base, token = folder.parent, secrets.token_hex(24)
    env = dict(os.environ, HOME=str(base), JUPYTER_TOKEN=token, IPYTHONDIR=str(base / "ipython"))
    env |= {
        f"JUPYTER_{n}": str(base / n.lower()) for n in ("CONFIG_DIR", "DATA_DIR", "RUNTIME_DIR")
    }
    env.pop("PYTHONSAFEPATH", None)
    command = [str(Path(sys.executable).with_name("tyrekit")), "lab", ".", "--no-browser",
               "--expose-app-in-browser", "--ServerApp.port=0"]  # fmt: skip
    with (base / "lab.log").open("w") as out:
        process = subprocess.Popen(
            command, cwd=folder, env=env, stdout=out, stderr=out, start_new_session=True
        )
    info = base / "runtime_dir" / f"jpserver-{process.pid}.json"
    try:
        for _ in range(START_S * 10):
            if process.poll() is not None or (info.exists() and info.stat().st_size):
                break
            time.sleep(0.1)
        assert info.exists(), (base / "lab.log").read_text()
        yield json.loads(info.read_text())["url"], token
    finally:
        os.killpg(process.pid, signal.SIGTERM)
        process.wait(timeout=60)


@pytest.fixture(scope="module")
def page():
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    assert path is not None, "no chromium: apt install chromium"
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=path, args=["--no-sandbox", "--disable-gpu"])
        shown = browser.new_page()
        shown.set_default_timeout(RUN_MS)
        yield shown
        browser.close()


def opened(page, running, name):
    url, token = running
    page.goto(f"{url}doc/tree/notebooks/{name}?reset&token={token}")
    page.wait_for_function(
        "window.jupyterapp?.shell?.currentWidget?.sessionContext?.session?.kernel"
        "?.connectionStatus === 'connected'"
    )


def test_the_kits_own_notebook_runs_and_what_was_put_into_it_does_not(folder, running, page):
    opened(page, running, lab.FIRST_NOTEBOOK)
    page.wait_for_selector("[data-autorun=done]")
    page.wait_for_selector(".tk-chart svg")
    assert page.evaluate("globalThis.pwned") is None
    assert not list((folder.parent / "outside").iterdir()), "a module of the folder was run"


def test_a_notebook_that_says_it_is_the_kits_is_left_alone(folder, running, page):
    opened(page, running, "mine.ipynb")
    page.wait_for_timeout(5_000)
    cells = page.evaluate(
        "[...window.jupyterapp.shell.currentWidget.content.model.cells].map(c => c.trusted)"
    )
    assert cells == [False]
    assert page.evaluate("globalThis.pwned") is None
    assert not list((folder.parent / "outside").iterdir())


@pytest.fixture
def listening():
    """Somebody else's web server, and what it was asked."""
    asked = []

    class Noting(BaseHTTPRequestHandler):
        def do_GET(self):
            asked.append(self.path)
            self.send_response(200)
            self.send_header("Content-Type", "image/svg+xml")
            self.end_headers()
            self.wfile.write(b"<svg xmlns='http://www.w3.org/2000/svg'/>")

        def log_message(self, *args):
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Noting)
    Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}", asked
    server.shutdown()
    server.server_close()


def test_a_notebook_that_is_only_looked_at_asks_nobody(folder, running, page, listening):
    address, asked = listening
    plain = page.context.browser.new_page()
    with plain.expect_response("**/control"):
        plain.set_content(f"<img src='{address}/control'>")
    assert asked == ["/control"]  # a page without the kit's policy does ask
    asked.clear()
    prying = json.dumps(attacks.prying_notebook(address))
    (folder / "notebooks/prying.ipynb").write_text(prying)
    opened(page, running, "prying.ipynb")
    page.get_by_alt_text("seen").wait_for(state="attached")
    page.wait_for_timeout(3_000)
    assert asked == []


@pytest.mark.parametrize("name", ["notebooks", "notebooks/.kit-notebooks.json", "parts"])
def test_notebooks_are_copied_into_the_folder_only(tmp_path, name):
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "secret").write_text("secret")
    target = tmp_path / "w/notebooks"
    target.parent.mkdir()
    if name == "notebooks":
        target.symlink_to(outside)
        with pytest.raises(InputError, match="link out of the folder"):
            lab.copy_notebooks(tmp_path / "w")
    else:
        target.mkdir()
        names = [lab.FIRST_NOTEBOOK, lab.RECORD_NAME]
        parts = [f"{n}.part" for n in names] + [f".{n}.{os.getpid()}.part" for n in names]
        for one in [lab.RECORD_NAME] if name != "parts" else parts:
            (target / one).symlink_to(outside / "secret")
        lab.copy_notebooks(tmp_path / "w")
    assert [(p.name, p.read_text()) for p in outside.iterdir()] == [("secret", "secret")]
