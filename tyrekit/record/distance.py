"""Channels of several laps on one scale of distance, so that laps can be laid over each other."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.errors import InputError
from tyrekit.record.crossings import has_position
from tyrekit.record.line import track_amid
from tyrekit.record.motion import Motion, motion_of
from tyrekit.record.parts import Circuit

FloatArray = NDArray[np.float64]
STEP_M = 5.0
REFERENCE_M = 10.0  # spacing of the reference path
SEARCH_M = 40.0  # a position is looked for so far from where the speed puts it
PATH_NEAR_M = 25.0  # a position farther from the reference path is off it: the pit lane, a run wide
SMOOTH_M = 150.0  # over which the correction by position is averaged
GAP_S = 2.0  # channels are not drawn across gaps longer than this


class Aligned(NamedTuple):
    """Laps on one scale of distance.

    Attributes
    ----------
    table : DataFrame
        A row per lap and distance: `lap`, `distance_m` (0 at the line), `time_s` since the lap's
        start, and the channels; NaN where they were not recorded.
    scales : DataFrame
        Per lap `lap`, `run_m` (distance by speed), `scale` (the circuit's length over it) and
        `basis`: position or speed.
    """

    table: pd.DataFrame
    scales: pd.DataFrame


def aligned(
    channels: pd.DataFrame,
    laps: pd.DataFrame,
    circuit: Circuit,
    *,
    step_m: float = STEP_M,
    names: Sequence[str] | None = None,
    by_position: bool = True,
) -> Aligned:
    """Return chosen channels of laps against the distance from the start/finish line.

    Parameters
    ----------
    channels : DataFrame
        A run's channels under the kit's names.
    laps : DataFrame
        `lap`, `start_s` (since the car's first movement, as `Cut.laps` has it) and `lap_time_s`.
    circuit : Circuit
        Every lap is given its length.
    step_m : float
        Distance between rows, m, 0.5 to 200.
    names : sequence of str, optional
        The channels; all that are numbers when left out.
    by_position : bool
        Whether to correct the distance by position, where that is logged: each lap's path is laid
        on that of the lap with the most fixes.

    Raises
    ------
    InputError
        `step_m` is out of range, a channel is not in the log, or nothing tells the distance.

    Notes
    -----
    Distance is the integral of speed, scaled so that a lap is as long as the circuit. A scale
    hides where within a lap the speed was wrong; position, averaged over `SMOOTH_M`, puts that
    right. Channels are linear between samples.
    """
    if not 0.5 <= step_m <= 200:
        raise InputError(
            f"step_m is {step_m:g}", rule="0.5 to 200 m", next_step="Choose another step."
        )
    chosen = _chosen(channels, names)
    motion = motion_of(channels)
    if not motion.known:
        raise InputError(
            "nothing in the log tells the distance",
            rule="speed, wheel speed or position is logged",
            next_step="Log one of them.",
        )  # fmt: skip
    grid = np.arange(0.0, circuit.length_m + 1e-9, step_m)
    first, _ = motion.moving()
    spans = [
        (first + float(start), first + float(start) + float(length))
        for start, length in zip(laps["start_s"], laps["lap_time_s"], strict=True)
    ]
    runs = [_Lap(span, motion, circuit.length_m) for span in spans]
    paths = _Paths(channels, runs) if by_position and has_position(channels) else None
    parts, scales = [], []
    for lap, run in zip(laps["lap"].tolist(), runs, strict=True):
        distance, basis = run.distance_m(), "speed"
        if paths is not None and (moved := paths.corrected(run, distance)) is not None:
            distance, basis = moved, "position"
        parts.append(_sampled(channels, chosen, run, distance, grid).assign(lap=lap))
        scales.append((lap, run.run_m, circuit.length_m / run.run_m, basis))
    order = ["lap", "distance_m", "time_s", *chosen]
    table = pd.concat(parts, ignore_index=True)[order] if parts else pd.DataFrame(columns=order)
    return Aligned(table, pd.DataFrame(scales, columns=["lap", "run_m", "scale", "basis"]))


class _Lap:
    """One lap's samples of time and of the distance run since its start, scaled to the circuit."""

    def __init__(self, span: tuple[float, float], motion: Motion, length_m: float) -> None:
        self.start_s, self.end_s = span
        self.length_m = length_m
        inside = (motion.time_s > span[0]) & (motion.time_s < span[1])
        self.time_s = np.concatenate([[span[0]], motion.time_s[inside], [span[1]]])
        run = np.interp(self.time_s, motion.time_s, motion.run_m)
        self.run_m = max(float(run[-1] - run[0]), 1e-9)
        self._run = run - run[0]

    def distance_m(self) -> FloatArray:
        scaled: FloatArray = self._run * self.length_m / self.run_m
        return scaled


class _Paths:
    """The path of the lap with the most fixes, on which others are projected."""

    def __init__(self, channels: pd.DataFrame, laps: Sequence[_Lap]) -> None:
        self.reference: FloatArray | None = None
        if not laps:
            return
        self.track = track_amid(channels)
        t = self.track.time_s
        counts = [int(((t >= lap.start_s) & (t <= lap.end_s)).sum()) for lap in laps]
        usual = float(np.median([lap.end_s - lap.start_s for lap in laps]))
        whole = [
            n if lap.end_s - lap.start_s < 1.15 * usual else 0
            for n, lap in zip(counts, laps, strict=True)
        ]
        best = laps[int(np.argmax(whole))]
        if max(whole) < 20:
            return
        self.spacing_m = best.length_m / max(20, round(best.length_m / REFERENCE_M))
        self.grid = np.arange(0.0, best.length_m + 0.5 * self.spacing_m, self.spacing_m)
        inside = (t >= best.start_s - 1) & (t <= best.end_s + 1)
        at = np.interp(t[inside], best.time_s, best.distance_m())
        self.reference = np.array(
            [np.interp(self.grid, at, x[inside]) for x in (self.track.along_m, self.track.across_m)]
        )

    def corrected(self, lap: _Lap, distance: FloatArray) -> FloatArray | None:
        """Return a lap's distance moved to where its positions lie along the reference."""
        if self.reference is None:
            return None
        inside = (self.track.time_s >= lap.start_s) & (self.track.time_s <= lap.end_s)
        if inside.sum() < 20:
            return None
        t = self.track.time_s[inside]
        places = np.array([self.track.along_m[inside], self.track.across_m[inside]])
        supposed = np.interp(t, lap.time_s, distance)
        off = np.array([self._off(p, s) for p, s in zip(places.T, supposed, strict=True)])
        seen = np.isfinite(off)
        if seen.sum() < 0.5 * len(off):
            return None
        smooth = _smoothed(supposed[seen], off[seen])
        # the line bounds the lap: no correction at its ends
        smooth *= np.clip(
            np.minimum(supposed[seen], lap.length_m - supposed[seen]) / SMOOTH_M, 0, 1
        )
        moved = distance + np.interp(distance, supposed[seen], smooth)
        return np.maximum.accumulate(np.clip(moved, 0.0, lap.length_m))

    def _off(self, place: FloatArray, supposed_m: float) -> float:
        """Return how far along the reference a position lies from where it is supposed to."""
        assert self.reference is not None
        low = int(max(0, (supposed_m - SEARCH_M) // self.spacing_m))
        high = int(min(len(self.grid) - 1, (supposed_m + SEARCH_M) // self.spacing_m + 1))
        begin = self.reference[:, low:high]
        step = self.reference[:, low + 1 : high + 1] - begin
        away = place[:, None] - begin
        size = np.maximum(np.sum(step**2, axis=0), 1e-9)
        share = np.clip(np.sum(away * step, axis=0) / size, 0.0, 1.0)
        gaps = np.hypot(*(away - share * step))
        best = int(np.argmin(gaps))
        if gaps[best] > PATH_NEAR_M:
            return float("nan")
        return float(self.grid[low + best] + share[best] * self.spacing_m - supposed_m)


def _smoothed(at_m: FloatArray, off_m: FloatArray) -> FloatArray:
    """Return a running mean over `SMOOTH_M` of distance."""
    low = np.searchsorted(at_m, at_m - SMOOTH_M / 2)
    high = np.searchsorted(at_m, at_m + SMOOTH_M / 2, side="right")
    total = np.concatenate([[0.0], np.cumsum(off_m)])
    mean: FloatArray = (total[high] - total[low]) / (high - low)
    return mean


def _chosen(channels: pd.DataFrame, names: Sequence[str] | None) -> list[str]:
    if names is None:
        return [c for c in channels.columns if c != "time_s"]
    missing = [name for name in names if name not in channels]
    if missing:
        raise InputError(
            f"channel {missing[0]!r} is not in the log",
            rule=f"it has {', '.join(channels.columns)}",
            next_step="Choose among these, or map it in [log].",
        )  # fmt: skip
    return [name for name in names if name != "time_s"]


def _sampled(
    channels: pd.DataFrame, chosen: Sequence[str], lap: _Lap, distance: FloatArray, grid: FloatArray
) -> pd.DataFrame:
    """Return the channels at each distance of a lap."""
    rising = np.concatenate([[True], np.diff(distance) > 0])
    at = np.interp(grid, distance[rising], lap.time_s[rising])
    time_s = channels["time_s"].to_numpy()
    data: dict[str, FloatArray] = {"distance_m": grid, "time_s": at - lap.start_s}
    for name in chosen:
        values = channels[name].to_numpy(dtype=np.float64)
        good = np.isfinite(values)
        if not good.any():
            data[name] = np.full(len(grid), np.nan)
            continue
        t, v = time_s[good], values[good]
        after = np.clip(np.searchsorted(t, at), 1, max(1, len(t) - 1))
        covered = (at >= t[0]) & (at <= t[-1])
        if len(t) > 1:
            on_sample = (t[after] == at) | (t[after - 1] == at)
            covered &= (t[after] - t[after - 1] <= GAP_S) | on_sample
        data[name] = np.where(covered, np.interp(at, t, v), np.nan)
    return pd.DataFrame(data)
