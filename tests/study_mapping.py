"""How many channels of unknown logger files a proposed mapping finds, and how many it gets wrong.

``python tests/study_mapping.py [files [first seed]]``: seeded files of an invented car on a small
track, with names in five languages, abbreviated, misspelt or meaningless, units given in one of
three ways or not at all, and columns that look like channels and are none. Simulated truth.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from study_laps import small

from tyrekit.record.channels import unit_of
from tyrekit.record.mapping import propose_mapping
from tyrekit.units import convert

# Names invented for this study; each line one channel.
NAMES: dict[str, str] = {
    "time_s": "Time|Zeit|Temps|Tiempo|Elapsed Time|log_time|t",
    "lap": "Lap|Lap Number|Runde|Tour|Vuelta|Giro|lapCount",
    "beacon": "Beacon|Lap Trigger|Bake|Marker|Impuls",
    "latitude_deg": "Latitude|lat|Breitengrad|GPS Lat|Latitud|Lattitude",
    "longitude_deg": "Longitude|lon|Längengrad|GPS Long|Longitud|Longitudine",
    "speed_mps": "Speed|GPS Speed|Geschwindigkeit|Vitesse|Velocidad|Velocity|vehSpeed|Sped",
    "acceleration_long_mps2": "Long Acc|AccX|Längsbeschleunigung|Accel Longitudinal|G long",
    "acceleration_lat_mps2": "Lat Acc|AccY|Querbeschleunigung|Lateral G|Accel Lateral",
    "throttle_pct": "Throttle|Throttle Position|Gaspedal|Papillon|Acelerador|Pedal",
    "brake_bar": "Brake Pressure|Bremsdruck|Brake P F|Pression Frein|Freno",
    "steering_deg": "Steering|Steering Angle|Lenkwinkel|Volant|Steer",
    "engine_rpm": "RPM|Engine Speed|Drehzahl|Régime Moteur|Giri|revs",
    "gear": "Gear|Gang|Rapport|Marcia",
    "fuel_flow_l_per_h": "Fuel Flow|Fuel Rate|Kraftstoffdurchfluss|Débit Carburant|fuel_cons_rate",
    "fuel_used_l": "Fuel Used|Kraftstoffverbrauch|Fuel Total|Carburant Utilisé",
    "coolant_c": "Water Temp|Coolant Temperature|Wassertemperatur|Temp Eau|ECT Water Temp",
    "oil_c": "Oil Temp|Öltemperatur|Temp Huile|oilTemp",
    "intake_air_c": "Intake Temp|Ansaugtemperatur|Inlet Air Temp|Manifold Temp",
    "battery_v": "Battery|Batterie|Battery Voltage|Bordnetz|Supply Volts",
    "tyre_pressure_fl_bar": "TyrePresFL|Reifendruck VL|Pneu AVG Pression|Tire P LF",
    "tyre_pressure_fr_bar": "TyrePresFR|Reifendruck VR|Pneu AVD Pression|Tire P RF",
    "tyre_pressure_rl_bar": "TyrePresRL|Reifendruck HL|Pneu ARG Pression|Tire P LR",
    "tyre_pressure_rr_bar": "TyrePresRR|Reifendruck HR|Pneu ARD Pression|Tire P RR",
    "wheel_speed_fl_mps": "Wheel Speed FL|Raddrehzahl VL Speed|whlSpdFL|Rad Geschwindigkeit VL",
    "wheel_speed_rr_mps": "Wheel Speed RR|WheelSpeed Rear Right|whlSpdRR|Rad Geschwindigkeit HR",
}
DECOYS = [
    "Sample", "Distance", "Oil Pressure", "Altitude", "Heading", "Satellites", "Lambda",
    "Air Pressure", "Gearbox Temp", "Fuel Level", "Engine Load", "Best Lap Time", "Lap Distance",
    "Spare 1", "Status", "Brake Temp FL", "Wind Speed", "Fan", "Engine Hours", "Ignition Advance",
    "Vertical Acc",
]  # fmt: skip
UNITS: dict[str, str] = {
    "speed": "km/h|mph|m/s", "wheel_speed": "km/h|m/s", "acceleration": "g|m/s2",
    "brake": "bar|kPa|psi", "tyre_pressure": "bar|kPa|psi", "coolant": "degC|degF",
    "oil": "degC|degF", "intake": "degC", "fuel_flow": "l/h|l/min|cc/min", "fuel_used": "l|ml",
    "time": "s|ms", "throttle": "%", "steering": "deg", "battery": "V", "engine": "rpm",
    "latitude": "deg", "longitude": "deg",
}  # fmt: skip


class Found(NamedTuple):
    """Counts over files: channels there, found right, proposed wrong, told as unsure."""

    there: int
    right: int
    wrong: int
    unsure: int
    wrongly: tuple[str, ...]


def car(rng: np.random.Generator) -> pd.DataFrame:
    """Return all channels of a run in the kit's units: an invented car, simple sensors."""
    drive = small.practice_run(int(rng.integers(4, 8)), scale=rng.uniform(0.85, 1.05))
    log = drive.log(float(rng.choice([10.0, 20.0])), rng, white_m=0.3, wander_m=0.6)
    t, v, n = log["time_s"].to_numpy(), log["speed_mps"].to_numpy(), len(log)
    smooth = np.convolve(np.pad(v, 4, mode="edge"), np.ones(9) / 9, mode="valid")
    ahead = np.gradient(smooth, t)
    at = np.concatenate([[0.0], np.cumsum(np.diff(t) * v[1:])])
    along, right = small.place(at + drive.box_m)
    heading = np.unwrap(np.arctan2(np.gradient(right), np.gradient(along) + 1e-9))
    turn = np.where(v > 5, v * np.gradient(heading, t), 0.0)
    turn = np.clip(np.convolve(np.pad(turn, 4, mode="edge"), np.ones(9) / 9, mode="valid"), -14, 14)
    warm = 1 - np.exp(-t / 120)
    gear = np.clip(np.round(v / 9), 0, 6)
    crossed = np.searchsorted(np.array(drive.crossed_s), t, side="right")
    power = np.clip(ahead * v / 60 + v**3 / 1.4e5, 0, 1.2)
    flow = 2 + 75 * np.clip(power, 0, 1)
    log["fuel_flow_l_per_h"] = flow + rng.normal(0, 0.3, n)
    log["fuel_used_l"] = np.round(np.cumsum(flow / 3600) * (t[1] - t[0]), 3)
    log["lap"], log["beacon"] = crossed, np.diff(crossed, prepend=0) > 0
    log["beacon"] = log["beacon"].astype(float)
    log["acceleration_long_mps2"] = ahead + rng.normal(0, 0.3, n)
    log["acceleration_lat_mps2"] = turn * rng.choice([-1, 1]) + rng.normal(0, 0.3, n)
    log["throttle_pct"] = np.clip(100 * power * (ahead > -0.8), 0, 100)
    log["brake_bar"] = np.clip(-6 * (ahead + 0.8), 0, None)
    log["steering_deg"] = turn * 9 / np.maximum(v, 8) * 30 / 10 + rng.normal(0, 1, n)
    log["engine_rpm"] = np.where(v > 2, 2500 + 4000 * (v / 9 - gear + 0.5), 900) + rng.normal(
        0, 15, n
    )
    log["engine_rpm"] = np.clip(log["engine_rpm"], 850, 7200)
    log["gear"] = gear
    log["coolant_c"] = np.round(60 + 28 * warm + rng.normal(0, 0.2, n), 1)
    log["oil_c"] = np.round(45 + 60 * warm, 1)
    log["intake_air_c"] = np.round(22 + 5 * np.sin(t / 60), 1)
    log["battery_v"] = np.round(13.8 + rng.normal(0, 0.05, n), 2)
    for k, corner in enumerate(("fl", "fr", "rl", "rr")):
        log[f"tyre_pressure_{corner}_bar"] = np.round(1.6 + 0.02 * k + 0.45 * warm, 3)
    for corner in ("fl", "rr"):
        log[f"wheel_speed_{corner}_mps"] = v * 1.01 + rng.normal(0, 0.1, n) * (v > 1)
    return log


