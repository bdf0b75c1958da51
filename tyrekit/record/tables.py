"""The book's tables: their columns, what a cell may hold, and rows as typed frames."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal
from zoneinfo import ZoneInfo

import pandas as pd

from tyrekit.errors import BookError
from tyrekit.record.faults import nearest
from tyrekit.record.parts import moment
from tyrekit.record.text import name_problem, number, text_problem
from tyrekit.terms import CORNERS

Cells = Mapping[str, str]
Type = Literal["text", "number", "whole", "flag", "time", "choice"]

FLAGS = {"1": True, "0": False, "true": True, "false": False, "yes": True, "no": False}
SECTOR = re.compile(r"sector_[0-9]{1,3}_s")
REMARKS = ("note", "reason")  # texts that may have several lines
LONE = 2  # cells that lack beside a single one: it is no row, or a forgotten one
MOST = 1e6  # beyond every number of the book in any unit it may be mistaken for


@dataclass(frozen=True)
class Column:
    """One column of a book table: its type, whether a cell may be empty, what it may hold."""

    name: str
    type: Type = "number"
    needed: bool = True
    low: float = -MOST
    choices: tuple[str, ...] = ()
    default: str = ""


def _text(name: str, needed: bool = True, default: str = "") -> Column:
    return Column(name, "text", needed, default=default)


def _positive(name: str, needed: bool = True, type: Type = "number") -> Column:
    return Column(name, type, needed, low=0.0)


def _choice(name: str, choices: str, needed: bool = True, default: str = "") -> Column:
    return Column(name, "choice", needed, choices=tuple(choices.split()), default=default)


def _time(name: str) -> Column:
    return Column(name, "time")


TABLES: dict[str, tuple[Column, ...]] = {
    "tyres": (
        _text("tyre_id"), _text("spec"), Column("new", "flag"), Column("marked", "flag"),
        _positive("age_laps"), _positive("distance_km"), _positive("heat_cycles"),
        _positive("tread_mm", False), _choice("axle", "front rear any", False, "any"),
        _choice("side", "left right any", False, "any"), _choice("wet", "yes no", False),
        _choice("scrapped", "yes no", False, "no"), _text("note", False),
    ),
    "runs": (
        _text("run_id"), _text("session"), _text("driver"), _time("start"),
        *(_text(corner) for corner in CORNERS), _positive("fuel_start_kg"),
        *(_positive(f"cold_{corner}_bar", False) for corner in CORNERS),
        _text("log", False), _text("note", False),
    ),
    "laps": (
        _text("run_id"), Column("lap", "whole", low=1), _positive("lap_time_s"),
        _choice("kind", "out timed in caution formation cool_down", False),
        _positive("fuel_used_l", False), Column("air_c", needed=False),
        Column("track_c", needed=False),
    ),
    "tread": (
        _time("taken_at"), _text("tyre_id"), _text("after_run", False),
        _positive("inner_mm"), _positive("centre_mm"), _positive("outer_mm"),
    ),
    "pressures": (
        _time("taken_at"), _text("run_id"), _choice("corner", "FL FR RL RR"),
        _positive("hot_bar"), _positive("after_laps", False),
    ),
    "temperatures": (
        _time("taken_at"), _text("run_id"), _choice("corner", "FL FR RL RR"),
        Column("inner_c"), Column("centre_c"), Column("outer_c"),
    ),
    "fuel": (
        _time("taken_at"), _text("run_id", False), _choice("kind", "fill drain sample"),
        _positive("mass_kg", False), _positive("volume_l", False), Column("fuel_c", needed=False),
    ),
    "weather": (
        _time("taken_at"), Column("air_c"), Column("track_c"), _positive("pressure_hpa", False),
        _positive("humidity_pct", False), _choice("rain", "dry damp wet", False),
    ),
    "locks": (
        _text("session"), *(_text(corner, False) for corner in CORNERS), _text("note", False),
    ),
    "left_out": (_text("run_id"), Column("lap", "whole", low=1), _text("reason")),
}  # fmt: skip
ZERO_WHEN_NEW = ("age_laps", "distance_km", "heat_cycles")


def columns_of(table: str) -> tuple[Column, ...]:
    """Return a table's columns in order.

    Raises
    ------
    BookError
        The book has no such table.
    """
    if table not in TABLES:
        raise BookError(f"the book has no table {table!r}", rule=f"it has {', '.join(TABLES)}")
    return TABLES[table]


def header_problems(table: str, header: Iterable[str], where: str) -> Iterator[BookError]:
    """Yield the columns a table cannot do without and does not have."""
    given = list(header)
    known = {column.name for column in columns_of(table)}
    unknown = [name for name in given if name not in known]
    for column in columns_of(table):
        if column.name in given or not column.needed:
            continue
        close = nearest(column.name, unknown)
        yield BookError(
            f"column {column.name} is missing",
            where=where,
            rule=f"the columns of {table} are {', '.join(c.name for c in columns_of(table))}",
            next_step=f"Is {close!r} meant? Rename it." if close else "Add the column.",
        )


def completed(table: str, cells: Cells) -> dict[str, str]:
    """Return a row with what goes without saying: zero running of a new tyre, spelling."""
    row = {name: str(text).strip() for name, text in cells.items()}
    for column in columns_of(table):
        text = row.get(column.name, "")
        spelt = {choice.casefold(): choice for choice in column.choices}
        if column.choices == ("yes", "no") and text.casefold() in FLAGS:
            row[column.name] = "yes" if FLAGS[text.casefold()] else "no"
        elif column.type == "choice" and text.casefold() in spelt:
            row[column.name] = spelt[text.casefold()]
        if table == "tyres" and column.name in ZERO_WHEN_NEW and not text:
            row[column.name] = "0" if FLAGS.get(row.get("new", "").casefold()) else ""
    return row


def row_problems(table: str, cells: Cells, where: str, zone: ZoneInfo) -> Iterator[BookError]:
    """Yield what is wrong with the cells of one row."""
    filled = [(name, text) for name, text in cells.items() if text]
    lacking = [
        c.name for c in columns_of(table) if c.needed and not c.default and not cells.get(c.name)
    ]
    if len(filled) == 1 and len(lacking) >= LONE:
        name, text = filled[0]
        yield BookError(
            f"only {name} is filled, with {text!r}", where=where,
            rule=f"a row of {table} needs {', '.join(lacking)} too",
            next_step="Fill in the row; a remark belongs into the column note, or elsewhere.",
        )  # fmt: skip
        return
    for column in columns_of(table):
        text = cells.get(column.name, "")
        try:
            _value(column, text, zone)
        except ValueError as error:
            got = f"{column.name} is empty" if not text else f"{column.name} is {text!r}"
            yield BookError(got, where=where, rule=str(error), next_step="Correct the cell.")
    known = {column.name for column in columns_of(table)}
    for name, text in cells.items():
        if SECTOR.fullmatch(name) and text and _number_or_none(text) is None:
            yield BookError(f"{name} is {text!r}", where=where, rule="it must be a number")
        if name not in known and (why := name_problem(name) or text_problem(text)):
            yield BookError(
                f"column {name!r} holds {text!r}", where=where, rule=why,
                next_step="Type it again, or leave it out.",
            )  # fmt: skip
    if table == "fuel" and not cells.get("mass_kg") and not cells.get("volume_l"):
        yield BookError(
            "there is neither mass_kg nor volume_l",
            where=where,
            rule="one of them is needed",
            next_step="Fill in one of the two.",
        )


def meaning(table: str, cells: Cells, zone: ZoneInfo) -> dict[str, Any]:
    """Return what a row's filled cells say, so that ``1,50`` and ``1.5`` are the same."""
    columns = {column.name: column for column in columns_of(table)}
    said: dict[str, Any] = {}
    for name, text in cells.items():
        if text:
            said[name] = _value(columns[name], text, zone) if name in columns else text
    return said


