"""Official lap times as they are published: read leniently, what is odd in them said."""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from tyrekit.errors import TimingError
from tyrekit.record.event import Event, Session
from tyrekit.record.own_files import own_file, own_folder, seen_name
from tyrekit.record.parts import moment
from tyrekit.record.spreadsheet import DELIMITERS
from tyrekit.record.text import decode

FOLDER_NAME = "timing"
SUFFIXES = (".csv", ".tsv", ".txt")
MOST_BYTES = 1 << 25
HEADER_LINES = 60  # a title and the like may stand above the column names
NAMES: dict[str, tuple[str, ...]] = {
    "session": ("session",),
    "car": ("car", "car_number", "car_no", "number", "no", "#"),
    "lap": ("lap", "lap_number", "lap_no"),
    "lap_time_s": ("lap_time_s", "lap_time", "laptime", "time"),
    "crossed_at": ("crossed_at", "passed_at", "passing_time", "time_of_day"),
    "pit": ("pit", "pits"),
    "flag": ("flag", "flags"),
    "published": ("published", "published_at"),
}
SECTOR = re.compile(r"sector_(\d+)(_s)?")
SECONDS = re.compile(r"(?:(?:(\d+):)?([0-5]?\d):(?=\d\d\b))?(\d+)(?:[.,](\d+))?")
OF_DAY = re.compile(r"([01]?\d|2[0-3]):([0-5]\d):([0-5]\d)(?:\.(\d+))?")
NOTHING = ("", "-", "--", "---")


@dataclass(frozen=True)
class OfficialLap:
    """One published lap of one car; `lap_time_s` is NaN where none was published."""

    session: str
    car: str
    lap: int
    lap_time_s: float
    crossed_at: datetime | None
    pit: str
    flag: str
    sectors: tuple[tuple[str, float], ...]
    file: str
    row: int


@dataclass(frozen=True)
class TimingFile:
    """One file as read.

    `lap_time_step_s` and `crossed_step_s` are the last digit of its times; `published` is when it
    says it was published; `numbered` is False when laps had to be counted, `has_cars` when it
    names cars.
    """

    name: str
    sha256: str
    laps: tuple[OfficialLap, ...]
    lap_time_step_s: float
    crossed_step_s: float
    published: datetime | None
    numbered: bool = True
    has_cars: bool = True


@dataclass
class _Reading:
    """What a file's rows are read with, and what is found on the way."""

    event: Event
    where: str
    columns: dict[str, int]
    sectors: dict[str, int]
    by_name: Session | None
    problems: list[TimingError] = field(default_factory=list)
    time_digits: int = 0
    clock_digits: int = 0
    published: datetime | None = None
    counts: dict[tuple[str, str], int] = field(default_factory=dict)

    def cell(self, cells: Sequence[str], name: str) -> str:
        at = self.columns.get(name, len(cells))
        return cells[at].strip() if at < len(cells) else ""


def timing_paths(folder: Path) -> tuple[list[Path], list[str]]:
    """Return the files in timing/ to read, by name, and the names of those passed over.

    Raises
    ------
    TimingError
        A file leads out of the weekend's timing folder.
    """
    home = folder / FOLDER_NAME
    own_folder(home, FOLDER_NAME)
    if not home.is_dir():
        return [], []
    every = sorted(p for p in home.iterdir() if p.is_file() and not p.name.startswith("."))
    paths = [p for p in every if p.suffix.lower() in SUFFIXES]
    for path in paths:
        own_file(path, f"{FOLDER_NAME}/{path.name}", TimingError)
        seen_name(path, f"{FOLDER_NAME}/{path.name}")
    return paths, [p.name for p in every if p not in paths]


