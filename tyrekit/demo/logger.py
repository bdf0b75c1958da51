"""The demo's logger: a run sampled by sensors with their own faults, exported as text.

The export's layout and channel names are invented.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from tyrekit.demo import car, petrol, programme, track
from tyrekit.demo.car import Floats
from tyrekit.demo.running import Trace
from tyrekit.demo.tyre import hot_bar
from tyrekit.demo.weekend import RunDone
from tyrekit.units import GRAVITY_MPS2

RATE_HZ = {"practice": 20, "qualifying": 20, "race": 10}
POSITION_SLOW_M, POSITION_FAST_M, WANDER_S = 0.6, 0.12, 15.0
TRIGGER_REACH_M = 15.0
INJECTORS, STATIC_KG_PER_S, DEAD_TIME_S, RAIL_KPA = 4, 0.0064, 0.0009, 400.0
KPA_PER_BRAKE_N = 0.35


class Channel(NamedTuple):
    """One column of the export."""

    name: str
    unit: str
    decimals: int
    values: Floats


class Samples(NamedTuple):
    """Where each sample falls in the trace."""

    time_s: Floats
    step: np.ndarray[tuple[int], np.dtype[np.int64]]
    line_m: Floats
    offset_m: Floats
    speed_mps: Floats
    interval_s: float


def sampled(trace: Trace, rate_hz: int) -> Samples:
    """Return sample times and the car's place and speed; acceleration is even within a step."""
    interval = 1.0 / rate_hz
    times = np.arange(int(trace.elapsed_s[-1] * rate_hz) + 1, dtype=np.float64) * interval
    step = np.searchsorted(trace.elapsed_s, times, side="right") - 1
    step = np.minimum(step, len(trace.throttle_pct) - 1).astype(np.int64)
    first, last = trace.elapsed_s[step], trace.elapsed_s[step + 1]
    share = (times - first) / (last - first)
    low, high = trace.speed_mps[step], trace.speed_mps[step + 1]
    mean = np.maximum((low + high) / 2, 1e-9)
    gone = np.clip(share * (low + share * (high - low) / 2) / mean, 0.0, 1.0)
    return Samples(
        times, step,
        trace.line_m[step] + gone * (trace.line_m[step + 1] - trace.line_m[step]),
        trace.offset_m[step] + gone * (trace.offset_m[step + 1] - trace.offset_m[step]),
        low + share * (high - low), interval,
    )  # fmt: skip


def channels(run: RunDone) -> list[Channel]:
    """Return every channel of a run's log, as its sensors saw it."""
    kind = programme.meet(run.plan.session).kind
    index = [p.run_id for p in programme.PLANS].index(run.plan.run_id)
    rng = np.random.default_rng([programme.SEED, 400 + index])
    at = sampled(run.trace, RATE_HZ[kind])
    return [
        Channel("Elapsed", "s", 2, at.time_s),
        *_motion(run, at, rng),
        *_controls(run, at, rng),
        *_engine(run.trace, at, rng),
        *_tyres(run, at, rng),
        Channel("Trigger", "", 0, _trigger(run.trace, at)),
    ]


def _motion(run: RunDone, at: Samples, rng: np.random.Generator) -> list[Channel]:
    count = len(at.time_s)
    east, north = track.position_m(at.line_m, at.offset_m)
    noise = [_wander(rng, count, at.interval_s) for _ in range(2)]
    latitude, longitude = track.degrees(east + noise[0], north + noise[1])
    # The sensor averages over one sample each side.
    half = at.interval_s
    ahead = np.interp(at.time_s + half, run.trace.elapsed_s, run.trace.speed_mps)
    behind = np.interp(at.time_s - half, run.trace.elapsed_s, run.trace.speed_mps)
    long_g = (ahead - behind) / (2 * half) / GRAVITY_MPS2 + rng.normal(0.0, 0.012, count)
    lat = _mean(run.trace, run.trace.lat_mps2, at, 2 * half) / GRAVITY_MPS2
    speed = np.maximum(3.6 * at.speed_mps + rng.normal(0.0, 0.08, count), 0.0)
    return [
        Channel("Lat", "deg", 7, latitude),
        Channel("Lon", "deg", 7, longitude),
        Channel("Velocity", "km/h", 1, speed),
        Channel("Long Accel", "g", 2, long_g),
        Channel("Lat Accel", "g", 2, lat + rng.normal(0.0, 0.015, count)),
    ]