def frame(table: str, rows: Mapping[int, Cells], zone: ZoneInfo) -> pd.DataFrame:
    """Return checked rows as a typed frame, indexed by row id, unknown columns as text.

    Clock times are in `zone`; an empty number is NaN, an empty text stays empty.
    """
    data: dict[str, Any] = {}
    for column in columns_of(table):
        values = [_value(column, cells.get(column.name, ""), zone) for cells in rows.values()]
        data[column.name] = _series(column.type, values, zone)
    known = {column.name for column in columns_of(table)}
    for name in dict.fromkeys(key for cells in rows.values() for key in cells):
        if name not in known:
            texts = [cells.get(name, "") for cells in rows.values()]
            sector = SECTOR.fullmatch(name) is not None
            data[name] = (
                _series("number", [_number_or_none(text) for text in texts], zone)
                if sector
                else _series("text", texts, zone)
            )
    built = pd.DataFrame(data)
    built.index = pd.Index(list(rows), name="row_id", dtype="int64")
    return built


def id_ranges(ids: Iterable[str]) -> str:
    """Return ids in short: ``N1..N8, U1, U2``."""
    groups: list[list[str]] = []
    for name in ids:
        last = groups[-1][-1] if groups else ""
        if last and _next_id(last) == name:
            groups[-1].append(name)
        else:
            groups.append([name])
    parts = [f"{g[0]}..{g[-1]}" if len(g) > 2 else ", ".join(g) for g in groups]
    return ", ".join(parts) or "nothing"


