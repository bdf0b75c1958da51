"""What each lap carried with it: clock, tyres and their ages, fuel, temperatures, rubber laid."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.record.counting import usual_laps_s
from tyrekit.record.event import Event
from tyrekit.record.parts import Session
from tyrekit.record.running import Ran
from tyrekit.record.wear import Life
from tyrekit.terms import CORNERS

FloatArray = NDArray[np.float64]
LAP_COLUMNS = (
    "run_id", "session", "driver", "lap", "started_at", "lap_time_s", "lap_time_se_s", "source",
    "kind", "counts", "reason", "rule", "flying_lap", *CORNERS, "set_id",
    *(f"age_{corner}_laps" for corner in CORNERS), "age_laps", "heat_cycles", "fuel_kg",
    "fuel_used_l", "fuel_used_before_l", "fuel_start_kg", "fuel_c", "air_c", "track_c",
    "field_laps", "run_m", "official_time_s", "logger_time_s", "typed_time_s",
    *(f"hot_{corner}_bar" for corner in CORNERS),
)  # fmt: skip
ASSUMED_AIR_C, ASSUMED_TRACK_C = 20.0, 28.0
# Fuel of a lap as a share of a timed lap's, where no log gives it; common practice, no source.
FUEL_SHARE = {
    "timed": 1.0, "out": 0.85, "in": 0.85, "caution": 0.55, "formation": 0.5, "cool_down": 0.6,
}  # fmt: skip
ASSUMED_L_PER_KM = 0.6  # a production-based car at racing pace; common practice, no source
ASSUMED_MEAN_MPS = 38.0  # of a lap, where no lap and no belief tells; common practice, no source


class Carried(NamedTuple):
    """A laps table with more columns, and what had to be assumed."""

    laps: pd.DataFrame
    notes: tuple[str, ...]


def stacked(ran: Sequence[Ran], runs: pd.DataFrame, event: Event) -> pd.DataFrame:
    """Return every run's laps in one table, in order of time, with clock, driver and tyres."""
    sheets = {str(row["run_id"]): row for _, row in runs.iterrows()}
    parts = []
    for one in ran:
        row, part = sheets[one.run_id], one.laps.copy()
        part["run_id"], part["session"], part["driver"] = one.run_id, one.session, row["driver"]
        clock = one.start + pd.to_timedelta(part["start_s"].to_numpy(), unit="s")
        part["started_at"] = pd.Series(clock, index=part.index).dt.as_unit("us")
        for corner in CORNERS:
            part[corner] = row[corner]
        part["set_id"] = " ".join(str(row[corner]) for corner in CORNERS)
        part["fuel_start_kg"] = float(row["fuel_start_kg"])
        if len(part):
            parts.append(part)
    return pd.concat(parts, ignore_index=True) if parts else _no_laps(event)


def with_ages(laps: pd.DataFrame, lives: Mapping[str, Life]) -> pd.DataFrame:
    """Return the laps with each tyre's age and the mean age and heat cycles at their start."""
    laps = laps.copy()
    cycles = np.zeros((len(laps), len(CORNERS)))
    for k, corner in enumerate(CORNERS):
        begun = [
            lives[tyre_id].before(run_id)
            for tyre_id, run_id in zip(laps[corner], laps["run_id"], strict=True)
        ]
        laps[f"age_{corner}_laps"] = np.array([s.age_laps for s in begun]) + laps["lap"] - 1
        cycles[:, k] = [s.heat_cycles for s in begun]
    laps["age_laps"] = laps[[f"age_{corner}_laps" for corner in CORNERS]].mean(axis=1)
    laps["heat_cycles"] = cycles.mean(axis=1)
    return laps


def with_fuel(laps: pd.DataFrame, event: Event) -> Carried:
    """Return the laps with the fuel aboard at their start.

    The run's start fuel less the logger's litres, at the density of event.toml and the belief
    about the flow channel. Laps without litres are given the weekend's usual ones of their kind.
    """
    laps = laps.copy()
    belief = event.fuel.flow_scale
    kg_per_l = event.fuel.density_kg_per_l * (belief.mean if belief else 1.0)
    usual, basis = _usual_litres(laps, event)
    used = laps["fuel_used_l"].fillna(laps["kind"].map(usual).astype("float64"))
    summed = used.groupby(laps["run_id"]).cumsum() - used
    before = laps["fuel_used_before_l"].fillna(summed)
    laps["fuel_kg"] = (laps["fuel_start_kg"] - kg_per_l * before).clip(lower=0.0)
    unknown = int(laps["fuel_used_l"].isna().sum())
    notes = (f"{unknown} laps have no logged fuel: {basis}",) if unknown else ()
    return Carried(laps, notes)


def with_weather(laps: pd.DataFrame, weather: pd.DataFrame) -> Carried:
    """Return the laps with air and track temperature: their own, else between the readings."""
    laps, notes = laps.copy(), []
    ordered = weather.sort_values("taken_at")
    for name, assumed in (("air_c", ASSUMED_AIR_C), ("track_c", ASSUMED_TRACK_C)):
        lacking = laps[name].isna()
        if not lacking.any():
            continue
        if len(ordered):
            between = np.interp(
                _seconds(laps["started_at"]), _seconds(ordered["taken_at"]), ordered[name]
            )
        else:
            between = np.full(len(laps), assumed)
            notes.append(f"no weather is in the book: {name} {assumed:g} is assumed")
        laps[name] = laps[name].astype("float64").where(~lacking, between)
    return Carried(laps, tuple(notes))


