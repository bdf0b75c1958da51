"""Work of the tyres and measures of the driving, from the logs: each read once."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import pandas as pd

from tyrekit.errors import TyrekitError
from tyrekit.fit.driving import MEASURES, measure
from tyrekit.fit.tyre_work import NEEDED, POSITION, WHEELS, WORK_MJ, WORK_PER_M, tyre_work
from tyrekit.model.loads import Geometry
from tyrekit.record.distance import aligned
from tyrekit.record.motion import motion_of
from tyrekit.record.parts import Car
from tyrekit.record.weekend import Weekend

LAP_WORK = "lap_work_mj"
NAMES = (*(one.name for one in MEASURES), LAP_WORK)
KEYS = ("run_id", "session", "driver", "lap", "kind", "counts")
ASSUMED_FUEL_KG = 30.0
PLACE = ("distance_m", *POSITION)


class Driving(NamedTuple):
    """What the logs say of tyres and drivers.

    Attributes
    ----------
    laps : DataFrame
        A row per logged lap: `KEYS`, the work of each corner (MJ) and, on laps at pace, the
        measures and ``lap_work_mj``, the work of all four; NaN where not known.
    profile : DataFrame
        A row per distance: mean over laps at pace of the work of each corner, J per metre, and
        the place on the track where position is logged.
    notes : tuple of str
        What was assumed, and what could not be used.
    """

    laps: pd.DataFrame
    profile: pd.DataFrame
    notes: tuple[str, ...]


def car_geometry(car: Car) -> tuple[Geometry, tuple[str, ...]]:
    """Return the car's geometry for the loads, and what event.toml leaves to be assumed."""
    assumed = [
        words
        for value, words in (
            (car.driven, "[car] driven is not given: driving force goes as the axles are loaded"),
            (car.brake_front_pct,
             "[car] brake_front_pct is not given: braking force goes as the axles are loaded"),
            (car.downforce_front_m2 if car.downforce_front_m2 is not None
             else car.downforce_rear_m2, "[car] downforce is not given: none is counted"),
        )
        if value is None
    ]  # fmt: skip
    made = Geometry(
        car.wheelbase_m, car.track_front_m, car.track_rear_m, car.centre_of_gravity_height_m,
        car.front_mass_pct, car.roll_stiffness_front_pct,
        downforce_front_m2=car.downforce_front_m2 or 0.0,
        downforce_rear_m2=car.downforce_rear_m2 or 0.0,
        brake_front_pct=car.brake_front_pct, driven=car.driven or "all",
    )  # fmt: skip
    return made, tuple(assumed)


def driving(weekend: Weekend, laps: pd.DataFrame) -> Driving:
    """Return work and measures of every logged lap, and the work along the lap.

    Parameters
    ----------
    weekend : Weekend
        Its logs are read, one after the other.
    laps : DataFrame
        `Weekend.laps` with the fuel corrected and `counts` as the fit left it.
    """
    geometry, notes = car_geometry(weekend.event.car)
    tables, profiles, said = [], [], list(notes)
    for run_id, own in laps[laps["logger_time_s"].notna()].groupby("run_id", sort=False):
        try:
            table, profile, more = _run(weekend, str(run_id), own, geometry)
        except TyrekitError as error:
            said.append(f"{run_id}: the log tells nothing of the tyres' work: {error}")
            continue
        tables.append(table)
        profiles.append(profile)
        said += [f"{run_id}: {note}" for note in more]
    unlogged = sorted(set(weekend.runs["run_id"]) - {str(t["run_id"].iloc[0]) for t in tables})
    said += [f"no work or measures for {', '.join(unlogged)}"] if unlogged and tables else []
    columns = [*KEYS, *WORK_MJ, *NAMES]
    found = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=columns)
    return Driving(found, _mean_profile(profiles), _gathered(said))


