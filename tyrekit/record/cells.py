"""Cells into numbers: text with a decimal point or comma, clock times, whatever Arrow holds."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
NUMBER = r"^([0-9]+\.?[0-9]*|-[0-9]+\.?[0-9]*|-?\.[0-9]+)([eE][+-]?[0-9]+)?$"
PER_SECOND = {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9}


def numbers(column: Any, decimal: str = ".") -> tuple[FloatArray, bool]:
    """Return an Arrow column as numbers, and whether it held clock times.

    Parameters
    ----------
    column : pyarrow Array or ChunkedArray
        Numbers, truth values, text, timestamps, times of day or durations.
    decimal : str
        The decimal mark of text.

    Notes
    -----
    Clock times become seconds: of the day, since 1970 with a date. What is no number is NaN.
    """
    kind = column.type
    if pa.types.is_dictionary(kind):
        column, kind = column.cast(kind.value_type), kind.value_type
    if pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind):
        return _from_text(column, decimal)
    if pa.types.is_timestamp(kind) or pa.types.is_time(kind) or pa.types.is_duration(kind):
        whole = pa.int32() if pa.types.is_time32(kind) else pa.int64()
        return _floats(column.cast(whole).cast(pa.int64())) / PER_SECOND[kind.unit], True
    if pa.types.is_boolean(kind):
        column, kind = column.cast(pa.int8()), pa.int8()
    if pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind):
        return _floats(column), False
    if not pa.types.is_null(kind):
        raise pa.ArrowInvalid(f"a column of {kind} holds no numbers")
    return _floats(column.cast(pa.int8())), False


def _floats(column: Any) -> FloatArray:
    """Return numbers of any width; whole ones beyond 2^53 lose digits rather than fail."""
    if column.type != pa.float64():
        column = pc.cast(column, pa.float64(), safe=False)
    values = column.to_numpy() if isinstance(column, pa.ChunkedArray) else _one(column)
    return np.asarray(values, dtype=np.float64)


def _one(column: Any) -> Any:
    return column.to_numpy(zero_copy_only=False)


def _from_text(column: Any, decimal: str) -> tuple[FloatArray, bool]:
    text = pc.utf8_trim_whitespace(column)
    plain = pc.replace_substring(text, ",", ".") if decimal == "," else text
    plain = pc.replace_substring_regex(plain, r"^\+([0-9.])", r"\1")
    good = pc.match_substring_regex(plain, NUMBER)
    counted = pc.sum(good).as_py() or 0
    if counted < 0.5 * (len(text) - text.null_count):
        values = _clock_seconds(pd.Series(text.to_pandas(), dtype="str"))
        if values.notna().sum() > counted:
            return np.asarray(values.to_numpy(), dtype=np.float64), True
    nothing = pa.scalar(None, plain.type)
    return _floats(pc.if_else(pc.fill_null(good, False), plain, nothing)), False


def _clock_seconds(text: pd.Series) -> pd.Series:
    """Return seconds of clock times: of the day (``9:12:33.1``), or since 1970 with a date."""
    clock = text.str.replace(",", ".")
    dated = pd.to_datetime(clock, errors="coerce", format="ISO8601", utc=True)
    if dated.notna().sum() >= 0.5 * clock.notna().sum():
        stamps = dated.astype("datetime64[ns, UTC]")
        return (stamps.astype("int64") / 1e9).where(stamps.notna())
    full = clock.where(clock.str.count(":") != 1, "0:" + clock)
    return pd.to_timedelta(full, errors="coerce").dt.total_seconds()
