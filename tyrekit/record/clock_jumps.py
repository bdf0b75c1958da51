"""A logger's clock within one log: whether it was set while the car was moving."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.record.event import StartFinish
from tyrekit.record.motion import fixes, on_plane

FloatArray = NDArray[np.float64]
RUNNING_MPS = 10.0
LEAST_GAP_S, GAP_SAMPLES = 1.0, 5.0
STEP_M = 10.0  # a receiver's error between two samples, with room
DATED_S = 1e8  # larger than any time since switching on: seconds since 1970 [ISO8601]


class Jump(NamedTuple):
    """The clock went forward (or back: negative) by `by_s` at `at_s` of the run.

    `seen` is whether position shows that the car did not move on meanwhile; else samples may be
    missing instead.
    """

    at_s: float
    by_s: float
    seen: bool


def jumps(
    channels: pd.DataFrame, sample_s: float, *, backward_rows: int, first_s: float
) -> tuple[Jump, ...]:
    """Return where a log's clock was set while the car ran.

    Parameters
    ----------
    channels : DataFrame
        time_s, speed_mps and, to be sure, position.
    sample_s : float
        Usual time between samples, s.
    backward_rows : int
        Rows passed over because time fell: only then the clock can have gone back.
    first_s : float
        The log's time at the car's first movement, from which `at_s` counts.
    """
    if "speed_mps" not in channels or len(channels) < 3:
        return ()
    time_s, speed = channels["time_s"].to_numpy(), channels["speed_mps"].to_numpy()
    step_s = np.diff(time_s)
    pace = 0.5 * (speed[1:] + speed[:-1])
    ran = np.minimum(speed[1:], speed[:-1]) > RUNNING_MPS
    ahead = ran & (step_s > max(LEAST_GAP_S, GAP_SAMPLES * sample_s))
    if not ahead.any() and not backward_rows:
        return ()
    moved = _moved_m(channels)
    within = STEP_M + 2 * pace * sample_s
    found = [
        Jump(float(time_s[i]) - first_s, float(step_s[i] - sample_s), bool(np.isfinite(moved[i])))
        for i in np.flatnonzero(ahead)
        if not np.isfinite(moved[i]) or moved[i] < min(within[i], pace[i] * step_s[i] / 2)
    ]
    if backward_rows:
        lost = moved / np.maximum(pace, RUNNING_MPS) - step_s
        back = ran & (lost > 0.5) & (step_s < GAP_SAMPLES * sample_s) & (moved > 3 * within)
        places = np.flatnonzero(back)
        # the way round a bend is longer than the straight: one jump is as long as its lost rows
        by_s = lost[places] if len(places) > 1 else [backward_rows * sample_s] * len(places)
        found += [
            Jump(float(time_s[i]) - first_s, -float(by), True)
            for i, by in zip(places, by_s, strict=True)
        ]
    return tuple(sorted(found))


def _moved_m(channels: pd.DataFrame) -> FloatArray:
    """Return the straight distance from each sample to the next; NaN where it is unknown."""
    unknown = np.full(len(channels) - 1, np.nan)
    if not {"latitude_deg", "longitude_deg"} <= set(channels.columns):
        return unknown
    at = fixes(channels)
    if len(at) < 2:
        return unknown
    latitude, longitude = (channels[n].to_numpy() for n in ("latitude_deg", "longitude_deg"))
    middle = StartFinish(
        latitude_deg=float(latitude[at[0]]), longitude_deg=float(longitude[at[0]]), heading_deg=0.0
    )
    north, east = on_plane(latitude, longitude, middle)
    moved: FloatArray = np.hypot(np.diff(north), np.diff(east))
    good = np.isin(np.arange(len(channels)), at)
    return np.where(good[1:] & good[:-1], moved, np.nan)
