"""What the channels of one run looked like: range, how long they held a value, where they fell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
RUNNING_MPS = 15.0  # faster than this the car is on the track and nothing it logs stands still


@dataclass(frozen=True)
class ChannelHealth:
    """One channel over the time the car was running.

    Attributes
    ----------
    name : str
        Our name.
    low, high, median : float
        NaN when nothing was recorded.
    held_s, usual_held_s : float
        The longest and the usual time for which the value did not change, s.
    held_from_s : float
        When the longest hold began, s of the log's clock.
    falls : tuple of (float, float)
        When a value fell, s of the log's clock, and by how much.
    """

    name: str
    low: float
    high: float
    median: float
    held_s: float
    usual_held_s: float
    held_from_s: float
    falls: tuple[tuple[float, float], ...] = ()

    @property
    def constant(self) -> bool:
        """Whether it never changed, or was never recorded."""
        return not self.high > self.low


def health_of(channels: pd.DataFrame) -> dict[str, ChannelHealth]:
    """Return channel name -> its health, for every channel but the time."""
    if len(channels) < 2:
        return {}
    time_s = channels["time_s"].to_numpy(dtype=np.float64)
    running = _running(channels)
    names = [name for name in channels.columns if name != "time_s"]
    return {name: _health(name, time_s, channels[name].to_numpy(), running) for name in names}


def _running(channels: pd.DataFrame) -> NDArray[np.bool_]:
    """Return the samples at which the car ran; all when no speed tells."""
    if "speed_mps" not in channels:
        return np.ones(len(channels), dtype=bool)
    running: NDArray[np.bool_] = channels["speed_mps"].to_numpy() > RUNNING_MPS
    return running if running.mean() > 0.05 else np.ones(len(channels), dtype=bool)


def _health(
    name: str, time_s: FloatArray, values: FloatArray, running: NDArray[np.bool_]
) -> ChannelHealth:
    at = running & np.isfinite(values)
    if at.sum() < 2:
        nothing = float("nan")
        return ChannelHealth(name, nothing, nothing, nothing, 0.0, 0.0, 0.0)
    seen, times = values[at], time_s[at]
    # a hold ends where the value changes or the car stops running
    gap = np.diff(times) > 3 * float(np.median(np.diff(times)))
    edges = np.flatnonzero((np.diff(seen) != 0) | gap)
    starts, ends = np.concatenate([[0], edges + 1]), np.concatenate([edges, [len(seen) - 1]])
    held = times[ends] - times[starts]
    longest = int(np.argmax(held))
    return ChannelHealth(
        name, float(seen.min()), float(seen.max()), float(np.median(seen)), float(held[longest]),
        float(np.median(held)), float(times[starts[longest]]), _falls(time_s, values),
    )  # fmt: skip


def _falls(time_s: FloatArray, values: FloatArray) -> tuple[tuple[float, float], ...]:
    """Return the larger falls of a channel that otherwise only rises; none for any other."""
    good = np.isfinite(values)
    step = np.diff(values[good])
    rising = step[step > 0]
    if not len(rising) or (step < 0).sum() > 0.02 * len(rising):
        return ()
    least = max(20 * float(np.median(rising)), 0.02 * float(rising.sum()))
    at = np.flatnonzero(step < -least)
    return tuple((float(time_s[good][i + 1]), float(-step[i])) for i in at)
