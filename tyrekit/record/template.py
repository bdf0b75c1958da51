"""A new weekend's folder: a commented event.toml and tables to fill in, or a spreadsheet's."""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path

from tyrekit.errors import InputError
from tyrekit.record.event import parse_event
from tyrekit.record.event_text import template
from tyrekit.record.table_files import Found
from tyrekit.record.table_intake import check, write_csv
from tyrekit.record.whole_file import folder_to_disk, write_whole

FOLDERS = ("book", "logs", "timing")


def new_weekend(
    folder: str | Path, *, event_text: str | None = None, found: Found | None = None
) -> Path:
    """Make a weekend's folder, whole or not at all, and return its path.

    event.toml is valid as written, with an invented series' values to be replaced; the tables
    have their header rows, or a spreadsheet's rows.

    Parameters
    ----------
    event_text : str, optional
        event.toml, by default the template.
    found : Found, optional
        Tables of a spreadsheet, as `find_tables` gives them.

    Raises
    ------
    InputError
        The folder holds something already, or cannot be made; a table breaks a rule.
    """
    path = Path(folder)
    if path.exists() and (not path.is_dir() or any(path.iterdir())):
        raise InputError(
            "this is not an empty folder",
            where=str(path),
            rule="a new weekend is made in a folder of its own",
            next_step="Choose another name; nothing was written.",
        )
    text, found = event_text or template(), found or Found({})
    check(found, parse_event(text))
    try:
        _make(path, text, found)
    except OSError as error:
        raise InputError(
            f"the folder cannot be made: {error.strerror}",
            where=str(path),
            next_step="Choose a place that can be written.",
        ) from None
    return path


def _make(path: Path, text: str, found: Found) -> None:
    """Fill a folder beside the wanted one and put it in place."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = Path(tempfile.mkdtemp(prefix=f".{path.name}.", dir=path.parent))
    try:
        for name in FOLDERS:
            (part / name).mkdir()
        write_csv(found, part)
        write_whole(part / "event.toml", text)
        part.chmod(0o777 & ~_umask())
        if path.exists():  # an empty folder of the person's own: filled, not replaced
            for entry in part.iterdir():
                os.replace(entry, path / entry.name)
        else:
            os.replace(part, path)
        folder_to_disk(path.parent)
    finally:
        shutil.rmtree(part, ignore_errors=True)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
