"""event.toml as text: the commented template with values, drivers and a timetable put in."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from importlib.resources import files
from itertools import pairwise

from tyrekit.errors import InputError
from tyrekit.record.table_files import EXTRA, Found, FoundTable
from tyrekit.record.text import number

Value = str | int | float | bool
Block = Mapping[str, Value]

VALUE = {"practice": 0.0, "qualifying": 0.6, "race": 1.0}  # as the template; ours, to be corrected
MINUTES = {"practice": 20, "qualifying": 15}
ASSUMED_LAPS = 14
TEXT_COLUMNS = ("id", "kind", "start", "name")
WHOLE_COLUMNS = ("laps", "planned_laps", "formation_laps", "cool_down_laps")


def template() -> str:
    """Return the commented event.toml of an invented series."""
    return files("tyrekit.record").joinpath("new_event.toml").read_text(encoding="utf-8")


def with_value(text: str, key: str, value: Value) -> str:
    """Return the text with the value of one key replaced and its comment kept.

    Parameters
    ----------
    text : str
        The template, or what this made of it.
    key : str
        Table and key, as ``car.mass_kg``; ``tyres.hot_target_bar.front`` inside a line.
    """
    table, name, *inner = key.split(".")
    start = re.search(rf"(?m)^\[+{re.escape(table)}\]+.*$", text)
    if start is None:
        raise KeyError(key)
    if inner:
        found = re.compile(rf"(?m)^{name} = \{{.*?\b{inner[0]} = ([^,}}\s]+)")
    else:
        found = re.compile(rf"(?m)^{name} = (\"(?:[^\"\\]|\\.)*\"|[^\s#]+)")
    match = found.search(text, start.end())
    if match is None:
        raise KeyError(key)
    return text[: match.start(1)] + toml(value) + text[match.end(1) :]


def with_blocks(text: str, table: str, blocks: Sequence[Block], note: str = "") -> str:
    """Return the text with every ``[[session]]`` or ``[[driver]]`` replaced by `blocks`.

    Commented keys of the last block stay, as examples.
    """
    spans = list(re.finditer(rf"(?m)^\[\[{table}\]\].*\n(?:(?!\s*\[|# The limits).*\n)*", text))
    kept = re.findall(r"(?m)^# \w+ = .*\n", spans[-1].group())
    lines = [f"# {note}\n"] if note else []
    for block in blocks:
        lines.append(f"[[{table}]]\n" + "".join(f"{k} = {toml(v)}\n" for k, v in block.items()))
    body = "\n".join(lines) + "".join(kept) + "\n"
    return text[: spans[0].start()] + body + text[spans[-1].end() :]


def toml(value: Value) -> str:
    """Return a value as TOML writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return repr(value)


def event_text_from(found: Found, text: str) -> tuple[str, tuple[str, ...]]:
    """Return the event.toml of a spreadsheet's tables, and what was assumed, in words.

    Sessions and drivers come from sheets of those names; without rows there from the runs, whose
    sessions' kinds and lengths, and whose drivers' masses, are then assumed.
    """
    notes: list[str] = []
    sessions, said = _sessions(found)
    if sessions:
        text = with_blocks(text, "session", sessions, said)
        notes += [f"event.toml: {said}"] if said else []
    drivers, said = _drivers(found)
    if drivers:
        text = with_blocks(text, "driver", drivers, said)
        notes += [f"event.toml: {said}"] if said else []
    return text, tuple(notes)


def _filled(found: Found, table: str) -> bool:
    """Whether a sheet is there and has rows; the empty spreadsheet has them all without."""
    return table in found.tables and bool(found.tables[table].sheet.rows)


def _sessions(found: Found) -> tuple[list[Block], str]:
    if _filled(found, "sessions"):
        return _blocks(found.tables["sessions"], "sessions"), ""
    if not _filled(found, "runs"):
        return [], ""
    starts: dict[str, str] = {}
    for row in found.tables["runs"].sheet.rows.values():
        name, start = row.get("session", ""), row.get("start", "")
        if name and _moment(start) is not None:
            starts[name] = min(starts.get(name, start), start)
    order = sorted(starts, key=lambda name: starts[name])
    gaps = [_minutes_between(starts[a], starts[b]) for a, b in pairwise(order)]
    blocks = [
        _assumed(name, starts[name], gap)
        for name, gap in zip(order, [*gaps, float("inf")], strict=True)
    ]
    return blocks, "the sessions are those of the runs; kind, length and value are assumed"


def _assumed(name: str, start: str, gap_min: float) -> Block:
    """Return a session known only from its runs; its kind is what its name begins with."""
    kind = {"R": "race", "Q": "qualifying"}.get(name[:1].upper(), "practice")
    length: Block = {"laps": ASSUMED_LAPS, "formation_laps": 1, "cool_down_laps": 1}
    if kind != "race":
        length = {"minutes": max(min(float(MINUTES[kind]), gap_min), 1.0)}
    return {"id": name, "kind": kind, "start": start, **length, "value": VALUE[kind]}


def _drivers(found: Found) -> tuple[list[Block], str]:
    if _filled(found, "drivers"):
        return _blocks(found.tables["drivers"], "drivers"), ""
    if not _filled(found, "runs"):
        return [], ""
    rows = found.tables["runs"].sheet.rows.values()
    names = dict.fromkeys(row["driver"] for row in rows if row.get("driver"))
    said = "the drivers are those of the runs; their masses are assumed"
    return [{"name": name, "mass_kg": 82.0} for name in names], said


def _blocks(table: FoundTable, kind: str) -> list[Block]:
    """Return the rows of a sheet as blocks; a number that is none is an error of its cell."""
    blocks: list[Block] = []
    for row, cells in table.sheet.rows.items():
        block: dict[str, Value] = {}
        for name in EXTRA[kind]:
            if cells.get(name, ""):
                block[name] = _value(table, row, name, cells[name])
        if kind == "sessions":
            block.setdefault("value", VALUE.get(str(block.get("kind", "")), 0.0))
        blocks.append(block)
    return blocks


def _value(table: FoundTable, row: int, name: str, text: str) -> Value:
    if name == "kind":
        return text.casefold()
    if name in TEXT_COLUMNS:
        return text
    try:
        value = number(text)
    except ValueError:
        value = float("nan")
    if value != value or (name in WHOLE_COLUMNS and value != int(value)):
        whole = "whole " if name in WHOLE_COLUMNS else ""
        raise InputError(
            f"{name} is {text!r}",
            where=table.where(row, name),
            rule=f"it must be a {whole}number",
            next_step="Correct the cell.",
        )
    return int(value) if name in WHOLE_COLUMNS else value


def _moment(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        return None


def _minutes_between(one: str, other: str) -> float:
    first, second = _moment(one), _moment(other)
    try:
        assert first is not None and second is not None
        return (second - first).total_seconds() / 60.0
    except TypeError:  # one with an offset, one without
        return float("inf")
