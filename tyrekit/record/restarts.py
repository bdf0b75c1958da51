"""A log in pieces: time begins again where a logger lost power, and the gap's length is unknown."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.record.chain import NEAR
from tyrekit.record.crossings import find_crossings
from tyrekit.record.logs import LogData
from tyrekit.record.motion import MOVING_MPS, Motion, motion_of
from tyrekit.record.parts import Circuit
from tyrekit.record.pulses import Crossings

FloatArray = NDArray[np.float64]


class Gap(NamedTuple):
    """Time in which nothing was recorded, between two pieces of one log.

    `missing_s` and `missing_m` are the least that makes the laps across it whole; `laps` are the
    numbers of those laps.
    """

    start_s: float
    end_s: float
    missing_s: float = 0.0
    missing_m: float = float("nan")
    laps: tuple[int, ...] = ()


def gaps_of(channels: pd.DataFrame, restarts: Sequence[float]) -> list[Gap]:
    """Return the gaps within some channels, by when each later piece begins, s."""
    time_s = channels["time_s"].to_numpy()
    at = np.searchsorted(time_s, np.asarray(restarts, dtype=np.float64) - 1e-9)
    return [Gap(float(time_s[i - 1]), float(time_s[i])) for i in at if 0 < i < len(time_s)]


def outside(found: Crossings, gaps: Sequence[Gap]) -> Crossings:
    """Return crossings without those a gap feigns: a counter set back, a place moved to."""
    within = np.zeros(len(found.time_s), dtype=bool)
    for gap in gaps:
        within |= (found.time_s > gap.start_s) & (found.time_s <= gap.end_s)
    return replace(found, time_s=found.time_s[~within], se_s=found.se_s[~within])


def laid_out(log: LogData, circuit: Circuit) -> LogData:
    """Return a log whose later pieces lie so much later that the laps across the gaps are whole.

    Notes
    -----
    How long the logger was off it does not say. From the last crossing before a gap to the first
    after it a whole number of laps was run: what lacks to the next one, at the mean of the speeds
    on either side, is the least that passed. With no speed there, or no crossing, none is added.
    """
    channels = log.channels
    gaps = gaps_of(channels, log.restarts)
    if not gaps:
        return log
    motion = motion_of(channels)
    found = find_crossings(channels, motion, circuit)
    at = outside(found, gaps).time_s if found is not None else np.empty(0)
    time_s = channels["time_s"].to_numpy().copy()
    restarts = []
    for gap in gaps:
        late = channels["time_s"].to_numpy() >= gap.end_s
        time_s[late] += _least_s(gap, motion, at, circuit.length_m)
        restarts.append(float(time_s[late][0]))
    return replace(log, channels=channels.assign(time_s=time_s), restarts=tuple(restarts))


def _least_s(gap: Gap, motion: Motion, at: FloatArray, length_m: float) -> float:
    """Return the least time that makes a whole number of laps of what was run about a gap."""
    before, after = at[at <= gap.start_s], at[at >= gap.end_s]
    if not motion.known or not len(before) or not len(after):
        return 0.0
    mean_mps = float(np.mean(motion.speed_at(np.array([gap.start_s, gap.end_s]))))
    share = motion.distance_m(float(before[-1]), float(after[0])) / length_m
    missing_m = max(0.0, max(1.0, np.ceil(share - NEAR)) - share) * length_m
    return missing_m / mean_mps if mean_mps > MOVING_MPS else 0.0


def stood_over(channels: pd.DataFrame, restarts: Sequence[float]) -> list[float]:
    """Return when those pieces begin before which the car stood, as between two runs."""
    motion = motion_of(channels)
    speeds = {
        g.end_s: motion.speed_at(np.array([g.start_s, g.end_s]))
        for g in gaps_of(channels, restarts)
    }
    return [after for after, speed in speeds.items() if (speed < MOVING_MPS).all()]


def across(
    laps: pd.DataFrame, gaps: Sequence[Gap], first_s: float, motion: Motion, sample_s: float
) -> list[Gap]:
    """Return the gaps with what is missing and the laps across them.

    Parameters
    ----------
    laps : DataFrame
        `lap`, `start_s` and `lap_time_s`.
    gaps : sequence of Gap
        Within the run.
    first_s : float
        The log's clock where `start_s` is 0.
    motion : Motion
        Of the run.
    sample_s : float
        Time between samples, s.
    """
    begun_s = laps["start_s"] + first_s
    ended_s = begun_s + laps["lap_time_s"]
    told = []
    for gap in gaps:
        over = (begun_s < gap.end_s) & (ended_s > gap.start_s)
        missing_s = max(0.0, gap.end_s - gap.start_s - sample_s)
        missing_m = motion.distance_m(gap.start_s, gap.end_s) if missing_s else float("nan")
        numbers = tuple(int(lap) for lap in laps.loc[over, "lap"])
        told.append(gap._replace(missing_s=missing_s, missing_m=missing_m, laps=numbers))
    return told
