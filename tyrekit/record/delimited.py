"""Delimited text into columns: only those asked for, complete rows only, losses counted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pacsv
from numpy.typing import NDArray

from tyrekit.record.layout import Layout

FloatArray = NDArray[np.float64]
NO_VALUE = ["", "-", "--", "---", "NaN", "nan", "NA", "N/A", "n/a", "null", "NULL", "*", "#N/A"]


@dataclass(frozen=True)
class Columns:
    """Columns of numbers by their place in the file, and what was lost on the way.

    `bad_rows` had too few or too many cells; `cut_off` when the last line is incomplete.
    """

    values: dict[int, FloatArray]
    bad_rows: int
    cut_off: bool


def read_columns(data: bytes, layout: Layout, places: Sequence[int]) -> Columns:
    """Return columns of a delimited text; a cell that is no number is NaN.

    Parameters
    ----------
    data : bytes
        The whole file, decompressed.
    layout : Layout
        Where its parts stand.
    places : sequence of int
        The columns wanted, from 0.
    """
    text = data if layout.encoding in ("utf-8", "utf-8-sig") else _as_utf8(data, layout.encoding)
    body = text[_offset(text, layout.data_line) :]
    body, cut_off = _complete(body, layout)
    if not body.strip():
        return Columns({place: np.empty(0) for place in places}, 0, cut_off)
    try:
        table, bad_rows = _parse(body, layout, places, pa.float64())
    except pa.ArrowInvalid:  # a repeated header, a clock time, a word: look cell by cell
        table, bad_rows = _parse(body, layout, places, pa.string())
    values = {place: _numbers(table[str(place)], layout.decimal) for place in places}
    return Columns(values, bad_rows, cut_off)


def _parse(
    body: bytes, layout: Layout, places: Sequence[int], type: pa.DataType
) -> tuple[pa.Table, int]:
    """Return the wanted columns, named by their place, and the rows passed over."""
    passed_over: list[int] = []

    def skip(row: pacsv.InvalidRow) -> str:
        passed_over.append(row.actual_columns)
        return "skip"

    wanted = [str(place) for place in places]
    table = pacsv.read_csv(
        pa.BufferReader(body),
        pacsv.ReadOptions(column_names=[str(i) for i in range(layout.width)]),
        pacsv.ParseOptions(
            delimiter=layout.delimiter,
            quote_char='"' if layout.quoted else False,
            invalid_row_handler=skip,
        ),
        pacsv.ConvertOptions(
            column_types=dict.fromkeys(wanted, type),
            include_columns=wanted,
            decimal_point=layout.decimal,
            null_values=NO_VALUE,
            strings_can_be_null=True,
            check_utf8=False,
        ),
    )
    return table, len(passed_over)


def _as_utf8(data: bytes, encoding: str) -> bytes:
    return data.decode(encoding, errors="replace").lstrip("\ufeff").encode()


def _offset(text: bytes, line: int) -> int:
    """Return where a line begins, counted from 0."""
    end = b"\n" if b"\n" in text[: 1 << 18] else b"\r"
    at = 0
    for _ in range(line):
        at = text.find(end, at) + 1
        if at == 0:
            return len(text)
    return at


def _complete(body: bytes, layout: Layout) -> tuple[bytes, bool]:
    """Drop a last line that was cut off: too few cells, or a last number shorter than before."""
    if body.endswith((b"\n", b"\r")) or not body:
        return body, False
    start = max(body.rfind(b"\n"), body.rfind(b"\r")) + 1
    mark = layout.delimiter.encode()
    last = body[start:].rstrip(b"\0 ").split(mark)
    before = body[:start].rstrip(b"\r\n").rsplit(b"\n", 1)[-1].split(mark)
    same_width = len(last) == len(before)
    if same_width and _decimals(last[-1], layout) >= _decimals(before[-1], layout) and last[-1]:
        return body, False
    return body[:start], True


def _decimals(cell: bytes, layout: Layout) -> int:
    return len(cell.strip(b'" ').partition(layout.decimal.encode())[2])


def _numbers(column: pa.ChunkedArray, decimal: str) -> FloatArray:
    """Return a column as numbers; clock times become seconds, all else NaN."""
    if column.type == pa.float64():
        return np.asarray(column.to_numpy(), dtype=np.float64)
    text = pd.Series(column.to_pandas(), dtype="str").str.strip()
    plain = text.str.replace(",", ".") if decimal == "," else text
    values = pd.to_numeric(plain, errors="coerce")
    if values.notna().sum() < 0.5 * text.notna().sum():
        values = _clock_seconds(text)
    return np.asarray(values.to_numpy(), dtype=np.float64)


def _clock_seconds(text: pd.Series) -> pd.Series:
    """Return seconds of clock times: of the day (``9:12:33.1``), or since 1970 with a date."""
    clock = text.str.replace(",", ".")
    dated = pd.to_datetime(clock, errors="coerce", format="ISO8601", utc=True)
    if dated.notna().sum() >= 0.5 * len(clock):
        return dated.astype("datetime64[ns, UTC]").astype("int64") / 1e9
    full = clock.where(clock.str.count(":") != 1, "0:" + clock)
    return pd.to_timedelta(full, errors="coerce").dt.total_seconds()
