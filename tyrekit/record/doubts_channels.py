"""Doubts about single channels: dead, stuck, reset, or in another unit than they claim.

Only the channels that laps, fuel and tyres rest on are looked at; the others are read on demand.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tyrekit.record.evidence import Doubt, Evidence
from tyrekit.record.health import ChannelHealth
from tyrekit.record.running import Ran
from tyrekit.terms import CORNERS

STUCK_S, STUCK_TIMES = 25.0, 6.0  # a value held so long, and so often its usual hold
LEAST_LAPS = 3
SLOW_CHANNELS = ("fuel_c", "air_c", "track_c")  # may well not move over a run
FROM_ELSEWHERE = ("lap", "beacon")  # the lap finder says what is wrong with these
PRESSURES = tuple(f"tyre_pressure_{corner}_bar" for corner in CORNERS)
WARMED_BAR = 0.08  # other corners rose at least so much
# Disjoint from 1 to 4 bar gauge, so the unit of a tyre pressure can be told from its size.
PRESSURE_UNITS = {"psi": (10.0, 60.0), "kPa": (100.0, 420.0), "mbar": (1000.0, 4200.0)}
ABSOLUTE_BAR = (0.85, 1.15)
AIR_C, PETROL_C = (-10.0, 46.0), (-10.0, 46.0)  # beyond: read as degF it would be 14 to 115


def dead_or_stuck(e: Evidence) -> Iterator[Doubt]:
    """A channel that does not move while the car does."""
    for ran in e.ran:
        if len(ran.laps) < LEAST_LAPS or ran.log is None:
            continue
        for health in ran.health.values():
            if health.name in FROM_ELSEWHERE or health.name in SLOW_CHANNELS:
                continue
            if health.constant and _should_move(ran, health):
                yield _dead(ran, health)
            elif not health.constant and health.name not in PRESSURES and _held(health):
                yield _stuck(ran, health)


def _should_move(ran: Ran, health: ChannelHealth) -> bool:
    if health.name not in PRESSURES:
        return True
    others = [ran.health[name] for name in PRESSURES if name in ran.health and name != health.name]
    # none moves at all: every sensor is dead, unless none is fitted and the columns are empty
    none_moves = not np.isnan(health.low) and all(o.constant for o in others)
    return none_moves or any(o.high - o.low > WARMED_BAR for o in others)


def _held(health: ChannelHealth) -> bool:
    return health.held_s > max(STUCK_S, STUCK_TIMES * health.usual_held_s)


def _dead(ran: Ran, health: ChannelHealth) -> Doubt:
    held = "holds no value" if np.isnan(health.low) else f"is {health.low:g} throughout"
    return Doubt(
        "dead channel",
        f"{health.name} of run {ran.run_id} {held} while the car ran {len(ran.laps)} laps",
        0.95,
        f"logs/{ran.log.name if ran.log else ''}",
        "Check the sensor and its wiring, or the column named in [log].",
    )


def _stuck(ran: Ran, health: ChannelHealth) -> Doubt:
    return Doubt(
        "stuck channel",
        f"{health.name} of run {ran.run_id} does not change for {health.held_s:.0f} s from"
        f" {health.held_from_s:.0f} s of its log on, while the car runs; usually it holds for"
        f" {health.usual_held_s:.1f} s",
        0.9,
        f"logs/{ran.log.name if ran.log else ''}",
        "Check the sensor; do not trust what rests on it in those laps.",
    )


def counter_falls(e: Evidence) -> Iterator[Doubt]:
    """The logger's counter of fuel fell: it was reset."""
    for ran in e.ran:
        health = ran.health.get("fuel_used_l")
        # where the logger began again, its counter did so too: that is told there
        again = ran.log.restarts if ran.log else ()
        falls = [f for f in health.falls if f[0] not in again] if health else []
        if not falls:
            continue
        at_s, litres = falls[0]
        more = f" and {len(falls) - 1} times more" if falls[1:] else ""
        yield Doubt(
            "fuel counter reset",
            f"fuel_used_l of run {ran.run_id} falls by {litres:.2f} L at {at_s:.0f} s of its"
            f" log{more}",
            0.95,
            f"logs/{ran.log.name if ran.log else ''}",
            "Its rises are added up, so the laps are right unless it also stood still; set the"
            " counter back in the pits only.",
        )


