"""Cold pressures to set so that the tyres reach the hot target when it matters.

The limits of the series and of the tyre supplier come before any figure here; a tyre that runs
too soft can fail. Pressures are gauge and the law behind them is in absolute units.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial

import pandas as pd

from tyrekit.fit.pressure import PressureResults
from tyrekit.model.air import standard_pressure
from tyrekit.model.ranges import within
from tyrekit.plan.beyond import of_pressures
from tyrekit.plan.programme import laps_to_run
from tyrekit.record.event import Event, Session
from tyrekit.terms import CORNER_NAMES

TARGET_LAP = {"qualifying": 2, "practice": 4, "race": 6}  # at speed; common practice, no source
NO_BLEED = "Do not bleed a hot tyre"  # how the note of how far one may be bled begins
STEP_BAR = 0.01  # what a gauge can be read and set to
SHORT_LAP_S = 90.0  # only to see whether a session is too short for the target lap


@dataclass(frozen=True)
class ColdPressures:
    """Cold gauge pressure per corner with its interval.

    Attributes
    ----------
    target_lap : int
        Lap at speed by which the target should be met; an out- or formation lap comes before it.
    cold_c, ambient_bar : float
        Tyre temperature when the pressures are set, and air pressure outside.
    table : DataFrame
        A row per corner: hot_target_bar; cold_bar to set with lower_bar and upper_bar; hot_bar,
        hot_lower_bar and hot_upper_bar expected from it at the target lap; hot_floor_bar, the
        reading then below which bleeding would leave the cold pressure under the limit; limited
        (the limit was in the way); basis, in words.
    """

    session: str
    target_lap: int
    air_c: float
    track_c: float
    cold_c: float
    ambient_bar: float
    table: pd.DataFrame
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Conditions:
    """What the pressures are worked out for; `laps` counts the slow lap before the target lap."""

    laps: int
    air_c: float
    track_c: float
    cold_c: float
    ambient_bar: float
    level: float


def cold_pressures(
    event: Event,
    session: Session,
    pressure: PressureResults,
    *,
    air_c: float,
    track_c: float,
    target_lap: int | None = None,
    cold_c: float | None = None,
    altitude_m: float | None = None,
    pressure_hpa: float | None = None,
    level: float = 0.9,
) -> ColdPressures:
    """Return the cold pressures for the hot target at `target_lap` of a session.

    Parameters
    ----------
    event : Event
        Hot targets per axle and the lowest cold pressure the kit may advise.
    air_c, track_c : float
        Temperatures expected when the session starts, -30 to 55 and -20 to 80 degC.
    target_lap : int, optional
        Lap at speed by which the target should be met, 1 or more; by default 2 in qualifying, 4
        in practice and 6 in races (common practice, no source), never more than there are laps.
    cold_c : float, optional
        Temperature of the tyres when they are set, by default `air_c`: in the sun or a warm
        garage they are warmer.
    altitude_m : float, optional
        Height of the circuit, for the air pressure outside (ISO2533); by default that of the
        readings behind the fit.
    pressure_hpa : float, optional
        Air pressure outside as measured at the circuit (not reduced to sea level), 500 to 1100;
        it wins over `altitude_m`.
    level : float
        Share of the intervals, between 0 and 1.

    Raises
    ------
    InputError
        `pressure_hpa` is no air pressure.
    """
    slow = 1 if session.kind != "race" else min(session.formation_laps, 1)
    lap = target_lap or _usual_lap(session, slow)
    ambient_bar = _ambient_bar(pressure, altitude_m, pressure_hpa)
    when_set = air_c if cold_c is None else cold_c
    conditions = _Conditions(lap + slow, air_c, track_c, when_set, ambient_bar, level)
    rows = [_row(event, pressure, corner, conditions) for corner in CORNER_NAMES]
    table = pd.DataFrame(rows)
    return ColdPressures(
        session=session.id,
        target_lap=lap,
        air_c=air_c,
        track_c=track_c,
        cold_c=when_set,
        ambient_bar=ambient_bar,
        table=table,
        notes=(
            *_notes(event, table, conditions, lap),
            *of_pressures(pressure, air_c=air_c, track_c=track_c, laps=lap + slow),
        ),
    )


def _ambient_bar(
    pressure: PressureResults, altitude_m: float | None, pressure_hpa: float | None
) -> float:
    """Return the air pressure outside, absolute: measured, by height, or the fit's own."""
    if pressure_hpa is not None:
        outside = within("pressure_hpa", pressure_hpa, 500.0, 1100.0, "air pressure on the ground")
        return float(outside) / 1000.0
    if altitude_m is not None:
        return float(standard_pressure(altitude_m)) / 1000.0
    return pressure.ambient_bar


