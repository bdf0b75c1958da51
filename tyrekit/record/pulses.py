"""Crossings of the line that a logger marks: beacon pulses, a lap counter, times of crossing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
SAME_SIGNAL_S = 3.0  # signals nearer than this are one crossing seen twice
SLOWEST_PERIOD_S = 2.0  # a counter may be refreshed as seldom as this
BY_CHANCE = 0.01  # signals on one slow beat are taken for it when chance does so this rarely
LEAST_SE_S = 0.001  # of a time that a beacon stamped: its beam is no line; common practice
TIMED_SHARE = 0.8  # of the signals must agree on what their value means


@dataclass(frozen=True)
class Crossings:
    """Times over the line with standard errors; `way` says how: beacon, lap, time or position."""

    time_s: FloatArray
    se_s: FloatArray
    way: str
    notes: tuple[str, ...] = ()


def marked(channels: pd.DataFrame, way: str, lock_out_s: float = SAME_SIGNAL_S) -> Crossings:
    """Return the crossings a channel marks.

    Parameters
    ----------
    channels : DataFrame
        `time_s` and the channel.
    way : str
        ``beacon`` (pulses of any level and length, resting low or high), ``lap`` (its rises) or
        ``crossing_s`` (the logger's time of the latest crossing, the time since it, or the time
        of the lap it ended; which of them is found from the values).
    lock_out_s : float
        Signals so soon after another are passed over.

    Notes
    -----
    Where the channel carries no time the crossing lies anywhere between two samples of it: the
    middle is taken, with the standard error of an even spread, period / sqrt(12).
    """
    time_s, values = _recorded(channels, way)
    if len(time_s) < 2:
        return Crossings(np.empty(0), np.empty(0), _named(way))
    stamped = _stamped(time_s, values)
    if stamped is not None:
        return stamped if way == "crossing_s" else Crossings(*_bare(stamped), way, stamped.notes)
    if way == "crossing_s":
        words = "channel crossing_s agrees with no crossing: neither its time nor the lap's"
        return Crossings(np.empty(0), np.empty(0), "time", (words,))
    at, notes = _signals(values, way)
    kept = locked_out(time_s[at], lock_out_s)
    if len(kept) < len(at):
        notes.append(f"{len(at) - len(kept)} {way} signals too soon after another are passed over")
    period, beat = _period(time_s, at)
    if beat:
        notes.append(f"the {way} channel is refreshed every {beat:.2g} s, slower than the log")
    time = time_s[at] - 0.5 * period
    return Crossings(time[kept], period[kept] / np.sqrt(12), way, tuple(notes))


def locked_out(times: FloatArray, lock_out_s: float) -> NDArray[np.intp]:
    """Return which of rising times are kept when each shuts out those soon after it."""
    kept: list[int] = []
    for i, time in enumerate(times):
        if not kept or time - times[kept[-1]] >= lock_out_s:
            kept.append(i)
    return np.array(kept, dtype=np.intp)


def _named(way: str) -> str:
    return "time" if way == "crossing_s" else way


def _bare(found: Crossings) -> tuple[FloatArray, FloatArray]:
    return found.time_s, found.se_s


def _recorded(channels: pd.DataFrame, way: str) -> tuple[FloatArray, FloatArray]:
    """Return the samples at which the channel was recorded.

    A beacon that records nothing but its pulses rests at zero in between.
    """
    time_s = channels["time_s"].to_numpy()
    values = channels[way].to_numpy(dtype=np.float64)
    good = np.isfinite(values)
    if way == "beacon" and good.any() and np.ptp(values[good]) == 0 and not good.all():
        return time_s, np.where(good, np.abs(values), 0.0)
    return time_s[good], values[good]


def _signals(values: FloatArray, way: str) -> tuple[NDArray[np.intp], list[str]]:
    """Return the samples at which a signal begins."""
    if way == "lap":
        level = np.floor(values + 0.5)
        fell = int((np.diff(level) < 0).sum())
        words = f"the lap counter falls {fell} times; only its rises are laps"
        return np.flatnonzero(np.diff(level) > 0) + 1, [words] if fell else []
    low, high = float(values.min()), float(values.max())
    on = values > 0.5 * (low + high) if high > low else np.zeros(len(values), dtype=bool)
    if on.mean() > 0.5:  # it rests high: the pulse is where it drops
        on = ~on
    return np.flatnonzero(np.diff(on.astype(np.int8)) > 0) + 1, []


def _period(time_s: FloatArray, at: NDArray[np.intp]) -> tuple[FloatArray, float]:
    """Return for each signal the time in which it arose, and the slow beat it keeps, or 0.

    A counter may be refreshed more slowly than the log and held in between: its steps then all
    fall on one beat, which steps of a quick counter do only by chance.
    """
    period = time_s[at] - time_s[at - 1]
    if len(at) < 4:
        return period, 0.0
    sample_s = float(np.median(np.diff(time_s)))
    tried = range(2, max(3, int(SLOWEST_PERIOD_S / sample_s) + 1))
    # a beat of k samples is kept by n steps in a row with the chance k^(1 - n)
    beats = [k for k in tried if len(set((at % k).tolist())) == 1]
    if beats and len(tried) * float(beats[-1]) ** (1 - len(at)) < BY_CHANCE:
        return np.maximum(period, beats[-1] * sample_s), beats[-1] * sample_s
    return period, 0.0


def _stamped(time_s: FloatArray, values: FloatArray) -> Crossings | None:
    """Return crossings whose times the values carry, or None when they carry none."""
    at = np.flatnonzero(np.diff(values) != 0) + 1
    if not len(at):
        return None
    clock = _clock_stamps(time_s, values, at)
    return clock or _running_time(time_s, values) or _lap_times(time_s, values, at)


def _clock_stamps(time_s: FloatArray, values: FloatArray, at: NDArray[np.intp]) -> Crossings | None:
    """Crossings whose time on the logger's clock the channel gives, held or as a pulse."""
    at = at[values[at] != 0]  # the end of a pulse is no stamp
    if not len(at):
        return None
    late = time_s[at] - values[at]
    step = time_s[at] - time_s[at - 1]
    if np.mean((late >= -1e-6) & (late <= 2 * step + 1.0)) < TIMED_SHARE or values[at].min() < 1:
        return None
    stamps = np.unique(values[at][(late >= -1e-6) & (late <= 2 * step + 1.0)])
    if len(stamps) < 2:  # one may be a level that looks like a time
        return None
    words = "the channel carries the time of crossing"
    return Crossings(stamps, _resolution(stamps), "time", (words,))


