"""Logger files into channels with the kit's names and units, and what was found on the way."""

from __future__ import annotations

import io
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.feather as feather
import pyarrow.parquet as parquet
from numpy.typing import NDArray

from tyrekit.errors import InputError, LogError
from tyrekit.record.channels import CHANNELS, stem, unit_of
from tyrekit.record.contents import Contents, read_contents
from tyrekit.record.delimited import Columns, read_columns
from tyrekit.record.event import Log
from tyrekit.record.faults import nearest
from tyrekit.record.layout import HEAD_BYTES, bare, bracket_unit, find_layout
from tyrekit.units import convert, known_unit

FloatArray = NDArray[np.float64]
PARQUET, ARROW = b"PAR1", b"ARROW1"


@dataclass(frozen=True)
class LogData:
    """One logger file as read.

    Attributes
    ----------
    channels : DataFrame
        `time_s`, strictly rising, and the channels found, under our names and units.
    lost_rows : int
        Rows passed over because they were incomplete or had no time.
    backward_rows : int
        Rows passed over because time did not rise.
    cut_off : bool
        The file ends in mid-line or mid-block.
    sample_s : float
        Usual time between samples, s; NaN with fewer than two.
    notes : tuple of str
        What was decided about the file.
    disagreements : tuple of str
        Columns whose unit in [log] is not the one the file gives; the one in [log] is used.
    """

    name: str
    sha256: str
    channels: pd.DataFrame
    lost_rows: int = 0
    backward_rows: int = 0
    cut_off: bool = False
    sample_s: float = float("nan")
    notes: tuple[str, ...] = ()
    disagreements: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Source:
    """A file's columns before any is read: names, units given, how to read some."""

    names: tuple[str, ...]
    units: tuple[str | None, ...]
    words: str
    read: Callable[[Sequence[int]], Columns]


@dataclass
class _Match:
    """Where our channels stand in a file, their units, and what there is to say about it."""

    places: dict[str, int] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    disagreements: list[str] = field(default_factory=list)


def read_log(path: Path, log: Log, wanted: Collection[str] = CHANNELS) -> LogData:
    """Return a logger file's channels.

    Parameters
    ----------
    path : Path
        Delimited text, Parquet or Arrow, gzipped or not; told apart by content.
    log : Log
        The mapping of event.toml; channels under our own names need none.
    wanted : collection of str
        The channels to read, by our names; those a file does not have are left out.

    Raises
    ------
    LogError
        The file is no log, has no time, or lacks a column that [log] names.
    """
    where = f"logs/{path.name}"
    contents = read_contents(path, where)
    if not contents.data.strip(b"\0\r\n\t "):
        empty = pd.DataFrame({"time_s": np.empty(0)})
        return LogData(path.name, contents.sha256, empty, cut_off=contents.cut_off)
    source = _source(contents.data, log, where)
    match = _match(source, log, where)
    chosen = [c for c in match.places if c in wanted or c == "time_s"]
    columns = source.read([match.places[channel] for channel in chosen])
    return _assembled(path.name, contents, source, match, columns, chosen)


def _source(data: bytes, log: Log, where: str) -> _Source:
    if data.startswith((PARQUET, ARROW)):
        return _arrow_source(data, where)
    head = data[:HEAD_BYTES]
    if head.count(0) > 0.02 * len(head) and b"\0\0\0" in head:
        raise LogError(
            "this is a binary file",
            where=where,
            rule="a log is delimited text or Parquet, either of them gzipped or not",
            next_step="Export the log as CSV.",
        )
    names = {entry.column for entry in log.channels.values()} | set(CHANNELS)
    layout = find_layout(
        head, names, where, encoding=log.encoding, delimiter=log.delimiter, decimal=log.decimal
    )
    return _Source(
        layout.names, layout.units, layout.described(), lambda p: read_columns(data, layout, p)
    )


def _arrow_source(data: bytes, where: str) -> _Source:
    reader = parquet.ParquetFile if data.startswith(PARQUET) else feather.read_table
    try:
        opened = reader(io.BytesIO(data))
        names = tuple((opened.schema_arrow if data.startswith(PARQUET) else opened.schema).names)
    except (pa.ArrowInvalid, OSError) as error:
        raise LogError(
            f"the file cannot be read: {error}", where=where, next_step="Export the log again."
        ) from None

    def read(places: Sequence[int]) -> Columns:
        wanted = [names[place] for place in places]
        table = opened.read(wanted) if data.startswith(PARQUET) else opened.select(wanted)
        values = {p: _as_numbers(table[names[p]].to_pandas()) for p in places}
        return Columns(values, 0, False)

    units = tuple(bracket_unit(name) for name in names)
    return _Source(names, units, "a file of columns", read)


