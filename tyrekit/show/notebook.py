"""What a notebook needs at its start: which weekend it belongs to, and its panel."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from tyrekit.errors import InputError
from tyrekit.show.lab import no_weekend, shipped_notebooks

if TYPE_CHECKING:
    from tyrekit.show.panels import Panel

DEMO, WHOLE_DEMO = "fenmoor-after-p3", "fenmoor-complete"
DEMO_NOTE = (
    "This is the invented demo weekend, copied to a temporary folder: look around, nothing is"
    " kept. Start your own with: tyrekit new FOLDER, then: tyrekit lab FOLDER"
)


class Found(NamedTuple):
    """A weekend folder and what to say about how it was found."""

    folder: Path
    note: str


def next_session_panel() -> Panel:
    """Return the panel of notebook 1 for the weekend the notebook belongs to."""
    from tyrekit.show.panel_next_session import NextSessionPanel

    return _opened(NextSessionPanel)


def weekend_plan_panel() -> Panel:
    """Return the panel of notebook 2 for the weekend the notebook belongs to."""
    from tyrekit.show.panel_weekend_plan import WeekendPlanPanel

    return _opened(WeekendPlanPanel)


def race_panel() -> Panel:
    """Return the panel of notebook 3 for the weekend the notebook belongs to."""
    from tyrekit.show.panel_race import RacePanel

    return _opened(RacePanel)


def practice_panel() -> Panel:
    """Return the panel of notebook 4 for the weekend the notebook belongs to."""
    from tyrekit.show.panel_practice import PracticePanel

    return _opened(PracticePanel)


def review_panel() -> Panel:
    """Return the panel of notebook 5 for the weekend the notebook belongs to."""
    from tyrekit.show.panel_review import ReviewPanel

    return _opened(ReviewPanel, WHOLE_DEMO)


def find_weekend(here: Path | None = None, demo: str = DEMO) -> Found:
    """Return the weekend a notebook belongs to.

    The folder above the notebook, or the notebook's own, when it holds event.toml; else the
    folder that TYREKIT_WEEKEND names; for the kit's own notebooks where they are installed a copy
    of the invented demo in a temporary folder.

    Raises
    ------
    InputError
        None of these is a weekend; says what to do.
    """
    here = (here or Path.cwd()).resolve()
    for folder in (here.parent, here):
        if (folder / "event.toml").is_file():
            return Found(folder, "")
    named = os.environ.get("TYREKIT_WEEKEND")
    if named is not None and (Path(named) / "event.toml").is_file():
        return Found(Path(named), "")
    if named is None and here == shipped_notebooks().resolve():
        return Found(demo_copy(demo), DEMO_NOTE)
    home = here.parent if here.name == "notebooks" else here
    raise no_weekend(Path(named) if named is not None else home)


def demo_copy(demo: str = DEMO) -> Path:
    """Return a fresh copy of the demo weekend, from the repository or made anew."""
    target = Path(tempfile.mkdtemp(prefix="tyrekit-demo-"))
    shipped = Path(__file__).parents[2] / "data" / demo
    if shipped.is_dir():
        left = shutil.ignore_patterns("out", "notebooks", "book.sqlite*")
        shutil.copytree(shipped, target / demo, ignore=left)
    else:
        make = [sys.executable, "-P", "-m", "tyrekit.demo", "--out", str(target)]
        subprocess.run(make, check=True, capture_output=True)
    return target / demo


def _opened(make: Callable[[Path, str], Panel], demo: str = DEMO) -> Panel:
    """Return a panel on the weekend found, or one that says why there is none."""
    from tyrekit.show.panels import Panel

    try:
        found = find_weekend(demo=demo)
    except InputError as error:
        return Panel.saying(str(error))
    return make(found.folder, found.note)
