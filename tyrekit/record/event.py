"""event.toml as one typed record: what the event allows and what the car is."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Iterator
from datetime import UTC, timedelta
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import Field, ValidationError

from tyrekit.errors import EventError, InputError
from tyrekit.record.channels import stem, unit_of
from tyrekit.record.faults import Loc, event_error, place
from tyrekit.record.limit import (
    Corner,
    KeepSpare,
    Limit,
    Lock,
    LongestLife,
    MatchedAxle,
    MinimumTread,
    NewTyres,
    Pool,
    Record,
    SameSide,
    ScrubbedBefore,
    StartOn,
    sessions_named,
)  # fmt: skip
from tyrekit.record.own_files import own_file
from tyrekit.record.parts import (
    Belief,
    Car,
    Caution,
    Circuit,
    Driver,
    Fuel,
    HotTarget,
    Log,
    LogChannel,
    Meeting,
    Session,
    Split,
    StartFinish,
    Stops,
    Tyres,
)  # fmt: skip
from tyrekit.record.text import decode, name_problem
from tyrekit.units import convert

__all__ = [
    "PETROL_BASE_C", "Belief", "Car", "Caution", "Circuit", "Corner", "Driver", "Event", "Fuel",
    "HotTarget", "KeepSpare", "Limit", "Lock", "Log", "LogChannel", "LongestLife", "MatchedAxle",
    "Meeting", "MinimumTread", "NewTyres", "Pool", "SameSide", "ScrubbedBefore", "Session",
    "Split", "StartFinish", "StartOn", "Stops", "Tyres", "load_event", "parse_event",
]  # fmt: skip

MOST_BYTES, MOST_ENTRIES, DEEPEST = 500_000, 20_000, 8  # of event.toml
MOST_LAPS_IN_ALL = 4_000  # two races of 24 hours
FASTEST_MPS = 100.0  # no circuit's average
MANY_PARTS = re.compile(r"""(?:(?:"[^"\n]*"|'[^'\n]*'|(?<![\w-])[\w-]+)[ \t]*\.[ \t]*){12}""")
PETROL_BASE_C = 15.0  # the temperature at which event.toml states the petrol's density
Fit = Literal["lap_time", "fuel_use", "tread", "pressure", "tyre_plan"]


class Event(Record):
    """Everything event.toml says, checked."""

    meeting: Meeting = Field(alias="event")
    circuit: Circuit
    car: Car
    drivers: Annotated[tuple[Driver, ...], Field(alias="driver", min_length=1, max_length=100)]
    fuel: Fuel
    tyres: Tyres
    sessions: Annotated[tuple[Session, ...], Field(alias="session", min_length=1, max_length=100)]
    limits: Annotated[tuple[Limit, ...], Field(alias="limit", max_length=500)] = ()
    beliefs: dict[Fit, dict[str, Belief]] = Field(default_factory=dict)
    log: Log = Log()

    def session(self, id: str) -> Session:
        """Return the session with this id.

        Raises
        ------
        EventError
            When there is none; names those there are.
        """
        for session in self.sessions:
            if session.id == id:
                return session
        known = ", ".join(s.id for s in self.sessions)
        raise EventError(
            f"session {id!r} is not in event.toml",
            rule=f"it has {known}",
            next_step="Use one of these, or add a [[session]].",
        )

    @property
    def rules(self) -> tuple[Limit, ...]:
        """The limits, and `[tyres] minimum_tread_mm` as one of them where none asks for as much."""
        least = self.tyres.minimum_tread_mm
        asked = [limit.mm for limit in self.limits if isinstance(limit, MinimumTread)]
        if max(asked, default=0.0) >= least:
            return self.limits
        return (*self.limits, MinimumTread(kind="minimum_tread", mm=least))

    def sessions_after(self, done: Collection[str]) -> tuple[Session, ...]:
        """Return the sessions after the last one done, in order; a skipped one is past."""
        last = max((i for i, s in enumerate(self.sessions) if s.id in done), default=-1)
        return self.sessions[last + 1 :]


def load_event(path: Path) -> Event:
    """Return the event of an event.toml.

    Raises
    ------
    InputError
        The file is missing.
    EventError
        The file breaks a rule; every broken rule is in the message, one a line.
    """
    if not path.is_file():
        raise InputError(
            "there is no event.toml here",
            where=str(path.parent),
            rule="a weekend folder holds one",
            next_step="Make one with `tyrekit new FOLDER`, or correct the folder's name.",
        )
    own_file(path, path.name, EventError)
    if path.stat().st_size > MOST_BYTES:
        raise EventError("this is too large for an event.toml", where=path.name,
                         rule=f"at most {MOST_BYTES // 1000} kB are read",
                         next_step="Put back the one that the weekend began with.")  # fmt: skip
    return parse_event(decode(path.read_bytes()), path.name)


