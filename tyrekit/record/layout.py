"""How a delimited log is laid out: found by looking at its first lines, never at its name."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass

from tyrekit.errors import InputError, LogError
from tyrekit.record.contents import HEAD_BYTES
from tyrekit.record.text import encoding_of
from tyrekit.units import known_unit

DELIMITERS = (",", ";", "\t", "|")
HEAD_LINES = 250
LONGEST_NAME = 200
POINT = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?|nan|[+-]?inf", re.IGNORECASE)
COMMA = re.compile(r"[+-]?\d+(,\d+)?(e[+-]?\d+)?|nan|[+-]?inf", re.IGNORECASE)
CLOCK = re.compile(r"(\d{4}-\d\d-\d\d[T ])?\d{1,3}:\d\d(:\d\d)?([.,]\d+)?(Z|[+-]\d\d:?\d\d)?")
BRACKETS = re.compile(r"\s*[\[(<]([^\])>]*)[\])>]\s*$")


@dataclass(frozen=True)
class Layout:
    """Where the parts of a delimited log stand.

    `names` are the header's cells, `units` the unit given for each (None: not given), `width`
    the cells in a line of numbers, `data_line` the first of those lines, counted from 0.
    """

    encoding: str
    delimiter: str
    decimal: str
    names: tuple[str, ...]
    units: tuple[str | None, ...]
    width: int
    data_line: int
    quoted: bool

    def described(self) -> str:
        """Return what was decided, in words."""
        named = {"\t": "tab", ",": "comma", ";": "semicolon", "|": "bar"}[self.delimiter]
        rows = "a units row" if any(self.units) else "no units"
        return (
            f"{self.encoding}, {named} between columns, decimal {self.decimal!r}, {rows}, data"
            f" from line {self.data_line + 1}"
        )


def find_layout(
    head: bytes,
    wanted: Collection[str],
    where: str,
    *,
    encoding: str | None = None,
    delimiter: str | None = None,
    decimal: str | None = None,
) -> Layout:
    """Return the layout of a log from its first bytes; one without data lines has none to read.

    Parameters
    ----------
    head : bytes
        The start of the file, decompressed.
    wanted : collection of str
        Column names that would mark the header line.
    where : str
        The file, for messages.
    encoding, delimiter, decimal : str, optional
        What [log] says, which overrides what would be found.

    Raises
    ------
    LogError
        No header with lines of numbers below it is found.
    """
    text = head.rstrip(b"\0") if head.endswith(b"\0\0\0") else head  # a card that lost power
    coding = encoding or encoding_of(text)
    lines = _lines(text, coding)
    if len(text) == HEAD_BYTES and len(lines) < 3:
        raise LogError(
            "the first lines are too long for a log",
            where=where,
            rule=f"names, units and the first numbers stand in the first {HEAD_BYTES >> 10} KB",
            next_step="Export fewer channels, with one sample a line.",
        )
    quotes = [line.count('"') for line in lines]
    quoted = any(quotes) and not any(n % 2 for n in quotes)  # a stray one opens no quotation
    best: tuple[int, str, str] | None = None
    for mark in (delimiter,) if delimiter else DELIMITERS:
        cells = _split(lines, mark)
        for point in (decimal,) if decimal else (".", ","):
            if (mark, point, quoted) == (",", ",", False):
                continue
            score = _score(cells, point)
            if score > 0 and (best is None or score > best[0]):
                best = (score, mark, point)
    if best is None and (empty := _header_only(lines, coding, quoted, wanted)):
        return empty
    if best is None:
        raise LogError(
            "no table of numbers is found in the file",
            where=where,
            rule="a log has a line of column names and lines of numbers below it",
            next_step="Export the log again as delimited text.",
        )
    return _parts(lines, (coding, best[1], best[2], quoted), wanted, where)


def bare(name: str) -> str:
    """Return a column's name without the unit in brackets behind it."""
    return BRACKETS.sub("", name).strip() if len(name) <= LONGEST_NAME else name


def _lines(head: bytes, coding: str) -> list[str]:
    try:
        text = head.decode(coding, errors="replace")
    except LookupError:
        raise LogError(
            f"encoding {coding!r} is not known",
            where="event.toml [log] encoding",
            next_step="Use utf-8, cp1252 or utf-16, or leave the key out.",
        ) from None
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    return text.split("\n")[:HEAD_LINES]


