"""A run to be checked in: what is proposed for it and why, what is wrong with it, how it is saved.

Plain functions on the texts of a form; `panel_check_in` is its widgets.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import isnan
from pathlib import Path

import pandas as pd

from tyrekit.errors import BookError
from tyrekit.record.arrivals import Arrival, session_of
from tyrekit.record.doubts import Doubt
from tyrekit.record.event import Event, Session
from tyrekit.record.weekend import Weekend
from tyrekit.show.answer import Answer
from tyrekit.show.entry_table import Column
from tyrekit.show.tables import CORNERS
from tyrekit.show.words import clock, number

WHO = "check-in"
COLD = {
    f"cold_{corner.lower()}_bar": Column(
        f"cold_{corner.lower()}_bar", f"cold {corner}", "bar", 0.8, 4.0, 2, "cold"
    )
    for corner in CORNERS
}
BOXES = (
    "log", "run_id", "session", "driver", "start", *(c.lower() for c in CORNERS),
    "fuel_start_kg", *COLD, "note",
)  # fmt: skip
PAUSE = timedelta(minutes=2)  # proposed after a run of the same session


@dataclass(frozen=True)
class Proposal:
    """The texts of a form by box, and the words that say where they come from."""

    texts: dict[str, str]
    basis: str


@dataclass(frozen=True)
class Trial:
    """What a run would be once saved: its laps and the doubts it brings, nothing on disk."""

    laps: pd.DataFrame
    doubts: tuple[Doubt, ...]


def arrival_line(found: Arrival) -> str:
    """Return a new log in one line: its name, when it was written, what is in it."""
    if found.problem:
        return f"{found.name}: cannot be read"
    laps = f"{found.laps} laps, {found.timed_laps} timed"
    best = "" if isnan(found.best_s) else f", best {clock(found.best_s)}"
    length = f"{found.duration_s / 60:.0f} min"
    return f"{found.name}: written {found.written_at:%a %H:%M}, {length}, {laps}{best}"


def propose(weekend: Weekend, answer: Answer | None, found: Arrival | None) -> Proposal:
    """Return what a run most likely was: fitted, filled and inflated as advised.

    Parameters
    ----------
    weekend : Weekend
        What has run so far.
    answer : Answer, optional
        The advice that stood before the session.
    found : Arrival, optional
        The run's log.
    """
    event = weekend.event
    coming = weekend.next_session
    session = session_of(found.name if found else "", event, coming or _last(weekend))
    run_id = _free_id(found.name.split(".")[0] if found else "", session.id, weekend)
    start, why = _start(weekend, session, found)
    texts = dict.fromkeys(BOXES, "") | {
        "log": found.name if found else "",
        "run_id": run_id,
        "session": session.id,
        "start": f"{start:%H:%M:%S}",
        "driver": _driver(weekend),
    }
    advised, words = _advised(answer, session, weekend)
    return Proposal(texts | advised, f"{why}; {words}")


def row_of(texts: Mapping[str, str], event: Event) -> dict[str, object]:
    """Return a form as a row of the book's runs.

    Raises
    ------
    BookError
        A text is no time or number, or out of range; all of them are in the message.
    """
    found: list[BookError] = []
    row: dict[str, object] = {name: texts.get(name, "").strip() for name in BOXES}
    for name, column in COLD.items():
        try:
            row[name] = column.value(texts[name]) if texts.get(name, "").strip() else ""
        except ValueError as error:
            found.append(BookError(str(error), where="check-in", next_step="Correct the box."))
    for name, read in (("start", _start_text), ("fuel_start_kg", _fuel_text)):
        try:
            row[name] = read(texts, event)
        except ValueError as error:
            found.append(BookError(str(error), where="check-in", next_step="Correct the box."))
    if found:
        raise BookError.joined(found)
    return row


def tried(weekend: Weekend, texts: Mapping[str, str]) -> Trial:
    """Return what the run would be; nothing is saved.

    Raises
    ------
    InputError
        The form or what it names breaks a rule.
    """
    row = row_of(texts, weekend.event)
    supposed = weekend.supposing("runs", [row])
    laps = supposed.laps[supposed.laps["run_id"] == row["run_id"]]
    known = {(doubt.name, doubt.where) for doubt in weekend.doubts}
    fresh = [d for d in supposed.doubts if (d.name, d.where) not in known]
    return Trial(laps, tuple(fresh))


def save(weekend: Weekend, texts: Mapping[str, str]) -> str:
    """Put a run that was tried into the book and say when it was on disk. Errors as `row_of`."""
    weekend.book.append("runs", row_of(texts, weekend.event), WHO)
    now = datetime.now(weekend.event.meeting.zone)
    return f"run {texts['run_id'].strip()} saved {now:%H:%M:%S}"


def _last(weekend: Weekend) -> Session | None:
    return weekend.event.session(weekend.done[-1]) if weekend.done else None


def _driver(weekend: Weekend) -> str:
    """Return who drove last, else the first of the event's drivers."""
    runs = weekend.runs.sort_values("start")
    return str(runs["driver"].iloc[-1]) if len(runs) else weekend.event.drivers[0].name


