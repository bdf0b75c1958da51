"""Book tables as the CSV files people make in a spreadsheet, read leniently, written plainly."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from tyrekit.errors import BookError
from tyrekit.record.text import decode, number
from tyrekit.record.whole_file import write_whole

DELIMITERS = (",", ";", "\t", "|")
MOST_BYTES, MOST_ROWS = 20_000_000, 50_000
MOST_COLUMNS = 200
# how a cell begins that a spreadsheet program would run; it may also take another mark than the
# comma for the end of a cell
RUNS = re.compile(r"(^|[;\t|\r\n])('*)(?=[=+\-@\t\r\uff1d\uff0b\uff0d\uff20])")


@dataclass(frozen=True)
class Sheet:
    """A table as read: its header and each row's cells by the row's line in the file."""

    header: tuple[str, ...]
    rows: dict[int, dict[str, str]]


def read_sheet(path: Path, where: str) -> Sheet:
    """Return the header and the rows of a CSV file; blank rows are passed over.

    The delimiter is the one of ``, ; tab |`` that the header line holds most of.

    Raises
    ------
    BookError
        A column name is missing or there twice, a row has more cells than the header, or the
        file is larger than any hand-entered table.
    """
    if path.stat().st_size > MOST_BYTES:
        raise _too_large(f"it has {path.stat().st_size / 1e6:.0f} MB", where)
    try:
        return _sheet(decode(path.read_bytes()).replace("\r", "\n").split("\n"), where)
    except csv.Error as error:
        raise BookError(
            f"this cannot be read as a table: {error}", where=where,
            next_step="Save it again as CSV from a spreadsheet program.",
        ) from None  # fmt: skip


def _sheet(lines: list[str], where: str) -> Sheet:
    first = next((i for i, line in enumerate(lines) if line.strip(" ,;\t|")), None)
    if first is None:
        return Sheet((), {})
    delimiter = max(DELIMITERS, key=lines[first].count)
    reader = csv.reader(io.StringIO("\n".join(lines[first:])), delimiter=delimiter)
    header = tuple(unguarded(name.strip()) for name in next(reader))
    while header and not header[-1]:
        header = header[:-1]
    if len(header) > MOST_COLUMNS:
        raise _too_large(f"it has {len(header)} columns", where)
    problems = list(_header_problems(header, where))
    rows: dict[int, dict[str, str]] = {}
    before = reader.line_num
    for cells in reader:
        line, before = first + before + 1, reader.line_num
        if not any(cell.strip() for cell in cells):
            continue
        if any(cell.strip() for cell in cells[len(header) :]):
            problems.append(_too_long(cells, header, f"{where} row {line}"))
            continue
        if len(rows) >= MOST_ROWS:
            raise _too_large(f"it has more than {MOST_ROWS:,} rows", where)
        rows[line] = dict(zip(header, (unguarded(cell.strip()) for cell in cells), strict=False))
    if problems:
        raise BookError.joined(problems)
    return Sheet(header, rows)


def write_sheet(path: Path, header: Iterable[str], rows: Iterable[Mapping[str, str]]) -> None:
    """Write a table as UTF-8 with commas and decimal points as they were entered.

    A text that a spreadsheet program would take for a formula gets an apostrophe before it;
    `read_sheet` takes it away again.
    """
    names, text = list(header), io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(guarded(name) for name in names)
    writer.writerows([guarded(row.get(name, "")) for name in names] for row in rows)
    write_whole(path, text.getvalue())


def guarded(text: str) -> str:
    """Return a text that no spreadsheet program runs: an apostrophe stands before ``=1+1``."""
    return text if _is_number(text) else RUNS.sub(r"\1\2'", text)


def unguarded(text: str) -> str:
    """Return what `guarded` was given."""
    return RUNS.sub(lambda found: found[1] + found[2][1:], text)


def _is_number(text: str) -> bool:
    try:
        number(text)
    except ValueError:
        return False
    return True


def _header_problems(header: tuple[str, ...], where: str) -> Iterable[BookError]:
    for i, name in enumerate(header):
        if not name:
            yield BookError(
                f"column {i + 1} has no name", where=where, next_step="Name it or remove it."
            )
        elif name in header[:i]:
            yield BookError(
                f"column {name!r} is there twice", where=where, next_step="Remove or rename one."
            )


def _too_large(what: str, where: str) -> BookError:
    return BookError(
        what, where=where,
        rule=f"a hand-entered table has at most {MOST_BYTES // 10**6} MB, {MOST_ROWS:,} rows and"
        f" {MOST_COLUMNS} columns",
        next_step="Logs go into logs/, not into the book.",
    )  # fmt: skip


def _too_long(cells: list[str], header: tuple[str, ...], where: str) -> BookError:
    return BookError(
        f"the row has {len(cells)} cells",
        where=where,
        rule=f"the header has {len(header)} columns",
        next_step="Put text that holds the delimiter, and decimal commas, in quotes.",
    )