def _split(lines: list[str], delimiter: str) -> list[list[str]]:
    """Return the cells of each line, one list a line; none where the line is no such text."""
    return [_cells(line.replace("\0", ""), delimiter) for line in lines]


def _cells(line: str, delimiter: str) -> list[str]:
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter), [])]
    except csv.Error:
        return []


def _is_number(cell: str, decimal: str) -> bool:
    pattern = POINT if decimal == "." else COMMA
    return pattern.fullmatch(cell) is not None or CLOCK.fullmatch(cell) is not None


def _is_data(row: list[str], decimal: str) -> bool:
    filled = [cell for cell in row if cell]
    numbers = sum(_is_number(cell, decimal) for cell in filled)
    return len(row) > 1 and len(filled) > 0 and numbers >= 0.6 * len(filled)


def _score(cells: list[list[str]], decimal: str) -> int:
    """Return how many numbers the lines of the commonest width hold; whole ones count less."""
    rows = [row for row in cells if _is_data(row, decimal)]
    if not rows:
        return 0
    width = Counter(len(row) for row in rows).most_common(1)[0][0]
    numbers = [c for row in rows if len(row) == width for c in row if _is_number(c, decimal)]
    return sum(2 if decimal in cell else 1 for cell in numbers)


def _parts(
    lines: list[str], found: tuple[str, str, str, bool], wanted: Collection[str], where: str
) -> Layout:
    coding, mark, point, quoted = found
    cells = _split(lines, mark)
    rows = [row for row in cells if _is_data(row, point)]
    width = Counter(len(row) for row in rows).most_common(1)[0][0]
    first = next(i for i, r in enumerate(cells) if len(r) == width and _is_data(r, point))
    above = [i for i in range(first) if _could_name(cells[i], width, point)]
    if not above:
        raise LogError(
            f"the numbers from line {first + 1} on have no column names above them",
            where=where,
            rule="a log has a line of column names",
            next_step="Export the log again with column names.",
        )
    units_at = above[-1] if len(above) > 1 and _are_units(cells[above[-1]]) else None
    named = [i for i in above if i != units_at]
    header = max(named, key=lambda i: (_hits(cells[i], wanted), i))
    names = tuple(cells[header][:width])
    given = cells[units_at] if units_at is not None else []
    units = tuple(_unit(name, given, i) for i, name in enumerate(names))
    return Layout(coding, mark, point, names, units, width, first, quoted)


def _header_only(
    lines: list[str], coding: str, quoted: bool, wanted: Collection[str]
) -> Layout | None:
    """Return the layout of a log that names wanted columns and holds no numbers."""
    most, best = 0, None
    for mark in DELIMITERS:
        for row in _split(lines, mark):
            if (hits := _hits(row, wanted)) > most:
                units = tuple(bracket_unit(name) for name in row)
                most, best = hits, Layout(
                    coding, mark, ".", tuple(row), units, len(row), len(lines), quoted
                )  # fmt: skip
    return best


def _could_name(row: list[str], width: int, decimal: str) -> bool:
    """A header or units row is as wide as the data, give or take an empty last cell."""
    filled = [cell for cell in row if cell]
    return abs(len(row) - width) <= 1 and len(filled) > 0 and not _is_data(row, decimal)


def _hits(row: list[str], wanted: Collection[str]) -> int:
    return sum(cell in wanted or bare(cell) in wanted for cell in row)


def _are_units(row: list[str]) -> bool:
    filled = [cell for cell in row if cell]
    return sum(_known(cell) is not None for cell in filled) >= 0.5 * len(filled)


def _unit(name: str, given: list[str], i: int) -> str | None:
    """Return the unit of a column: from the units row, else from brackets behind its name."""
    if i < len(given) and given[i]:
        return given[i]
    return bracket_unit(name)


def bracket_unit(name: str) -> str | None:
    """Return the known unit that stands in brackets behind a column's name, or None."""
    bracket = BRACKETS.search(name) if len(name) <= LONGEST_NAME else None
    return bracket[1] if bracket and _known(bracket[1]) else None


def _known(text: str) -> str | None:
    try:
        return known_unit(text)
    except InputError:
        return None
