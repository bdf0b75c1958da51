"""Logger files into channels with the kit's names and units, and what was found on the way."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.errors import InputError, LogError
from tyrekit.record.arrow_files import arrow_source
from tyrekit.record.channels import CHANNELS, stem, unit_of
from tyrekit.record.contents import Contents, too_large
from tyrekit.record.delimited import read_columns
from tyrekit.record.event import Log
from tyrekit.record.faults import nearest
from tyrekit.record.layout import LONGEST_NAME, bare, find_layout
from tyrekit.record.mdf import mdf_source
from tyrekit.record.rising import begun_again, row_times
from tyrekit.record.source import Columns, Source, check_width
from tyrekit.units import convert, known_unit

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class LogData:
    """One logger file as read.

    Attributes
    ----------
    channels : DataFrame
        `time_s`, strictly rising, and the channels found, under our names and units.
    lost_rows : int
        Rows passed over because they were incomplete, had no time or one off the logger's beat.
    backward_rows : int
        Rows passed over because time did not rise.
    cut_off : bool
        The file ends in mid-line or mid-block, or is damaged; a note says how.
    sample_s : float
        Usual time between samples, s; NaN with fewer than two.
    notes : tuple of str
        What was decided about the file.
    disagreements : tuple of str
        Columns whose unit in [log] is not the one the file gives; the one in [log] is used.
    restarts : tuple of float
        When each later piece begins, s of `channels`, where the file's time began again: it is
        laid right after the piece before it.
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
    restarts: tuple[float, ...] = ()

    @property
    def lost_s(self) -> float:
        """The time of the lost rows, s; 0 when none is lost."""
        return self.lost_rows * self.sample_s if self.lost_rows else 0.0


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
        Delimited text, Parquet, Arrow, Feather or ASAM MDF 4, gzipped or not: its bytes tell.
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
    contents = Contents(path, where)
    if contents.is_blank():
        empty = pd.DataFrame({"time_s": np.empty(0)})
        return LogData(path.name, contents.sha256, empty, cut_off=bool(contents.damage))
    source = open_source(contents, log)
    match = _match(source, log, where)
    chosen = [c for c in match.places if c in wanted or c == "time_s"]
    try:
        columns = source.read({match.places[channel]: channel for channel in reversed(chosen)})
        return _assembled(contents, source, match, columns, chosen)
    except MemoryError:
        raise too_large(where, "this computer has too little memory left for it") from None


def open_source(contents: Contents, log: Log) -> Source:
    """Return the file's columns, by the first reader that knows its first bytes."""
    time = log.channels.get("time_s")
    found = arrow_source(contents) or mdf_source(contents, time.column if time else "time_s")
    if found is not None:
        return found
    head, where = contents.head, contents.where
    if _is_binary(head):
        raise LogError(
            "this is a binary file",
            where=where,
            rule="a log is delimited text, Parquet, Arrow or MDF 4, gzipped or not",
            next_step="Export the log as CSV.",
        )
    names = {entry.column for entry in log.channels.values()} | set(CHANNELS)
    layout = find_layout(
        head, names, where, encoding=log.encoding, delimiter=log.delimiter, decimal=log.decimal
    )
    check_width(layout.width, where)
    return Source(
        layout.names, layout.units, layout.described(), lambda p: read_columns(contents, layout, p)
    )


def _is_binary(head: bytes) -> bool:
    """Whether zeros stand within the bytes, or behind ones that make no line of text.

    A text may end in zeros, where a card lost power. UTF-16 has no three of them in a row.
    """
    text = head.rstrip(b"\0")
    inside = b"\0\0\0" in text and head.count(0) > 0.02 * len(head)
    return inside or (b"\0\0\0" in head and not {10, 13} & set(text[:-1]))


def _match(source: Source, log: Log, where: str) -> _Match:
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


