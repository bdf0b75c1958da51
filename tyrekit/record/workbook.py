"""A spreadsheet file (XLSX, ECMA376) as sheets of text cells, read within bounds.

Values only: a formula counts by the value it had when the file was saved. Macros, links to other
files, pictures and charts are not looked at. The bounds hold before anything is parsed, so that a
file made to burst cannot.
"""

from __future__ import annotations

import re
import warnings
import zipfile
from collections.abc import Iterator
from contextlib import closing
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any, BinaryIO

from openpyxl import load_workbook

from tyrekit.errors import BookError

MOST_BYTES = 20_000_000  # of XML, unpacked
MOST_PART_BYTES = 4_000_000  # of one part that is neither a sheet nor its texts
MOST_PARTS = 1_000
MOST_CELLS = 500_000
MOST_TEXTS = 200_000
MOST_ROWS = 5_000  # with something in them, a sheet
MOST_COLUMNS = 200
LAST_ROW = 1_048_576  # of a sheet, ECMA376
OLD_FORMAT = b"\xd0\xcf\x11\xe0"  # the container of .xls and of files with a password
LARGE = re.compile(r"xl/(worksheets/[^/]+|sharedStrings)\.xml", re.IGNORECASE)
CELL, TEXT, FORMULA = (re.compile(rb"<(?:\w+:)?" + tag + rb"[ >/]") for tag in (b"c", b"si", b"f"))
FILLED = re.compile(rb'<(?:\w+:)?c\b[^>/]*\br="([A-Z]+)\d+"[^>/]*>\s*<(?:\w+:)?(?:v|is|f)\b')
PADDED = re.compile(r"0{2,}")  # a number shown with leading zeros, as 007

Grid = dict[int, dict[int, str]]  # row number -> column number -> text, empty cells left out


def read_workbook(path: Path) -> dict[str, Grid]:
    """Return the cells of every sheet by its name, in the order of the file.

    Dates and times become ISO 8601 text, a date alone where no time is shown, truth values 1 and
    0, numbers the shortest text that reads back the same.

    Raises
    ------
    BookError
        The file is not a workbook, is beyond the bounds, or holds a formula without a value.
    """
    has_formulas = _checked(path)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of parts that are not looked at
            return _grids(path, has_formulas)
    except BookError:
        raise
    except Exception as error:  # openpyxl raises whatever a damaged part leads it to
        raise _unreadable(path, str(error) or type(error).__name__) from None


def letter(column: int) -> str:
    """Return a column's letters: 1 is A, 27 is AA."""
    letters = ""
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def _checked(path: Path) -> bool:
    """Look at the parts before anything is parsed; return whether any holds a formula."""
    try:
        with zipfile.ZipFile(path) as archive:
            parts = [
                p for p in archive.infolist() if p.filename.lower().endswith((".xml", ".rels"))
            ]
            _check_sizes(path, parts, len(archive.infolist()))
            cells = texts = 0
            formulas = False
            for part in parts:
                data = archive.read(part)
                if b"<!DOCTYPE" in data.replace(b"\0", b"") or b"<!ENTITY" in data:
                    raise _unreadable(path, f"{part.filename} declares a document type")
                cells, texts = cells + len(CELL.findall(data)), texts + len(TEXT.findall(data))
                formulas = formulas or FORMULA.search(data) is not None
                _check_columns(path, set(FILLED.findall(data)))
    except (BookError, MemoryError):
        raise
    except EOFError:
        raise _unreadable(path, "it ends too early") from None
    except Exception as error:  # a damaged archive makes zipfile and zlib raise many kinds
        raise _unreadable(path, str(error) or type(error).__name__) from None
    if cells > MOST_CELLS or texts > MOST_TEXTS:
        raise _too_large(path, f"it holds {max(cells, texts):,} cells", f"at most {MOST_CELLS:,}")
    return formulas


def _check_sizes(path: Path, parts: list[zipfile.ZipInfo], count: int) -> None:
    total = sum(part.file_size for part in parts)
    small = [p.file_size for p in parts if not LARGE.fullmatch(p.filename)]
    if count > MOST_PARTS or max(small, default=0) > MOST_PART_BYTES or total > MOST_BYTES:
        raise _too_large(
            path, f"unpacked it is {total / 1e6:.0f} MB in {count} parts",
            f"at most {MOST_BYTES / 1e6:.0f} MB in {MOST_PARTS} parts are read",
        )  # fmt: skip


