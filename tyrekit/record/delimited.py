"""Delimited text into columns: only those asked for, complete rows only, losses counted."""

from __future__ import annotations

import codecs
import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
from numpy.typing import NDArray

from tyrekit.errors import LogError
from tyrekit.record.cells import numbers
from tyrekit.record.contents import Contents
from tyrekit.record.layout import Layout
from tyrekit.record.source import MOST_VALUES, Columns, Growing, check_size

FloatArray = NDArray[np.float64]
NO_VALUE = ["", "-", "--", "---", "NaN", "nan", "NA", "N/A", "n/a", "null", "NULL", "*", "#N/A"]
PACKED = 5  # text gets about this much smaller by gzip
MOST_LINE = 1 << 22  # bytes; 10,000 channels take a tenth of it
MID_LINE = "the file ends in mid-line"


def read_columns(contents: Contents, layout: Layout, places: Collection[int]) -> Columns:
    """Return columns of a delimited text; a cell that is no number is NaN.

    Parameters
    ----------
    contents : Contents
        The file.
    layout : Layout
        Where its parts stand.
    places : collection of int
        The columns wanted, from 0.

    Raises
    ------
    LogError
        A line or the file is longer than any log's.

    Notes
    -----
    The text passes through in blocks of whole lines, so that memory holds the columns and one
    block. A block in which a cell is no number (a repeated header, a word, a clock time) is read
    once more, cell by cell.
    """
    parser = _Parser(layout, tuple(places), contents.size * (PACKED if contents.compressed else 1))
    blocks = _Blocks(contents, layout)
    for block in blocks:
        parser.read(block)
        check_size(parser.rows, len(places), contents.where)
    empty = Growing(0)
    values = {place: parser.columns.get(place, empty).values() for place in places}
    damage = contents.damage or (MID_LINE if blocks.cut_off else "")
    bad_rows = parser.bad_rows + int(blocks.cut_off)
    notes = (f"{parser.words} cell(s) hold no number and stay empty",) if parser.words else ()
    return Columns(values, bad_rows, damage, frozenset(parser.clock), notes)


@dataclass
class _Parser:
    """Blocks of lines into numbers, collected by column."""

    layout: Layout
    places: tuple[int, ...]
    size: int  # bytes to come, or so
    rows: int = 0
    bad_rows: int = 0
    words: int = 0  # cells that hold something, but no number
    worded: set[int] = field(default_factory=set)  # columns in which a cell was no number
    clock: set[int] = field(default_factory=set)
    columns: dict[int, Growing] = field(default_factory=dict)

    def read(self, block: bytes) -> None:
        """Add one block of whole lines."""
        try:
            table, bad_rows = self._parsed(_valid(block) if self.worded else block, self.worded)
        except pa.ArrowInvalid:
            table, bad_rows = self._parsed(_valid(block), set(self.places))
        if not self.columns:
            expected = int(1.05 * table.num_rows * max(1.0, self.size / len(block)))
            expected = min(expected, MOST_VALUES // 8 // len(self.places))
            self.columns = {place: Growing(expected) for place in self.places}
        self.rows += table.num_rows
        self.bad_rows += bad_rows
        for place in self.places:
            column = table[str(place)]
            values, is_clock = numbers(column, self.layout.decimal)
            self.columns[place].add(values)
            if column.type == pa.string():
                self.words += len(values) - column.null_count - int(np.isfinite(values).sum())
            if is_clock:
                self.clock.add(place)
                self.worded.add(place)

    def _parsed(self, block: bytes, as_text: set[int]) -> tuple[Any, int]:
        """Return the wanted columns, named by their place, and the rows passed over."""
        passed_over: list[int] = []

        def skip(row: Any) -> str:
            passed_over.append(row.actual_columns)
            return "skip"

        types = {str(p): pa.string() if p in as_text else pa.float64() for p in self.places}
        table = pacsv.read_csv(
            pa.BufferReader(block),
            pacsv.ReadOptions(column_names=[str(i) for i in range(self.layout.width)]),
            pacsv.ParseOptions(
                delimiter=self.layout.delimiter,
                quote_char='"' if self.layout.quoted else False,
                invalid_row_handler=skip,
            ),
            pacsv.ConvertOptions(
                column_types=types,
                include_columns=list(types),
                decimal_point=self.layout.decimal,
                null_values=NO_VALUE,
                strings_can_be_null=True,
                check_utf8=False,
            ),
        )
        return table, len(passed_over)


@dataclass
class _Blocks:
    """A log's lines of data in blocks of UTF-8 that end with a line's end.

    `cut_off` is known at the end: whether the last line is incomplete and left out.
    """

    contents: Contents
    layout: Layout
    cut_off: bool = False

    def __iter__(self) -> Iterator[bytes]:
        rest, before, began = b"", b"", False
        for piece in self._text():
            block = _thin(rest + piece)
            if not began:
                block, began = block[_offset(block, self.layout.data_line) :], True
            end = max(block.rfind(b"\n"), block.rfind(b"\r")) + 1
            block, rest = block[:end], block[end:]
            if len(rest) > MOST_LINE:
                raise self._too_long()
            if block.strip():
                before = _last_line(block)
                yield block
        last = rest.rstrip(b"\0 ")
        if last and not self.contents.damage and self._is_whole(last, before):
            yield last
        else:
            self.cut_off = bool(last)

    def _text(self) -> Iterator[bytes]:
        """Yield the file as UTF-8."""
        coding = self.layout.encoding
        if coding in ("utf-8", "utf-8-sig"):
            yield from self.contents.chunks()
            return
        decoder = codecs.getincrementaldecoder(coding)(errors="replace")
        for piece in self.contents.chunks():
            yield decoder.decode(piece).lstrip("\ufeff").encode()
        yield decoder.decode(b"", final=True).encode()

    def _is_whole(self, last: bytes, before: bytes) -> bool:
        """Whether a last line without an end has all its cells, the last as long as before."""
        mark = self.layout.delimiter.encode()
        cells = last.split(mark)
        above = before.split(mark)
        digits, usual = (_decimals(row[-1], self.layout.decimal) for row in (cells, above))
        return len(cells) == len(above) and bool(cells[-1]) and digits >= usual

    def _too_long(self) -> LogError:
        return LogError(
            "a line of the file is too long",
            where=self.contents.where,
            rule=f"a line has at most {MOST_LINE >> 20} MB",
            next_step="Export the log again with one sample a line.",
        )


def _valid(block: bytes) -> bytes:
    """Return a block in which bytes that are no UTF-8 are marked, which makes a cell no number."""
    return block.decode("utf-8", errors="replace").encode()


def _thin(block: bytes) -> bytes:
    """Return a block in which a run of NULs is one, which makes its cell no number."""
    return re.sub(rb"\0+", b"\0", block) if b"\0" in block else block


def _last_line(block: bytes) -> bytes:
    end = len(block)
    while end and block[end - 1] in b"\r\n":
        end -= 1
    return block[max(block.rfind(b"\n", 0, end), block.rfind(b"\r", 0, end)) + 1 : end]


def _offset(text: bytes, line: int) -> int:
    """Return where a line begins, counted from 0."""
    end = b"\n" if b"\n" in text[: 1 << 18] else b"\r"
    at = 0
    for _ in range(line):
        at = text.find(end, at) + 1
        if at == 0:
            return len(text)
    return at


def _decimals(cell: bytes, decimal: str) -> int:
    return len(cell.strip(b'" ').partition(decimal.encode())[2])
