"""A small invented weekend written in a blink: laps typed or logged, to be changed at will.

Two practices, a qualifying and two races, eight tyres. Nothing here knows a threshold of the kit.
`plain()` is clean and told in full; a test changes `event`, the tables or the logs and writes it.
Clock times are pandas timestamps until written, so that a zone or an offset can be chosen then.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

CORNERS = ("fl", "fr", "rl", "rr")
CLOCKS = ("start", "taken_at")
ZONE = "Europe/London"
UNIT = {"Time": "s", "Speed": "km/h", "Used": "l", "Air": "degC", "Track": "degC", "PFL": "bar"}
CHANNEL = {
    "Time": "time", "Lap": "lap", "Speed": "speed", "Used": "fuel_used", "Air": "intake_air",
    "PFL": "tyre_pressure_fl", "PFR": "tyre_pressure_fr", "PRL": "tyre_pressure_rl",
    "PRR": "tyre_pressure_rr",
}  # fmt: skip
Table = list[dict[str, Any]]


@dataclass
class Plain:
    """A weekend's files before they are written."""

    event: dict[str, Any]
    sessions: Table
    limits: Table
    book: dict[str, Table]
    logs: dict[str, pd.DataFrame] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)  # as told in [log]
    zone: str = ZONE
    clock: Callable[[pd.Timestamp, str], str] | None = None  # an instant as written in the zone
    csv: dict[str, Any] = field(default_factory=dict)  # how tables are saved

    def write(self, folder: Path) -> Path:
        """Write event.toml, book/*.csv and logs/*.csv."""
        for name in ("book", "logs"):
            (folder / name).mkdir(parents=True, exist_ok=True)
        (folder / "event.toml").write_text(self.event_text(), "utf-8")
        for table, rows in self.book.items():
            told = [{k: self.told(v) for k, v in row.items()} for row in rows]
            data = pd.DataFrame(told).to_csv(index=False, sep=self.csv.get("sep", ","))
            data = data.replace("\n", self.csv.get("end", "\n"))
            start = self.csv.get("start", "")
            path = folder / "book" / f"{table}.csv"
            path.write_bytes((start + data).encode(self.csv.get("encoding", "utf-8")))
        for name, log in self.logs.items():
            log.to_csv(folder / "logs" / name, index=False)
        return folder

    def told(self, value: Any) -> Any:
        """Return a cell as it is written down."""
        if isinstance(value, pd.Timestamp):
            return self.clock(value, self.zone) if self.clock else local(value, self.zone)
        if isinstance(value, float) and self.csv.get("comma"):
            return repr(value).replace(".", ",")
        return value

    def event_text(self) -> str:
        """Return event.toml."""
        tables = {name: dict(values) for name, values in self.event.items()}
        tables["event"]["timezone"] = self.zone
        lines = []
        for name, values in tables.items():
            head = f"[[{name}]]" if name == "driver" else f"[{name}]"
            lines += [head, *self._keys(values)]
        for name, rows in (("session", self.sessions), ("limit", self.limits)):
            for row in rows:
                lines += [f"[[{name}]]", *self._keys(row)]
        if self.logs:
            lines += ["[log]", 'files = "*.csv"']
            for column in dict.fromkeys(c for log in self.logs.values() for c in log):
                unit = self.units.get(column)
                said = f', unit = "{unit}"' if unit else ""
                lines.append(f'{CHANNEL[column]} = {{ column = "{column}"{said} }}')
        return "\n".join(lines) + "\n"

    def _keys(self, values: dict[str, Any]) -> list[str]:
        return [f"{key} = {self._toml(value)}" for key, value in values.items()]

    def _toml(self, value: Any) -> str:
        if isinstance(value, pd.Timestamp):
            return f'"{self.told(value)}"'
        if isinstance(value, dict):
            return "{ " + ", ".join(self._keys(value)) + " }"
        if isinstance(value, bool):
            return str(value).lower()
        if isinstance(value, str):
            return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
        if isinstance(value, list | tuple):
            return f"[{', '.join(self._toml(v) for v in value)}]"
        return repr(value)

    def rows(self, table: str) -> Iterable[dict[str, Any]]:
        """Return a table's rows, to be changed in place."""
        return self.book[table]


def local(at: pd.Timestamp, zone: str) -> str:
    """Return an instant as a clock on the wall shows it."""
    return str(at.tz_convert(zone).tz_localize(None).isoformat())


def with_offset(at: pd.Timestamp, zone: str) -> str:
    """Return an instant with its offset from UTC."""
    return str(at.tz_convert(zone).isoformat())


