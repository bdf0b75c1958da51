"""Where the demo weekends are, and copies of them that a test may damage."""

import shutil
from pathlib import Path

DATA = Path(__file__).parents[1] / "data"
WRITTEN = shutil.ignore_patterns("out", "notebooks", "book.sqlite*", "truth.json")


def copy_of(name: str, folder: Path) -> Path:
    """Copy a demo weekend's own files, without what the kit wrote or what is true."""
    return Path(shutil.copytree(DATA / name, folder / name, ignore=WRITTEN))
