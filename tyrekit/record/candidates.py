"""Which channel each column of an unknown file may be, with points and the evidence in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tyrekit.record.channels import CHANNELS, unit_of
from tyrekit.record.column_evidence import (
    AGAINST,
    MOST_ROWS,
    Column,
    by_others,
    by_range,
    fuel_agrees,
    units_tried,
)
from tyrekit.record.motion import north_east
from tyrekit.record.trade_words import ANOTHER, likeness
from tyrekit.units import convert

FloatArray = NDArray[np.float64]
NAME, UNIT, GUESS = 3.0, 1.0, -0.5  # points: a name all met, a unit given, a unit only supposed
REFERENCES = ("time_s", "latitude_deg", "longitude_deg", "speed_mps")
LEAST = 2.5  # points from which a column serves as a reference for others


@dataclass(frozen=True)
class Candidate:
    """A column as a channel; `elsewhere` are its most points as any other channel."""

    channel: str
    place: int
    unit: str
    points: float
    words: str
    elsewhere: float = 0.0


def candidates(columns: Sequence[Column]) -> dict[str, list[Candidate]]:
    """Return for each channel the columns it may be, the likeliest first."""
    thin = [_thinned(column) for column in columns]
    first = {channel: _first(channel, columns, thin) for channel in CHANNELS}
    known = _references(first, thin)
    found = {name: [_checked(o, thin, known) for o in options] for name, options in first.items()}
    known = _references(found, thin)  # a speed that position contradicts is no reference
    found = {name: [_checked(o, thin, known) for o in options] for name, options in first.items()}
    found = _with_fuel(found, thin, known)
    return _ranked(found)


def _thinned(column: Column) -> Column:
    step = max(1, -(-len(column.values) // MOST_ROWS))
    return replace(column, values=column.values[::step])


def _first(channel: str, columns: Sequence[Column], thin: Sequence[Column]) -> list[Candidate]:
    """Return what name, unit and range say."""
    found = []
    for place, (full, column) in enumerate(zip(columns, thin, strict=True)):
        alike = 1.3 if column.name == channel else likeness(channel, column.name)
        whole = full if channel in ("time_s", "beacon", "lap") else column
        fitting = {
            unit: said for unit in units_tried(channel, column)
            if (said := by_range(channel, unit, whole)) is not None
        }  # fmt: skip
        for unit, said in fitting.items() if alike > ANOTHER else ():
            points, words = NAME * alike + said.points, [said.words]
            if alike > 0:
                words.insert(0, "name" if alike >= 0.9 else "part of the name")
            if unit_of(channel):
                points += UNIT if column.unit else 0.0 if len(fitting) == 1 else GUESS
                words.insert(0, f"unit {unit}" if column.unit else f"no unit given, {unit} fits")
            found.append(Candidate(channel, place, unit, points, "; ".join(words)))
    return found


def _references(
    found: Mapping[str, Sequence[Candidate]], columns: Sequence[Column]
) -> dict[str, FloatArray]:
    """Return the surest columns of time, position and speed, in the kit's units."""
    known: dict[str, FloatArray] = {}
    places: set[int] = set()
    for channel in REFERENCES:
        best = max(found[channel], key=lambda o: o.points, default=None)
        if best is None or best.points < LEAST or _doubtful(best, found[channel]):
            continue
        if best.place not in places:
            known[channel] = _own(best, columns)
            places.add(best.place)
    if {"time_s", "latitude_deg", "longitude_deg"} <= set(known):
        known |= _from_position(known)
    return known


def _doubtful(best: Candidate, options: Sequence[Candidate]) -> bool:
    """Whether another unit of the same column is as likely."""
    return any(
        o.place == best.place and o.unit != best.unit and best.points - o.points < 1.0
        for o in options
    )


def _own(option: Candidate, columns: Sequence[Column]) -> FloatArray:
    values = columns[option.place].values
    return convert(values, option.unit, unit_of(option.channel)) if option.unit else values


def _from_position(known: Mapping[str, FloatArray]) -> dict[str, FloatArray]:
    """Return speed and lateral acceleration from position, over two seconds."""
    t, latitude, longitude = (known[name] for name in REFERENCES[:3])
    good = np.isfinite(t) & np.isfinite(latitude) & np.isfinite(longitude) & (latitude != 0)
    good[1:] &= (np.diff(latitude) != 0) | (np.diff(longitude) != 0)
    if good.sum() < 50:
        return {}
    north, east = north_east(latitude[good], longitude[good])
    at = t[good]
    ends = [np.interp(np.clip(t + shift, at[0], at[-1]), at, x)
            for x in (north, east) for shift in (-1.0, 1.0)]  # fmt: skip
    north_mps, east_mps = (ends[1] - ends[0]) / 2, (ends[3] - ends[2]) / 2
    speed = np.hypot(north_mps, east_mps)
    heading = np.unwrap(np.arctan2(east_mps, north_mps))
    turn = speed * np.gradient(heading, t)
    turn[speed < 8] = np.nan
    return {"position_speed": speed, "position_turn": turn}


def _checked(
    option: Candidate, columns: Sequence[Column], known: Mapping[str, FloatArray]
) -> Candidate:
    """Return a candidate with what other columns say of it."""
    if option.channel not in AGAINST:
        return option
    said = by_others(option.channel, _own(option, columns), known)
    if said is None:
        return option
    return replace(
        option, points=option.points + said.points, words=f"{option.words}; {said.words}"
    )


def _with_fuel(
    found: dict[str, list[Candidate]], columns: Sequence[Column], known: Mapping[str, FloatArray]
) -> dict[str, list[Candidate]]:
    """Weigh flow and counter of fuel by each other: the pair that agrees best."""
    flows, counters = found["fuel_flow_l_per_h"], found["fuel_used_l"]
    if "time_s" not in known or not flows or not counters:
        return found
    best: dict[tuple[str, int, str], Candidate] = {}
    for flow in flows:
        for counter in counters:
            said = fuel_agrees(known["time_s"], _own(flow, columns), _own(counter, columns))
            if flow.place == counter.place or said.points < 0:
                continue
            for option in (flow, counter):
                key = (option.channel, option.place, option.unit)
                words = f"{option.words}; {said.words}"
                best[key] = replace(option, points=option.points + said.points, words=words)
    return {
        name: [best.get((name, o.place, o.unit), o) for o in options]
        for name, options in found.items()
    }


def _ranked(found: Mapping[str, Sequence[Candidate]]) -> dict[str, list[Candidate]]:
    most: dict[int, dict[str, float]] = {}
    for channel, options in found.items():
        for o in options:
            per = most.setdefault(o.place, {})
            per[channel] = max(per.get(channel, -99.0), o.points)
    result = {}
    for channel, options in found.items():
        told = [
            replace(o, elsewhere=max(
                (p for name, p in most[o.place].items() if name != channel), default=0.0
            ))
            for o in options
        ]  # fmt: skip
        result[channel] = sorted(told, key=lambda o: -o.points)
    return result