def plain(
    seed: int = 1,
    *,
    day: str = "2026-05-16T08:00:00Z",
    lap_s: float = 90.0,
    length_m: float = 3000.0,
    sessions: tuple[str, ...] = ("P1", "P2", "Q", "R1", "R2"),
    run: tuple[str, ...] = ("P1", "P2"),
    sets: int = 2,
    logged: bool = False,
    use_l: float = 1.8,
    every_min: float = 120.0,
) -> Plain:
    """Return a weekend of which the sessions `run` have been driven, one or two runs each."""
    rng = np.random.default_rng(seed)
    begin = pd.Timestamp(day)
    one = Plain(_event(lap_s, length_m, use_l), [], [], {t: [] for t in TABLES})
    for i in range(sets * 4):
        new = int(i >= 4)
        one.book["tyres"].append({
            "tyre_id": f"{'N' if new else 'U'}{i % 4 + 1 + 4 * max(i // 4 - 1, 0)}",
            "spec": "control", "new": new, "marked": 1, "age_laps": 0 if new else 6,
            "distance_km": 0.0 if new else round(6 * length_m / 1000, 2),
            "heat_cycles": 0 if new else 1, "tread_mm": "", "axle": "any", "side": "any",
            "note": "",
        })  # fmt: skip
    ids = [row["tyre_id"] for row in one.book["tyres"]]
    depth = {tyre_id: 5.0 if tyre_id[0] == "N" else 4.6 for tyre_id in ids}
    age = {row["tyre_id"]: int(row["age_laps"]) for row in one.book["tyres"]}
    for tyre_id in ids:
        _tread(one, begin - pd.Timedelta(hours=2), tyre_id, "", depth[tyre_id], rng)
    for i, name in enumerate(sessions):
        start = begin + pd.Timedelta(minutes=every_min * i)
        race = name[0] == "R"
        kind = "race" if race else "qualifying" if name[0] == "Q" else "practice"
        told: dict[str, Any] = {"id": name, "kind": kind, "start": start, "value": float(race)}
        told |= {"laps": 8} if race else {"minutes": max(20.0, 14 * lap_s / 60)}
        one.sessions.append(told)
        air, track = 15.0 + i, 21.0 + 2 * i
        one.book["weather"].append({
            "taken_at": start - pd.Timedelta(minutes=10), "air_c": air, "track_c": track,
            "pressure_hpa": 1012.0, "humidity_pct": 60.0, "rain": "dry",
        })  # fmt: skip
        if name not in run:
            continue
        tyres = ids[4:8] if i % 2 and sets > 1 else ids[:4]
        run_id = f"{name}-1"
        at = start + pd.Timedelta(seconds=60)
        laps, now_s, used = 7 if not race else 8, 0.0, 0.0
        kg = round((laps + 3) * use_l * 0.745, 1)
        rows = []
        for lap in range(1, laps + 1):
            slow = 1.12 if lap in (1, laps) and not race else 1.0
            time_s = lap_s * slow + (0.04 * max(age.values()) + 0.15 * float(rng.normal()))
            time_s = round(time_s + 0.012 * (kg - used * 0.745), 3)
            litres = round(use_l * (0.85 if slow > 1 else 1.0) * (1 + 0.01 * rng.normal()), 3)
            rows.append({
                "run_id": run_id, "lap": lap, "lap_time_s": time_s, "kind": "",
                "fuel_used_l": litres, "air_c": air, "track_c": track,
            })  # fmt: skip
            used += litres
        end = at + pd.Timedelta(seconds=sum(r["lap_time_s"] for r in rows))
        cold = dict(zip(CORNERS, (1.70, 1.75, 1.68, 1.72), strict=True))
        one.book["runs"].append({
            "run_id": run_id, "session": name, "driver": "A", "start": at,
            **dict(zip(CORNERS, tyres, strict=True)), "fuel_start_kg": kg,
            **{f"cold_{c}_bar": bar for c, bar in cold.items()},
            "log": f"{run_id}.csv" if logged else "", "note": "",
        })  # fmt: skip
        tank = (
            ("fill", at - pd.Timedelta(minutes=20), kg / 0.745),
            ("drain", end + pd.Timedelta(minutes=15), kg / 0.745 - used),
        )
        for fill, when, litres in tank:
            one.book["fuel"].append({
                "taken_at": when, "run_id": run_id, "kind": fill, "mass_kg": "",
                "volume_l": round(litres, 2), "fuel_c": 15.0,
            })  # fmt: skip
        for k, (corner, tyre_id) in enumerate(zip(CORNERS, tyres, strict=True)):
            when = end + pd.Timedelta(seconds=120 + 15 * k)
            hot = round(cold[corner] + 0.33 + 0.01 * float(rng.normal()), 2)
            one.book["pressures"].append({
                "taken_at": when, "run_id": run_id, "corner": corner.upper(), "hot_bar": hot,
                "after_laps": laps,
            })  # fmt: skip
            one.book["temperatures"].append({
                "taken_at": when, "run_id": run_id, "corner": corner.upper(), "inner_c": 62.0,
                "centre_c": 60.0, "outer_c": 58.0,
            })  # fmt: skip
            depth[tyre_id] -= laps * (0.05 - 0.01 * (k // 2))
            age[tyre_id] += laps
            _tread(one, when + pd.Timedelta(minutes=5), tyre_id, run_id, depth[tyre_id], rng)
        if logged:
            one.logs[f"{run_id}.csv"] = _log(rows, length_m, cold, now_s, rng)
        else:
            one.book["laps"] += rows
    if logged:
        one.units = {c: UNIT.get(c, "bar") for c in CHANNEL if c != "Lap"}
    return one


TABLES = ("tyres", "runs", "laps", "tread", "pressures", "temperatures", "fuel", "weather")


def _event(lap_s: float, length_m: float, use_l: float) -> dict[str, dict[str, Any]]:
    return {
        "event": {"name": "Invented meeting", "cars": 18},
        "circuit": {
            "length_m": length_m, "pit_loss_s": 25.0,
            "lap_time_s": {"mean": lap_s, "sd": 0.04 * lap_s},
        },
        "car": {
            "number": "9", "mass_kg": 1400.0, "ballast_kg": 10.0, "ballast_limit_kg": 90.0,
            "minimum_mass_kg": 1500.0, "wheelbase_m": 2.7, "track_front_m": 1.58,
            "track_rear_m": 1.56, "centre_of_gravity_height_m": 0.48, "front_mass_pct": 56.0,
            "roll_stiffness_front_pct": 55.0,
        },
        "driver": {"name": "A", "mass_kg": 80.0},
        "fuel": {
            "tank_l": 70.0, "unusable_l": 2.0, "density_kg_per_l": 0.745, "sample_l": 1.0,
            "shortfall_risk": 0.005, "use_l_per_lap": {"mean": use_l, "sd": 0.2 * use_l},
        },
        "tyres": {
            "minimum_tread_mm": 1.6, "hot_target_bar": {"front": 2.1, "rear": 2.0},
            "cold_minimum_bar": 1.2,
        },
    }  # fmt: skip


def _tread(one: Plain, at: pd.Timestamp, tyre_id: str, run_id: str, mm: float, rng: Any) -> None:
    three = np.round(mm + np.array([-0.05, 0.0, -0.1]) + 0.03 * rng.normal(size=3), 2)
    named = zip(("inner_mm", "centre_mm", "outer_mm"), three.tolist(), strict=True)
    one.book["tread"].append(
        {"taken_at": at, "tyre_id": tyre_id, "after_run": run_id, **dict(named)}
    )


def _log(
    rows: Table, length_m: float, cold: dict[str, float], now_s: float, rng: Any
) -> pd.DataFrame:
    """Return five samples a second of the laps: counted, speed by distance, fuel counter."""
    times = np.array([row["lap_time_s"] for row in rows])
    ends = np.concatenate([[0.0], np.cumsum(times)])
    t = np.round(np.arange(0.0, ends[-1] + 8.0, 0.2), 3)
    lap = np.clip(np.searchsorted(ends, t, side="right"), 1, len(times) + 1)
    run_m = np.interp(t, ends, length_m * np.arange(len(ends)))
    used = np.interp(t, ends, np.concatenate([[0.0], np.cumsum([r["fuel_used_l"] for r in rows])]))
    turn = 2 * np.pi * run_m / length_m
    speed = np.gradient(run_m, t) * 3.6 * (1 + 0.2 * np.sin(3 * turn)) + 0.05 * rng.normal(
        size=len(t)
    )
    speed[t > ends[-1]] = 0.0
    warm = 1 - np.exp(-np.maximum(lap - 0.5, 0) / 2.5)
    return pd.DataFrame({
        "Time": t, "Lap": lap, "Speed": np.round(np.maximum(speed, 0), 3),
        "Used": np.round(used, 4),
        "Air": np.round(15 + 0.1 * rng.normal(size=len(t)), 2),
        **{f"P{c.upper()}": np.round(bar + 0.33 * warm + 0.003 * rng.normal(size=len(t)), 3)
           for c, bar in cold.items()},
    })  # fmt: skip
