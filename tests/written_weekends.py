"""Weekends written to folders for the doubts: invented cars, circuits, tyres and crews.

Kept apart from the checks on purpose: nothing here knows a threshold. A weekend differs from the
next in circuit, car, logger (rate, scale, channels, units named or not, beacon or lap counter),
wear by corner, number of sessions and sets, traffic, cautions, pit stops, petrol temperature, how
well the crew measures and how much of it it leaves out. `Written.write` makes the folder.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as parquet

CORNERS = ("fl", "fr", "rl", "rr")
TABLES = ("tyres", "runs", "laps", "tread", "pressures", "temperatures", "fuel", "weather")
PLACE_NAMES = ("inner_mm", "centre_mm", "outer_mm")
BOX_M, PIT_MPS = -220.0, 16.0
WEAR_SHARES = np.array([40.0, 31.0, 17.0, 12.0])  # an asymmetric circuit; softened at random
UNITS = {
    "Time": "s", "Speed": "km/h", "Flow": "l/h", "Used": "l", "Air": "degC", "Lap": "",
    "Beacon": "", **{f"P{c.upper()}": "bar" for c in CORNERS},
}  # fmt: skip
KEYS = {
    "Time": "time", "Speed": "speed", "Flow": "fuel_flow", "Used": "fuel_used", "Air": "air",
    "Lap": "lap", "Beacon": "beacon", **{f"P{c.upper()}": f"tyre_pressure_{c}" for c in CORNERS},
}  # fmt: skip
DIGITS = {"Time": 3, "Speed": 2, "Flow": 2, "Used": 3, "Air": 1, "Lap": 0, "Beacon": 0}


@dataclass
class Written:
    """A weekend as files: book tables as lists of rows, logs as tables of the logger's columns."""

    rng: np.random.Generator
    event: dict[str, Any]
    sessions: list[dict[str, Any]] = field(default_factory=list)
    book: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    logs: dict[str, pd.DataFrame] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)  # as written in the file's header
    told: dict[str, str] = field(default_factory=dict)  # as written in [log]
    truth: dict[str, Any] = field(default_factory=dict)
    extra: dict[str, bytes] = field(default_factory=dict)  # further files

    def write(self, folder: Path) -> Path:
        """Write event.toml, book/*.csv and logs/."""
        for name in ("book", "logs"):
            (folder / name).mkdir(parents=True, exist_ok=True)
        (folder / "event.toml").write_text(_event_text(self), "utf-8")
        for table, rows in self.book.items():
            pd.DataFrame(rows).to_csv(folder / "book" / f"{table}.csv", index=False)
        for name, log in self.logs.items():
            units = {c: self.units.get(c, "") for c in log}
            named = log.rename(columns={c: f"{c} [{u}]" if u else c for c, u in units.items()})
            table = pa.Table.from_pandas(named, preserve_index=False)
            if name.endswith(".parquet"):
                parquet.write_table(table, folder / "logs" / name)
            else:
                options = pa_csv.WriteOptions(quoting_style="none")
                pa_csv.write_csv(table, folder / "logs" / name, options)
        for name, data in self.extra.items():
            (folder / name).write_bytes(data)
        return folder


def _event_text(w: Written) -> str:
    e = w.event
    lines = [
        '[event]', 'name = "Invented meeting"', 'timezone = "Europe/London"', "cars = 20",
        "[circuit]", f"length_m = {e['length_m']}", f"pit_loss_s = {e['pit_loss_s']}",
        "[car]", 'number = "7"', "mass_kg = 1300.0", "ballast_kg = 10.0", "ballast_limit_kg = 80.0",
        "minimum_mass_kg = 1380.0", "wheelbase_m = 2.6", "track_front_m = 1.5",
        "track_rear_m = 1.5", "centre_of_gravity_height_m = 0.5", "front_mass_pct = 58.0",
        "roll_stiffness_front_pct = 55.0", "[[driver]]", 'name = "A"', "mass_kg = 80.0",
        "[fuel]", "tank_l = 75.0", "unusable_l = 2.0", f"density_kg_per_l = {e['kg_per_l']}",
        "sample_l = 1.0", "shortfall_risk = 0.005",
        "[tyres]", "minimum_tread_mm = 1.6", "hot_target_bar = { front = 2.1, rear = 2.0 }",
        "cold_minimum_bar = 1.2",
    ]  # fmt: skip
    for session in w.sessions:
        lines.append("[[session]]")
        lines += [f"{k} = {v!r}".replace("'", '"') for k, v in session.items()]
    lines += ["[log]", 'files = "*.*"']
    columns = dict.fromkeys(c for log in w.logs.values() for c in log)
    for column in columns:
        unit = f', unit = "{w.told[column]}"' if w.told.get(column) else ""
        lines.append(f'{KEYS[column]} = {{ column = "{column}"{unit} }}')
    return "\n".join(lines) + "\n"