def sensor_pressures(e: Evidence) -> Iterator[Doubt]:
    """Logged tyre pressures of a size no tyre has in bar gauge."""
    for unit, (low, high) in PRESSURE_UNITS.items():
        found = [
            (ran, ran.health[name])
            for ran in e.ran
            for name in PRESSURES
            if name in ran.health and low <= ran.health[name].median <= high
        ]
        if found:
            ran, health = found[0]
            more = f" and {len(found) - 1} more" if found[1:] else ""
            yield Doubt(
                "sensor pressure unit",
                f"{health.name} of run {ran.run_id} is {health.median:.3g} in the middle{more}: as"
                f" if {unit} were taken as bar",
                0.97,
                f"event.toml [log] {health.name.removesuffix('_bar')}",
                f'Give unit = "{unit}" there.',
            )


def absolute_pressures(e: Evidence) -> Iterator[Doubt]:
    """Logged tyre pressures one atmosphere over those set in the pits."""
    sheets = e.tables["runs"].set_index("run_id")
    over = [
        health.low - float(sheets[f"cold_{corner}_bar"][ran.run_id])
        for ran in e.ran
        for corner, name in zip(CORNERS, PRESSURES, strict=True)
        if (health := ran.health.get(name)) is not None
    ]
    known = [x for x in over if np.isfinite(x)]
    if len(known) < 4:
        return
    usual = float(np.median(known))
    if ABSOLUTE_BAR[0] <= usual <= ABSOLUTE_BAR[1]:
        yield Doubt(
            "absolute pressures",
            f"logged tyre pressures begin {usual:.2f} bar over those set: one atmosphere",
            0.9,
            "event.toml [log] tyre_pressure_fl",
            "The kit wants gauge pressures: let the logger write these.",
        )


def warm_as_fahrenheit(e: Evidence) -> Iterator[Doubt]:
    """Logged or written temperatures that only make sense in degF."""
    logged = {
        f"event.toml [log] {name.removesuffix('_c')}": (name, [
            ran.health[name].median for ran in e.ran if name in ran.health
        ], most)
        for name, most in (("air_c", AIR_C[1]), ("fuel_c", PETROL_C[1]))
    }  # fmt: skip
    written = {
        "book/weather.csv": ("air_c", e.tables["weather"]["air_c"].tolist(), AIR_C[1]),
        "book/fuel.csv": ("fuel_c", e.tables["fuel"]["fuel_c"].tolist(), PETROL_C[1]),
    }
    for where, (name, values, most) in (logged | written).items():
        known = [v for v in values if np.isfinite(v)]
        high = [v for v in known if v > most]
        if high:
            yield _fahrenheit(name, where, high, known)


def _fahrenheit(name: str, where: str, high: list[float], known: list[float]) -> Doubt:
    as_c = (high[0] - 32) / 1.8
    return Doubt(
        "temperature unit",
        f"{name}: {len(high)} of {len(known)} values are over what is met, the first {high[0]:.1f};"
        f" as degF it would be {as_c:.1f} degC",
        0.9,
        where,
        "Give the unit degF in [log]."
        if "[log]" in where
        else "Correct the rows to degC"
        + ("; air over 55 degC is not used until then." if "weather" in where else "."),
    )


def air_twice(e: Evidence) -> Iterator[Doubt]:
    """The logger's air temperature is the book's in degF."""
    book = e.tables["weather"]
    logged = [ran.health["air_c"].median for ran in e.ran if "air_c" in ran.health]
    known = [v for v in logged if np.isfinite(v)]
    if not known or not len(book) or max(known) > AIR_C[1]:
        return
    air, seen = float(book["air_c"].median()), float(np.median(known))
    if abs(seen - air) > 12 and abs((seen - 32) / 1.8 - air) < 5:
        yield Doubt(
            "temperature unit",
            f"the logger's air_c is {seen:.1f}, the book's {air:.1f}: as if degF were taken as"
            " degC",
            0.85,
            "event.toml [log] air",
            "Give the unit degF in [log].",
        )


CHECKS = (
    dead_or_stuck, counter_falls, sensor_pressures, absolute_pressures, warm_as_fahrenheit,
    air_twice,
)  # fmt: skip
