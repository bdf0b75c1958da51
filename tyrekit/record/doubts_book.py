"""Doubts about what was written down: readings, run sheets, and files changed since."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta

import numpy as np
import pandas as pd

from tyrekit.record.carried import session_end, typical_lap_s
from tyrekit.record.doubts_tread import LEAST_READINGS
from tyrekit.record.doubts_tread_unit import in_inches
from tyrekit.record.evidence import Doubt, Evidence
from tyrekit.record.weather import RANGES_C
from tyrekit.terms import CORNERS

TREAD_OFF_MM = 0.6
TREAD_GREW_MM = 0.45  # a gauge's scatter and its digits make 0.3 of nothing
PRESSURE_OFF_BAR = 0.5
AROUND = timedelta(minutes=30)
PLACES = ("inner_mm", "centre_mm", "outer_mm")
# Disjoint, so the unit of a tyre pressure can be told from its size.
PRESSURE_UNITS = {"psi": (10.0, 60.0), "kPa": (100.0, 400.0)}
# what a note says of a tyre that should not go on again unseen; a tyre's own note may say less
HARMED = r"\b(?:punctur\w*|blow-?out|burst|flat[- ]?spot\w*|delaminat\w*|bulg\w*|cords?)\b"
HARMED_ITSELF = rf"{HARMED}|\b(?:cut|damag\w*|split|leak\w*)\b"
AIR_HPA = (500.0, 1100.0)  # what the air on the ground has been measured to be, and some
AIR_UNITS = {"inches of mercury": 33.8639, "kPa": 10.0, "mm of mercury": 1.33322, "bar": 1000.0}
LAP_KM = (0.5, 30.0)  # no circuit is shorter or longer
HEAVY, KG_PER_LB = 1.3, 0.45359237  # times the minimum mass: no ballast makes up for that


def changed_csv(e: Evidence) -> Iterator[Doubt]:
    """A book/*.csv is not what was read into the book."""
    for table, what in e.changed.items():
        yield Doubt(
            "book changed outside",
            f"book/{table}.csv {what} since it was read into book.sqlite, which counts",
            1.0,
            f"book/{table}.csv",
            "Take its rows in with `tyrekit import FOLDER`, or type them in a panel.",
        )


def tread_typing(e: Evidence) -> Iterator[Doubt]:
    """A depth far from what the same place shows beside the rest of its tyre.

    For a few readings; of more, `doubts_tread` asks what all of them say of each other.
    """
    for _, tread in e.tread.groupby("wet"):
        if 3 <= len(tread) < LEAST_READINGS:
            yield from _few_depths(e, tread)


def _few_depths(e: Evidence, tread: pd.DataFrame) -> Iterator[Doubt]:
    """Hold each depth of one kind of tyre against the others'."""
    depths = tread[list(PLACES)]
    beside = depths.sub(depths.median(axis=1), axis=0)
    usual = beside.groupby(tread["corner"]).transform("median")
    few = tread.groupby("corner")["corner"].transform("count") < 3
    usual[few] = beside.median().to_numpy()
    off = (beside - usual).to_numpy()
    for i, (row_id, row) in enumerate(tread.iterrows()):
        for k, place in enumerate(PLACES):
            by_mm = float(off[i, k])
            if abs(by_mm) > TREAD_OFF_MM:
                yield Doubt(
                    "tread reading",
                    f"tyre {row['tyre_id']}: {place} {row[place]:.2f} is {by_mm:+.2f} mm off the"
                    " rest of the tyre, by the usual pattern: a typing error?",
                    0.8,
                    e.row("tread", row_id),
                    "Measure again, or correct the row.",
                )


def tread_grew(e: Evidence) -> Iterator[Doubt]:
    """A tyre has clearly more tread than before."""
    tread = e.tread.sort_values("taken_at")
    mean = tread[list(PLACES)].median(axis=1)
    grew = mean.groupby(tread["tyre_id"]).diff()
    if in_inches(tread):
        return
    for row_id in tread.index[grew > TREAD_GREW_MM]:
        tyre_id = str(tread["tyre_id"][row_id])
        yield Doubt(
            "tread grew",
            f"tyre {tyre_id}: {mean[row_id]:.2f} mm, {grew[row_id]:+.2f} mm since the reading"
            " before",
            0.85,
            e.row("tread", row_id),
            "Is it another tyre, or a typing error? Measure again, or correct the row.",
        )


def pressure_unit(e: Evidence) -> Iterator[Doubt]:
    """Pressures of a size no tyre has in bar."""
    for table, cells in _pressures(e).items():
        for unit, (low, high) in PRESSURE_UNITS.items():
            found = [(row_id, name, bar) for row_id, name, bar in cells if low <= bar <= high]
            if not found:
                continue
            row_id, name, bar = found[0]
            yield Doubt(
                "pressure unit",
                f"{len(found)} of {len(cells)} pressures in {table} look like {unit}, the first"
                f" {name} = {bar:g}",
                0.95,
                e.row(table, row_id),
                "Correct the rows; the book holds gauge pressures in bar.",
            )


def pressure_typing(e: Evidence) -> Iterator[Doubt]:
    """A pressure far from the others."""
    for table, cells in _pressures(e).items():
        in_bar = [cell for cell in cells if not _other_unit(cell[2])]
        median = float(np.median([bar for _, _, bar in in_bar] or [0.0]))
        for row_id, name, bar in in_bar:
            if abs(bar - median) > PRESSURE_OFF_BAR:
                yield Doubt(
                    "pressure reading",
                    f"{name} is {bar:g}; the others are near {median:.2f} bar",
                    0.7,
                    e.row(table, row_id),
                    "Correct the row if it is a typing error.",
                )


def _other_unit(value: float) -> bool:
    return any(low <= value <= high for low, high in PRESSURE_UNITS.values())


def _pressures(e: Evidence) -> dict[str, list[tuple[object, str, float]]]:
    """Return row id, column and value of every pressure written down, by table."""
    sheets = {"pressures": ["hot_bar"], "runs": [f"cold_{corner}_bar" for corner in CORNERS]}
    cells = {
        table: [
            (row_id, name, float(row[name]))
            for row_id, row in e.tables[table].iterrows()
            for name in names
            if np.isfinite(row[name])
        ]
        for table, names in sheets.items()
    }
    return {table: found for table, found in cells.items() if found}


def run_outside_session(e: Evidence) -> Iterator[Doubt]:
    """A run that starts well outside its session."""
    lap_s = typical_lap_s(e.laps, e.event)
    for ran in e.ran:
        session = e.event.session(ran.session)
        start, end = pd.Timestamp(session.start), session_end(session, lap_s)
        if start - AROUND <= ran.start <= end + AROUND:
            continue
        far = abs(ran.start - start) > timedelta(days=6)  # then the weekday does not tell
        when = "%a %d %b %Y %H:%M" if far else "%a %H:%M"
        yield Doubt(
            "run outside its session",
            f"run {ran.run_id} starts {ran.start:{when}}; {session.id} is from {start:{when}}"
            f" to {end:{when}}",
            0.7,
            e.run_row(ran.run_id),
            "Correct the run's start or session, or the session's start in event.toml.",
        )


def wrong_place(e: Evidence) -> Iterator[Doubt]:
    """A tyre ran on an axle or side it is not for."""
    tyres = e.tables["tyres"].set_index("tyre_id")
    ends = {"f": "front", "r": "rear"}
    sides = {"l": "left", "r": "right"}
    for row_id, run in e.tables["runs"].iterrows():
        for corner in CORNERS:
            tyre = tyres.loc[run[corner]]
            fits = tyre["axle"] in ("any", ends[corner[0]])
            fits &= tyre["side"] in ("any", sides[corner[1]])
            if not fits:
                yield Doubt(
                    "tyre in the wrong place",
                    f"run {run['run_id']}: tyre {run[corner]} is on {corner.upper()}; the tyre list"
                    f" has it for {tyre['axle']} axle, {tyre['side']} side",
                    0.6,
                    e.row("runs", row_id),
                    "Correct the run sheet or the tyre list.",
                )


def harmed_tyre(e: Evidence) -> Iterator[Doubt]:
    """A note speaks of a puncture or the like, and every tyre of it may still be planned."""
    tyres = e.tables["tyres"].set_index("tyre_id")
    in_use = set(tyres.index[tyres["scrapped"] != "yes"])
    notes = [
        ("tyres", row_id, tyre["note"], [tyre["tyre_id"]], HARMED_ITSELF)
        for row_id, tyre in e.tables["tyres"].iterrows()
    ]
    notes += [("runs", row_id, run["note"], [run[corner] for corner in CORNERS], HARMED)
              for row_id, run in e.tables["runs"].iterrows()]  # fmt: skip
    for table, row_id, note, ids, words in notes:
        if in_use.issuperset(ids) and re.search(words, str(note), re.IGNORECASE):
            yield Doubt(
                "tyre harmed",
                f"the note of {'tyre' if table == 'tyres' else 'a run on'} {', '.join(ids)} says"
                f" {str(note)!r}; the plans still use {'it' if len(ids) == 1 else 'them all'}",
                0.6,
                e.row(table, row_id),
                "Look at the tyre; if it is done for, scrap it under the weekend plan, or put yes"
                " into scrapped of book/tyres.csv, then `tyrekit import FOLDER`.",
            )


def air_pressure(e: Evidence) -> Iterator[Doubt]:
    """An air pressure that is not met on the ground: it is not used."""
    weather = e.tables["weather"]
    low, high = AIR_HPA
    hpa = weather["pressure_hpa"].dropna()
    odd = hpa[~hpa.between(low, high)]
    if not len(odd):
        return
    first = float(odd.iloc[0])
    other = {unit: first * each for unit, each in AIR_UNITS.items() if low <= first * each <= high}
    read = "; ".join(f"as {unit} it would be {value:.0f} hPa" for unit, value in other.items())
    yield Doubt(
        "air pressure",
        f"{len(odd)} of {len(hpa)} pressure_hpa no air on the ground has, the first {first:g}: not"
        " used" + (f"; {read}" if read else ""),
        0.9,
        e.row("weather", odd.index[0]),
        f"Correct the rows: absolute air pressure at the circuit, {low:.0f} to {high:.0f} hPa.",
    )


def weather_out_of_range(e: Evidence) -> Iterator[Doubt]:
    """Air or track temperatures that are not met: their rows are not used."""
    weather = e.tables["weather"]
    for name, (low, high) in RANGES_C.items():
        odd = weather.loc[~weather[name].between(low, high), name]
        if not len(odd) or (name == "air_c" and odd.iloc[0] > high):  # that is told as a unit's
            continue
        first = float(odd.iloc[0])
        as_c = (first - 32) / 1.8
        read = f"; as degF it would be {as_c:.1f} degC" if low <= as_c <= high else ""
        yield Doubt(
            "temperature out of range",
            f"{len(odd)} of {len(weather)} rows have {name} outside {low:g} to {high:g} degC, the"
            f" first {first:g}: they are not used{read}",
            0.95,
            e.row("weather", odd.index[0]),
            "Correct the rows; the book holds degC.",
        )


def laps_and_distance(e: Evidence) -> Iterator[Doubt]:
    """Used tyres whose kilometres and laps make no circuit."""
    tyres = e.tables["tyres"]
    lap_km = tyres["distance_km"] / tyres["age_laps"].where(tyres["age_laps"] > 0)
    low, high = LAP_KM
    odd = lap_km[(lap_km > 0) & ~lap_km.between(low, high)]
    if not len(odd):
        return
    first = tyres.loc[odd.index[0]]
    yield Doubt(
        "laps and kilometres of a tyre",
        f"tyre {first['tyre_id']}: {first['distance_km']:g} km in {first['age_laps']:g} laps make"
        f" {odd.iloc[0]:.2f} km a lap" + (f"; {len(odd) - 1} more alike" if len(odd) > 1 else ""),
        0.85,
        e.row("tyres", odd.index[0]),
        "Are age_laps and distance_km exchanged, or one mistyped? Correct the row.",
    )


def minimum_mass(e: Evidence) -> Iterator[Doubt]:
    """A car that cannot be brought to its minimum mass, or is far above it."""
    car, drivers = e.event.car, e.event.drivers
    light = min(drivers, key=lambda driver: driver.mass_kg)
    most = car.mass_kg + car.ballast_limit_kg + light.mass_kg
    most += e.event.fuel.tank_l * e.event.fuel.density_kg_per_l
    if most < car.minimum_mass_kg:
        yield Doubt(
            "minimum mass",
            f"with {light.name}, all ballast and a full tank the car has {most:.0f} kg; the minimum"
            f" is {car.minimum_mass_kg:.0f} kg",
            0.9,
            "event.toml [car]",
            "Correct mass_kg, ballast_limit_kg or minimum_mass_kg.",
        )
    if car.mass_kg + light.mass_kg > HEAVY * car.minimum_mass_kg > 0:
        yield Doubt(
            "minimum mass",
            f"without fuel and ballast the car has {car.mass_kg + light.mass_kg:.0f} kg with"
            f" {light.name}; the minimum is {car.minimum_mass_kg:.0f} kg. If mass_kg is in lb, it"
            f" is {car.mass_kg * KG_PER_LB:.0f} kg",
            0.9,
            "event.toml [car]",
            "Correct mass_kg or minimum_mass_kg.",
        )


CHECKS = (
    changed_csv, tread_typing, tread_grew, pressure_unit, pressure_typing, run_outside_session,
    wrong_place, harmed_tyre, air_pressure, weather_out_of_range, laps_and_distance, minimum_mass,
)  # fmt: skip
