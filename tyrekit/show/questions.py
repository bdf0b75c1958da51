"""What a new weekend's event.toml needs most, asked on a terminal, each value explained."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from typing import Any, NamedTuple

from tyrekit.errors import EventError
from tyrekit.record.event import parse_event
from tyrekit.record.event_text import VALUE, Block, Value, with_blocks, with_value
from tyrekit.record.text import number

Ask = Callable[[str], str]
Say = Callable[[str], None]


class Question(NamedTuple):
    """One value of event.toml: its key, what is asked, what it is for."""

    key: str
    words: str
    why: str


QUESTIONS = (
    Question("event.name", "Name of the meeting", "it stands on every sheet"),
    Question("event.timezone", "Time zone", "clock times are local; as Europe/London"),
    Question("circuit.length_m", "Length of a lap, m", "finds laps in logs, distance on a tyre"),
    Question("circuit.pit_loss_s", "Time a drive through the pit lane costs, s",
             "against staying on the track; without the time standing"),
    Question("car.number", "Car number", "it stands on every sheet"),
    Question("car.mass_kg", "Mass of the car, kg", "as weighed: no driver, fuel or ballast"),
    Question("car.minimum_mass_kg", "Minimum mass at the finish, kg",
             "from the regulations: car, driver and what is left in the tank"),
    Question("driver.name", "Driver", "as on the run sheet; more are added in event.toml later"),
    Question("driver.mass_kg", "Mass of the driver, kg", "in helmet and overalls"),
    Question("fuel.tank_l", "Fuel tank, l",
             "all it holds; what the pump cannot reach stands in event.toml"),
    Question("tyres.minimum_tread_mm", "Least tread a tyre may run on, mm",
             "the regulations' or the supplier's, whichever is more"),
    Question("tyres.cold_minimum_bar", "Lowest cold pressure allowed, bar",
             "supplier's or series' limit: nothing below it is advised"),
    Question("tyres.hot_target_bar.front", "Hot pressure wanted in front, bar",
             "as a gauge reads after some laps"),
    Question("tyres.hot_target_bar.rear", "Hot pressure wanted at the rear, bar",
             "as a gauge reads after some laps"),
)  # fmt: skip
NOT_ASKED = (
    "Not asked, so still the template's: ballast, unusable fuel and sample, limits on tyres, laps"
    " planned and what a second counts in each session."
)
SESSION = re.compile(
    r"(?P<id>\S+)\s+(?P<kind>practice|qualifying|race)\s+(?P<day>\d{4}-\d\d-\d\d)[ T]"
    r"(?P<clock>\d{1,2}:\d\d)\s+(?P<length>\d+(?:[.,]\d+)?)\s*(?P<unit>min|laps?)\w*",
    re.IGNORECASE,
)
SHAPE = (
    "name, then practice, qualifying or race, date, clock, and minutes or laps, as"
    " P1 practice 2026-05-16 09:10 20 min, or R1 race 2026-05-17 10:20 14 laps"
)


def asked_event(text: str, ask: Ask, say: Say) -> str:
    """Return event.toml after asking for the values that every weekend has of its own.

    Parameters
    ----------
    text : str
        event.toml with the defaults, which an empty answer keeps.
    ask : function
        Shows a prompt and returns what was typed.
    say : function
        Shows a line.
    """
    say("Enter keeps the value in brackets; everything can be changed in event.toml later.")
    for question in QUESTIONS:
        text = _asked(question, text, ask, say)
    text = _asked_sessions(text, ask, say)
    parse_event(text)
    say(NOT_ASKED)
    return text


def _asked(question: Question, text: str, ask: Ask, say: Say) -> str:
    """Return the text with one value as answered; asks again until the value is accepted."""
    default = _value_of(text, question.key)
    unit = question.words.rpartition(", ")[2]
    while True:
        typed = ask(f"{question.words} ({question.why}) [{default}]: ").strip()
        if not isinstance(default, str):
            typed = typed.removesuffix(unit).strip()
        try:
            value: Value = typed if isinstance(default, str) else number(typed or str(default))
        except ValueError:
            say(f"  {typed!r} is not a number: digits and a decimal point, in {unit}.")
            continue
        changed = with_value(text, question.key, value) if typed else text
        problems = _problems_at(changed, question.key)
        if not problems:
            return changed
        say("  " + "\n  ".join(problems))


def _asked_sessions(text: str, ask: Ask, say: Say) -> str:
    """Return the text with the timetable as answered."""
    event = parse_event(text)
    say("The timetable, one session a line; an empty first line keeps this one:")
    for session in event.sessions:
        length = f"{session.laps} laps" if session.laps else f"{session.minutes:g} min"
        say(f"  {session.id} {session.kind} {session.start:%Y-%m-%d %H:%M} {length}")
    say(f"Write one as: {SHAPE}.")
    blocks: list[Block] = []
    while typed := ask(f"Session {len(blocks) + 1} (an empty line ends): ").strip():
        block = _session(typed)
        if block is None:
            say(f"  Not understood. Write it as: {SHAPE}.")
            continue
        problems = _problems_at(with_blocks(text, "session", [*blocks, block]), "session")
        if problems:
            say("  " + "\n  ".join(problems))
            continue
        blocks.append(block)
    return with_blocks(text, "session", blocks) if blocks else text


def _session(typed: str) -> Block | None:
    """Return a line of the timetable as a block of event.toml; None when it is none."""
    match = SESSION.fullmatch(typed)
    if match is None:
        return None
    kind, length = match["kind"].lower(), number(match["length"])
    start = f"{match['day']}T{match['clock']:0>5}:00"
    block: dict[str, Value] = {"id": match["id"], "kind": kind, "start": start}
    if match["unit"].lower().startswith("lap"):
        block["laps"] = int(length)
    else:
        block["minutes"] = length
    if kind == "race":
        block |= {"formation_laps": 1, "cool_down_laps": 1}
    return {**block, "value": VALUE[kind]}


def _value_of(text: str, key: str) -> Any:
    """Return a key's value; of a table that is there several times the first."""
    value: Any = tomllib.loads(text)
    for name in key.split("."):
        value = value[name]
        value = value[0] if isinstance(value, list) else value
    return value


def _problems_at(text: str, key: str) -> list[str]:
    """Return what is wrong with this key's value; what is asked later is not its fault."""
    try:
        parse_event(text)
    except EventError as error:
        last = key.split(".", 1)[-1]
        own = [problem for problem in error.problems if last in problem.where]
        return [f"{problem.what}; {problem.rule}." for problem in own]
    return []
