"""When the car crossed the start/finish line: the surest way a log offers, others filling in."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.record.chain import likely_times
from tyrekit.record.line import over_line
from tyrekit.record.motion import Motion
from tyrekit.record.parts import Circuit
from tyrekit.record.pulses import SAME_SIGNAL_S, Crossings, locked_out, marked
from tyrekit.record.receiver import with_wander

__all__ = ["Crossings", "find_crossings"]

FloatArray = NDArray[np.float64]
FASTEST_MPS = 70.0  # mean speed of a lap no car of this kind reaches
LEAST_LAPS = 3  # from which a log has a usual lap
BOUNCE_S = 0.3  # a contact that bounces gives signals as near as this
SAME_CROSSING_S = 2.0  # two ways that differ by less, their usual lag apart, saw one crossing
MARKS = ("crossing_s", "beacon", "lap")


def find_crossings(channels: pd.DataFrame, motion: Motion, circuit: Circuit) -> Crossings | None:
    """Return the crossings of the line by the surest way the log offers.

    Of the ways that see (nearly) all the crossings the one with the smallest standard error
    counts; what it missed and another way saw is filled in, shifted by their usual lag. None
    when the log has no mark of the line, and no position with a known line.
    """
    ways = [marked(channels, way, BOUNCE_S) for way in MARKS if way in channels]
    if not motion.known:  # a distance tells false signals from true ones; else only time can
        ways = [_by_time(way, circuit.length_m) for way in ways]
    if has_position(channels) and circuit.start_finish is not None:
        placed = over_line(channels, motion, circuit.start_finish)
        ways.append(with_wander(placed, channels, motion))
    if not ways:
        return None
    best = _surest(ways, motion, circuit)
    counts = {w.way: len(w.time_s) for w in ways}
    if len(set(counts.values())) > 1:
        told = ", ".join(f"{way} {n}" for way, n in counts.items())
        words = f"crossings of the line differ ({told}): {best.way} is used"
        best = Crossings(best.time_s, best.se_s, best.way, (*best.notes, words))
    for other in ways:
        if other.way != best.way and motion.known:
            best = _filled(best, other)
    return best


def _by_time(found: Crossings, length_m: float) -> Crossings:
    """Return crossings without the signals at which, by the times of the laps, no lap ends."""
    times = found.time_s
    kept = locked_out(times, 0.6 * length_m / FASTEST_MPS).tolist()
    if len(kept) > LEAST_LAPS:
        kept = likely_times(times, float(np.median(np.diff(times[kept]))))
    gone = np.delete(times, kept)
    if not len(gone):
        return found
    soon = np.abs(gone[:, None] - times[kept][None, :]).min(axis=1) < SAME_SIGNAL_S
    words = f"{len(gone)} {found.way} signals too soon after another are passed over"
    if not soon.all():
        words = (
            f"a crossing too many: {int((~soon).sum())} {found.way} signal(s) at which, by its"
            " time, no lap ends are passed over"
        )
    return Crossings(times[kept], found.se_s[kept], found.way, (*found.notes, words))


def has_position(channels: pd.DataFrame) -> bool:
    """Whether a log has position channels."""
    return {"latitude_deg", "longitude_deg"} <= set(channels.columns)


def _surest(ways: Sequence[Crossings], motion: Motion, circuit: Circuit) -> Crossings:
    most = max(len(w.time_s) for w in ways)
    if motion.known:  # false signals make a way no better
        most = min(most, max(1, int(motion.run_m[-1] / circuit.length_m)))
    full = [w for w in ways if len(w.time_s) >= 0.9 * most] or list(ways)
    return min(full, key=lambda w: float(np.mean(w.se_s)) if len(w.se_s) else np.inf)


def _filled(best: Crossings, other: Crossings) -> Crossings:
    """Return crossings with those that only the other way saw."""
    if len(best.time_s) < 3 or len(other.time_s) < 3:
        return best
    apart = other.time_s[:, None] - best.time_s[None, :]
    nearest = apart[np.arange(len(apart)), np.argmin(np.abs(apart), axis=1)]
    seen = np.abs(nearest) < SAME_CROSSING_S
    lacking = ~seen & _in_gaps(best.time_s, other.time_s)
    if seen.sum() < 3 or not lacking.any():
        return best
    lag_s = float(np.median(nearest[seen]))
    scatter_s = float(np.std(nearest[seen]))
    time = np.concatenate([best.time_s, other.time_s[lacking] - lag_s])
    se = np.concatenate([best.se_s, np.hypot(other.se_s[lacking], scatter_s / np.sqrt(seen.sum()))])
    order = np.argsort(time)
    words = f"{int(lacking.sum())} crossings that {best.way} missed are taken from {other.way}"
    return Crossings(time[order], se[order], best.way, (*best.notes, words))


def _in_gaps(times: FloatArray, others: FloatArray) -> NDArray[np.bool_]:
    """Whether other times lie where these leave out more than half a usual lap."""
    usual = float(np.median(np.diff(times)))
    after = np.searchsorted(times, others)
    edged = np.concatenate([[-np.inf], times, [np.inf]])
    before_s, after_s = others - edged[after], edged[after + 1] - others
    lacking: NDArray[np.bool_] = np.minimum(before_s, after_s) > 0.4 * usual
    return lacking