@dataclass
class Car:
    """What is true of a weekend's circuit, car, tyres and logger."""

    length_m: float
    lap_s: float
    shape: np.ndarray  # amplitudes and phases of the speed over a lap
    litres: float  # per lap
    kg_per_l: float
    scale: float  # kg burnt over kg logged
    speed_scale: float
    rate_hz: float
    wear: np.ndarray  # mm per lap: 4 corners, 3 places
    early_mm: float
    rise: np.ndarray  # of the hot pressure over the cold, by corner
    hot: np.ndarray  # of the tread over the air, K, by corner

    def pace(self, run_m: np.ndarray) -> np.ndarray:
        """Speed around the lap, before it is scaled to a lap's time."""
        turn = 2 * np.pi * np.mod(run_m, self.length_m) / self.length_m
        waves = [a * np.sin(k * turn + p) for k, (a, p) in enumerate(self.shape, start=2)]
        return np.maximum(1.0 + np.sum(waves, axis=0), 0.35)


def a_car(rng: np.random.Generator) -> Car:
    length_m = float(np.round(rng.uniform(2200, 4800)))
    mean_mps = rng.uniform(33, 42)
    shares = WEAR_SHARES ** rng.uniform(0.7, 1.1)
    if rng.random() < 0.5:
        shares = shares[[1, 0, 3, 2]]
    corner = rng.uniform(0.028, 0.055) * 4 * shares / shares.sum()  # mm per lap
    places = 1 + rng.normal(0, 0.15, (4, 3))
    side = rng.normal(0, 0.04)
    rise = 0.28 + rng.normal(0, 0.015, 4) + side * np.array([1, -1, 1, -1])
    hot = 45 + rng.normal(0, 3, 4) + 100 * side * np.array([1, -1, 1, -1])
    return Car(
        length_m=length_m, lap_s=length_m / mean_mps,
        shape=np.column_stack([rng.uniform(0.05, 0.22, 4), rng.uniform(0, 6.28, 4)]),
        litres=length_m / 1000 * rng.uniform(0.40, 0.75),
        kg_per_l=float(np.round(rng.uniform(0.735, 0.760), 3)), scale=rng.normal(1.0, 0.035),
        speed_scale=rng.normal(1.0, 0.008), rate_hz=float(rng.choice([5.0, 10.0], p=[0.8, 0.2])),
        wear=corner[:, None] * np.clip(places, 0.5, 1.5), early_mm=rng.uniform(0.05, 0.3),
        rise=rise, hot=hot,
    )  # fmt: skip


@dataclass
class Tyre:
    """A tyre's true state."""

    depth: np.ndarray
    age: int
    factor: float
    fresh: bool

    def run(self, laps: int, rates: np.ndarray, early_mm: float) -> None:
        """Wear it lap by lap."""
        for _ in range(laps):
            first = early_mm / 3.5 * math.exp(-(self.age + 0.5) / 3.5)
            self.depth = self.depth - first - rates * self.factor
            self.age += 1