def parse_event(text: str, where: str = "event.toml") -> Event:
    """Return the event a TOML text describes.

    Raises
    ------
    EventError
        The text breaks a rule; every broken rule is in the message, one a line.
    """
    raw = _loaded(text, where)
    if problems := list(_entry_problems(raw, where)):
        raise EventError.joined(problems)
    head = raw.get("event")
    name = head.get("timezone") if isinstance(head, dict) else None
    known = isinstance(name, str) and name in available_timezones()
    zone = ZoneInfo(str(name) if known else "UTC")  # an unknown zone is reported on its own
    try:
        event = Event.model_validate(raw, context={"zone": zone})
    except ValidationError as error:
        raise event_error(error, Event, raw, where) from None
    if problems := list(disagreements(event, where)):
        raise EventError.joined(problems)
    return event


def _loaded(text: str, where: str) -> dict[str, Any]:
    if found := MANY_PARTS.search(text):  # tomllib takes memory by the square of their number
        line = text.count("\n", 0, found.start()) + 1
        raise EventError(
            "a key has too many parts", where=f"{where} line {line}",
            rule="a key of this file has at most four, joined by points", next_step="Correct it.",
        )  # fmt: skip
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # ValueError: bad TOML, a number of 5000 digits
        words = "it is nested too deeply" if isinstance(error, RecursionError) else error
        raise EventError(
            f"this is not valid TOML: {words}",
            where=where,
            next_step="Mend that line: text in quotes, decimal points, one key = value a line.",
        ) from None


def _entry_problems(raw: dict[str, Any], where: str) -> Iterator[EventError]:
    """Yield what no entry may be, wherever it stands: unseen characters, depth, number."""
    waiting: list[tuple[Loc, Any]] = [((), raw)]
    seen = 0
    while waiting:
        loc, value = waiting.pop()
        seen += 1
        if seen > MOST_ENTRIES or len(loc) > DEEPEST:
            what = f"there are more than {MOST_ENTRIES} entries"
            yield EventError(what if seen > MOST_ENTRIES else "this is nested too deeply",
                             where=place(where, loc[:4]), next_step="Leave it out.")  # fmt: skip
            return
        inner = value.items() if isinstance(value, dict) else ()
        waiting += [((*loc, key), part) for key, part in inner]
        waiting += [((*loc, i), v) for i, v in enumerate(value)] if isinstance(value, list) else []
        for text in (*(key for key, _ in inner), value if isinstance(value, str) else ""):
            if why := name_problem(text):
                yield EventError(f"{text!r} cannot be used", where=place(where, loc), rule=why,
                                 next_step="Type it again.")  # fmt: skip


def disagreements(event: Event, where: str) -> Iterator[EventError]:
    """Yield what does not fit together between the parts of an event."""
    yield from _masses(event, where)
    yield from _session_ids(event, where)
    yield from _timetable(event, where)
    yield from _laps_of_races(event, where)
    yield from _laps_in_all(event, where)
    yield from _limits(event, where)
    yield from _log_units(event, where)


def _masses(event: Event, where: str) -> Iterator[EventError]:
    car, fuel, tyres = event.car, event.fuel, event.tyres
    if car.ballast_kg > car.ballast_limit_kg:
        yield EventError(
            f"ballast_kg is {car.ballast_kg:g}",
            where=f"{where} [car] ballast_kg",
            rule=f"it may not exceed ballast_limit_kg = {car.ballast_limit_kg:g}",
            next_step="Correct one of the two.",
        )
    if fuel.unusable_l + fuel.sample_l >= fuel.tank_l:
        yield EventError(
            f"unusable_l + sample_l is {fuel.unusable_l + fuel.sample_l:g}",
            where=f"{where} [fuel] tank_l",
            rule=f"it must be less than tank_l = {fuel.tank_l:g}",
            next_step="Correct the volumes; all three are litres.",
        )
    for axle, target in (
        ("front", tyres.hot_target_bar.front),
        ("rear", tyres.hot_target_bar.rear),
    ):
        if target <= tyres.cold_minimum_bar:
            yield EventError(
                f"the hot target is {target:g} bar",
                where=f"{where} [tyres] hot_target_bar.{axle}",
                rule=f"it must be above cold_minimum_bar = {tyres.cold_minimum_bar:g}",
                next_step="Correct one of the two; both are gauge pressures in bar.",
            )


def _session_ids(event: Event, where: str) -> Iterator[EventError]:
    for kind, names in (
        ("session", [s.id for s in event.sessions]),
        ("driver", [d.name for d in event.drivers]),
    ):
        folded = [name.casefold() for name in names]  # files and timing do not tell case
        for i, name in enumerate(names):
            if folded[i] in folded[:i]:
                yield EventError(
                    f"{kind} {name!r} is there twice",
                    where=f"{where} [[{kind}]] #{i + 1}",
                    rule=f"each {kind} has a name of its own",
                    next_step="Rename or remove one.",
                )


