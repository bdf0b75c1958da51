"""Crossings of a line on the ground from position: checked for heading, then fitted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.record.motion import Motion, fixes, on_plane
from tyrekit.record.parts import StartFinish
from tyrekit.record.pulses import SAME_SIGNAL_S, Crossings, locked_out

FloatArray = NDArray[np.float64]
RECEIVER_ERROR_M = 1.0  # of one position: common practice for a 10 Hz receiver, no source
GATE_MARGIN_M = 10.0
REACH_S = 2.0  # positions this far either side of the line enter the fit
FAR_S = 4.0  # and these, on a straight
NEARLY_STRAIGHT, BENT = 0.05, 0.22  # how far the distance along the heading may differ from run
BRIDGED_S = 10.0  # a drop-out over the line is bridged by speed up to this long
DRIFT_SHARE = 0.01  # of the distance bridged: error of a speed channel, common practice, no source
AGAINST = "the line is only crossed against"
NEVER = "the line of [circuit] start_finish is never crossed"


@dataclass(frozen=True)
class Track:
    """Fixes about a line: time, metres past it along its heading, metres to its right."""

    time_s: FloatArray
    along_m: FloatArray
    across_m: FloatArray


def track_about(channels: pd.DataFrame, line: StartFinish) -> Track:
    """Return a log's fresh positions on the plane of a line."""
    at = fixes(channels)
    along, across = on_plane(
        channels["latitude_deg"].to_numpy()[at], channels["longitude_deg"].to_numpy()[at], line
    )
    return Track(channels["time_s"].to_numpy()[at], along, across)


def track_amid(channels: pd.DataFrame) -> Track:
    """Return a log's fresh positions on a plane that touches the ellipsoid amid them."""
    good = channels[["latitude_deg", "longitude_deg"]].replace(0.0, np.nan).median()
    if good.isna().any():
        return Track(np.empty(0), np.empty(0), np.empty(0))
    middle = StartFinish(
        latitude_deg=float(good.iloc[0]), longitude_deg=float(good.iloc[1]), heading_deg=0.0
    )
    return track_about(channels, middle)


def over_line(channels: pd.DataFrame, motion: Motion, line: StartFinish) -> Crossings:
    """Return the crossings of a line by position, with the quick part of the receiver's error.

    Parameters
    ----------
    channels : DataFrame
        `time_s`, `latitude_deg` and `longitude_deg`.
    motion : Motion
        How the car moved: the fit runs against distance, and drop-outs are bridged by it.
    line : StartFinish
        The line.
    """
    track = track_about(channels, line)
    t, along = track.time_s, track.along_m
    gap_s = BRIDGED_S if motion.own else REACH_S
    rising = np.flatnonzero((along[:-1] < 0) & (along[1:] >= 0) & (np.diff(t) < gap_s))
    gate_m = 0.5 * line.width_m + GATE_MARGIN_M
    good = [i for i in rising if _through(track, int(i), gate_m) and _heads_over(track, int(i))]
    good = [i for i in good if _straight(track, motion, int(i))]
    if not good:
        return Crossings(np.empty(0), np.empty(0), "position", (_why_none(track, line),))
    first = np.array(good)[locked_out(t[np.array(good)], SAME_SIGNAL_S)]
    fitted = np.array([_fitted(track, motion, int(i)) for i in first])
    longest_s = float(np.max(t[first + 1] - t[first]))
    words = (
        f"positions that dropped out over the line are bridged by speed, up to {longest_s:.1f} s"
    )
    return Crossings(
        fitted[:, 0], fitted[:, 1], "position", (words,) if longest_s >= REACH_S else ()
    )


def sideways_at(channels: pd.DataFrame, line: StartFinish, times: FloatArray) -> FloatArray:
    """Return how far to the right of the line's middle the car was at some times; NaN unknown."""
    track = track_about(channels, line)
    if len(track.time_s) < 2:
        return np.full(len(times), np.nan)
    at: FloatArray = np.interp(times, track.time_s, track.across_m)
    after = np.clip(np.searchsorted(track.time_s, times), 1, len(track.time_s) - 1)
    near = np.minimum(np.abs(track.time_s[after] - times), np.abs(track.time_s[after - 1] - times))
    along = np.interp(times, track.time_s, track.along_m)
    return np.where((near < REACH_S) & (np.abs(along) < 50.0), at, np.nan)