def _check_columns(path: Path, letters: set[bytes]) -> None:
    last = letter(MOST_COLUMNS)
    far = [
        name for name in (one.decode() for one in letters) if (len(name), name) > (len(last), last)
    ]
    if far:
        raise _too_large(
            path, f"there are cells in column {far[0]}", f"columns A to {last} are read, at most"
        )


def _grids(path: Path, has_formulas: bool) -> dict[str, Grid]:
    with path.open("rb") as file, closing(_open(file, values=True)) as book:
        grids = {sheet.title: _grid(path, sheet) for sheet in book.worksheets}
    if has_formulas:
        with path.open("rb") as file, closing(_open(file, values=False)) as book:
            for sheet in book.worksheets:
                _check_formulas(path, sheet, grids[sheet.title])
    return grids


def _open(file: BinaryIO, values: bool) -> Any:
    """Return the workbook in an open file, which openpyxl leaves open when it fails."""
    return load_workbook(file, read_only=True, data_only=values, keep_links=False)


def _grid(path: Path, sheet: Any) -> Grid:
    grid: Grid = {}
    for number, cells in _rows(sheet):
        texts = {i: text for i, cell in enumerate(cells, 1) if (text := _text(cell))}
        if not texts:
            continue
        grid[number] = texts
        if len(grid) > MOST_ROWS:
            raise _too_large(
                path, f"sheet {sheet.title!r} has more than {MOST_ROWS:,} filled rows",
                f"at most {MOST_ROWS:,} are read",
            )  # fmt: skip
    return grid


def _rows(sheet: Any) -> Iterator[tuple[int, Any]]:
    """Yield a sheet's rows with their numbers; what the file claims of its size is not believed.

    Rows that the file passes over are one and the same object to openpyxl: a million of them
    costs nothing.
    """
    before = None
    rows = sheet.iter_rows(max_row=LAST_ROW, max_col=MOST_COLUMNS)
    for number, cells in enumerate(rows, 1):
        if cells is not before:
            yield number, cells
        before = cells


def _check_formulas(path: Path, sheet: Any, grid: Grid) -> None:
    """See that every formula was saved with its value: without one the cell would seem empty."""
    for number, cells in _rows(sheet):
        for i, cell in enumerate(cells, 1):
            if cell.data_type == "f" and i not in grid.get(number, {}):
                raise BookError(
                    "a formula has no value",
                    where=f"{path.name} sheet {sheet.title!r} row {number} column {letter(i)}",
                    rule="formulas count by the value they had when the file was saved",
                    next_step="Open the file in a spreadsheet program, save it, and try again.",
                )


def _text(cell: Any) -> str:
    """Return a cell as a person would have typed it."""
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, bool):
        return "1" if value else "0"
    if isinstance(value, datetime):
        moment = _rounded(value)
        # a cell shown as a date alone says nothing of the time of day: no midnight is made of it
        dated = moment.time() == time() and "h" not in str(cell.number_format).casefold()
        return (moment.date() if dated else moment).isoformat()
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, timedelta):
        return str(value)
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        value = int(value)
    if isinstance(value, int) and PADDED.fullmatch(str(cell.number_format)):
        return f"{value:0{len(cell.number_format)}d}"
    return str(value).strip()


def _rounded(moment: datetime) -> datetime:
    """Return a moment to the second when it is within a millisecond of one."""
    near = (moment + timedelta(microseconds=500_000)).replace(microsecond=0)
    return near if abs(near - moment) <= timedelta(milliseconds=1) else moment


def _too_large(path: Path, what: str, rule: str) -> BookError:
    return BookError(
        what, where=path.name, rule=rule,
        next_step="Keep the weekend's tables in a file of their own and try that one.",
    )  # fmt: skip


def _unreadable(path: Path, why: str) -> BookError:
    try:
        with path.open("rb") as file:
            old = file.read(4) == OLD_FORMAT
    except OSError:
        old = False
    if old:
        return BookError(
            "this is an older spreadsheet file, or one with a password",
            where=path.name,
            rule="XLSX and CSV files are read",
            next_step="Save it as XLSX without a password.",
        )
    return BookError(
        f"this cannot be read as a workbook: {why}",
        where=path.name,
        rule="XLSX and CSV files are read",
        next_step="Open it in a spreadsheet program and save it again as XLSX.",
    )
