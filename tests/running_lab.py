"""JupyterLab started by the kit on a copy of the demo weekend, with every request noted."""

import json
import os
import secrets
import signal
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from demo_weekends import copy_of

START_S = 60


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


@contextmanager
def started_lab(base: Path) -> Iterator[Lab]:
    """Start `tyrekit lab` as a user would, everything of Jupyter's inside a temporary folder."""
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
