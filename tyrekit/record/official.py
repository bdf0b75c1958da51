"""All official lap times of a weekend in one table, later publications over earlier ones."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from tyrekit.errors import TimingError
from tyrekit.record.event import Event
from tyrekit.record.timing_files import (
    FOLDER_NAME,
    OfficialLap,
    TimingFile,
    read_timing,
    timing_paths,
)  # fmt: skip

COLUMNS = (
    "session", "lap", "lap_time_s", "lap_time_se_s", "crossed_at", "crossed_se_s", "pit", "flag",
    "file", "row", "run_id", "run_lap",
)  # fmt: skip
Key = tuple[str, str, int]


@dataclass(frozen=True)
class Official:
    """What timing/ holds.

    Attributes
    ----------
    laps : DataFrame
        Our car's laps as they stand, `COLUMNS` and sector times; `run_id` and `run_lap` are empty
        and 0 until they are matched.
    field : DataFrame
        session, car and crossed_at of every lap of every car, for sessions with other cars.
    inputs : dict
        File -> sha256.
    notes, twice, absent : tuple of str
        What was decided; laps a file gives twice with different times; files without our car.
    """

    laps: pd.DataFrame
    field: pd.DataFrame
    inputs: Mapping[str, str] = dataclasses.field(default_factory=dict)
    notes: tuple[str, ...] = ()
    twice: tuple[str, ...] = ()
    absent: tuple[str, ...] = ()


def no_official(event: Event) -> Official:
    """Return what a weekend without official times has of them."""
    return Official(_frame([], {}, event), _field([], event))


def read_official(folder: Path, event: Event) -> Official:
    """Return the official times of a weekend's timing/ folder.

    A file published later (by its `published` column, else by its name) supersedes earlier ones
    lap by lap; a lap it does not have stays as published before.

    Raises
    ------
    TimingError
        A file cannot be read; every problem is in the message.
    """
    paths, passed_over = timing_paths(folder)
    files, problems = [], []
    for path in paths:
        try:
            files.append(read_timing(path, event))
        except TimingError as error:
            problems += [p for p in error.problems if isinstance(p, TimingError)]
    if problems:
        raise TimingError.joined(problems)
    notes = [f"{FOLDER_NAME}/{name} is not read: official times are CSV" for name in passed_over]
    if not files:
        empty = no_official(event)
        return Official(empty.laps, empty.field, {}, tuple(notes))
    files.sort(key=lambda f: (f.published.timestamp() if f.published else 0.0, f.name))
    current, twice = _current(files, event.car.number, notes)
    own = [lap for key, lap in current.items() if key[1] == event.car.number]
    return Official(
        laps=_frame(own, {f"{FOLDER_NAME}/{f.name}": f for f in files}, event),
        field=_field(list(current.values()), event),
        inputs={f"{FOLDER_NAME}/{f.name}": f.sha256 for f in files},
        notes=(*notes, *_notes(files, event)),
        twice=tuple(twice),
        absent=tuple(_absent(files, event.car.number)),
    )


def _current(
    files: Sequence[TimingFile], ours: str, notes: list[str]
) -> tuple[dict[Key, OfficialLap], list[str]]:
    """Return the laps that count, and what a file gives twice; add to the notes."""
    current: dict[Key, OfficialLap] = {}
    twice: list[str] = []
    for file in files:
        told: dict[str, list[str]] = {}
        for lap in file.laps:
            before = current.get(key := (lap.session, lap.car, lap.lap))
            current[key] = lap
            if before is None or lap.car != ours:
                continue
            same = before.lap_time_s == lap.lap_time_s or np.isnan(
                lap.lap_time_s + before.lap_time_s
            )
            words = f"{lap.session} lap {lap.lap}"
            if before.file != lap.file:
                words += "" if same else f" {before.lap_time_s:.3f} -> {lap.lap_time_s:.3f} s"
                told.setdefault(before.file, []).append("" if same else words)
            elif same:
                notes.append(f"{words} is twice in {lap.file}, rows {before.row} and {lap.row}")
            else:
                twice.append(f"{lap.file} row {lap.row}: {words} is {lap.lap_time_s:.3f} s,"
                             f" in row {before.row} {before.lap_time_s:.3f} s")  # fmt: skip
        for older, laps in told.items():
            changed = [words for words in laps if words]
            what = "; ".join(changed[:4]) + (f" and {len(changed) - 4} more" * (len(changed) > 4))
            notes.append(f"{FOLDER_NAME}/{file.name} supersedes {older} for {len(laps)} laps:"
                         f" {what or 'no time changed'}")  # fmt: skip
    return current, twice


def _notes(files: Sequence[TimingFile], event: Event) -> list[str]:
    told = []
    for file in files:
        if not file.has_cars:
            told.append(f"{FOLDER_NAME}/{file.name} names no cars: taken as {event.car.number!r}'s")
        if not file.numbered:
            told.append(f"{FOLDER_NAME}/{file.name} has no lap column: laps counted in order")
    return told


def _absent(files: Sequence[TimingFile], ours: str) -> list[str]:
    """Say which files have laps, and none of our car."""
    told = []
    for file in files:
        cars = list(dict.fromkeys(lap.car for lap in file.laps))
        if cars and ours not in cars:
            listed = ", ".join(cars[:12]) + (" and more" if len(cars) > 12 else "")
            told.append(f"{FOLDER_NAME}/{file.name} has no car {ours!r}; it has {listed}")
    return told


def _frame(
    laps: Sequence[OfficialLap], files: Mapping[str, TimingFile], event: Event
) -> pd.DataFrame:
    """Return our car's laps in order of session and number."""
    order = {session.id: i for i, session in enumerate(event.sessions)}
    own = sorted(laps, key=lambda lap: (order[lap.session], lap.lap))
    lap_time_se = [files[lap.file].lap_time_step_s / np.sqrt(12) for lap in own]
    crossed_se = [files[lap.file].crossed_step_s / np.sqrt(12) for lap in own]
    data: dict[str, object] = {
        "session": pd.Series([lap.session for lap in own], dtype="str"),
        "lap": pd.Series([lap.lap for lap in own], dtype="int64"),
        "lap_time_s": pd.Series([lap.lap_time_s for lap in own], dtype="float64"),
        "lap_time_se_s": pd.Series(lap_time_se, dtype="float64"),
        "crossed_at": _stamps(own, event),
        "crossed_se_s": pd.Series(crossed_se, dtype="float64"),
        "pit": pd.Series([lap.pit for lap in own], dtype="str"),
        "flag": pd.Series([lap.flag for lap in own], dtype="str"),
        "file": pd.Series([lap.file for lap in own], dtype="str"),
        "row": pd.Series([lap.row for lap in own], dtype="int64"),
        "run_id": pd.Series([""] * len(own), dtype="str"),
        "run_lap": pd.Series([0] * len(own), dtype="int64"),
    }
    for name in dict.fromkeys(name for lap in own for name, _ in lap.sectors):
        given = [dict(lap.sectors).get(name, float("nan")) for lap in own]
        data[name] = pd.Series(given, dtype="float64")
    return pd.DataFrame(data)


def _field(laps: Sequence[OfficialLap], event: Event) -> pd.DataFrame:
    """Return the laps of every car, of sessions in which more than one was timed."""
    cars: dict[str, set[str]] = {}
    for lap in laps:
        cars.setdefault(lap.session, set()).add(lap.car)
    kept = [lap for lap in laps if len(cars[lap.session]) > 1]
    return pd.DataFrame({
        "session": pd.Series([lap.session for lap in kept], dtype="str"),
        "car": pd.Series([lap.car for lap in kept], dtype="str"),
        "crossed_at": _stamps(kept, event),
    })  # fmt: skip


def _stamps(laps: Sequence[OfficialLap], event: Event) -> pd.Series:
    stamps = pd.to_datetime(pd.Series([lap.crossed_at for lap in laps], dtype=object), utc=True)
    return stamps.astype("datetime64[us, UTC]").dt.tz_convert(event.meeting.zone)