def _through(track: Track, i: int, gate_m: float) -> bool:
    share = track.along_m[i] / (track.along_m[i] - track.along_m[i + 1])
    across = track.across_m[i] + share * (track.across_m[i + 1] - track.across_m[i])
    return bool(abs(across) < gate_m)


def _heads_over(track: Track, i: int) -> bool:
    """Whether the car goes over the line the right way, within 45 degrees, faster than walking."""
    t = track.time_s
    ends = np.clip([t[i] - 1.0, t[i + 1] + 1.0], t[0], t[-1])
    along, across = np.interp(ends, t, track.along_m), np.interp(ends, t, track.across_m)
    forward = along[1] - along[0]
    return bool(forward > abs(across[1] - across[0]) and forward > 3.0 * (ends[1] - ends[0]))


def _straight(track: Track, motion: Motion, i: int) -> bool:
    """Whether a drop-out over the line lies on a straight: as far as the speed says."""
    begun, ended = track.time_s[i], track.time_s[i + 1]
    if ended - begun < REACH_S:
        return True
    run_m = motion.distance_m(float(begun), float(ended))
    return abs((track.along_m[i + 1] - track.along_m[i]) / run_m - 1) < 0.03 if run_m else False


def _fitted(track: Track, motion: Motion, i: int) -> tuple[float, float]:
    """Return a crossing's time and standard error, from as many positions as lie on a straight.

    Without enough of them, or with a bend so near that distance and heading part, the time is
    linear between the two positions beside the line.
    """
    t, along = track.time_s, track.along_m
    share = along[i] / (along[i] - along[i + 1])
    runs = np.interp(t[i : i + 2], motion.time_s, motion.run_m)
    guess = float(t[i] + share * (t[i + 1] - t[i]))
    if motion.own and runs[1] > runs[0]:
        guess = float(np.interp(runs[0] + share * (runs[1] - runs[0]), motion.run_m, motion.time_s))
    speed = float(motion.speed_at(np.array([guess]))[0])
    gap_s = float(t[i + 1] - t[i])
    drift_m = DRIFT_SHARE * 0.5 * gap_s * speed if gap_s >= REACH_S else 0.0
    for reach_s, bent in ((FAR_S, NEARLY_STRAIGHT), (REACH_S, BENT)):
        found = _on_line(track, motion, (guess, float(t[i]), float(t[i + 1])), reach_s, bent)
        if found is not None and speed > 3.0:
            return found[0], float(np.hypot(found[1], drift_m) / speed)
    return guess, RECEIVER_ERROR_M / max(speed, 1.0)


def _on_line(
    track: Track, motion: Motion, at: tuple[float, float, float], reach_s: float, bent: float
) -> tuple[float, float] | None:
    """Return a crossing's time and the standard error of its place, m, by a fitted line.

    Position along the heading is fitted against the distance run over the seconds around the
    crossing; a slight bend there shifts every lap's crossing alike and leaves lap times be.
    """
    guess, before, after = at
    t = track.time_s
    wide = after - before >= REACH_S
    low, high = (before, after) if wide else (guess, guess)
    near = (t >= low - reach_s) & (t <= high + reach_s)
    if min((near & (t < guess)).sum(), (near & (t >= guess)).sum()) < 3:
        return None
    run = np.interp(t[near], motion.time_s, motion.run_m)
    centre = float(np.interp(guess, motion.time_s, motion.run_m))
    slope, offset = np.polyfit(run - centre, track.along_m[near], 1)
    if not 1 - bent < slope < 1 + bent:
        return None
    residual = track.along_m[near] - offset - slope * (run - centre)
    white_m = np.sqrt(np.sum(residual**2) / (len(run) - 2) / len(run))
    time = float(np.interp(centre - offset / slope, motion.run_m, motion.time_s))
    return time, float(white_m)


def _why_none(track: Track, line: StartFinish) -> str:
    """Say how near the car came to a line it never crossed."""
    along, across = track.along_m, track.across_m
    if not len(along):
        return "the receiver had no position"
    gate_m = 0.5 * line.width_m + GATE_MARGIN_M
    falling = (along[:-1] >= 0) & (along[1:] < 0) & (np.abs(across[:-1]) < gate_m)
    if falling.any():
        return f"{AGAINST} heading_deg = {line.heading_deg:g}"
    nearest_m = float(np.hypot(along, across).min())
    near = f"{nearest_m:.0f} m" if nearest_m < 10_000 else f"{nearest_m / 1000:.0f} km"
    return f"{NEVER}; the car comes {near} near"
