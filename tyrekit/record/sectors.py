"""Sector times: when each lap crossed the split lines of event.toml."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.record.crossings import has_position
from tyrekit.record.line import over_line
from tyrekit.record.motion import Motion
from tyrekit.record.parts import Circuit, Split
from tyrekit.record.segments import Segment

FloatArray = NDArray[np.float64]
NEAR = 0.1  # of a lap: a split crossed farther from its place is another crossing


class Sectors(NamedTuple):
    """`table` has `sector_1_s` ..., a row per lap; `notes` say how, and what was missed."""

    table: pd.DataFrame
    notes: tuple[str, ...]


def sector_times(
    channels: pd.DataFrame, motion: Motion, circuit: Circuit, laps: Sequence[Segment]
) -> Sectors:
    """Return the sector times of each lap.

    A split with a line on the ground is timed by position, one with a distance alone where that
    share of the lap's distance is run. Sectors of a lap add up to its time; those beside a split
    that was not seen are NaN, as are all of a lap that the line does not bound.
    """
    table = pd.DataFrame(index=range(len(laps)))
    if not circuit.splits or not laps:
        return Sectors(table, ())
    notes: list[str] = []
    starts, ends = np.array([s.start_s for s in laps]), np.array([s.end_s for s in laps])
    bounds = [starts]
    for i, split in enumerate(circuit.splits):
        times, how = _crossed(channels, motion, circuit, split, laps)
        times = np.where(times > np.fmax.reduce(bounds), times, np.nan)
        bounds.append(times)
        name = split.name or f"split {i + 1}"
        missed = [k + 1 for k, s in enumerate(laps) if s.whole and np.isnan(times[k])]
        notes.append(f"{name} is timed by {how}")
        if missed:
            notes.append(f"{name} was not crossed on lap {', '.join(map(str, missed))}")
    edges = np.array([*bounds, ends])
    outer = np.array([not s.whole for s in laps])
    for k in range(len(edges) - 1):
        table[f"sector_{k + 1}_s"] = np.where(outer, np.nan, edges[k + 1] - edges[k])
    return Sectors(table, tuple(notes))


def _crossed(
    channels: pd.DataFrame, motion: Motion, circuit: Circuit, split: Split, laps: Sequence[Segment]
) -> tuple[FloatArray, str]:
    """Return when each lap crossed a split, NaN where it did not, and by what."""
    if split.line is not None and has_position(channels):
        found = over_line(channels, motion, split.line).time_s
        return np.array([_only(found, motion, circuit, split, s) for s in laps]), "position"
    if split.distance_m is None or not motion.known:
        return np.full(len(laps), np.nan), "nothing: the log has no position and no distance"
    share = split.distance_m / circuit.length_m
    times = [
        _time_of(motion, s, share) if s.whole and abs(s.share - 1) < 0.08 else np.nan for s in laps
    ]
    return np.array(times), "distance"


def _only(found: FloatArray, motion: Motion, circuit: Circuit, split: Split, lap: Segment) -> float:
    """Return the one crossing within a lap, near the split's distance where that is known."""
    inside = found[(found > lap.start_s) & (found < lap.end_s)]
    if split.distance_m is not None and motion.known and np.isfinite(lap.share):
        share = split.distance_m / circuit.length_m
        run = np.array([motion.distance_m(lap.start_s, float(t)) for t in inside])
        inside = inside[np.abs(run / max(lap.run_m, 1.0) * lap.share - share) < NEAR]
    return float(inside[0]) if len(inside) == 1 else float("nan")


def _time_of(motion: Motion, lap: Segment, share: float) -> float:
    begun, ended = np.interp([lap.start_s, lap.end_s], motion.time_s, motion.run_m)
    return float(np.interp(begun + share * (ended - begun), motion.run_m, motion.time_s))