def _timetable(event: Event, where: str) -> Iterator[EventError]:
    for i, (one, two) in enumerate(zip(event.sessions, event.sessions[1:], strict=False)):
        # in UTC: sums and comparisons in one zone go by the wall's clock, also when it is changed
        begins = one.start.astimezone(UTC), two.start.astimezone(UTC)
        end = begins[0] + timedelta(minutes=one.minutes or 0)
        if begins[1] <= begins[0] or begins[1] < end:
            end = end.astimezone(one.start.tzinfo)
            yield EventError(
                f"{two.id} starts at {two.start:%Y-%m-%d %H:%M}",
                where=place(where, ("session", i + 1, "start"), two.id),
                rule=f"it must follow {one.id}, which is over at {end:%Y-%m-%d %H:%M}",
                next_step="List the sessions in order of time, or correct a start.",
            )


def _laps_of_races(event: Event, where: str) -> Iterator[EventError]:
    for i, session in enumerate(event.sessions):
        stops, laps = session.stops, session.laps
        if laps and session.planned_laps is not None and session.planned_laps > laps:
            yield EventError(
                f"planned_laps is {session.planned_laps}",
                where=place(where, ("session", i, "planned_laps"), session.id),
                rule=f"the session has {laps} laps",
                next_step="Correct one of the two.",
            )
        if stops is None:
            continue
        if stops.maximum is not None and stops.maximum < stops.minimum:
            yield EventError(
                f"maximum is {stops.maximum} stops",
                where=place(where, ("session", i, "stops", "maximum"), session.id),
                rule=f"it may not be below minimum = {stops.minimum}",
                next_step="Correct one of the two, or leave maximum out.",
            )
        last = min(stops.last_lap, laps - 1 if laps else stops.last_lap)
        if stops.first_lap > stops.last_lap or stops.last_lap > last:
            upper = f" and before the last of {laps} laps" if laps else ""
            yield EventError(
                f"the window for stops is lap {stops.first_lap} to {stops.last_lap}",
                where=place(where, ("session", i, "stops"), session.id),
                rule=f"first_lap may not be after last_lap{upper}",
                next_step="Correct first_lap, last_lap or laps.",
            )
        elif stops.minimum > last - stops.first_lap + 1:
            yield EventError(
                f"{stops.minimum} stops are asked for",
                where=place(where, ("session", i, "stops", "minimum"), session.id),
                rule=f"laps {stops.first_lap} to {last} leave room for fewer",
                next_step="Correct minimum or the window.",
            )


def _laps_in_all(event: Event, where: str) -> Iterator[EventError]:
    """Yield when the sessions hold more laps than plans can be made for."""
    believed = event.circuit.lap_time_s
    lap_s = believed.mean if believed is not None else event.circuit.length_m / FASTEST_MPS
    laps = sum(
        s.laps or s.planned_laps or 60 * (s.minutes or 0) / max(lap_s, 1.0) for s in event.sessions
    )
    if laps > MOST_LAPS_IN_ALL:
        yield EventError(
            f"the sessions have {laps:.0f} laps in all",
            where=where,
            rule=f"plans are made for at most {MOST_LAPS_IN_ALL}",
            next_step="Correct laps, minutes or [circuit] lap_time_s.",
        )


def _limits(event: Event, where: str) -> Iterator[EventError]:
    order = [s.id for s in event.sessions]
    for i, limit in enumerate(event.limits):
        for key, name in sessions_named(limit):
            if name not in order:
                yield EventError(
                    f"session {name!r} is not in event.toml",
                    where=place(where, ("limit", i, key), limit.kind),
                    rule=f"it has {', '.join(order)}",
                    next_step="Correct the name or add the session.",
                )
        if not isinstance(limit, StartOn) or not {limit.session, limit.same_as} <= set(order):
            continue
        if order.index(limit.same_as) >= order.index(limit.session):
            yield EventError(
                f"{limit.session} cannot start on the tyres of {limit.same_as}",
                where=place(where, ("limit", i, "same_as"), limit.kind),
                rule="same_as names an earlier session",
                next_step="Exchange the two or correct one.",
            )


def _log_units(event: Event, where: str) -> Iterator[EventError]:
    for channel, entry in event.log.channels.items():
        if entry.unit is None or not unit_of(channel):
            continue
        try:
            convert(0.0, entry.unit, unit_of(channel))
        except InputError as error:
            yield EventError(
                error.what,
                where=place(where, ("log", stem(channel), "unit")),
                rule=error.rule,
                next_step="Correct the unit, or the column it is given for.",
            )
