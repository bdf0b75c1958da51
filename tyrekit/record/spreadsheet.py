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
RUNS = re.compile(r"'*[=+\-@\t\r]")  # how a text begins that a spreadsheet program would run


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
        A column name is missing or there twice, or a row has more cells than the header.
    """
    lines = decode(path.read_bytes()).split("\n")
    first = next((i for i, line in enumerate(lines) if line.strip(" ,;\t|")), None)
    if first is None:
        return Sheet((), {})
    delimiter = max(DELIMITERS, key=lines[first].count)
    reader = csv.reader(io.StringIO("\n".join(lines[first:])), delimiter=delimiter)
    header = tuple(unguarded(name.strip()) for name in next(reader))
    while header and not header[-1]:
        header = header[:-1]
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
    return f"'{text}" if RUNS.match(text) and not _is_number(text) else text


def unguarded(text: str) -> str:
    """Return what `guarded` was given."""
    return text[1:] if text.startswith("'") and RUNS.match(text[1:]) else text


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


def _too_long(cells: list[str], header: tuple[str, ...], where: str) -> BookError:
    return BookError(
        f"the row has {len(cells)} cells",
        where=where,
        rule=f"the header has {len(header)} columns",
        next_step="Put text that holds the delimiter, and decimal commas, in quotes.",
    )