def read_timing(path: Path, event: Event) -> TimingFile:
    """Return a file of official lap times.

    Parameters
    ----------
    path : Path
        Delimited text with a line of column names: lap_time_s and any of session, car, lap,
        crossed_at, pit, flag, published and sector_1_s on; any delimiter, encoding and decimal
        mark the book accepts; lap times in seconds or m:ss.s.
    event : Event
        Sessions, with their dates, and the time zone of clock times without an offset [ISO8601].

    Raises
    ------
    TimingError
        No column of lap times, an unknown session, a cell that is not what its column holds;
        all of a file's problems are in the message.
    """
    where = f"{FOLDER_NAME}/{path.name}"
    if path.stat().st_size > MOST_BYTES:
        raise TimingError("the file is too large", where=where,
                          rule=f"at most {MOST_BYTES >> 20} MB are read")  # fmt: skip
    raw = path.read_bytes()
    text = decode(raw).lstrip("\ufeff").replace("\r", "\n")
    if "\0" in text:
        raise TimingError("this is not text", where=where,
                          next_step="Export the official times as CSV.")  # fmt: skip
    lines = text.split("\n")
    try:
        return _read(lines, path, event, hashlib.sha256(raw).hexdigest())
    except csv.Error as error:
        raise TimingError(f"this cannot be read as a table: {error}", where=where,
                          next_step="Export the official times as CSV.") from None  # fmt: skip


def _read(lines: list[str], path: Path, event: Event, sha256: str) -> TimingFile:
    where = f"{FOLDER_NAME}/{path.name}"
    first, delimiter, names = _header(lines, where)
    sectors = {
        f"sector_{match[1]}_s": at
        for at, name in enumerate(names)
        if (match := SECTOR.fullmatch(name))
    }
    reading = _Reading(event, where, _columns(names), sectors, _session_named(path.stem, event))
    body = io.StringIO("\n".join(lines[first + 1 :]))
    laps = tuple(_laps(csv.reader(body, delimiter=delimiter), reading, first + 1, len(names)))
    if reading.problems:
        raise TimingError.joined(reading.problems[:20])
    return TimingFile(
        path.name, sha256, laps, 10.0**-reading.time_digits,
        10.0**-reading.clock_digits, reading.published, "lap" in reading.columns,
        "car" in reading.columns,
    )  # fmt: skip


def _header(lines: Sequence[str], where: str) -> tuple[int, str, list[str]]:
    """Return the line of column names, the delimiter and the names as we compare them."""
    most, best = 0, (0, ",", [""])
    for i, line in enumerate(lines[:HEADER_LINES]):
        for delimiter in DELIMITERS:
            names = [_plain(cell) for cell in next(csv.reader([line], delimiter=delimiter), [])]
            found = _columns(names)
            if "lap_time_s" in found and len(found) > most:
                most, best = len(found), (i, delimiter, names)
    if not most:
        raise TimingError(
            "no line names a column of lap times",
            where=where,
            rule=f"known columns are {', '.join(NAMES)} and sector_1_s",
            next_step="Name the column lap_time_s in the file's first line.",
        )
    return best


def _plain(cell: str) -> str:
    bare = re.sub(r"\s*[\[(].*?[\])]\s*$", "", cell.strip().casefold())
    return re.sub(r"[\s.\-]+", "_", bare).strip("_")


def _columns(names: Sequence[str]) -> dict[str, int]:
    found = {}
    for ours, known in NAMES.items():
        if places := [names.index(name) for name in known if name in names]:
            found[ours] = places[0]
    return found


def _session_named(stem: str, event: Event) -> Session | None:
    """Return the session a file's name begins with: R1.csv, R1-corrected.csv."""
    name = stem.casefold()
    fits = [
        s for s in event.sessions
        if name.startswith(s.id.casefold()) and not name[len(s.id) : len(s.id) + 1].isalnum()
    ]  # fmt: skip
    return max(fits, key=lambda s: len(s.id), default=None)


def _laps(
    rows: Iterator[list[str]], reading: _Reading, above: int, width: int
) -> Iterator[OfficialLap]:
    """Yield the laps of a file's rows; what is wrong with others goes to the problems."""
    before = 0
    for cells in rows:
        line = above + before + 1
        before = rows.line_num  # type: ignore[attr-defined]
        again = _plain(reading.cell(cells, "lap_time_s")) in NAMES["lap_time_s"]
        if again or not any(cell.strip() for cell in cells):
            continue
        try:
            if any(cell.strip() for cell in cells[width:]):
                raise ValueError(f"there are {len(cells)} cells", f"the header has {width}")
            yield _lap(cells, reading, line)
        except ValueError as error:
            what, rule = error.args if len(error.args) == 2 else (str(error), "")
            reading.problems.append(
                TimingError(what, where=f"{reading.where} row {line}", rule=rule,
                            next_step="Correct the row, or publish the file again.")
            )  # fmt: skip