def _next_id(name: str) -> str | None:
    match = re.fullmatch(r"(.*?)(\d+)", name)
    if match is None:
        return None
    return f"{match[1]}{int(match[2]) + 1:0{len(match[2])}d}"


def _series(type: Type, values: list[Any], zone: ZoneInfo) -> pd.Series[Any]:
    if type == "time":
        stamps = pd.to_datetime(pd.Series(values, dtype=object), utc=True)
        return stamps.astype("datetime64[us, UTC]").dt.tz_convert(zone)
    dtype = {"number": "float64", "whole": "int64", "flag": "bool"}.get(type, "str")
    return pd.Series(values, dtype=dtype)


def _value(column: Column, text: str, zone: ZoneInfo) -> Any:
    """Return a cell's value.

    Raises
    ------
    ValueError
        The cell breaks its column's rule; the message is the rule.
    """
    if not text:
        if column.needed:
            raise ValueError("it may not be empty")
        return float("nan") if column.type == "number" else column.default
    if column.type == "text":
        if why := text_problem(text) if column.name in REMARKS else name_problem(text):
            raise ValueError(why)
        return text
    if column.type == "time":
        return _clock(text, zone)
    if column.type == "choice":
        if text not in column.choices:
            raise ValueError(f"it must be one of {', '.join(column.choices)}")
        return text
    if column.type == "flag":
        if text.casefold() not in FLAGS:
            raise ValueError("it must be 1 or 0")
        return FLAGS[text.casefold()]
    return _bounded(column, text)


def _bounded(column: Column, text: str) -> float | int:
    value = _number_or_none(text)
    if value is None:
        if column.name.endswith("_s") and ":" in text:
            raise ValueError("it must be seconds, as 94.2 for 1:34.2")
        raise ValueError("it must be a number, without thousands separators or unit")
    if value < column.low:
        raise ValueError(f"it must be at least {column.low:g}")
    if value > MOST:
        raise ValueError(f"it must be at most {MOST:.0f}")
    if column.type == "whole":
        if value != int(value):
            raise ValueError("it must be a whole number")
        return int(value)
    return value


def _number_or_none(text: str) -> float | None:
    try:
        return number(text)
    except ValueError:
        return None


def _clock(text: str, zone: ZoneInfo) -> datetime:
    try:
        stamp = datetime.fromisoformat(text)
    except ValueError:
        stamp = None
    if stamp is None or ":" not in text:
        raise ValueError("it must be a date and time, as 2026-05-16T09:10:00")
    return moment(stamp, zone)
