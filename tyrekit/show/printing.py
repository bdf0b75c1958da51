"""Sheets as PDF by a Chromium on this machine; without one any browser prints the HTML."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path

from tyrekit.errors import InputError
from tyrekit.record.whole_file import write_whole

BROWSERS = (
    "chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome",
    "microsoft-edge", "msedge",
)  # fmt: skip
BESIDES = (
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    r"C:\Program Files\Google\Chrome\Application\chrome.exe",
    r"C:\Program Files (x86)\Microsoft\Edge\Application\msedge.exe",
)
OFFLINE = (
    "--headless", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-extensions",
    "--no-pdf-header-footer", "--host-resolver-rules=MAP * ~NOTFOUND",
)  # fmt: skip
LONGEST_S = 90.0
BY_HAND = "Open the .html file in any browser and print it on A4."


def find_browser() -> str | None:
    """Return the program that can print, or None; TYREKIT_BROWSER names another one.

    One in the folder at hand is none: a weekend's folder may come from a stranger, and Windows
    looks there first.
    """
    named = os.environ.get("TYREKIT_BROWSER")
    if named is not None:
        return shutil.which(named)
    found = (shutil.which(name) for name in (*BROWSERS, *BESIDES))
    return next(
        (path for path in found if path and Path(path).parent.resolve() != Path.cwd()), None
    )


def write_pdf(html: Path, browser: str | None = None) -> Path:
    """Print an HTML file beside itself as PDF, whole or not at all, and return its path.

    Parameters
    ----------
    html : Path
        A sheet; it holds no script and asks for nothing from outside.
    browser : str, optional
        The program to print with, by default what `find_browser` finds.

    Raises
    ------
    InputError
        There is no Chromium, or it did not print.
    """
    browser = browser or find_browser()
    if browser is None:
        raise InputError(
            "no Chromium was found to make a PDF with",
            rule="a program named chromium, google-chrome or msedge is looked for",
            next_step=BY_HAND,
        )
    path = html.with_suffix(".pdf")
    with tempfile.TemporaryDirectory(prefix="tyrekit-print-", ignore_cleanup_errors=True) as own:
        made = Path(own) / "sheet.pdf"
        said = _print(browser, html, made, Path(own))
        if not made.is_file() or not made.read_bytes().startswith(b"%PDF"):
            raise InputError(
                "the PDF was not made", where=str(path), got=said or None, next_step=BY_HAND
            )
        write_whole(path, made.read_bytes())
    return path


def _print(browser: str, html: Path, made: Path, own: Path) -> str:
    """Run the browser on one file; return the last line of what it said when it failed."""
    as_root = ("--no-sandbox",) if hasattr(os, "geteuid") and os.geteuid() == 0 else ()
    command: Sequence[str] = (
        browser, *OFFLINE, *as_root, f"--user-data-dir={own / 'profile'}",
        f"--print-to-pdf={made}", html.absolute().as_uri(),
    )  # fmt: skip
    try:
        done = subprocess.run(
            command, capture_output=True, text=True, errors="replace", timeout=LONGEST_S,
            check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return f"it took longer than {LONGEST_S:.0f} s"
    except OSError as error:
        return str(error)
    lines = done.stderr.strip().splitlines()
    return lines[-1] if done.returncode and lines else ""