def _controls(run: RunDone, at: Samples, rng: np.random.Generator) -> list[Channel]:
    trace, count = run.trace, len(at.time_s)
    throttle = _mean(trace, trace.throttle_pct, at, 3 * at.interval_s)
    brake = _mean(trace, trace.brake_n, at, 2 * at.interval_s) * KPA_PER_BRAKE_N
    lat = _mean(trace, trace.lat_mps2, at, 3 * at.interval_s)
    speed = np.maximum(at.speed_mps, 3.0)
    angle = car.WHEELBASE_M * lat / speed**2 + car.UNDERSTEER_RAD_PER_MPS2 * lat
    scrub = (run.driver.scrub[0] + run.driver.scrub[1]) / 2
    steer = np.degrees(angle) * car.STEERING_RATIO * scrub + rng.normal(0.0, 0.5, count)
    return [
        Channel("Pedal", "%", 0, throttle),
        Channel("Brake Line", "kPa", 0, 20 * np.round(brake / 20)),
        Channel("Steer", "deg", 1, steer),
    ]


def _engine(trace: Trace, at: Samples, rng: np.random.Generator) -> list[Channel]:
    count = len(at.time_s)
    gear = np.where(at.speed_mps > 0.5, trace.gear[at.step], 0)
    ratio = np.array([0.0, *(car.gear_ratio(g) for g in range(1, 7))])[gear]
    slipping = (gear == 1) & (trace.throttle_pct[at.step] > 30)
    rpm = np.maximum(at.speed_mps * ratio, np.where(slipping, 3200.0, car.IDLE_RPM))
    rpm = rpm + rng.normal(0.0, 12.0, count)
    logged = 1 / (petrol.FLOW_TRUE_PER_LOGGED * petrol.DENSITY_KG_PER_L)
    flow_kg_per_s = _mean(trace, trace.fuel_kg_per_s, at, at.interval_s)
    rate = flow_kg_per_s * 3600 * logged * (1 + rng.normal(0.0, 0.008, count))
    rail = RAIL_KPA + _wander(rng, count, at.interval_s) * 3.0
    flowing = STATIC_KG_PER_S * np.sqrt(rail / RAIL_KPA)
    per_pulse = flow_kg_per_s / INJECTORS / (rpm / 120)
    pulse_s = np.where(flow_kg_per_s > 1e-6, per_pulse / flowing + DEAD_TIME_S, 0.0)
    load = pd.Series(trace.power_w[at.step] / 200e3)
    return [
        Channel("Engine Speed", "rpm", 0, 10 * np.round(rpm / 10)),
        Channel("Gear", "", 0, gear.astype(float)),
        Channel("Fuel Rate", "l/h", 1, rate),
        Channel("Fuel Total", "l", 3, _total(trace, trace.fuel_kg_per_s, at.time_s) * logged),
        Channel("Duty", "%", 1, 100 * pulse_s * rpm / 120),
        Channel("Rail", "kPa", 0, 2 * np.round(rail / 2)),
        *_temperatures(trace, at, load),
        Channel("Supply", "V", 1, 13.9 - 0.8 * np.exp(-at.time_s / 20)),
    ]


def _temperatures(trace: Trace, at: Samples, load: pd.Series[float]) -> list[Channel]:
    """Inlet air runs above ambient, more so in traffic and at low speed; oil lags the water."""
    soak = 9.0 - 5.0 * np.minimum(at.speed_mps / 30.0, 1.0) + 6.0 * trace.traffic[at.step]
    inlet = trace.air.air_c + _lagged(pd.Series(soak), 8.0, at.interval_s, 9.0)
    water = _lagged(84.0 + 12.0 * load, 90.0, at.interval_s, 68.0)
    oil = _lagged(90.0 + 26.0 * load, 200.0, at.interval_s, 58.0)
    return [
        Channel("Inlet Temp", "degC", 1, np.round(2 * inlet) / 2),
        Channel("Water Temp", "degC", 1, np.round(2 * water) / 2),
        Channel("Oil Temp", "degC", 1, np.round(2 * oil) / 2),
    ]