def _lap(cells: Sequence[str], reading: _Reading, line: int) -> OfficialLap:
    session = _session(reading.cell(cells, "session"), reading)
    car = reading.cell(cells, "car").lstrip("#").strip()
    if "car" not in reading.columns:
        car = reading.event.car.number
    elif not car:
        raise ValueError("car is empty", "each lap names its car")
    seconds, digits = lap_seconds(reading.cell(cells, "lap_time_s"))
    reading.time_digits = max(reading.time_digits, digits)
    crossed = _clock(reading.cell(cells, "crossed_at"), session, reading)
    published = reading.cell(cells, "published")
    if published:
        stamp, _ = _stamp(published, session, reading.event, "published")
        reading.published = max(stamp, reading.published or stamp)
    key = session.id, car
    reading.counts[key] = reading.counts.get(key, 0) + 1
    sectors = tuple(
        (name, lap_seconds(cells[at].strip())[0])
        for name, at in reading.sectors.items()
        if at < len(cells)
    )
    return OfficialLap(
        session.id, car, _number(reading.cell(cells, "lap"), reading, key), seconds, crossed,
        reading.cell(cells, "pit").casefold(), reading.cell(cells, "flag").casefold(), sectors,
        reading.where, line,
    )  # fmt: skip


def _session(text: str, reading: _Reading) -> Session:
    if not text and reading.by_name is not None:
        return reading.by_name
    known = {s.id.casefold(): s for s in reading.event.sessions}
    if text.casefold() in known:
        return known[text.casefold()]
    ids = ", ".join(s.id for s in reading.event.sessions)
    if not text:
        raise ValueError("no session is given", f"a session column or the file's name says {ids}")
    raise ValueError(f"session {text!r} is not in event.toml", f"it has {ids}")


def _number(text: str, reading: _Reading, key: tuple[str, str]) -> int:
    if "lap" not in reading.columns:
        return reading.counts[key]
    if not text.isdecimal() or len(text) > 4:
        raise ValueError(f"lap is {text!r}" if text else "lap is empty", "it is a whole number")
    return int(text)


def lap_seconds(text: str) -> tuple[float, int]:
    """Return a lap time in seconds, NaN for none, and its digits after the decimal mark.

    Raises
    ------
    ValueError
        Neither seconds nor [h:]m:ss.s.
    """
    if text in NOTHING:
        return float("nan"), 0
    match = SECONDS.fullmatch(text)
    rest = float(f"{match[3]}.{match[4] or 0}") if match else 0.0
    minutes = int(match[2] or 0) + 60 * int(match[1] or 0) if match else 0
    if not match or 60 * minutes + rest <= 0 or (match[2] and rest >= 60):
        raise ValueError(f"{text!r} is no lap time", "it is seconds or m:ss.s, more than nothing")
    return round(60 * minutes + rest, 6), len(match[4] or "")


def _clock(text: str, session: Session, reading: _Reading) -> datetime | None:
    if text in NOTHING:
        return None
    stamp, digits = _stamp(text, session, reading.event, "crossed_at")
    reading.clock_digits = max(reading.clock_digits, digits)
    return stamp


def _stamp(text: str, session: Session, event: Event, name: str) -> tuple[datetime, int]:
    """Return a clock time and its digits: a date and time, or a time of the session's day."""
    plain, zone = text.replace(",", "."), event.meeting.zone
    fraction = re.search(r"\.(\d+)", plain)
    digits = len(fraction[1]) if fraction else 0
    rule = "it is 2026-05-16T16:29:42.310 or, on the session's day, 16:29:42.310"
    if of_day := OF_DAY.fullmatch(plain):
        day = session.start.astimezone(zone).replace(tzinfo=None)
        micro = int((of_day[4] or "0").ljust(6, "0")[:6])
        clock = day.replace(hour=int(of_day[1]), minute=int(of_day[2]), second=int(of_day[3]),
                            microsecond=micro)  # fmt: skip
        stamp = clock + timedelta(days=clock < day - timedelta(hours=6))
    else:
        try:
            stamp = datetime.fromisoformat(plain)
        except ValueError:
            stamp = datetime.min
    if ":" not in text or stamp == datetime.min:
        raise ValueError(f"{name} is {text!r}", rule)
    return moment(stamp, zone), digits