def _no_column(channel: str, column: str, source: Source, where: str) -> LogError:
    shown = ", ".join(name[:LONGEST_NAME] for name in source.names[:60] if name)
    close = nearest(column or stem(channel), [name[:LONGEST_NAME] for name in source.names])
    key = stem(channel) if stem(channel) != "fuel" else channel
    step = f"Did you mean {close!r}? " if close else ""
    return LogError(
        f"there is no column {column!r} for {channel}" if column else f"no column is {channel}",
        where=where,
        rule=f"the file's columns are {shown}",
        next_step=f"{step}Correct [log] {key} in event.toml, or export the log again.",
    )


def _settle_unit(
    match: _Match, source: Source, channel: str, asked: str | None, where: str
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
    contents: Contents, source: Source, match: _Match, columns: Columns, chosen: Sequence[str]
) -> LogData:
    """Convert units, keep rows in which time rises, and count the others."""
    data = {channel: _converted(channel, match, columns) for channel in chosen}
    begun = begun_again(data)
    data["time_s"], pieces = _in_a_row(data["time_s"], begun)
    clock = row_times(data["time_s"])
    if not clock.kept.all():
        data = {channel: values[clock.kept] for channel, values in data.items()}
    lost_rows = columns.bad_rows + clock.untimed + clock.stray
    words = f"log read as {source.words}{', gzipped' if contents.compressed else ''}"
    notes = [words, *match.notes, *columns.notes, *_clock_units(match, columns)]
    notes += pieces
    if columns.damage:
        notes.append(_loss(columns, lost_rows, data["time_s"], clock.sample_s))
    first = [int(clock.kept[:row].sum()) for row in begun]  # rows of pieces that are left
    return LogData(
        contents.path.name,
        contents.sha256,
        pd.DataFrame(data, copy=False),
        lost_rows=lost_rows,
        backward_rows=clock.backward,
        cut_off=bool(columns.damage),
        sample_s=clock.sample_s,
        notes=(*notes, *clock.notes),
        disagreements=tuple(match.disagreements),
        restarts=tuple(
            float(s) for s in data["time_s"][[i for i in first if i < clock.kept.sum()]]
        ),
    )


def _in_a_row(time_s: FloatArray, begun: Sequence[int]) -> tuple[FloatArray, list[str]]:
    """Lay the pieces of a log one right after the other, and say where time began again."""
    time_s, notes, later_s = time_s.copy(), [], 0.0
    for before, at, end in zip([0, *begun], begun, [*begun[1:], len(time_s)], strict=False):
        clock = row_times(time_s[before:at])
        last_s = float(time_s[before:at][clock.kept][-1])
        notes.append(f"time begins again at {time_s[at]:.2f} s after {last_s - later_s:.2f} s")
        later_s = last_s + clock.sample_s - float(time_s[at])
        time_s[at:end] += later_s
    return time_s, notes


def _converted(channel: str, match: _Match, columns: Columns) -> FloatArray:
    """Return a channel in our unit; an infinite value is none."""
    place = match.places[channel]
    unit = "s" if place in columns.clock and channel == "time_s" else match.units[channel]
    values = convert(columns.values[place], unit, unit_of(channel))
    infinite = np.isinf(values)
    return np.where(infinite, np.nan, values) if infinite.any() else values


def _clock_units(match: _Match, columns: Columns) -> list[str]:
    unit = match.units["time_s"]
    if match.places["time_s"] not in columns.clock:
        return []
    asked = f"; the unit {unit!r} given for it is not used" if unit != "s" else ""
    return [f"time is a clock of the file's own, read as seconds{asked}"]


def _loss(columns: Columns, rows: int, time_s: FloatArray, sample_s: float) -> str:
    """Say what a damaged file lost, in rows and seconds, and how far it goes."""
    block = columns.block_rows
    lost = f"{rows} row(s), {rows * sample_s:.2f} s, are lost" if rows else "no row is cut through"
    if block and not rows:
        lost = f"blocks may be lost, of up to {block} rows, {block * sample_s:.2f} s, each"
    last = f"; the last complete row is at {time_s[-1]:.2f} s" if len(time_s) else ""
    return f"{columns.damage}: {lost}{last}"
