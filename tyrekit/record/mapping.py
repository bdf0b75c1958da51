"""A [log] mapping proposed for an unknown logger file: with evidence, and nothing written."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from tyrekit.errors import EventError, InputError
from tyrekit.record.candidates import Candidate, candidates
from tyrekit.record.channels import own_name, stem
from tyrekit.record.column_evidence import Column
from tyrekit.record.contents import Contents
from tyrekit.record.event import Log, load_event, parse_event
from tyrekit.record.logs import open_source
from tyrekit.record.text import decode
from tyrekit.record.whole_file import write_whole
from tyrekit.units import known_unit

FloatArray = NDArray[np.float64]
SURE = 3.9  # points from which a column is proposed
MARGIN = 1.0  # points by which it must lead the next
HEADER = re.compile(r"^\s*\[\s*log\s*\]\s*(#.*)?$")
TABLE = re.compile(r"^\s*\[")


class Proposed(NamedTuple):
    """One channel's row of a proposal."""

    channel: str
    column: str
    unit: str
    score: float
    sure: bool
    evidence: str
    or_else: str

    def line(self) -> str:
        """Return its line of [log]."""
        key = stem(self.channel)
        key = key if own_name(key) == self.channel else self.channel
        quoted = self.column.replace("\\", "\\\\").replace('"', '\\"')
        unit = f', unit = "{self.unit}"' if self.unit else ""
        return f'{key} = {{ column = "{quoted}"{unit} }}'


@dataclass(frozen=True)
class MappingProposal:
    """What the columns of a logger's file seem to be.

    Attributes
    ----------
    file : str
        The file looked at.
    table : DataFrame
        One row per channel found: `channel` (the kit's name), `column`, `unit`, `score` (0 to 1),
        `sure`, `evidence` in words, and `or_else`, columns that are as likely.
    unused : tuple of str
        Columns that are no channel of the kit, or of which nothing is sure.
    notes : tuple of str
        What is missing, and what could not be told apart.
    """

    file: str
    table: pd.DataFrame
    unused: tuple[str, ...]
    notes: tuple[str, ...]

    def rows(self) -> list[Proposed]:
        """Return the rows of the table as records."""
        return [Proposed(*row) for row in self.table.itertuples(index=False, name=None)]

    def toml(self) -> str:
        """Return the text for [log] of event.toml; what is not sure stands in comments."""
        lines = ["[log]"]
        for row in self.rows():
            other = f"   # or {row.or_else}" if row.or_else else ""
            lines.append(row.line() if row.sure else f"# not sure: {row.line()}{other}")
        return "\n".join(lines) + "\n"

    def write(self, event_toml: Path) -> tuple[str, ...]:
        """Add the sure entries to an event.toml and return their lines.

        Comments and everything else are kept; an entry that is there is never changed.

        Raises
        ------
        InputError
            There is no such file, or it cannot be written.
        EventError
            It breaks a rule, before or after; it is then left as it was.
        """
        load_event(event_toml)
        raw = event_toml.read_bytes()
        text = decode(raw)
        there = parse_event(text).log.channels
        columns = {entry.column for entry in there.values()}
        sure = (r for r in self.rows() if r.sure and r.column not in columns)
        rows = [r for r in sure if r.channel not in there]
        added = [r.line() for r in rows if r.column != r.channel]
        if not added:
            return ()
        new = _with_lines(text, added, event_toml.name)
        parse_event(new, event_toml.name)
        write_whole(event_toml, new.replace("\n", "\r\n") if b"\r\n" in raw else new)
        return tuple(added)


def propose_mapping(path: str | Path, log: Log | None = None) -> MappingProposal:
    """Return what the columns of a logger's file seem to be; nothing is written.

    Parameters
    ----------
    path : str or Path
        A log of any kind that is read.
    log : Log, optional
        How [log] says the file is laid out, where that must be told.

    Raises
    ------
    LogError
        The file is no log.
    """
    where = Path(path)
    columns = _columns(where, log or Log())
    found = candidates(columns)
    chosen = _assigned(found, columns)
    rows = [_row(channel, best, found[channel], columns) for channel, best in chosen.items()]
    table = pd.DataFrame(rows, columns=list(Proposed._fields))
    used = {row.column for row in rows if row.sure}
    unused = tuple(column.name for column in columns if column.name not in used)
    return MappingProposal(where.name, table, unused, tuple(_notes(rows)))


