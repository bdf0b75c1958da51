"""ASAM MDF 4 files into columns, with asammdf; channels of several clocks on one time base."""

from __future__ import annotations

import io
import mmap
import warnings
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from types import ModuleType
from typing import Any

import numpy as np

from tyrekit.errors import LogError
from tyrekit.record.cells import FloatArray
from tyrekit.record.contents import Contents
from tyrekit.record.mdf_blocks import FINISHED, UNFINISHED, Walk, walk
from tyrekit.record.rising import row_times
from tyrekit.record.source import Columns, Source, check_size, unreadable
from tyrekit.record.time_base import RULE, Sampled, on_one_base, step_s

VERSION_AT, FIRST_VERSION = 28, 400
BY_TIME = 1  # the master channel counts seconds, not an angle, a distance or rows
NO_CHANNEL = -1
FRAGMENT = 1 << 23  # bytes of records read at a time
FIRST_TEXT_TYPE = 6  # data types below it are numbers
FORMULA = 3  # a conversion by a formula in the file: asammdf would run it as code


@dataclass(frozen=True)
class _Channel:
    """Where a channel stands: its group, its number there, and how many rows the group has."""

    group: int
    index: int
    rows: int


def mdf_source(contents: Contents, time_column: str) -> Source | None:
    """Return the channels of an MDF 4 file; None when it is none.

    Parameters
    ----------
    contents : Contents
        The file.
    time_column : str
        What the time column is to be called: an MDF file has one clock for each group.

    Raises
    ------
    LogError
        It is an older MDF, damaged beyond use, or asammdf is not installed.
    """
    if not contents.head.startswith((FINISHED, UNFINISHED)):
        return None
    where = contents.where
    version = int.from_bytes(contents.head[VERSION_AT : VERSION_AT + 2], "little")
    if version < FIRST_VERSION:
        raise LogError(
            f"this is an ASAM MDF file of version {version / 100:.2f}",
            where=where,
            rule="version 4.00 and later are read",
            next_step="Convert it to MDF 4, or export the log as CSV.",
        )
    asammdf = _asammdf(where)
    found, opened = _checked(contents)
    with _opened(asammdf, contents, found, opened) as file:
        places, formulas = _places(file)
        names: list[str] = [time_column]
        units: list[str | None] = ["s"]
        for one in places:
            channel = file.groups[one.group].channels[one.index]
            names.append(channel.name)
            units.append(channel.unit or None)

    def read(wanted: Mapping[int, str]) -> Columns:
        with _opened(asammdf, contents, found, opened) as file:
            return _read(file, places, wanted, found, contents)

    words = f"ASAM MDF {version / 100:.2f}"
    if formulas:
        words += f"; left out, since formulas in a file are not run: {', '.join(formulas[:20])}"
    return Source(tuple(names), tuple(units), words, read)


def _asammdf(where: str) -> ModuleType:
    try:
        import asammdf
    except ImportError:
        raise LogError(
            "reading ASAM MDF files needs the package asammdf, which is not installed",
            where=where,
            next_step="pip install 'tyrekit[mdf]', or export the log as CSV.",
        ) from None
    return asammdf


def _checked(contents: Contents) -> tuple[Walk, bytes | None]:
    """Return what a walk over the file found and, where it must be mended, the mended bytes."""
    if contents.compressed:
        data: bytes | mmap.mmap = b"".join(contents.chunks())
        found = walk(data, contents.where)
        return found, _patched(data, found)
    with contents.path.open("rb") as file, mmap.mmap(
        file.fileno(), 0, access=mmap.ACCESS_READ
    ) as data:  # fmt: skip
        found = walk(data, contents.where)
        return found, _patched(data, found) if found.patches else None


def _patched(data: bytes | mmap.mmap, found: Walk) -> bytes:
    if not found.patches:
        return bytes(data)
    mended = bytearray(data)
    for at, piece in found.patches:
        mended[at : at + len(piece)] = piece
    return bytes(mended)


@contextmanager
def _opened(asammdf: Any, contents: Contents, found: Walk, data: bytes | None) -> Iterator[Any]:
    """Give the file as asammdf sees it: the file itself when whole, else the mended bytes."""
    with contents.path.open("rb") if data is None else io.BytesIO(data) as stream:
        try:
            file = asammdf.MDF(stream)
        except Exception as error:  # of a damaged file asammdf may raise anything
            raise unreadable(f"the MDF file cannot be read: {_first(error)}", found.where) from None
        with closing(file):
            yield file


def _places(file: Any) -> tuple[list[_Channel], list[str]]:
    """Return the channels of numbers sampled over time, those with most rows first.

    And the names of those left out: a formula in the file would work them or their clock out.
    """
    places, formulas = [], []
    for group, one in enumerate(file.groups):
        master = file.masters_db.get(group, NO_CHANNEL)
        if master == NO_CHANNEL or one.channels[master].sync_type != BY_TIME:
            continue
        clock = _has_formula(one.channels[master].conversion)
        for index, channel in enumerate(one.channels):
            plain = channel.data_type < FIRST_TEXT_TYPE and not one.channel_dependencies[index]
            if index == master or not plain:
                continue
            if clock or _has_formula(channel.conversion):
                formulas.append(repr(channel.name))
            else:
                places.append(_Channel(group, index, one.channel_group.cycles_nr))
    return sorted(places, key=lambda place: -place.rows), formulas


