"""A new weekend's folder: a commented event.toml and empty tables to fill in."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from tyrekit.errors import InputError
from tyrekit.record.intake import csv_path
from tyrekit.record.spreadsheet import write_sheet
from tyrekit.record.tables import TABLES

FOLDERS = ("book", "logs", "timing")


def new_weekend(folder: str | Path) -> Path:
    """Make a weekend's folder and return its path.

    event.toml is valid as written, with an invented series' values to be replaced; the tables
    have their header rows.

    Raises
    ------
    InputError
        The folder holds something already, or cannot be made.
    """
    path = Path(folder)
    if path.exists() and (not path.is_dir() or any(path.iterdir())):
        raise InputError(
            "this is not an empty folder",
            where=str(path),
            rule="a new weekend is made in a folder of its own",
            next_step="Choose another name; nothing was written.",
        )
    try:
        for name in FOLDERS:
            (path / name).mkdir(parents=True, exist_ok=True)
        for table, columns in TABLES.items():
            write_sheet(csv_path(path, table), [column.name for column in columns], [])
        text = files("tyrekit.record").joinpath("new_event.toml").read_text(encoding="utf-8")
        (path / "event.toml").write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(
            f"the folder cannot be made: {error.strerror}",
            where=str(path),
            next_step="Choose a place that can be written.",
        ) from None
    return path