def _free_id(name: str, session: str, weekend: Weekend) -> str:
    """Return the log's name as run id, else the session's id with the first free number."""
    used = set(weekend.runs["run_id"])
    if name and name not in used:
        return name
    return next(f"{session}-{i}" for i in range(1, 1000) if f"{session}-{i}" not in used)


def _start(weekend: Weekend, session: Session, found: Arrival | None) -> tuple[datetime, str]:
    """Return when the run most likely started, and on what ground."""
    zone = weekend.event.meeting.zone
    begins = session.start.astimezone(zone)
    own = weekend.laps[weekend.laps["session"] == session.id]
    if found is not None and not isnan(found.duration_s):
        start = found.written_at - timedelta(seconds=found.duration_s)
        if begins <= start <= begins + timedelta(hours=4):
            return start.replace(microsecond=0), "start by when the log was written"
    if len(own):
        last = own.iloc[-1]
        ended = last["started_at"] + pd.Timedelta(seconds=float(last["lap_time_s"]))
        return ended.to_pydatetime() + PAUSE, "start a guess: shortly after the run before"
    return begins, f"start as {session.id} begins by the timetable"


def _advised(
    answer: Answer | None, session: Session, weekend: Weekend
) -> tuple[dict[str, str], str]:
    """Return tyres, fuel and cold pressures as advised for the session, else as last run."""
    ran = weekend.runs.sort_values("start")
    own = ran[ran["session"] == session.id]
    coming = weekend.next_session
    if len(own) or answer is None or coming is None or coming.id != session.id:
        return _as_before(own if len(own) else ran)
    texts: dict[str, str] = {}
    plan = answer.allocation.table
    first = plan[(plan["session"] == session.id) & (plan["stint"] == 1)] if len(plan) else plan
    texts |= {row["corner"].lower(): str(row["tyre_id"]) for _, row in first.iterrows()}
    if session.id in answer.fuel_loads:
        texts["fuel_start_kg"] = number(answer.fuel_loads[session.id].start_kg)
    if answer.cold_pressures is not None:
        for _, row in answer.cold_pressures.table.iterrows():
            texts[f"cold_{row['corner'].lower()}_bar"] = number(row["cold_bar"], 2)
    if answer.next_is_wet:
        return texts, f"{session.id} is wet: fuel as advised; tyres and pressures to be typed"
    return texts, "tyres, fuel and pressures as advised: correct what was done otherwise"


def _as_before(runs: pd.DataFrame) -> tuple[dict[str, str], str]:
    """Return the tyres of the last of these runs; fuel and pressures are to be typed."""
    if not len(runs):
        return {}, "nothing has run yet: fill in tyres, fuel and pressures"
    last = runs.iloc[-1]
    tyres = {corner.lower(): str(last[corner.lower()]) for corner in CORNERS}
    return tyres, f"tyres as in run {last['run_id']}; fuel and pressures to be typed"


def _start_text(texts: Mapping[str, str], event: Event) -> datetime:
    return moment(texts.get("start", ""), texts.get("session", ""), event, "start")


def moment(typed: str, session: str, event: Event, what: str) -> datetime:
    """Return a clock time on a session's day, or a whole date and time.

    Raises
    ------
    ValueError
        It is neither; `what` it is stands in the message.
    """
    text = typed.strip().replace(".", ":")
    zone = event.meeting.zone
    day = next((s.start for s in event.sessions if s.id == session), None)
    try:
        if day is not None and 4 <= len(text) <= 8:
            local = day.astimezone(zone)
            hour, minute, second = (*(int(part) for part in text.split(":")), 0)[:3]
            return local.replace(hour=hour, minute=minute, second=second, microsecond=0)
        return datetime.fromisoformat(text)
    except (ValueError, TypeError):
        raise ValueError(f"{what} {text!r} is not a time, as 14:05 or 14:05:30") from None


def _fuel_text(texts: Mapping[str, str], event: Event) -> float:
    """Return the start fuel, kg; more than the tank holds is refused."""
    text = texts.get("fuel_start_kg", "").strip()
    full_kg = event.fuel.tank_l * event.fuel.density_kg_per_l
    try:
        fuel_kg = float(text.replace(",", "."))
    except ValueError:
        raise ValueError(f"fuel {text!r} is not a number of kg") from None
    if not 0 <= fuel_kg <= full_kg * 1.05:  # cold fuel is denser
        raise ValueError(f"fuel is {fuel_kg:g} kg; the tank holds 0 to {full_kg:.1f} kg")
    return fuel_kg


def folder_name(weekend: Weekend) -> str:
    """Return the name drafts of a folder are kept under in the browser."""
    return Path(weekend.folder).resolve().name