def _run(
    weekend: Weekend, run_id: str, laps: pd.DataFrame, geometry: Geometry
) -> tuple[pd.DataFrame, pd.DataFrame, tuple[str, ...]]:
    """Return one run's laps, profile and notes."""
    channels = weekend.channels(run_id)
    start = weekend.runs.loc[weekend.runs["run_id"] == run_id, "start"].iloc[0]
    begun = (laps["started_at"] - start).dt.total_seconds()
    own = laps.assign(start_s=begun, lap_time_s=laps["logger_time_s"].fillna(laps["lap_time_s"]))
    names = [n for n in (*NEEDED, *POSITION, *WHEELS) if n in channels]
    table = aligned(channels, own, weekend.event.circuit, names=names, by_position=False).table
    work = tyre_work(table, _masses_kg(weekend, own), geometry)
    paced = own[own["counts"].astype(bool) & (own["kind"] == "timed")]
    measured = pd.DataFrame(
        [{"lap": lap, **measure(part)} for lap, part in _slices(channels, paced)],
        columns=["lap", *NAMES],
    )
    made = own[list(KEYS)].merge(work.laps, on="lap").merge(measured, on="lap", how="left")
    at_pace = made["lap"].isin(paced["lap"])
    made[LAP_WORK] = made[list(WORK_MJ)].sum(axis=1, skipna=False).where(at_pace)
    said = work.notes
    if own["fuel_kg"].isna().any():
        said += (f"fuel carried is not known on every lap: {ASSUMED_FUEL_KG:.0f} kg is taken",)
    return made, work.profile[work.profile["lap"].isin(paced["lap"])], said


def _slices(channels: pd.DataFrame, laps: pd.DataFrame) -> Iterator[tuple[int, pd.DataFrame]]:
    """Give each lap's rows of the log."""
    time_s = channels["time_s"].to_numpy()
    first, _ = motion_of(channels).moving()
    for lap, start, length in zip(laps["lap"], laps["start_s"], laps["lap_time_s"], strict=True):
        ends = np.searchsorted(time_s, [first + start, first + start + length])
        yield int(lap), channels.iloc[ends[0] : ends[1]]


def _masses_kg(weekend: Weekend, laps: pd.DataFrame) -> dict[int, float]:
    """Return the car's mass at mid-lap: as weighed, ballast, driver, fuel."""
    drivers = {driver.name: driver.mass_kg for driver in weekend.event.drivers}
    usual = sum(drivers.values()) / max(len(drivers), 1)
    car = weekend.event.car
    used = laps["fuel_used_l"] * weekend.event.fuel.density_kg_per_l
    fuel = (laps["fuel_kg"] - used.fillna(0.0) / 2).fillna(ASSUMED_FUEL_KG)
    return {
        int(lap): car.mass_kg + car.ballast_kg + drivers.get(str(driver), usual) + float(kg)
        for lap, driver, kg in zip(laps["lap"], laps["driver"], fuel, strict=True)
    }


def _mean_profile(profiles: list[pd.DataFrame]) -> pd.DataFrame:
    """Return the mean over laps at each distance, without what is missing."""
    if not profiles:
        return pd.DataFrame(columns=[*PLACE, *WORK_PER_M])
    stacked = pd.concat(profiles, ignore_index=True)
    columns = [name for name in (*PLACE, *WORK_PER_M) if name in stacked]
    mean = stacked[columns].groupby("distance_m", as_index=False).mean()
    return mean.dropna(subset=list(WORK_PER_M)).reset_index(drop=True)


def _gathered(notes: list[str]) -> tuple[str, ...]:
    """Return notes once each; one that several runs share names them all."""
    by_words: dict[str, list[str]] = {}
    for note in notes:
        run, _, words = note.partition(": ")
        by_words.setdefault(words or note, []).append(run if words else "")
    return tuple(
        f"{', '.join(dict.fromkeys(runs))}: {words}" if runs[0] else words
        for words, runs in by_words.items()
    )