def log_and_event(place: Path) -> tuple[Path, Path, Log]:
    """Return a log, the event.toml it belongs to and how that says it is laid out.

    Parameters
    ----------
    place : Path
        A logger's file, or a weekend's folder: the first of its logs is taken.

    Raises
    ------
    InputError
        Neither is there.
    """
    if place.is_dir():
        logs = place / "logs"
        files = sorted(p for p in logs.glob("*") if p.is_file() and not p.name.startswith("."))
        if not files:
            raise InputError(
                "there is no log here", where=str(logs), rule="logs/ holds the logger's files",
                next_step="Copy one there, or name a logger's file.",
            )  # fmt: skip
        path, event_toml = files[0], place / "event.toml"
    else:
        path, event_toml = place, place.parent.parent / "event.toml"
    if not path.is_file():
        raise InputError(
            "there is no such file", where=str(path), next_step="Name a logger's file or a folder."
        )
    layout = load_event(event_toml).log if event_toml.is_file() else Log()
    return path, event_toml, layout


def _columns(path: Path, log: Log) -> list[Column]:
    where = f"logs/{path.name}"
    contents = Contents(path, where)
    source = open_source(contents, log)
    places = [i for i, name in enumerate(source.names) if name]
    read = source.read({place: f"column {place}" for place in places})
    result = []
    for place in places:
        unit = source.units[place] if place < len(source.units) else None
        if place in read.clock:
            unit = "s"
        result.append(Column(source.names[place], _known(unit), read.values[place]))
    return result


def _known(unit: str | None) -> str | None:
    """Return a unit the kit knows; one it does not know says nothing."""
    try:
        return None if unit is None else known_unit(unit)
    except InputError:
        return None


def _assigned(
    found: Mapping[str, Sequence[Candidate]], columns: Sequence[Column]
) -> dict[str, Candidate]:
    """Return the best column of each channel, no column twice, by the most points in all."""
    channels = [channel for channel, options in found.items() if options]
    points = np.zeros((len(channels), len(columns)))
    best: dict[tuple[int, int], Candidate] = {}
    for i, channel in enumerate(channels):
        for option in found[channel]:
            if option.points > points[i, option.place]:
                points[i, option.place] = option.points
                best[i, option.place] = option
    rows, places = linear_sum_assignment(-points)
    pairs = zip(rows.tolist(), places.tolist(), strict=True)
    return {channels[i]: best[i, j] for i, j in pairs if (i, j) in best and points[i, j] > 1.5}


def _row(
    channel: str, best: Candidate, options: Sequence[Candidate], columns: Sequence[Column]
) -> Proposed:
    near = [
        o for o in options
        if best.points - o.points < MARGIN and (o.place, o.unit) != (best.place, best.unit)
        and not (o.place != best.place and o.elsewhere > o.points)
    ]  # fmt: skip
    others = dict.fromkeys(
        columns[o.place].name if o.place != best.place else f"unit {o.unit}" for o in near
    )
    sure = best.points >= SURE and not near and best.elsewhere - best.points < MARGIN
    score = float(1 / (1 + np.exp(SURE - 1.0 - best.points)))
    name = columns[best.place].name
    others_told = ", ".join(others)
    return Proposed(channel, name, best.unit, round(score, 3), sure, best.words, others_told)


def _notes(rows: Sequence[Proposed]) -> list[str]:
    notes = []
    sure = {row.channel for row in rows if row.sure}
    for row in (row for row in rows if not row.sure):
        rival = f", as likely {row.or_else}" if row.or_else else ""
        notes.append(f"not sure of {row.channel}: column {row.column!r}{rival}")
    if "time_s" not in sure:
        notes.append("no column is surely the time: [log] time is needed")
    if not {"lap", "beacon", "crossing_s"} & sure and not {"latitude_deg", "longitude_deg"} <= sure:
        notes.append("no column surely marks the laps: lap, beacon, or latitude and longitude")
    return notes


def _with_lines(text: str, added: Sequence[str], where: str) -> str:
    """Return a TOML text with lines added at the end of [log], made where there is none."""
    lines = text.split("\n")
    at = next((i for i, line in enumerate(lines) if HEADER.match(line)), None)
    if at is None and "log" in tomllib.loads(text):
        raise EventError(
            "[log] is not a table of its own",
            where=where,
            rule="lines are added below a line [log]",
            next_step="Copy the lines of `tyrekit map` into event.toml by hand.",
        )
    if at is None:
        return "\n".join([text.rstrip(), "", "[log]", *added, ""])
    stop = next((i for i in range(at + 1, len(lines)) if TABLE.match(lines[i])), len(lines))
    last = max(i for i in range(at, stop) if i == at or _is_entry(lines[i]))
    return "\n".join([*lines[: last + 1], *added, *lines[last + 1 :]])


def _is_entry(line: str) -> bool:
    plain = line.strip()
    return bool(plain) and not plain.startswith("#")