def _as_numbers(column: pd.Series) -> FloatArray:
    if pd.api.types.is_datetime64_any_dtype(column):
        column = column.astype("int64") / (1e9 if "ns" in str(column.dtype) else 1e6)
    return np.asarray(pd.to_numeric(column, errors="coerce"), dtype=np.float64)


def _match(source: _Source, log: Log, where: str) -> _Match:
    """Find every mapped column, and columns under our own names."""
    match, missing = _Match(), []
    for channel, entry in log.channels.items():
        place = _place(source.names, entry.column)
        if place is None:
            missing.append((channel, entry.column))
            continue
        match.places[channel] = place
        _settle_unit(match, source, channel, entry.unit, where)
    for channel in CHANNELS:
        place = _place(source.names, channel)
        if channel not in log.channels and place is not None:
            match.places[channel] = place
            _settle_unit(match, source, channel, None, where)
    if "time_s" not in match.places and "time_s" not in dict(missing):
        missing.append(("time_s", ""))
    if missing:
        raise LogError.joined([_no_column(c, column, source, where) for c, column in missing])
    return match


def _place(names: Sequence[str], column: str) -> int | None:
    """Return where a column stands: by its full name, else without the unit in brackets."""
    if column in names:
        return names.index(column)
    plain = [bare(name).casefold() for name in names]
    return plain.index(column.casefold()) if column.casefold() in plain else None


def _no_column(channel: str, column: str, source: _Source, where: str) -> LogError:
    shown = ", ".join(name for name in source.names[:60] if name)
    close = nearest(column or stem(channel), source.names)
    key = stem(channel) if stem(channel) != "fuel" else channel
    step = f"Did you mean {close!r}? " if close else ""
    return LogError(
        f"there is no column {column!r} for {channel}" if column else f"no column is {channel}",
        where=where,
        rule=f"the file's columns are {shown}",
        next_step=f"{step}Correct [log] {key} in event.toml, or export the log again.",
    )


def _settle_unit(
    match: _Match, source: _Source, channel: str, asked: str | None, where: str
) -> None:
    """Choose a channel's unit: [log] first, then the file, then our own, and say so."""
    place, own = match.places[channel], unit_of(channel)
    given = source.units[place] if place < len(source.units) else None
    name = source.names[place]
    if own == "":
        match.units[channel] = ""
        return
    try:
        match.units[channel] = known_unit(asked or given or own)
        convert(0.0, match.units[channel], own)
        disagree = asked and given and known_unit(given) != known_unit(asked)
    except InputError as error:
        if asked and known_unit(asked) == match.units.get(channel):
            return  # the file's own unit is unknown, and not needed
        raise LogError(
            f"column {name!r}: {error.what}",
            where=where,
            rule=error.rule,
            next_step=f"Give its unit in [log] {stem(channel)}.",
        ) from None
    if disagree:
        match.disagreements.append(f"column {name!r}: [log] says {asked}, the file says {given}")
    if not asked and not given and name != channel:
        match.notes.append(f"no unit is given for column {name!r}: {own} is assumed")


def _assembled(
    name: str,
    contents: Contents,
    source: _Source,
    match: _Match,
    columns: Columns,
    chosen: Sequence[str],
) -> LogData:
    """Convert units, keep rows in which time rises, and count the others."""
    data = {
        channel: convert(columns.values[match.places[channel]], match.units[channel], unit)
        for channel, unit in ((channel, unit_of(channel)) for channel in chosen)
    }
    time_s = data["time_s"]
    timed = np.isfinite(time_s)
    before = np.maximum.accumulate(np.where(timed, time_s, -np.inf))
    rises = timed & np.concatenate([timed[:1], time_s[1:] > before[:-1]])
    channels = pd.DataFrame({channel: values[rises] for channel, values in data.items()})
    steps = np.diff(channels["time_s"].to_numpy())
    return LogData(
        name,
        contents.sha256,
        channels,
        lost_rows=columns.bad_rows + int((~timed).sum()) + int(columns.cut_off),
        backward_rows=int((timed & ~rises).sum()),
        cut_off=contents.cut_off or columns.cut_off,
        sample_s=float(np.median(steps)) if len(steps) else float("nan"),
        notes=(f"log read as {source.words}", *match.notes),
        disagreements=tuple(match.disagreements),
    )