def weekend(seed: int) -> Written:
    """Return a clean weekend."""
    rng = np.random.default_rng([seed, 20260516])
    car = a_car(rng)
    event = {
        "length_m": car.length_m, "pit_loss_s": float(np.round(rng.uniform(20, 35), 1)),
        "kg_per_l": car.kg_per_l,
    }  # fmt: skip
    w = Written(rng, event)
    w.book = {name: [] for name in TABLES}
    names = ["P1", "P2", "P3", "Q", "R1", "R2", "R3"]
    dropped = rng.choice([0, 0, 1, 2])
    names = [n for n in names if n not in ("P3", "R3")[:dropped]]
    tyres = _tyres(w, rng, len(names))
    logger = _logger(w, rng)
    crew = {
        "gauge_mm": rng.uniform(0.06, 0.13), "to_mm": rng.choice([0.01, 0.05, 0.1]),
        "reads": rng.uniform(0.75, 1.0), "scale_l": rng.uniform(0.05, 0.2),
        "names_run": rng.random() < 0.8, "minutes": rng.random() < 0.5,
        "session_sd": abs(rng.normal(0.06, 0.03)),
    }  # fmt: skip
    _before(w, rng, tyres, crew)
    w.truth |= {"car": car, "tyres": tyres, "crew": crew, "logger": logger, "sets": {}}
    day = pd.Timestamp("2026-05-16T09:10:00")
    air = rng.uniform(9, 26)
    for i, name in enumerate(names):
        start = day + pd.Timedelta(minutes=130 * (i % 4)) + pd.Timedelta(days=i // 4)
        _session(w, rng, name, start, air + 1.5 * (i % 4))
    for i in range(0, 2 * 24, 1):
        at = day + pd.Timedelta(minutes=60 * i)
        w.book["weather"].append(
            {"taken_at": at.isoformat(), "air_c": round(air + 3 * math.sin(i / 4), 1),
             "track_c": round(air + 8 + 6 * math.sin(i / 4), 1), "rain": "dry"})  # fmt: skip
    return w


def _tyres(w: Written, rng: np.random.Generator, sessions: int) -> dict[str, Tyre]:
    new = rng.uniform(4.6, 5.6)
    tyres: dict[str, Tyre] = {}
    car_wear = rng.uniform(0.02, 0.045)
    for prefix, sets in (("U", 2), ("N", 2 if sessions < 7 else 3)):
        for number in range(1, 4 * sets + 1):
            tyre = Tyre(new + rng.normal(0, 0.05) + rng.normal(0, 0.03, 3), 0,
                        1 + rng.normal(0, 0.06), prefix == "N")  # fmt: skip
            tyres[f"{prefix}{number}"] = tyre
        for one in range(sets if prefix == "U" else 0):
            laps = int(rng.integers(4, 18))
            for number in range(4 * one + 1, 4 * one + 5):
                tyres[f"U{number}"].run(laps, np.full(3, car_wear), 0.15)
    for tyre_id, tyre in tyres.items():
        age = tyre.age
        w.book["tyres"].append({
            "tyre_id": tyre_id, "spec": "control", "new": int(age == 0), "marked": 1,
            "age_laps": age, "distance_km": round(age * 3.0, 1), "heat_cycles": min(age, 2),
            "tread_mm": "", "axle": "any", "side": "any", "note": "",
        })  # fmt: skip
    return tyres


def _logger(w: Written, rng: np.random.Generator) -> dict[str, Any]:
    named = rng.random() < 0.6  # units stand in the file
    laps = "Beacon" if rng.random() < 0.5 else "Lap"
    fuel = ["Flow"] if rng.random() < 0.4 else ["Used"] if rng.random() < 0.5 else ["Flow", "Used"]
    columns = ["Time", laps, "Speed", *fuel]
    if rng.random() < 0.5:
        columns += [f"P{c.upper()}" for c in CORNERS]
    if rng.random() < 0.3:
        columns.append("Air")
    w.units = {c: UNITS[c] for c in columns} if named else {}
    w.told = {} if named and rng.random() < 0.5 else {c: UNITS[c] for c in columns}
    return {"columns": columns, "kind": "csv" if rng.random() < 0.3 else "parquet"}


def _read(depth: np.ndarray, rng: np.random.Generator, crew: dict[str, Any]) -> dict[str, float]:
    seen = np.maximum(depth, 0.4) + rng.normal(0, crew["gauge_mm"], 3)
    rounded = np.round(np.round(seen / crew["to_mm"]) * crew["to_mm"], 2)
    return dict(zip(PLACE_NAMES, rounded.tolist(), strict=True))


def _before(w: Written, rng: np.random.Generator, tyres: dict[str, Tyre], crew: Any) -> None:
    """The evening before: most tyres are measured."""
    for i, (tyre_id, tyre) in enumerate(tyres.items()):
        if rng.random() < (0.97 if tyre.age else 0.85):
            at = pd.Timestamp("2026-05-15T17:00:00") + pd.Timedelta(minutes=i)
            row = {"taken_at": at.isoformat(), "tyre_id": tyre_id, "after_run": ""}
            w.book["tread"].append(row | _read(tyre.depth, rng, crew))


def _sets(rng: np.random.Generator, name: str, tyres: dict[str, Tyre]) -> list[list[str]]:
    """The sets of a session's runs: used ones in practice, newer ones when it counts."""

    def group(prefix: str, one: int) -> list[str]:
        return [f"{prefix}{4 * one + k}" for k in range(1, 5)]

    news = sum(t.startswith("N") for t in tyres) // 4
    if name[0] == "P":
        first = group("U", int(rng.integers(0, 2)))
        second = group("N", 0) if name == "P2" else group("U", int(rng.integers(0, 2)))
        return [first, second][: 2 if rng.random() < 0.8 else 1]
    if name == "Q":
        return [group("N", 1)] * (2 if rng.random() < 0.4 else 1)
    first = group("N", {"R1": 1, "R2": 0, "R3": news - 1}[name])
    return [first, group("N", 0)] if name == "R3" else [first]


def _session(w: Written, rng: np.random.Generator, name: str, start: Any, air: float) -> None:
    car: Car = w.truth["car"]
    race = name[0] == "R"
    sets = _sets(rng, name, w.truth["tyres"])
    laps = [int(rng.integers(9, 15))] if race else [int(rng.integers(4, 9)) for _ in sets]
    if len(sets) == 2 and race:
        first = laps[0] // 2
        laps = [first, laps[0] - first]
    session: dict[str, Any] = {
        "id": name, "kind": "race" if race else "qualifying" if name == "Q" else "practice",
        "start": start.isoformat(), "value": 1.0 if race else 0.5,
    }  # fmt: skip
    if race:
        # a stop's in- and out-lap are race laps
        driven = sum(laps) + 2 * (len(laps) - 1)
        session |= {"laps": driven, "formation_laps": 1, "cool_down_laps": 1}
    else:
        runs_s = sum(n + 3 for n in laps) * 1.25 * car.lap_s + 300 * len(laps)
        session["minutes"] = float(math.ceil(runs_s / 300) * 5)
    w.sessions.append(session)
    base = car.lap_s * (1 + rng.normal(0, 0.004))
    caution = race and rng.random() < 0.3
    at = start + pd.Timedelta(seconds=0 if race else rng.uniform(20, 150))
    kg = (sum(laps) + 5 * len(laps)) * car.litres * car.kg_per_l * rng.uniform(1.1, 1.5) + 2.0
    kg = min(kg, 72 * car.kg_per_l - w.truth.get("level_kg", 1.0 * car.kg_per_l))
    _fill(w, rng, start - pd.Timedelta(minutes=rng.uniform(15, 40)), f"{name}-1", kg)
    # what a drain cannot reach is in the tank from the start
    w.truth.setdefault("level_kg", 2.0 * car.kg_per_l * rng.uniform(0.3, 0.7))
    w.truth["level_kg"] += kg
    for i, (tyres, flying) in enumerate(zip(sets, laps, strict=True)):
        run_id = f"{name}-{i + 1}"
        times = _times(rng, car, base, flying, race, caution and i == 0, first=i == 0)
        at = _run(w, rng, run_id, name, tyres, at, times, air, race and i == 0)
        at += pd.Timedelta(seconds=rng.uniform(45, 60) if race else rng.uniform(150, 280))
    if rng.random() < 0.9:
        left = w.truth["level_kg"] - 2.0 * car.kg_per_l * rng.uniform(0.4, 0.6)
        if left > 0.5:
            _fuel_row(w, rng, at + pd.Timedelta(minutes=35), run_id, "drain", left, air + 6)
            w.truth["level_kg"] -= left


def _fill(w: Written, rng: np.random.Generator, at: Any, run_id: str, kg: float) -> None:
    _fuel_row(w, rng, at, run_id, "fill", kg, rng.uniform(8, 26))


def _fuel_row(
    w: Written, rng: np.random.Generator, at: Any, run_id: str, kind: str, kg: float, fuel_c: float
) -> None:
    car: Car = w.truth["car"]
    litres = kg / (car.kg_per_l * (1 - 0.00095 * (fuel_c - 15)))
    seen = round(litres + rng.normal(0, w.truth["crew"]["scale_l"]), 1)
    w.book["fuel"].append(
        {"taken_at": _stamp(at), "run_id": run_id, "kind": kind, "mass_kg": "",
         "volume_l": max(seen, 0.1), "fuel_c": round(fuel_c, 1)})  # fmt: skip


def _stamp(at: Any, minutes: bool = True) -> str:
    return str((at.floor("min") if minutes else at.floor("s")).isoformat())


def _times(
    rng: np.random.Generator, car: Car, base: float, flying: int, race: bool, caution: bool,
    first: bool,
) -> list[tuple[str, float]]:  # fmt: skip
    """Kind and time of each lap of a run."""
    noise = rng.uniform(0.0015, 0.004) * base
    loss = rng.uniform(0.0, 0.0008) * base
    times = base + loss * np.arange(flying) + rng.normal(0, noise, flying)
    busy = rng.random(flying) < (0.3 if race else 0.15)
    times += busy * rng.exponential(0.008 * base, flying)
    if caution and flying > 6:
        begin = int(rng.integers(2, flying - 4))
        times[begin : begin + 3] = base * rng.uniform(1.45, 1.75, 3)
    kinds = [("timed", float(t)) for t in times]
    if race:
        lead = [("formation", 1.5 * base)] if first else [("out", 1.1 * base)]
        return [*lead, *kinds, ("in", 1.3 * base)]
    return [("out", 1.12 * base * rng.uniform(1, 1.1)), *kinds, ("in", 1.1 * base)]


def _run(
    w: Written, rng: np.random.Generator, run_id: str, session: str, tyres: list[str], at: Any,
    times: list[tuple[str, float]], air: float, grid: bool,
) -> Any:  # fmt: skip
    """Drive a run: its log, run sheet, readings, tyre wear; return when it ended."""
    car, crew = w.truth["car"], w.truth["crew"]
    cold = np.round(1.70 + np.array([0.0, 0.05, 0.0, 0.05]) + rng.normal(0, 0.01, 4), 2)
    time_s, run_m = _path(car, times, grid)
    log, litres, hot = _log(w, rng, car, time_s, run_m, cold, air)
    name = f"{run_id}.{w.truth['logger']['kind']}"
    w.logs[name] = log
    start_kg = w.truth["level_kg"] - car.kg_per_l * w.truth.get("dead_l", 0.0)
    row = {
        "run_id": run_id, "session": session, "driver": "A",
        "start": _stamp(at + pd.Timedelta(seconds=12), crew["minutes"]),
        **dict(zip(CORNERS, tyres, strict=True)), "fuel_start_kg": round(start_kg, 1),
        **{f"cold_{c}_bar": cold[k] for k, c in enumerate(CORNERS)}, "log": name,
        "note": "",
    }  # fmt: skip
    w.book["runs"].append(row)
    w.truth["sets"][run_id] = list(tyres)
    w.truth["level_kg"] -= litres * car.scale * car.kg_per_l
    # each corner's tyres wear lap by lap, every lap as one
    factor = 1 + rng.normal(0, crew["session_sd"])
    end = at + pd.Timedelta(seconds=float(time_s[-1]))
    for k, tyre_id in enumerate(tyres):
        tyre = w.truth["tyres"][tyre_id]
        own = factor * (1 + rng.normal(0, 0.7 * crew["session_sd"]))
        tyre.run(len(times), car.wear[k] * own, car.early_mm)
    _readings(w, rng, run_id, tyres, end, hot, air)
    crossed = np.interp(car.length_m * np.arange(len(times)), run_m[1:], time_s[1:])
    if rng.random() < 0.2:
        for lap, (kind, _) in enumerate(times, start=1):
            if kind == "timed":
                seconds = crossed[lap] - crossed[lap - 1] + rng.normal(0, 0.08)  # by hand
                w.book["laps"].append({
                    "run_id": run_id, "lap": lap, "lap_time_s": round(float(seconds), 1),
                    "kind": "", "fuel_used_l": "", "air_c": "", "track_c": "",
                })  # fmt: skip
    return end


def _path(car: Car, times: list[tuple[str, float]], grid: bool) -> tuple[np.ndarray, np.ndarray]:
    """Return time and distance along the run, a point every 8 m, stands included."""
    t, s, now = [0.0], [BOX_M if not grid else -40.0], 12.0
    t.append(now)
    s.append(s[-1])
    for i, (kind, seconds) in enumerate(times):
        begin, end = s[-1], (i + 1) * car.length_m
        if i == len(times) - 1:
            end += BOX_M
        if i == 0 and not grid:
            begin = _at_pit_speed(t, s, begin + 170.0)
        if kind == "formation":
            end -= 40.0
        leave = end - 150.0 if i == len(times) - 1 else end
        way = np.linspace(begin, leave, int((leave - begin) / 8.0) + 2)
        pace = car.pace(way)
        steps = np.diff(way) / (0.5 * (pace[1:] + pace[:-1]))
        lead = t[-1]
        t += (lead + np.cumsum(steps) * seconds / np.sum(steps)).tolist()
        s += way[1:].tolist()
        if kind == "formation":
            t.append(t[-1] + 28.0)
            s.append(s[-1])
        if i == len(times) - 1:
            _at_pit_speed(t, s, end)
    t.append(t[-1] + 15.0)
    s.append(s[-1])
    return np.array(t), np.array(s)


def _at_pit_speed(t: list[float], s: list[float], to_m: float) -> float:
    t.append(t[-1] + (to_m - s[-1]) / PIT_MPS)
    s.append(to_m)
    return to_m


def _log(
    w: Written, rng: np.random.Generator, car: Car, time_s: np.ndarray, run_m: np.ndarray,
    cold: np.ndarray, air: float,
) -> tuple[pd.DataFrame, float, np.ndarray]:  # fmt: skip
    """Return the log, the litres the logger counts and the hot pressures at the end."""
    step = 1.0 / car.rate_hz
    t = np.arange(rng.uniform(0, step), time_s[-1], step)
    run = np.interp(t, time_s, run_m)
    speed = np.gradient(run, t)
    laps = np.floor(run / car.length_m) + 1
    flow = 1.2 + np.where(speed > 1, 1.0, 0.0) * (0.25 + np.maximum(speed, 0) / 38.0)
    flow *= 1 + 0.01 * rng.normal(size=len(t))
    per_lap = car.lap_s / 3600 * (1.2 + 0.25 + car.length_m / car.lap_s / 38.0)
    flow *= car.litres * (1 + rng.normal(0, 0.01)) / per_lap / car.scale
    used = np.concatenate([[0.0], np.cumsum(0.5 * (flow[1:] + flow[:-1]) * step / 3600)])
    warm = 1 - np.exp(-np.maximum(laps - 0.5, 0) / 2.5)
    hot = cold[None, :] + car.rise[None, :] * warm[:, None] * (1 + 0.005 * (air - 15))
    hot = hot + rng.normal(0, 0.012, 4) * warm[:, None]
    data = {
        "Time": t, "Lap": laps, "Beacon": np.concatenate([[0.0], np.diff(laps)]) > 0,
        "Speed": np.maximum(speed * 3.6 * car.speed_scale + 0.1 * rng.normal(size=len(t)), 0.0),
        "Flow": flow, "Used": used + rng.uniform(0, 40), "Air": air + 0.2 * rng.normal(size=len(t)),
        **{f"P{c.upper()}": np.round(hot[:, k], 2) for k, c in enumerate(CORNERS)},
    }  # fmt: skip
    data["Beacon"] = data["Beacon"].astype(float)
    data["Speed"] = np.where(np.abs(speed) < 0.3, 0.0, data["Speed"])
    columns = w.truth["logger"]["columns"]
    log = pd.DataFrame({c: np.round(data[c], DIGITS.get(c, 2)) for c in columns})
    return log, float(used[-1]), hot[-1]


def _readings(
    w: Written, rng: np.random.Generator, run_id: str, tyres: list[str], end: Any,
    hot: np.ndarray, air: float,
) -> None:  # fmt: skip
    car, crew = w.truth["car"], w.truth["crew"]
    for k, corner in enumerate(CORNERS):
        at = _stamp(end + pd.Timedelta(seconds=40 + 15 * k), minutes=False)
        if rng.random() < crew["reads"]:
            seen = round(float(hot[k]) * (1 - rng.uniform(0.005, 0.015)), 2)
            w.book["pressures"].append(
                {"taken_at": at, "run_id": run_id, "corner": corner.upper(), "hot_bar": seen,
                 "after_laps": ""})  # fmt: skip
    for k, corner in enumerate(CORNERS):
        at = _stamp(end + pd.Timedelta(seconds=40 + 15 * k), minutes=False)
        three = air + car.hot[k] + rng.normal(0, 3) + rng.normal(0, 2, 3)
        if rng.random() < crew["reads"]:
            named = zip(("inner_c", "centre_c", "outer_c"), np.round(three).tolist(), strict=True)
            row = {"taken_at": at, "run_id": run_id, "corner": corner.upper()}
            w.book["temperatures"].append(row | dict(named))
    measured = rng.random() < 0.9
    for k, tyre_id in enumerate(tyres):
        if measured and rng.random() < crew["reads"] + 0.1:
            at = _stamp(end + pd.Timedelta(seconds=75 + 20 * k), minutes=False)
            row = {"taken_at": at, "tyre_id": tyre_id,
                   "after_run": run_id if crew["names_run"] else ""}  # fmt: skip
            w.book["tread"].append(row | _read(w.truth["tyres"][tyre_id].depth, rng, crew))