def _tyres(run: RunDone, at: Samples, rng: np.random.Generator) -> list[Channel]:
    found = []
    for i, corner in enumerate(("FL", "FR", "RL", "RR")):
        gas = np.interp(at.time_s, run.trace.elapsed_s, run.trace.gas_c[:, i])
        bar = hot_bar(run.plan.cold_bar[i], run.air.air_c, gas, run.air)
        kpa = 100 * bar + rng.normal(0.0, 0.12, len(gas))
        found.append(Channel(f"Tyre {corner}", "kPa", 0, kpa))
    return found


def crossings_s(trace: Trace) -> Floats:
    """Return when the car passes the start line on the track (not in the pit lane)."""
    line, last = trace.line_m, trace.line_m[-1]
    wanted = np.arange(np.ceil(line[0] / track.LENGTH_M), last / track.LENGTH_M) * track.LENGTH_M
    edge = np.searchsorted(line, wanted - 1e-6)
    return trace.elapsed_s[edge[trace.offset_m[edge] < TRIGGER_REACH_M]]


def _trigger(trace: Trace, at: Samples) -> Floats:
    seen = np.zeros(len(at.time_s))
    index = np.searchsorted(at.time_s, crossings_s(trace))
    seen[index[index < len(seen)]] = 1.0
    return seen


def _wander(rng: np.random.Generator, count: int, interval_s: float) -> Floats:
    """Return position error in metres: mostly a slow wander, as receivers have."""
    kept = float(np.exp(-interval_s / WANDER_S))
    white = pd.Series(rng.normal(0.0, 1.0, count))
    white.iloc[0] *= np.sqrt((1 - kept) / (1 + kept))
    slow = white.ewm(alpha=1 - kept, adjust=False).mean() * np.sqrt((1 + kept) / (1 - kept))
    fast = rng.normal(0.0, POSITION_FAST_M, count)
    error: Floats = POSITION_SLOW_M * slow.to_numpy(dtype=np.float64) + fast
    return error


def _lagged(wanted: pd.Series[float], lag_s: float, interval_s: float, start: float) -> Floats:
    wanted = wanted.copy()
    wanted.iloc[0] = start
    share = float(1 - np.exp(-interval_s / lag_s))
    return np.array(wanted.ewm(alpha=share, adjust=False).mean(), dtype=np.float64)


def _total(trace: Trace, per_second: Floats, times: Floats) -> Floats:
    """Return the integral of a quantity that is even within each step, up to these times."""
    steps = np.diff(trace.elapsed_s) * per_second
    so_far = np.concatenate([[0.0], np.cumsum(steps)])
    return np.array(np.interp(times, trace.elapsed_s, so_far), dtype=np.float64)


def _mean(trace: Trace, values: Floats, at: Samples, window_s: float) -> Floats:
    """Return the mean over a window around each sample."""
    ends = np.clip(at.time_s + window_s / 2, 0.0, trace.elapsed_s[-1])
    starts = np.clip(at.time_s - window_s / 2, 0.0, trace.elapsed_s[-1])
    span = np.maximum(ends - starts, 1e-9)
    mean: Floats = (_total(trace, values, ends) - _total(trace, values, starts)) / span
    return mean


def export(run: RunDone) -> str:
    """Return a run's log as text: a few lines about it, names, units, rows."""
    columns = channels(run)
    rate = RATE_HZ[programme.meet(run.plan.session).kind]
    head = [
        "Run export (invented logger)",
        f"Car,27,{run.plan.driver}",
        f"Start,{run.plan.start:%d.%m.%Y %H:%M:%S}",
        f"Rate,{rate},Hz",
        "",
        ",".join(column.name for column in columns),
        ",".join(column.unit for column in columns),
    ]
    template = ",".join(f"%.{column.decimals}f" for column in columns)
    rounded = [np.round(column.values, column.decimals) + 0.0 for column in columns]
    rows = [template % row for row in zip(*(c.tolist() for c in rounded), strict=True)]
    return "\n".join([*head, *rows]) + "\n"