def _has_formula(conversion: Any) -> bool:
    """Whether a channel's conversion, or one it refers to, is a formula."""
    waiting, seen = [conversion], set()
    while waiting:
        one = waiting.pop()
        if one is None or isinstance(one, bytes) or id(one) in seen:
            continue
        if one.conversion_type == FORMULA:
            return True
        seen.add(id(one))
        waiting += list((one.referenced_blocks or {}).values())
    return False


def _read(
    file: Any,
    places: list[_Channel],
    wanted: Mapping[int, str],
    found: Walk,
    contents: Contents,
) -> Columns:
    chosen = {place: places[place - 1] for place in wanted if place}
    empty = [place for place, one in chosen.items() if not one.rows]  # asammdf never ends on them
    chosen = {place: one for place, one in chosen.items() if one.rows}
    if empty and not chosen:
        raise unreadable("the MDF file holds no rows", contents.where)
    rows = sum(one.rows for one in chosen.values())
    check_size(rows, 2, contents.where)
    backward = 0
    sampled: dict[str, Sampled] = {}
    clocks: dict[int, tuple[FloatArray, Any]] = {}
    for place, one, signal in _signals(file, chosen, found.where):
        if one.group not in clocks:
            clock_s = np.asarray(signal.timestamps, dtype=np.float64)
            clock = row_times(clock_s)
            backward += clock.untimed + clock.backward
            clocks[one.group] = (clock_s[clock.kept], clock.kept)
        time_s, kept = clocks[one.group]
        values = _values(signal)
        sampled[wanted[place]] = Sampled(time_s, values if kept.all() else values[kept])
    base, moved = on_one_base(sampled)
    columns = {place: moved[wanted[place]] for place in chosen} | {0: base}
    columns |= {place: np.full(len(base), np.nan) for place in empty}
    lost = _lost_rows(file, found, clocks, base)
    notes = [RULE] if len({len(time_s) for time_s, _ in clocks.values()}) > 1 else []
    if backward:
        notes.append(f"{backward} rows whose time does not rise are passed over")
    if empty:
        notes.append(f"no rows of {', '.join(wanted[place] for place in empty)}")
    notes += _twice(file, places, chosen)
    damage = found.damage or contents.damage
    return Columns(columns, lost + backward, damage, frozenset({0}), tuple(notes))


def _signals(
    file: Any, chosen: Mapping[int, _Channel], where: str
) -> Iterator[tuple[int, _Channel, Any]]:
    """Yield place, channel and signal of each, groups in one go; the time runs in seconds."""
    asked = [(None, one.group, one.index) for one in chosen.values()]
    if not asked:
        return
    try:
        file.configure(read_fragment_size=FRAGMENT)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of conversions; what is no number becomes NaN
            signals = file.select(asked, copy_master=False, ignore_value2text_conversions=True)
    except Exception as error:  # of a damaged file asammdf may raise anything
        raise unreadable(f"the MDF file is damaged: {_first(error)}", where) from None
    for signal in signals:
        if len(signal.samples) != len(signal.timestamps):
            raise unreadable("the MDF file is damaged: rows are missing", where)
    for place, one in reversed(list(chosen.items())):  # letting go of each as it is taken over
        yield place, one, signals.pop()


def _values(signal: Any) -> FloatArray:
    """Return a signal as numbers; samples the logger marked invalid are NaN."""
    samples = np.asarray(signal.samples)
    if samples.ndim != 1 or samples.dtype.kind not in "biuf":
        return np.full(len(samples), np.nan)
    values = samples.astype(np.float64, copy=False)
    if signal.invalidation_bits is not None:
        values = values.copy()
        values[np.asarray(signal.invalidation_bits, dtype=bool)] = np.nan
    return values


def _lost_rows(
    file: Any, found: Walk, clocks: Mapping[int, tuple[FloatArray, Any]], base: FloatArray
) -> int:
    """Return the rows of the time base that the cut took from the group it took most from."""
    lost = 0.0
    for group, (time_s, _) in clocks.items():
        rows = found.lost_rows.get(int(file.groups[group].channel_group.address), 0)
        steps = step_s(time_s) / step_s(base) if len(time_s) > 1 else 1.0
        lost = max(lost, rows * steps)
    return round(lost)


def _twice(file: Any, places: list[_Channel], chosen: Mapping[int, _Channel]) -> list[str]:
    """Say which names occur more than once: the one with most rows is read."""
    names = [file.groups[one.group].channels[one.index].name for one in places]
    counts = Counter(names)
    read = dict.fromkeys(names[place - 1] for place in chosen)
    return [
        f"channel {name!r} occurs {counts[name]} times; the one with most rows is read"
        for name in read if counts[name] > 1
    ]  # fmt: skip


def _first(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0][:200]
