"""Where a plan asks the fits about what they have not seen, in one plain sentence each.

A figure beyond the data is not wrong, but the crew has to know that it rests on what was believed
before the weekend: tyres older than any that ran, hotter or colder air and track, more fuel,
longer runs, a corner without readings.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from typing import Protocol, runtime_checkable

import pandas as pd

from tyrekit.fit.lap_time import LapTimeResults
from tyrekit.fit.pressure import PressureResults
from tyrekit.plan.problem import Seen

HALF_DEGREE_C = 0.5  # temperatures are written down in whole or half degrees
TOLD_BESIDE = "no tyre has been "  # how notes of a tyre plan begin
SAME_KG = 0.5  # fuel is weighed no better


@runtime_checkable
class AgesRun(Protocol):
    """A lap-time fit that knows the oldest tyre age among its laps."""

    @property
    def oldest_seen_laps(self) -> float:
        """Oldest tyre age; 0 without laps."""


@runtime_checkable
class AgesRead(Protocol):
    """A wear fit that knows the oldest tyre it has readings of."""

    @property
    def deepest_age_laps(self) -> float:
        """Oldest tyre read; 0 without readings after running."""


def seen_by(lap_time: object, tread: object) -> Seen:
    """Return how far these fits reach."""
    return Seen(
        run_laps=lap_time.oldest_seen_laps if isinstance(lap_time, AgesRun) else math.inf,
        read_laps=tread.deepest_age_laps if isinstance(tread, AgesRead) else math.inf,
    )


def of_tyres(table: pd.DataFrame, seen: Seen) -> tuple[str, ...]:
    """Return what in a tyre plan lies beyond the data.

    `table` is a plan's: session, corner, age_end_laps.
    """
    if not len(table):
        return ()
    ends = table.assign(age_end_laps=table["age_end_laps"].astype(float))
    unrun = ends[(ends["age_end_laps"] - 1 > seen.run_laps) & (seen.run_laps > 0)]
    unread = ends[(ends["age_end_laps"] > seen.read_laps) & (seen.read_laps > 0)]
    past = ends[ends.index.isin(unrun.index) | ends.index.isin(unread.index)]
    if not len(past):
        return ()
    reach, what = [], []
    if len(unrun):
        reach.append(f"timed here beyond {seen.run_laps:.0f} laps")
        what.append("lose")
    if len(unread):
        here, laps = ("", "") if len(unrun) else (" here", " laps")
        reach.append(f"measured{here} beyond {seen.read_laps:.0f}{laps}")
        what.append("wear")
    return (
        f"{TOLD_BESIDE}{' or '.join(reach)}; {_ages(past)} (formation and cool-down laps counted):"
        f" what they {' and '.join(what)} from there is expected, not seen",
    )


def beside(notes: Sequence[str]) -> tuple[str, ...]:
    """Return those of a tyre plan's notes that belong beside its figures."""
    return tuple(note for note in notes if note.startswith(TOLD_BESIDE))


def of_choices(table: pd.DataFrame, seen: Seen) -> tuple[str, ...]:
    """Return which of the ranked sets end the session older than any tyre that ran.

    `table` has rank and age_end_laps.
    """
    older = table[table["age_end_laps"].astype(float) - 1 > seen.run_laps]
    if not len(older) or seen.run_laps <= 0:
        return ()
    ranks = ", ".join(str(rank) for rank in older["rank"])
    return (
        f"choice {ranks}: older at the end than any tyre timed here ({seen.run_laps:.0f} laps);"
        " what it loses from there is expected, not seen",
    )


def _ages(past: pd.DataFrame) -> str:
    """Return sessions with their oldest tyres: ``R1 rears to 45, R2 to 38``."""
    said: list[str] = []
    for session, own in past.groupby("session", sort=False):
        axles = {str(corner)[0] for corner in own["corner"]}
        axle = {"F": " fronts", "R": " rears"}[axles.pop()] if len(axles) == 1 else ""
        said.append(f"{session}{axle} to {own['age_end_laps'].max():.0f}")
    return ", ".join(said)


def of_track(lap_time: LapTimeResults, track_c: float) -> tuple[str, ...]:
    """Return whether the track expected is hotter or colder than any lap was run on."""
    if "track_c" not in lap_time.seen:
        return ()
    least, most = lap_time.seen["track_c"]
    return _warmth("track", track_c, least, most, "any lap was run on", "lap times")


def of_pressures(
    pressure: PressureResults, *, air_c: float, track_c: float, laps: float
) -> tuple[str, ...]:
    """Return what of the conditions for cold pressures lies beyond the readings.

    Parameters
    ----------
    air_c, track_c : float
        Temperatures expected.
    laps : float
        Laps to the moment that counts, the out- or formation lap included.
    """
    if not pressure.n_rows:
        return ()
    said: list[str] = []
    for name, value in (("air", air_c), ("track", track_c)):
        if (span := pressure.seen.get(f"{name}_c")) is not None:
            said += _warmth(name, value, *span, "any pressure was read in", "pressures")
    if laps > pressure.most_laps:
        said.append(
            f"lap {laps:.0f} comes later than any pressure was read (lap {pressure.most_laps:.0f}):"
            " the last of the rise is expected, not seen"
        )
    return tuple(said)


def _warmth(
    what: str, value_c: float, least_c: float, most_c: float, than: str, figures: str
) -> tuple[str, ...]:
    above = value_c - most_c > HALF_DEGREE_C
    if not above and least_c - value_c <= HALF_DEGREE_C:
        return ()
    word = "hotter" if above else "colder"
    return (
        f"{what} {round(value_c, 1):g} degC is {word} than {than} ({round(least_c, 1):g} to"
        f" {round(most_c, 1):g} degC):"
        f" {figures} there are expected, not seen",
    )


def of_fuel(lap_time: LapTimeResults, start_kg: float) -> tuple[str, ...]:
    """Return whether more fuel is carried at the start than on any lap."""
    if "fuel_kg" not in lap_time.seen:
        return ()
    most_kg = lap_time.seen["fuel_kg"][1]
    if start_kg - most_kg <= SAME_KG:
        return ()
    return (
        f"{start_kg:.1f} kg is more fuel than any lap here was run with ({most_kg:.1f} kg): what"
        " the rest costs in time is expected, not seen",
    )


def of_stints(lap_time: LapTimeResults, laps: Collection[float]) -> tuple[str, ...]:
    """Return whether a stint of these lengths is longer than any run so far."""
    longest = lap_time.seen.get("flying_lap", (math.inf, math.inf))[1]
    most = max(laps, default=0.0)
    if most <= longest:
        return ()
    return (
        f"a stint of {most:.0f} laps is longer than any run here ({longest:.0f} timed laps):"
        " how it ends is expected, not seen",
    )


def of_ages(lap_time: AgesRun, ends: Sequence[float]) -> tuple[str, ...]:
    """Return whether tyres end up older than any that ran; `ends` are their ages then, laps."""
    oldest, most = lap_time.oldest_seen_laps, max(ends, default=0.0)
    if not 0 < oldest < most - 1:
        return ()
    return (
        f"tyres reach {most:.0f} laps, older than any timed here ({oldest:.0f} laps): what they"
        " lose from there is expected, not seen",
    )
