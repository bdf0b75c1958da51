"""An empty spreadsheet with a sheet for every table of the book, to start a weekend from."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from openpyxl import Workbook
from openpyxl.styles import Font
from openpyxl.utils import get_column_letter

from tyrekit.errors import InputError
from tyrekit.record.table_files import EXTRA, READ_ME
from tyrekit.record.tables import TABLES, Column
from tyrekit.terms import CORNERS, TERMS

TYPED = [table for table in TABLES if table not in ("locks", "left_out")]  # those made by hand
FORMATS = {"text": "@", "choice": "@", "time": "yyyy-mm-dd hh:mm:ss"}
KINDS = {
    "text": "text", "number": "a number", "whole": "a whole number", "flag": "1 or 0",
    "time": "date and time",
}  # fmt: skip
ROWS_READY = 200  # rows whose cells have their format, so that an id 007 stays 007


def write_spreadsheet(path: Path) -> Path:
    """Write an empty XLSX file with a sheet for every table and one that explains the columns.

    Raises
    ------
    InputError
        The file is there already or cannot be written.
    """
    if path.suffix.lower() != ".xlsx" or path.exists():
        raise InputError(
            "the file is there already" if path.exists() else "this is not the name of an XLSX",
            where=str(path),
            next_step="Choose another name that ends in .xlsx; nothing was written.",
        )
    book = Workbook()
    book.remove(book.active)
    for table in TYPED:
        _sheet(book, table, TABLES[table])
    for table, names in EXTRA.items():
        _sheet(book, table, [Column(name, "text", needed=False) for name in names])
    _explained(book)
    try:
        book.save(path)
    except OSError as error:
        raise InputError(f"the file cannot be written: {error.strerror}", where=str(path)) from None
    return path


def _sheet(book: Workbook, table: str, columns: Sequence[Column]) -> None:
    sheet = book.create_sheet(table)
    sheet.freeze_panes = "A2"
    for i, column in enumerate(columns, 1):
        sheet.cell(1, i, column.name).font = Font(bold=column.needed)
        kind = "time" if column.name == "start" else column.type
        sheet.column_dimensions[get_column_letter(i)].width = 21 if kind == "time" else 14
        for row in range(2, ROWS_READY + 2):
            sheet.cell(row, i).number_format = FORMATS.get(kind, "General")


def _explained(book: Workbook) -> None:
    """Add the sheet that says what each column is; its name is no table's, so it is left out."""
    sheet = book.create_sheet(READ_ME, 0)
    sheet.append(["table", "column", "needed", "holds", "meaning"])
    for table in TYPED:
        for column in TABLES[table]:
            holds = ", ".join(column.choices) or KINDS[column.type]
            needed = "yes" if column.needed else ""
            sheet.append([table, column.name, needed, holds, _meaning(column.name)])
    for name, width in zip("ABCDE", (14, 18, 8, 30, 70), strict=True):
        sheet.column_dimensions[name].width = width
    for cell in sheet[1]:
        cell.font = Font(bold=True)


def _meaning(name: str) -> str:
    """Return what the glossary says of a column; corners stand there as {corner}."""
    names = [name, *(name.replace(f"_{corner}_", "_{corner}_") for corner in CORNERS)]
    return next((TERMS[n].meaning for n in names if n in TERMS), "")