def rain_at(laps: pd.DataFrame, weather: pd.DataFrame) -> pd.Series:
    """Return dry, damp, wet or empty at each lap's start: the last that was written down."""
    told = weather[weather["rain"] != ""].sort_values("taken_at")
    if not len(told):
        return pd.Series("", index=laps.index, dtype="str")
    at = np.searchsorted(_seconds(told["taken_at"]), _seconds(laps["started_at"]), "right") - 1
    return pd.Series(told["rain"].to_numpy()[np.maximum(at, 0)], index=laps.index, dtype="str")


def with_field(
    laps: pd.DataFrame, event: Event, timed: pd.DataFrame, offsets_s: Mapping[str, float]
) -> Carried:
    """Return the laps with how many laps all cars have run since the first session began.

    Counted in sessions whose official times hold other cars (`timed`: session, car, crossed_at),
    estimated from cars, time and the usual lap in the others.
    """
    laps = laps.copy()
    lap_s = typical_lap_s(laps, event)
    ahead_s = laps["run_id"].map(dict(offsets_s)).astype("float64").fillna(0.0)
    at = _seconds(laps["started_at"]) + ahead_s.to_numpy()
    total = np.zeros(len(laps))
    for session in event.sessions:
        start = session.start.timestamp()
        end = session_end(session, lap_s).timestamp()
        own = timed[timed["session"] == session.id]
        if len(own) and own["crossed_at"].notna().all():
            total += np.searchsorted(np.sort(_seconds(own["crossed_at"])), at, "right")
            continue
        cars = len(own) * lap_s / (end - start) if len(own) else event.meeting.cars
        total += cars * np.clip(at - start, 0.0, end - start) / lap_s
    laps["field_laps"] = total
    counted = list(dict.fromkeys(timed["session"]))
    notes = []
    if counted:
        notes.append(f"field_laps of {', '.join(counted)} are counted from the official times of"
                     f" {timed['car'].nunique()} cars")  # fmt: skip
    if "cars" not in event.meeting.model_fields_set and len(counted) < len(event.sessions):
        notes.append(f"[event] cars is not given: {event.meeting.cars} cars on track are assumed")
    return Carried(laps, tuple(notes))


def typical_lap_s(laps: pd.DataFrame, event: Event) -> float:
    """Return the weekend's usual lap, s: driven, believed, or from the circuit's length."""
    known = [s for s in usual_laps_s(laps, event).values() if s == s] if len(laps) else []
    if known:
        return float(np.median(known))
    believed = event.circuit.lap_time_s
    return believed.mean if believed else event.circuit.length_m / ASSUMED_MEAN_MPS


def session_end(session: Session, lap_s: float) -> pd.Timestamp:
    """Return when a session ends, from its minutes or from laps of `lap_s` seconds."""
    by_time = session.minutes * 60 if session.minutes else float("inf")
    by_laps = session.laps * lap_s if session.laps else float("inf")
    # not in Python's own times: their sums are by the wall's clock, an hour off when it is changed
    return pd.Timestamp(session.start) + pd.Timedelta(seconds=min(by_time, by_laps))


def _usual_litres(laps: pd.DataFrame, event: Event) -> tuple[dict[str, float], str]:
    """Return litres per lap by kind, and what they rest on."""
    medians = laps.groupby("kind")["fuel_used_l"].median().dropna().to_dict()
    timed, basis = medians.get("timed"), "the weekend's usual litres of their kind are taken"
    if timed is None and event.fuel.use_l_per_lap:
        timed, basis = event.fuel.use_l_per_lap.mean, "[fuel] use_l_per_lap is taken"
    if timed is None:
        timed = ASSUMED_L_PER_KM * event.circuit.length_m / 1000
        basis = f"{timed:.2f} L a timed lap is assumed ({ASSUMED_L_PER_KM:g} L/km)"
    shares = {kind: share * timed for kind, share in FUEL_SHARE.items()}
    return {**shares, **{str(k): float(v) for k, v in medians.items()}}, basis


def _seconds(times: pd.Series) -> FloatArray:
    stamps = times.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy(dtype="datetime64[us]")
    return np.asarray(stamps.astype(np.int64) / 1e6, dtype=np.float64)


def _no_laps(event: Event) -> pd.DataFrame:
    texts = ("run_id", "session", "driver", "source", "kind", "reason", "rule", "set_id", *CORNERS)
    wholes, flags = ("lap", "flying_lap"), ("counts",)
    table = pd.DataFrame({name: pd.Series(dtype="float64") for name in LAP_COLUMNS})
    dtypes = dict.fromkeys(texts, "str") | dict.fromkeys(wholes, "int64")
    dtypes |= dict.fromkeys(flags, "bool")
    dtypes["started_at"] = f"datetime64[us, {event.meeting.timezone}]"
    return table.astype(dtypes)