def decoy(name: str, log: pd.DataFrame, rng: np.random.Generator) -> np.ndarray:
    """Return a column that is no channel of the kit."""
    t, v, n = log["time_s"].to_numpy(), log["speed_mps"].to_numpy(), len(log)
    run = np.cumsum(v) * (t[1] - t[0])
    made: dict[str, Any] = {
        "Sample": np.arange(n), "Distance": run, "Oil Pressure": 1 + 4 * log["engine_rpm"] / 7200,
        "Altitude": 80 + 3 * np.sin(run / 400), "Heading": (run / 8) % 360,
        "Satellites": rng.integers(8, 12, n), "Lambda": 0.9 + rng.normal(0, 0.02, n),
        "Air Pressure": np.full(n, 1008.0), "Gearbox Temp": 40 + 0.05 * t,
        "Fuel Level": 40 - log["fuel_used_l"], "Engine Load": 90 * log["throttle_pct"] / 100,
        "Best Lap Time": np.where(log["lap"] > 2, 71.2, 0.0), "Lap Distance": run % small.LENGTH_M,
        "Spare 1": np.zeros(n), "Status": (t > 30).astype(int),
        "Brake Temp FL": 200 + 150 * np.sin(t / 9), "Wind Speed": 3 + rng.normal(0, 0.5, n),
        "Fan": (log["coolant_c"] > 85).astype(int), "Engine Hours": 112 + t / 3600,
        "Ignition Advance": 20 + 10 * log["engine_rpm"] / 7200, "Vertical Acc": rng.normal(0, 1, n),
    }  # fmt: skip
    return np.asarray(made[name], dtype=float)


