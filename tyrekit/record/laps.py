"""A run's channels cut into laps: time, kind, fuel and what the sensors said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.record.crossings import Crossings, find_crossings, has_position
from tyrekit.record.event import Circuit, Session
from tyrekit.record.injectors import NOTE, has_injectors, injector_flow_l_per_h
from tyrekit.record.kinds import Kind, kinds_of
from tyrekit.record.line import sideways_at
from tyrekit.record.motion import integral, motion_of
from tyrekit.record.pace import with_pace
from tyrekit.record.pit_lane import LANE_MOST_MPS, STOOD_S
from tyrekit.record.restarts import Gap, across, gaps_of, outside, stood_over
from tyrekit.record.sectors import sector_times
from tyrekit.record.segments import JOINED, Segment, segments
from tyrekit.terms import CORNERS

FloatArray = NDArray[np.float64]
OVER_A_GAP = "the log begins again on it: its time and fuel are not known"
LAST_S = 10.0  # the end of a lap over which hot pressures are averaged
SAME_LAP_S = 1.0  # a time by hand and the log's may differ so much and be of one lap
SPLIT_REACH_S = 300.0
NEEDED = (
    "time_s", "lap", "beacon", "crossing_s", "latitude_deg", "longitude_deg", "speed_mps",
    "fuel_flow_l_per_h", "fuel_used_l", "fuel_c", "air_c", "track_c",
    *(f"tyre_pressure_{corner}_bar" for corner in CORNERS),
    *(f"wheel_speed_{corner}_mps" for corner in CORNERS),
)  # fmt: skip
CUT_COLUMNS = (
    "lap", "start_s", "lap_time_s", "lap_time_se_s", "kind", "reason", "rule", "run_m",
    "fuel_used_l", "fuel_used_before_l", "fuel_c", "air_c", "track_c",
    *(f"hot_{c}_bar" for c in CORNERS),
)  # fmt: skip


@dataclass(frozen=True)
class Cut:
    """A run's log cut into laps.

    Attributes
    ----------
    laps : DataFrame
        One row per lap, `CUT_COLUMNS`; `start_s` counts from the car's first movement. Where
        event.toml has split lines also `sector_1_s` ..., NaN beside a split that was missed.
    duration_s : float
        From the car's first movement to its last, s.
    recorded_s : float
        From the car's first movement to the end of the log, s.
    fuel_l : float
        The logger's litres over the whole run; NaN without a fuel channel, or where a part of
        the run is not in the log.
    counter_l : float
        The same by the logger's own counter, where there is a flow channel as well.
    run_km : float
        Distance run; NaN when unknown.
    way : str
        How the laps were found: time (of crossing, given by a channel), beacon, lap, position,
        or empty.
    notes : tuple of str
        What was inferred or repaired.
    gaps : tuple of Gap
        Where the log began again within the run.
    first_mps, last_mps : float
        Speed at the log's first and last sample, m/s; NaN when unknown.
    """

    laps: pd.DataFrame
    duration_s: float
    recorded_s: float
    fuel_l: float
    counter_l: float
    run_km: float
    way: str
    notes: tuple[str, ...]
    gaps: tuple[Gap, ...] = ()
    first_mps: float = float("nan")
    last_mps: float = float("nan")


def cut(
    channels: pd.DataFrame,
    circuit: Circuit,
    session: Session,
    *,
    sample_s: float,
    first_run: bool = True,
    race_laps_run: int = 0,
    raced_s: float = 0.0,
    restarts: Sequence[float] = (),
) -> Cut:
    """Return the laps of one run.

    Parameters
    ----------
    channels : DataFrame
        The run's channels under our names, at least `time_s`, strictly rising.
    circuit, session : Circuit, Session
        Where and in what the run was made.
    sample_s : float
        Time between samples, s.
    first_run : bool
        Whether it is its session's first run: a race's begins on the grid.
    race_laps_run, raced_s : int, float
        Race laps of earlier runs in the same race, and time since its start, s.
    restarts : sequence of float
        When each later piece of the log begins, s of its clock.
    """
    if len(channels) < 2:
        return _no_running()
    motion = motion_of(channels)
    crossings = find_crossings(channels, motion, circuit)
    notes = () if crossings is not None else ("the log has no way to find laps",)
    gaps = gaps_of(channels, restarts)
    found = outside(crossings or Crossings(np.empty(0), np.empty(0), ""), gaps)
    aside = _sideways(channels, circuit, found)
    stretches = segments(motion, found, circuit.length_m, sample_s=sample_s, sideways_m=aside)
    runs = with_pace(stretches, motion)
    kinds = kinds_of(
        runs, session, first_run=first_run, race_laps_run=race_laps_run, raced_s=raced_s
    )
    first, last = motion.moving()
    used = litres(channels)
    sectors = sector_times(channels, motion, circuit, runs)
    odd = [s.note for s in runs if s.note and not any(_on(s, gap) for gap in gaps)]
    notes = (*notes, *found.notes, *odd, *sectors.notes)
    notes = (*notes, *_stops(runs, kinds), *((NOTE,) if has_injectors(channels) else ()))
    laps = _table(channels, runs, kinds, used, first).join(sectors.table)
    gaps = across(laps, gaps, first, motion, sample_s)
    ends_mps = float(motion.speed_mps[0]), float(motion.speed_mps[-1])
    # whether a part of the run is not in the log
    lost = max(ends_mps) > LANE_MOST_MPS or any(
        first < gap.end_s and gap.start_s < last for gap in gaps
    )
    return Cut(
        _without_gaps(laps, gaps),
        last - first,
        float(channels["time_s"].iloc[-1]) - first,
        float(used[-1]) if len(used) and not lost else float("nan"),
        _counted_l(channels),
        motion.distance_m(first, last) / 1000,
        found.way,
        tuple(dict.fromkeys(notes)),
        tuple(gaps),
        *ends_mps,
    )


def _no_running() -> Cut:
    empty = pd.DataFrame({name: [] for name in CUT_COLUMNS})
    nothing = float("nan")
    return Cut(empty, 0.0, 0.0, nothing, nothing, nothing, "", ("the log holds no running",))


def _sideways(channels: pd.DataFrame, circuit: Circuit, found: Crossings) -> FloatArray | None:
    """Return where across the line each crossing was, m; None without position or line."""
    if circuit.start_finish is None or not has_position(channels):
        return None
    return sideways_at(channels, circuit.start_finish, found.time_s)


def counted_on(made: Cut, typed: pd.DataFrame) -> Cut:
    """Return a run numbered by its typed laps, where its log begins on the track and lacks laps.

    Parameters
    ----------
    made : Cut
        The run's log, its laps counted from 1.
    typed : DataFrame
        `lap` and `lap_time_s`: they say how many laps lack when they begin with lap 1, have no
        hole, end with the log, and agree with it.
    """
    times = typed.set_index("lap")["lap_time_s"].sort_index()
    lacking = len(times) - len(made.laps)
    whole = times.index.tolist() == list(range(1, len(times) + 1))
    partly = made.first_mps > LANE_MOST_MPS and not made.last_mps > LANE_MOST_MPS
    if not (partly and whole and lacking > 0 and len(made.laps)):
        return made
    laps = made.laps.assign(lap=made.laps["lap"] + lacking)
    timed = laps[laps["kind"] == "timed"]
    if not (timed["lap_time_s"] - timed["lap"].map(times)).abs().median() < SAME_LAP_S:
        return made
    # of the first lap the log may hold a part alone: its end is sure
    ended_s = float(laps["start_s"].iloc[0] + laps["lap_time_s"].iloc[0])
    later_s = float(times.iloc[: lacking + 1].sum()) - ended_s
    laps["start_s"] += later_s
    laps["fuel_used_before_l"] = np.nan  # what the laps before burnt is not in the log
    words = (
        f"the log begins on the track: by the typed laps it holds laps from lap {lacking + 1} on"
    )
    gaps = tuple(g._replace(laps=tuple(n + lacking for n in g.laps)) for g in made.gaps)
    return replace(
        made, laps=laps, duration_s=made.duration_s + later_s, gaps=gaps,
        recorded_s=made.recorded_s + later_s, notes=(*made.notes, words),
    )  # fmt: skip


def _on(lap: Segment, gap: Gap) -> bool:
    return lap.start_s < gap.end_s and lap.end_s > gap.start_s


def _without_gaps(laps: pd.DataFrame, gaps: Sequence[Gap]) -> pd.DataFrame:
    """Return laps that claim no fuel, and no time that counts, where the log has a gap."""
    over = laps["lap"].isin([lap for gap in gaps for lap in gap.laps])
    laps.loc[over, "fuel_used_l"] = np.nan
    laps.loc[over & (laps["kind"] == "timed"), ["reason", "rule"]] = OVER_A_GAP
    laps.loc[over, "lap_time_se_s"] = 0.3 * laps["lap_time_s"].median()  # it is a guess
    return laps


def _stops(laps: Sequence[Segment], kinds: Sequence[Kind]) -> list[str]:
    """Say where one run of the book holds a stop in the pits."""
    found = []
    for i, (one, two) in enumerate(pairwise(kinds), start=1):
        if one.kind == "in" and two.kind == "out":
            stood_s = max(laps[i - 1].stood_s, laps[i].stood_s)
            how = (
                f"stopped for {stood_s:.0f} s in the pits" if stood_s else "drove through the pits"
            )
            more = ": if tyres or driver changed, give the laps after it a run of their own"
            found.append(f"the car {how} after lap {i}{more if stood_s else ''}")
    return found


def litres(channels: pd.DataFrame) -> FloatArray:
    """Return the logger's litres since the first sample; empty without a fuel channel.

    The flow is integrated by the trapezoid rule; without one a counter's rises are summed, so
    that a reset costs at most what was used over one sample; without that the injectors' duty
    stands in, up to a factor.
    """
    time_s = channels["time_s"].to_numpy()
    flow = _filled(channels, "fuel_flow_l_per_h")
    if flow is not None:
        return integral(time_s, flow / 3600)
    counter = _filled(channels, "fuel_used_l")
    if counter is None and has_injectors(channels):
        return integral(time_s, injector_flow_l_per_h(channels) / 3600)
    return np.empty(0) if counter is None else _rises(counter)


def _rises(counter: FloatArray) -> FloatArray:
    return np.concatenate([[0.0], np.cumsum(np.maximum(np.diff(counter), 0.0))])


def _counted_l(channels: pd.DataFrame) -> float:
    counter = _filled(channels, "fuel_used_l")
    if counter is None or "fuel_flow_l_per_h" not in channels:
        return float("nan")
    return float(_rises(counter)[-1])


def split_at(
    channels: pd.DataFrame, after_s: Sequence[float], restarts: Sequence[float] = ()
) -> list[pd.DataFrame]:
    """Return a log that holds several runs in one piece per run.

    Parameters
    ----------
    channels : DataFrame
        The whole log.
    after_s : sequence of float
        When each later run starts, s after the first one, by the run sheet. The cut is made at
        the end of the standstill nearest to it, within five minutes.
    restarts : sequence of float
        When each later piece of the log begins, s: the cuts, when the car stood at as many.
    """
    if not len(channels):
        return [channels] * (len(after_s) + 1)
    motion = motion_of(channels)
    first, _ = motion.moving()
    ends = np.array([end for _, end in motion.standstills(STOOD_S)])
    stood = stood_over(channels, restarts)
    cuts = stood if len(stood) == len(after_s) else []
    for after in after_s[len(cuts) :]:
        sheet = first + after
        near = ends[np.abs(ends - sheet) < SPLIT_REACH_S]
        cuts.append(float(near[np.argmin(np.abs(near - sheet))]) if len(near) else sheet)
    edges = [-np.inf, *cuts, np.inf]
    time_s = channels["time_s"]
    return [
        channels[(time_s >= a) & (time_s < b)].reset_index(drop=True) for a, b in pairwise(edges)
    ]


def _table(
    channels: pd.DataFrame,
    laps: Sequence[Segment],
    kinds: Sequence[Kind],
    used: FloatArray,
    first: float,
) -> pd.DataFrame:
    time_s = channels["time_s"].to_numpy()
    starts = np.array([s.start_s for s in laps])
    ends = np.array([s.end_s for s in laps])
    before, after = _fuel_at(laps, kinds, time_s, used)
    data = {
        "lap": np.arange(1, len(laps) + 1),
        "start_s": starts - first,
        "lap_time_s": ends - starts,
        "lap_time_se_s": np.array([s.se_s for s in laps]),
        "kind": [k.kind for k in kinds],
        "reason": [_why(s, k) for s, k in zip(laps, kinds, strict=True)],
        "rule": [
            "; ".join(filter(None, (k.rule, s.note))) for s, k in zip(laps, kinds, strict=True)
        ],
        "run_m": np.array([s.run_m for s in laps]),
        "fuel_used_l": after - before,
        "fuel_used_before_l": before,
    }
    for name in ("fuel_c", "air_c", "track_c"):
        data[name] = _mean_over(channels, name, starts, ends)
    for corner in CORNERS:
        late = np.maximum(starts, ends - LAST_S)
        data[f"hot_{corner}_bar"] = _mean_over(channels, f"tyre_pressure_{corner}_bar", late, ends)
    return pd.DataFrame(data)


def _fuel_at(
    laps: Sequence[Segment], kinds: Sequence[Kind], time_s: FloatArray, used: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return litres used before and after each lap.

    What was burnt in the lane before the first lap or after the last belongs to these laps,
    unless they are timed: so the laps of a run add up to its fuel.
    """
    if not len(used) or not laps:
        unknown = np.full(len(laps), np.nan)
        return unknown, unknown
    before = np.interp([s.start_s for s in laps], time_s, used)
    after = np.interp([s.end_s for s in laps], time_s, used)
    if kinds[0].kind != "timed":
        before[0] = 0.0
    if kinds[-1].kind != "timed":
        after[-1] = used[-1]
    return before, after


def _why(s: Segment, kind: Kind) -> str:
    """Return the reason that goes with a lap; a joined lap's time is as good as any."""
    return kind.reason or (s.note if s.note != JOINED else "")


def _mean_over(
    channels: pd.DataFrame, name: str, starts: FloatArray, ends: FloatArray
) -> FloatArray:
    """Return a channel's mean between times; NaN where it was not recorded."""
    if name not in channels:
        return np.full(len(starts), np.nan)
    time_s, values = channels["time_s"].to_numpy(), channels[name].to_numpy()
    spans = [values[(time_s >= a) & (time_s <= b)] for a, b in zip(starts, ends, strict=True)]
    means = [float(np.nanmean(v)) if np.isfinite(v).any() else np.nan for v in spans]
    return np.array(means, dtype=np.float64)


def _filled(channels: pd.DataFrame, name: str) -> FloatArray | None:
    """Return a channel with gaps bridged; None when it was not recorded."""
    if name not in channels:
        return None
    values, time_s = channels[name].to_numpy(), channels["time_s"].to_numpy()
    good = np.isfinite(values)
    if not good.any():
        return None
    bridged: FloatArray = np.interp(time_s, time_s[good], values[good])
    return bridged
