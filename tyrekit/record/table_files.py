"""The book's tables as people keep them in a spreadsheet: found by sheet and column name.

Names are matched without regard to case, spaces, brackets and dashes: `Tyre ID` is tyre_id and
`Age (laps)` is age_laps. Columns the book does not know are kept under their own names.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from tyrekit.errors import BookError
from tyrekit.record.spreadsheet import Sheet, read_sheet
from tyrekit.record.tables import TABLES, columns_of, header_problems
from tyrekit.record.workbook import MOST_BYTES, Grid, letter, read_workbook

WORKBOOKS = (".xlsx", ".xlsm")
TEXTS = (".csv", ".tsv", ".txt")
TITLES = 20  # rows above the header that may hold a title
EXTRA = {  # sheets that belong to event.toml, their columns
    "sessions": ("id", "kind", "start", "minutes", "laps", "planned_laps", "formation_laps",
                 "cool_down_laps", "value"),
    "drivers": ("name", "mass_kg"),
}  # fmt: skip
READ_ME = "read me"  # the sheet of our own empty spreadsheet that explains the others
MOMENT = {"runs": "start", "sessions": "start"}  # a table's time column, else taken_at


@dataclass(frozen=True)
class FoundTable:
    """One table as found.

    Attributes
    ----------
    sheet : Sheet
        Rows by their row in the file, under the book's column names.
    place : str
        File and sheet, for messages.
    heads : dict
        Column name -> its letter and the header as written.
    """

    sheet: Sheet
    place: str
    heads: dict[str, str]

    def where(self, row: int, column: str = "") -> str:
        """Return where a cell or row stands, in words."""
        at = f"{self.place} row {row}"
        return f"{at} column {self.heads[column]}" if column in self.heads else at


@dataclass(frozen=True)
class Found:
    """The tables of a spreadsheet by name, and what was passed over, in words."""

    tables: dict[str, FoundTable]
    notes: tuple[str, ...] = field(default=())


def find_tables(path: Path) -> Found:
    """Return the tables of an XLSX file, of a CSV file named after one, or of a folder of those.

    Raises
    ------
    BookError
        Nothing there is a table of the book, or one lacks a column; all of it is in the message.
    """
    if not path.exists():
        raise BookError("there is no such file", where=str(path), next_step="Correct its name.")
    sources = list(_sources(path))
    tables: dict[str, FoundTable] = {}
    notes, problems = [], []
    for name, place, grid in sources:
        if plain(name) == plain(READ_ME):
            continue
        table = _table_named(name)
        if table is None:
            notes.append(f"{place} is not one of the book's tables and was left out")
        elif table in tables:
            problems.append(_twice(table, place, tables[table].place))
        elif grid:
            tables[table], wrong = _named(table, place, grid)
            problems += wrong
    if problems:
        raise BookError.joined(problems)
    if not tables:
        raise _nothing(path, [name for name, _, _ in sources])
    return Found(tables, tuple(notes))


def _sources(path: Path) -> Iterator[tuple[str, str, Grid]]:
    """Yield name, place and cells of every sheet."""
    if path.is_dir():
        for file in sorted(path.iterdir()):
            if file.is_file() and file.suffix.lower() in (*WORKBOOKS, *TEXTS):
                yield from _sources(file)
    elif path.suffix.lower() in TEXTS:
        if path.stat().st_size > MOST_BYTES:
            raise BookError(
                f"the file has {path.stat().st_size / 1e6:.0f} MB", where=path.name,
                rule=f"a hand-entered table of at most {MOST_BYTES / 1e6:.0f} MB is read",
                next_step="Logs go into logs/, not into the book.",
            )  # fmt: skip
        yield path.stem, path.name, _text_grid(read_sheet(path, path.name))
    else:
        for name, grid in read_workbook(path).items():
            yield name, f"{path.name} sheet {name!r}", grid


def _text_grid(sheet: Sheet) -> Grid:
    """Return a CSV file as cells; its header stands above its first row."""
    columns = {name: i for i, name in enumerate(sheet.header, 1)}
    if not columns:
        return {}
    top = min(sheet.rows, default=2) - 1
    rows = {
        row: {columns[n]: t for n, t in cells.items() if t} for row, cells in sheet.rows.items()
    }
    return {top: {i: name for name, i in columns.items()}} | rows


def plain(name: str) -> str:
    """Return a name as the book writes its own: lower case, words joined by underscores."""
    return re.sub(r"[^0-9a-z]+", "_", name.casefold()).strip("_")


def _table_named(name: str) -> str | None:
    """Return the table a sheet is named after; a missing or extra plural s is forgiven."""
    wanted = plain(name)
    known = (*TABLES, *EXTRA)
    return next((t for t in known if wanted in (t, t.removesuffix("s"), f"{t}s")), None)


def _known_columns(table: str) -> tuple[str, ...]:
    return EXTRA[table] if table in EXTRA else tuple(c.name for c in columns_of(table))


def _named(table: str, place: str, grid: Grid) -> tuple[FoundTable, list[BookError]]:
    """Return a sheet under the book's column names, and what is wrong with its header."""
    known = _known_columns(table)
    top = _header_row(grid, known)
    names, problems = _header(grid[top], known, place)
    rows = {
        row: {names[i]: text for i, text in cells.items() if i in names}
        for row, cells in grid.items()
        if row > top
    }
    for row, cells in grid.items():
        if row > top and (lost := sorted(set(cells) - set(names))):
            problems.append(_no_header(f"{place} row {row} column {letter(lost[0])}"))
    moment = MOMENT.get(table, "taken_at")
    if moment in known and moment not in names.values():
        names, rows = _joined_moment(names, rows, moment)
    if table not in EXTRA:
        problems += header_problems(table, names.values(), place)
    heads = {name: f"{letter(i)} ({grid[top].get(i, '')})" for i, name in names.items()}
    sheet = Sheet(tuple(names.values()), {row: cells for row, cells in rows.items() if cells})
    return FoundTable(sheet, place, heads), problems