def _running_time(time_s: FloatArray, values: FloatArray) -> Crossings | None:
    """Crossings from the time since the latest one, which runs with the clock and falls back."""
    rise, step = np.diff(values), np.diff(time_s)
    falls = np.flatnonzero(rise < -SAME_SIGNAL_S) + 1
    runs = np.abs(rise - step) < 0.02 * step + 2e-3
    if not len(falls) or np.mean(runs) < TIMED_SHARE:
        return None
    begun = time_s[falls] - values[falls]
    good = (values[falls] >= 0) & (begun > time_s[falls - 1] - 1e-6)
    words = "the channel carries the time since the crossing"
    return Crossings(begun[good], _resolution(values[falls][good]), "time", (words,))


def _lap_times(time_s: FloatArray, values: FloatArray, at: NDArray[np.intp]) -> Crossings | None:
    """Crossings from the time of each lap ended, shown at the first sample after its end."""
    if len(at) < 3:
        return None
    gaps, laps = np.diff(time_s[at]), values[at][1:]
    step = float(np.median(np.diff(time_s)))
    fits = np.abs(gaps - laps) < 2 * step + 1e-6
    if np.mean(fits) < TIMED_SHARE or not fits.any():
        return None
    times = time_s[at] - 0.5 * step
    # laps in a row that fit are laid end to end, and as a whole midway between their samples
    for run in np.split(np.arange(len(at)), np.flatnonzero(~fits) + 1):
        laid = np.concatenate([[0.0], np.cumsum(values[at[run[1:]]])])
        times[run] = laid + np.mean(times[run] - laid)
    words = "the channel carries the time of each lap"
    return Crossings(times, _resolution(values[at]), "time", (words,))


def _resolution(values: FloatArray) -> FloatArray:
    """Return the standard error that the digits of given times leave."""
    digits = next((d for d in range(5) if np.allclose(np.round(values, d), values, atol=1e-7)), 6)
    return np.full(len(values), max(LEAST_SE_S, 10.0**-digits / np.sqrt(12)))