def file_of(seed: int, folder: Path) -> tuple[Path, dict[str, tuple[str, str]]]:
    """Write a file and return it with the truth: channel -> column and unit."""
    rng = np.random.default_rng(seed)
    log = car(rng)
    kept = [c for c in NAMES if c in ("time_s", "speed_mps") or rng.random() < 0.8]
    how = rng.choice(["row", "brackets", "none"], p=[0.45, 0.35, 0.2])
    odd = rng.random() < 0.3  # a file with some meaningless names
    truth: dict[str, tuple[str, str]] = {}
    columns: list[tuple[str, str, np.ndarray]] = []
    for i, channel in enumerate(kept):
        names = NAMES[channel].split("|")
        name = f"Channel {i + 1}" if odd and rng.random() < 0.3 else str(rng.choice(names))
        name = name.upper() if rng.random() < 0.2 else name
        own = unit_of(channel)
        key = next((k for k in UNITS if channel.startswith(k)), "")
        unit = str(rng.choice(UNITS[key].split("|"))) if own else ""
        values = log[channel].to_numpy(dtype=float)
        columns.append((name, unit, convert(values, own, unit) if own else values))
        truth[channel] = (name, unit)
    for name in rng.permutation(DECOYS)[: rng.integers(4, 12)]:
        columns.append((str(name), "", decoy(str(name), log, rng)))
    order = [int(k) for k in rng.permutation(len(columns))]
    data = {}
    for k in order:
        name, unit, values = columns[k]
        shown = f"{name} [{unit}]" if how == "brackets" and unit else name
        step = 1e-8 if np.ptp(values) < 0.2 else 1e-4
        data[shown] = np.round(values / step) * step
        truth = {c: (shown, u) if (n, u) == (name, unit) else (n, u) for c, (n, u) in truth.items()}
    text = pd.DataFrame(data).to_csv(index=False, float_format="%.9g")
    if how == "row":
        head, rest = text.split("\n", 1)
        text = f"{head}\n{','.join(columns[k][1] for k in order)}\n{rest}"
    path = folder / f"unknown-{seed}.csv"
    path.write_text(text, encoding="utf-8")
    return path, truth


def found(files: int, first: int = 0) -> Found:
    """Return the counts over seeded files."""
    there = right = wrong = unsure = 0
    wrongly = []
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(first, first + files):
            path, truth = file_of(seed, Path(folder))
            there += len(truth)
            for row in propose_mapping(path).rows():
                if not row.sure:
                    unsure += row.channel in truth
                elif truth.get(row.channel) == (row.column, row.unit):
                    right += 1
                else:
                    wrong += 1
                    wrongly.append(f"file {seed}: {row.channel} = {row.column!r} {row.unit}, "
                                   f"truly {truth.get(row.channel)} ({row.evidence})")  # fmt: skip
    return Found(there, right, wrong, unsure, tuple(wrongly))


def main(files: int, first: int = 0) -> None:
    """Print the figures and every wrong proposal."""
    f = found(files, first)
    print(f"{files} files, {f.there} channels: {100 * f.right / f.there:.1f} % found right, "
          f"{100 * f.wrong / f.there:.2f} % proposed wrong, {100 * f.unsure / f.there:.1f} % said "
          "to be unsure")  # fmt: skip
    print("\n".join(f.wrongly))


if __name__ == "__main__":
    main(*(int(given) for given in sys.argv[1:3] or ["40"]))