def _header_row(grid: Grid, known: tuple[str, ...]) -> int:
    """Return the row with the most known column names among the first; titles may stand above."""

    def score(row: int) -> int:
        return sum(plain(text) in known for text in grid[row].values())

    return max(list(grid)[:TITLES], key=score)


def _header(
    cells: Mapping[int, str], known: tuple[str, ...], place: str
) -> tuple[dict[int, str], list[BookError]]:
    """Return column number -> name, and names that are there twice."""
    names: dict[int, str] = {}
    problems = []
    for i, text in cells.items():
        name = plain(text) if plain(text) in known else text
        if name in names.values():
            problems.append(
                BookError(
                    f"column {name} is there twice",
                    where=f"{place} column {letter(i)}",
                    next_step="Remove or rename one.",
                )
            )
        names[i] = name
    return names, problems


def _joined_moment(
    names: dict[int, str], rows: dict[int, dict[str, str]], moment: str
) -> tuple[dict[int, str], dict[int, dict[str, str]]]:
    """Return columns `date` and `time`, where both are there, as the table's one moment."""
    by_name = {plain(name): i for i, name in names.items()}
    if not {"date", "time"} <= by_name.keys():
        return names, rows
    day, clock = names[by_name["date"]], names[by_name["time"]]
    joined = {i: n for i, n in names.items() if n not in (day, clock)}
    joined[by_name["date"]] = moment
    return joined, {row: _with_moment(cells, day, clock, moment) for row, cells in rows.items()}


def _with_moment(cells: dict[str, str], day: str, clock: str, moment: str) -> dict[str, str]:
    rest = {name: text for name, text in cells.items() if name not in (day, clock)}
    when = cells.get(clock, "")
    when = f"0{when}" if re.match(r"\d:", when) else when
    both = f"{cells.get(day, '').split('T')[0]}T{when}".strip("T")
    return {**rest, moment: both} if both else rest


def _twice(table: str, place: str, other: str) -> BookError:
    return BookError(
        f"table {table} is there twice", where=place, rule=f"it is also {other}",
        next_step="Keep one of the two.",
    )  # fmt: skip


def _no_header(where: str) -> BookError:
    return BookError(
        "a cell stands under no column name", where=where,
        next_step="Name the column, or clear the cell.",
    )  # fmt: skip


def _nothing(path: Path, names: list[str]) -> BookError:
    return BookError(
        f"no table of the book was found among {', '.join(names) or 'no sheets'}",
        where=path.name,
        rule=f"sheets, or CSV files, are named {', '.join(TABLES)}",
        next_step="Rename them; `tyrekit new --spreadsheet FILE.xlsx` writes an empty example.",
    )