def _usual_lap(session: Session, slow: int) -> int:
    return max(1, min(TARGET_LAP[session.kind], laps_to_run(session, SHORT_LAP_S) - slow))


def _row(
    event: Event, pressure: PressureResults, corner: str, at: _Conditions
) -> dict[str, object]:
    target = event.tyres.hot_target_bar
    hot_bar = target.front if corner.startswith("F") else target.rear
    floor = event.tyres.cold_minimum_bar
    where = (at.laps, at.air_c, at.track_c, at.level)
    from_cold = partial(pressure.hot_bar, cold_c=at.cold_c, ambient_bar=at.ambient_bar)
    mean, lower, upper = pressure.cold_bar(
        corner, hot_bar, *where, cold_c=at.cold_c, ambient_bar=at.ambient_bar
    )
    limited = mean < floor
    # a sheet prints whole steps: rounded, the limit itself would stand too low
    least = _up_to_step(floor)
    set_bar = max(round(round(mean / STEP_BAR) * STEP_BAR, 2), least)
    hot = from_cold(corner, set_bar, *where)
    return {
        "corner": corner,
        "hot_target_bar": hot_bar,
        "cold_bar": set_bar,
        "lower_bar": max(lower, least),
        "upper_bar": max(upper, least),
        "hot_bar": hot[0],
        "hot_lower_bar": hot[1],
        "hot_upper_bar": hot[2],
        "hot_floor_bar": from_cold(corner, floor, *where)[0],
        "limited": limited,
        "basis": f"lowest allowed is {_as_stated(floor)} bar" if limited else "hot target",
    }


def _up_to_step(bar: float) -> float:
    """Return the first whole step of the gauge that is not below `bar`."""
    return round(math.ceil(bar / STEP_BAR - 1e-9) * STEP_BAR, 2)


def _as_stated(bar: float) -> str:
    """Return a limit with two decimals, or with as many as it was given."""
    return f"{bar:.2f}" if math.isclose(bar, round(bar, 2), abs_tol=1e-9) else f"{bar:g}"


def _notes(event: Event, table: pd.DataFrame, at: _Conditions, lap: int) -> tuple[str, ...]:
    least = f"{_as_stated(event.tyres.cold_minimum_bar)} bar"
    floors = ", ".join(
        f"{row['corner']} {_up_to_step(row['hot_floor_bar']):.2f}" for _, row in table.iterrows()
    )
    notes = [
        f"Set the cold pressures with the tyres at {round(at.cold_c, 1):g} degC, for lap {lap} at"
        " speed; set them again if the air or the tyres change by 3 degC or more.",
        f"{NO_BLEED} below {floors} bar: once cold it would be under the lowest allowed, {least}.",
    ]
    if table["limited"].any():
        corners = ", ".join(table.loc[table["limited"], "corner"])
        notes.append(
            f"{corners}: the hot target would need less than the lowest allowed cold pressure;"
            " the limit wins and the tyre will run above target."
        )
    notes.append("The tyre supplier's limit and advice come first.")
    return tuple(notes)
