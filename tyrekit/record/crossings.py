"""When the car crossed the start/finish line, and how well that is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.record.event import Circuit, StartFinish
from tyrekit.record.motion import Motion, fixes, on_plane

FloatArray = NDArray[np.float64]
FASTEST_MPS = 70.0  # mean speed of a lap no car of this kind reaches
RECEIVER_ERROR_M = 1.0  # of one position: common practice for a 10 Hz receiver, no source
RECEIVER_WANDER_M = 0.9  # the part of it that no smoothing removes
GATE_MARGIN_M = 10.0
REACH_S = 2.0  # positions this far either side of the line enter the fit


@dataclass(frozen=True)
class Crossings:
    """Times over the line with standard errors; `way` says how: beacon, lap or position."""

    time_s: FloatArray
    se_s: FloatArray
    way: str
    notes: tuple[str, ...] = ()


def find_crossings(channels: pd.DataFrame, motion: Motion, circuit: Circuit) -> Crossings | None:
    """Return the crossings of the line by the surest way the log offers.

    Of the ways that see (nearly) the most crossings the one with the smallest standard error
    counts; None when the log has no lap counter, beacon or position with a known line.
    """
    lock_out_s = 0.6 * circuit.length_m / FASTEST_MPS
    ways = []
    for way in ("beacon", "lap"):
        if way in channels:
            ways.append(_steps(channels, way, lock_out_s))
    placed = {"latitude_deg", "longitude_deg"} <= set(channels.columns)
    if placed and circuit.start_finish is not None:
        ways.append(_over_line(channels, motion, circuit.start_finish, lock_out_s))
    if not ways:
        return None
    most = max(len(w.time_s) for w in ways)
    full = [w for w in ways if len(w.time_s) >= 0.9 * most]
    best = min(full, key=lambda w: float(np.mean(w.se_s)) if len(w.se_s) else np.inf)
    counts = {w.way: len(w.time_s) for w in ways}
    if len(set(counts.values())) > 1:
        told = ", ".join(f"{way} {n}" for way, n in counts.items())
        differ = (f"crossings of the line differ ({told}): {best.way} is used",)
        return Crossings(best.time_s, best.se_s, best.way, best.notes + differ)
    return best


def _steps(channels: pd.DataFrame, way: str, lock_out_s: float) -> Crossings:
    """Crossings from a beacon's pulses or a lap counter's steps.

    The crossing lies between two samples, anywhere: the middle is taken, with the standard error
    of an even spread over the sample period.
    """
    time_s = channels["time_s"].to_numpy()
    level = _level(channels, way)
    at = np.flatnonzero(np.diff(level) > 0) + 1
    notes = []
    if way == "lap" and (fell := int((np.diff(level) < 0).sum())):
        notes.append(f"the lap counter falls {fell} times; only its rises are laps")
    period = time_s[at] - time_s[at - 1]
    kept = _locked_out(time_s[at], lock_out_s)
    if len(kept) < len(at):
        notes.append(f"{len(at) - len(kept)} {way} signals too soon after another are passed over")
    time = time_s[at] - 0.5 * period
    return Crossings(time[kept], period[kept] / np.sqrt(12), way, tuple(notes))


def _level(channels: pd.DataFrame, way: str) -> FloatArray:
    """Return what rises at the line: a pulse (nothing recorded is no pulse), or the lap number."""
    if way == "beacon":
        return (channels[way].fillna(0.0).to_numpy() > 0).astype(np.float64)
    return np.asarray(np.floor(channels[way].ffill().bfill().to_numpy() + 0.5), dtype=np.float64)


def _over_line(
    channels: pd.DataFrame, motion: Motion, line: StartFinish, lock_out_s: float
) -> Crossings:
    """Crossings of the line from position: heading and gate checked, then fitted."""
    at = fixes(channels)
    t = channels["time_s"].to_numpy()[at]
    along, across = on_plane(
        channels["latitude_deg"].to_numpy()[at], channels["longitude_deg"].to_numpy()[at], line
    )
    gate_m = 0.5 * line.width_m + GATE_MARGIN_M
    rising = np.flatnonzero((along[:-1] < 0) & (along[1:] >= 0) & (np.diff(t) < REACH_S))
    found = [
        (t[i] - along[i] * (t[i + 1] - t[i]) / (along[i + 1] - along[i]))
        for i in rising
        if abs(across[i]) < gate_m and _heads_over(t, along, across, int(i))
    ]
    if not found:
        return Crossings(np.empty(0), np.empty(0), "position", (_why_none(along, across, line),))
    first = np.array(found)[_locked_out(np.array(found), lock_out_s)]
    fitted = [_fitted(t, along, motion, float(guess)) for guess in first]
    times = np.array([time for time, _ in fitted])
    return Crossings(times, np.array([se for _, se in fitted]), "position")


def _why_none(along: FloatArray, across: FloatArray, line: StartFinish) -> str:
    """Say how near the car came to a line it never crossed."""
    if not len(along):
        return "the receiver had no position"
    gate_m = 0.5 * line.width_m + GATE_MARGIN_M
    falling = (along[:-1] >= 0) & (along[1:] < 0) & (np.abs(across[:-1]) < gate_m)
    if falling.any():
        return f"the line is only crossed against heading_deg = {line.heading_deg:g}"
    nearest_m = float(np.hypot(along, across).min())
    return (
        f"the line of [circuit] start_finish is never crossed; the car comes {nearest_m:.0f} m near"
    )


def _heads_over(t: FloatArray, along: FloatArray, across: FloatArray, i: int) -> bool:
    """Whether the car goes over the line the right way, within 45 degrees, faster than walking."""
    ends = np.clip([t[i] - 1.0, t[i] + 1.0], t[0], t[-1])
    step = np.interp(ends, t, along), np.interp(ends, t, across)
    forward, sideways = step[0][1] - step[0][0], step[1][1] - step[1][0]
    return bool(forward > abs(sideways) and forward > 3.0 * (ends[1] - ends[0]))


def _fitted(t: FloatArray, along: FloatArray, motion: Motion, guess: float) -> tuple[float, float]:
    """Return a crossing's time and standard error.

    Position along the heading is fitted by a line against the distance run over the seconds
    around the crossing; a bend there shifts every lap's crossing alike and leaves lap times be.
    """
    speed = float(motion.speed_at(np.array([guess]))[0])
    near = np.abs(t - guess) <= REACH_S
    before, after = int((near & (t < guess)).sum()), int((near & (t >= guess)).sum())
    plain = guess, RECEIVER_ERROR_M / max(speed, 1.0)
    if min(before, after) < 3 or not speed > 3.0:
        return plain
    run = np.interp(t[near], motion.time_s, motion.run_m)
    centre = float(np.interp(guess, motion.time_s, motion.run_m))
    slope, offset = np.polyfit(run - centre, along[near], 1)
    if not 0.8 < slope < 1.25:
        return plain
    residual = along[near] - offset - slope * (run - centre)
    white_m = np.sqrt(np.sum(residual**2) / (len(run) - 2) / len(run))
    time = float(np.interp(centre - offset / slope, motion.run_m, motion.time_s))
    return time, float(np.hypot(white_m, RECEIVER_WANDER_M) / speed)


def _locked_out(times: FloatArray, lock_out_s: float) -> NDArray[np.intp]:
    """Return which of rising times are kept when each shuts out those soon after it."""
    kept: list[int] = []
    for i, time in enumerate(times):
        if not kept or time - times[kept[-1]] >= lock_out_s:
            kept.append(i)
    return np.array(kept, dtype=np.intp)
