"""Every hot pressure of a weekend in one table: gauge in the pits and sensors on the track."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import pandas as pd

from tyrekit.fit.result import Floats
from tyrekit.terms import CORNER_NAMES

COOLING = ("cool_down", "caution")  # kinds of lap that let a hot tyre cool
COLUMNS = ("session", "run_id", "corner", "hot_bar", "after_laps", "cold_bar", "air_c", "track_c",
           "pressure_hpa", "delay_min", "cool_laps", "wet", "source")  # fmt: skip


def hot_readings(
    pressures: pd.DataFrame, laps: pd.DataFrame, runs: pd.DataFrame, weather: pd.DataFrame,
    wets: Collection[str] = (),
) -> pd.DataFrame:  # fmt: skip
    """Return pit and sensor readings with air pressure, how long each tyre stood and `cool_laps`.

    Parameters
    ----------
    pressures : DataFrame
        The book's hot pressures: taken_at, run_id, session, corner, hot_bar, after_laps, cold_bar,
        air_c, track_c; optionally tyre_id.
    laps : DataFrame
        run_id, session, lap, kind, started_at, lap_time_s, air_c, track_c, hot_fl_bar ..
        hot_rr_bar; optionally the tyres fl .. rr.
    runs : DataFrame
        run_id and cold_fl_bar .. cold_rr_bar.
    weather : DataFrame
        taken_at and pressure_hpa, absolute, as read at the circuit.
    wets : collection of str
        Tyre ids of wets; their readings are marked `wet` and stay out of a dry fit.
    """
    pit = pressures.assign(source="pit", delay_min=delay_min(pressures, laps))
    sensor = sensor_readings(laps, runs)
    parts = []
    for part, at in ((pit, "taken_at"), (sensor, "started_at")):
        if len(part):
            part = part.assign(
                pressure_hpa=_pressure_hpa(part[at], weather), cool_laps=cool_laps(part, laps),
                wet=part.get("tyre_id", pd.Series("", part.index)).isin(wets),
            )  # fmt: skip
            parts.append(part.reindex(columns=list(COLUMNS)))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(COLUMNS))


def delay_min(pressures: pd.DataFrame, laps: pd.DataFrame) -> Floats:
    """Return the minutes from the end of the last lap run to each pit reading; NaN if unknown."""
    ends = laps["started_at"] + pd.to_timedelta(laps["lap_time_s"], unit="s")
    keys = zip(laps["run_id"].astype(str), laps["lap"].astype(float), strict=True)
    by_lap = dict(zip(keys, ends, strict=True))
    asked = zip(pressures["run_id"].astype(str), pressures["after_laps"], strict=True)
    ended = [by_lap.get((run_id, float(lap)), pd.NaT) for run_id, lap in asked]
    waited = [
        (at - end).total_seconds() / 60 if pd.notna(end) and pd.notna(at) else np.nan
        for at, end in zip(pressures["taken_at"], ended, strict=True)
    ]
    return np.array(waited, dtype=np.float64)


def cool_laps(readings: pd.DataFrame, laps: pd.DataFrame) -> Floats:
    """Return the cool-down and caution laps run just before each reading, an in-lap passed over.

    Parameters
    ----------
    readings : DataFrame
        run_id and after_laps.
    laps : DataFrame
        run_id, lap and kind.
    """
    if "kind" not in laps:
        return np.zeros(len(readings))
    run = dict.fromkeys(laps["run_id"].astype(str), 0)
    counted: dict[tuple[str, float], int] = {}
    for one in laps.sort_values(["run_id", "lap"]).to_dict("records"):
        run_id, kind = str(one["run_id"]), one["kind"]
        if kind in COOLING:
            run[run_id] += 1
        elif kind != "in":
            run[run_id] = 0
        counted[run_id, float(one["lap"])] = run[run_id]
    asked = zip(readings["run_id"].astype(str), readings["after_laps"], strict=True)
    return np.array([counted.get((i, float(lap)), 0) for i, lap in asked], dtype=np.float64)


def _pressure_hpa(moments: pd.Series, weather: pd.DataFrame) -> Floats:
    """Return the air pressure at each moment, between the readings; NaN without any."""
    known = weather.reindex(columns=["taken_at", "pressure_hpa"]).dropna().sort_values("taken_at")
    if not len(known):
        return np.full(len(moments), np.nan)
    at, read = (
        pd.to_datetime(times, utc=True).to_numpy(dtype="datetime64[s]").astype(np.float64)
        for times in (moments, known["taken_at"])
    )
    found: Floats = np.interp(at, read, known["pressure_hpa"].to_numpy(dtype=np.float64))
    return found


def sensor_readings(laps: pd.DataFrame, runs: pd.DataFrame) -> pd.DataFrame:
    """Return logged pressures at the end of each lap as readings with source ``sensor``.

    Parameters
    ----------
    laps : DataFrame
        run_id, session, lap, air_c, track_c and hot_fl_bar .. hot_rr_bar; optionally started_at.
    runs : DataFrame
        run_id and cold_fl_bar .. cold_rr_bar.
    """
    parts = []
    cold = runs.set_index(runs["run_id"].astype(str))
    for corner in CORNER_NAMES:
        hot, set_to = f"hot_{corner.lower()}_bar", f"cold_{corner.lower()}_bar"
        if hot not in laps or set_to not in cold:
            continue
        part = laps.reindex(columns=["session", "run_id", "air_c", "track_c", "started_at"])
        part = part.assign(
            corner=corner,
            tyre_id=laps.get(corner.lower(), ""),
            hot_bar=laps[hot],
            after_laps=laps["lap"],
            cold_bar=laps["run_id"].astype(str).map(cold[set_to]),
            source="sensor",
        )
        parts.append(part[part["hot_bar"].notna()])
    columns = ["session", "run_id", "corner", "tyre_id", "hot_bar", "after_laps", "cold_bar",
               "air_c", "track_c", "started_at", "source"]  # fmt: skip
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)
