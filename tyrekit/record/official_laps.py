"""Official times put into a run's laps: beside the logger's, in their place, or instead of them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.record.counting import SLOW
from tyrekit.record.event import Session
from tyrekit.record.laps import OVER_A_GAP
from tyrekit.record.running import CLOCK_SET, Ran, no_laps, typed_se_s

IntArray = NDArray[np.int64]
DIFFER_SD = 4.0  # of both errors: one lap in 16,000 differs by more by chance
ANOTHER_LAP = 0.15  # further apart than this two times are not of the same lap
CAUTION_FLAGS = ("caution", "safety car", "sc", "full course yellow", "fcy")
PIT_MARKS = ("p", "pit", "1", "yes", "x", "true")
# Laps nobody times, in usual laps; common practice, no source.
ASSUMED_LAPS = {"out": 1.2, "in": 1.2, "formation": 1.8, "cool_down": 1.3}
DISAGREEMENTS = (
    "run_id", "session", "lap", "source", "official_time_s", "logger_time_s", "typed_time_s",
    "gap_s", "resolution_s", "counts_now",
)  # fmt: skip


def with_official(
    laps: pd.DataFrame, numbers: IntArray, official: pd.DataFrame, from_grid: pd.Series
) -> pd.DataFrame:
    """Return a run's laps with the official times beside them, in their place where they may be.

    A lap from line to line gets the official time with its resolution as standard error. A
    race's first lap, timed from the lights, and in- and out-laps, timed through the lane, keep
    the logger's: they are not the same stretch.

    Parameters
    ----------
    laps : DataFrame
        The run's laps.
    numbers : (n,) array of int
        Official lap numbers; 0 for none.
    official : DataFrame
        The session's official laps by number.
    from_grid : Series of bool
        The race's first lap.
    """
    laps = laps.copy()
    beside = official.reindex(numbers)
    laps["official_lap"] = np.where(beside["lap_time_s"].notna(), numbers, 0)
    laps["official_time_s"] = beside["lap_time_s"].to_numpy()
    laps["logger_se_s"] = laps["lap_time_se_s"]
    gap = (laps["official_time_s"] - laps["lap_time_s"]).abs()
    se = np.hypot(laps["lap_time_se_s"], beside["lap_time_se_s"].to_numpy())
    whole = laps["kind"].isin(["timed", "caution"]) & gap.notna()
    laps["line_to_line"] = whole & (~from_grid | (gap <= DIFFER_SD * se))
    taken = laps["line_to_line"] & (gap <= ANOTHER_LAP * laps["official_time_s"])
    laps.loc[taken, "lap_time_s"] = laps["official_time_s"]
    laps.loc[taken, "lap_time_se_s"] = pd.Series(beside["lap_time_se_s"].to_numpy(), laps.index)
    laps.loc[taken, "source"] = "timing"
    laps.loc[taken & laps["reason"].str.startswith((CLOCK_SET, OVER_A_GAP)), "reason"] = ""
    return _flagged(laps, beside["flag"].fillna("").tolist())


def _flagged(laps: pd.DataFrame, flags: Sequence[str]) -> pd.DataFrame:
    """Let official flags say which timed laps were run under caution or stopped."""
    for i, flag in zip(laps.index, flags, strict=True):
        if not flag or laps.at[i, "kind"] != "timed":
            continue
        if flag in CAUTION_FLAGS:
            laps.loc[i, ["kind", "reason"]] = ["caution", "caution: by the official flag"]
        elif flag == "red":
            laps.at[i, "reason"] = "red flag"
    return laps


def with_missed(
    laps: pd.DataFrame, numbers: IntArray, same: NDArray[np.bool_], official: pd.DataFrame
) -> tuple[pd.DataFrame, str]:
    """Return the laps cut as the timing has them where the logger missed a crossing, or saw two.

    Between two laps that agree, the logger's stretches are replaced by the official laps if
    there is another number of them and together they take as long; what was used over the
    stretch is shared out by time. The second result says what was done; empty for nothing.
    """
    laps = laps.assign(official_lap=numbers)
    anchors = np.flatnonzero(same)
    parts: list[pd.DataFrame] = []
    said: list[str] = []
    at = 0
    for one, two in pairwise(anchors):
        between = np.arange(numbers[one] + 1, numbers[two])
        stretch = laps.iloc[one + 1 : two]
        if len(between) == len(stretch) or not (len(between) and len(stretch)):
            continue
        times = official["lap_time_s"].reindex(between).to_numpy()
        over_s = float(stretch["lap_time_s"].sum() - times.sum())
        if not abs(over_s) <= 1.0:  # NaN too: a lap without an official time
            continue
        parts += [laps.iloc[at : one + 1], _as_timed(stretch, between, times)]
        at = int(two)
        said.append(f"{len(stretch)} of the logger's laps are {len(between)} by the official times")
    if not said:
        return laps, ""
    whole = pd.concat([*parts, laps.iloc[at:]], ignore_index=True)
    whole["lap"] = np.arange(1, len(whole) + 1)
    return whole, "; ".join(said)


def _as_timed(
    stretch: pd.DataFrame, numbers: IntArray, times_s: NDArray[np.float64]
) -> pd.DataFrame:
    """Return the official laps of a stretch in the place of the logger's."""
    share = times_s / times_s.sum()
    new = stretch.iloc[np.zeros(len(numbers), dtype=np.int64)].reset_index(drop=True)
    begun = np.concatenate([[0.0], np.cumsum(times_s)[:-1]])
    new["start_s"] = float(stretch["start_s"].iloc[0]) + begun
    new["official_lap"] = numbers
    new["lap_time_s"] = times_s
    new["logger_time_s"] = np.nan
    for name in ("run_m", "fuel_used_l"):
        new[name] = float(stretch[name].sum(min_count=1)) * share
    new["fuel_used_before_l"] = float(stretch["fuel_used_before_l"].iloc[0]) + np.concatenate(
        [[0.0], np.cumsum(new["fuel_used_l"])[:-1]]
    )
    caution = bool((stretch["kind"] == "caution").all())
    new["kind"], new["reason"] = ("caution", "caution") if caution else ("timed", "")
    return new


def from_timing(
    rows: pd.DataFrame, session: Session, start: pd.Timestamp, *, first: bool
) -> pd.DataFrame:
    """Return official laps in the columns of logged ones, kinds by pit marks, else by length.

    Parameters
    ----------
    rows : DataFrame
        The official laps of one run, in order.
    session : Session
        The session.
    start : Timestamp
        The run's start by its run sheet.
    first : bool
        Whether the run begins the session.
    """
    times = rows["lap_time_s"].to_numpy()
    usual = float(np.nanmedian(times)) if np.isfinite(times).any() else 0.0
    lap_time = np.where(np.isnan(times), usual, times)
    crossed = (rows["crossed_at"] - start).dt.total_seconds().to_numpy()
    begun = crossed[0] - lap_time[0]
    kinds = list(_kinds(rows, times, usual, session, first))
    whole = [np.isfinite(t) for t in times]
    built = no_laps().reindex(range(len(rows))).assign(
        lap=np.arange(1, len(rows) + 1),
        start_s=max(begun, 0.0) + np.concatenate([[0.0], np.cumsum(lap_time)[:-1]])
        if np.isfinite(begun) else np.concatenate([[0.0], np.cumsum(lap_time)[:-1]]),
        lap_time_s=lap_time,
        lap_time_se_s=np.where(whole, rows["lap_time_se_s"].to_numpy(), 0.1 * usual),
        kind=[kind for kind, _ in kinds],
        reason=[r if ok else "no official time" for (_, r), ok in zip(kinds, whole, strict=True)],
        source="timing",
        official_lap=rows["lap"].to_numpy(),
        official_time_s=times,
        line_to_line=False,
    )  # fmt: skip
    return _flagged(built.fillna(dict.fromkeys(_texts(built), "")), rows["flag"].tolist())


def is_in(pit: str) -> bool:
    """Return whether a pit mark says that the lap ends in the pits; a bare mark does."""
    return "in" in pit or pit in PIT_MARKS


def _texts(laps: pd.DataFrame) -> list[str]:
    return [name for name in laps.columns if pd.api.types.is_string_dtype(laps[name])]


def _kinds(
    rows: pd.DataFrame, times: NDArray[np.float64], usual: float, session: Session, first: bool
) -> Iterator[tuple[str, str]]:
    last = len(rows) - 1
    for i, (pit, time_s) in enumerate(zip(rows["pit"], times, strict=True)):
        slow = time_s > SLOW * usual
        if first and session.kind == "race" and i == 0:
            yield "timed", "the race's first lap, timed from the lights"
        elif is_in(pit):
            yield "in", "in-lap: by the timing's pit mark"
        elif "out" in pit:
            yield "out", "out-lap: by the timing's pit mark"
        elif slow and i in (0, last):
            yield ("out", "taken as out-lap: it is slow") if i == 0 else (
                "in", "taken as in-lap: it is slow"
            )  # fmt: skip
        else:
            yield "timed", ""


def not_counted(laps: pd.DataFrame, session: Session, *, first: bool, last: bool) -> pd.DataFrame:
    """Return the laps with those around them that the tyres ran and nobody timed.

    Out- and in-laps of practice and qualifying, formation and cool-down laps of a race's first
    and last run; their times are assumed and they do not count.
    """
    if session.kind == "race":
        before = ["formation"] * (session.formation_laps if first else 0)
        after = ["cool_down"] * (session.cool_down_laps if last else 0)
    else:
        before = [] if laps["kind"].iloc[0] == "out" else ["out"]
        after = [] if laps["kind"].iloc[-1] == "in" else ["in"]
    usual = float(laps["lap_time_s"].median())
    lead = _untimed(before, usual)
    shift_s = max(0.0, float(lead["lap_time_s"].sum()) - float(laps["start_s"].iloc[0]))
    laps = laps.assign(start_s=laps["start_s"] + shift_s)
    whole = as_counted(as_counted(lead, laps), _untimed(after, usual))
    ends = whole["start_s"] + whole["lap_time_s"]
    return whole.assign(start_s=whole["start_s"].fillna(ends.shift()).fillna(0.0))


def _untimed(kinds: Sequence[str], usual_s: float) -> pd.DataFrame:
    """Return assumed laps, one of each kind given."""
    times = np.array([ASSUMED_LAPS[kind] * usual_s for kind in kinds], dtype=np.float64)
    reasons = [f"{kind.replace('_', '-')} lap: not timed, {ASSUMED_LAPS[kind]:g} usual laps assumed"
               for kind in kinds]  # fmt: skip
    built = no_laps().reindex(range(len(kinds)))
    built = built.fillna(dict.fromkeys(_texts(built), ""))
    return built.assign(
        lap=np.arange(1, len(kinds) + 1), lap_time_s=times, lap_time_se_s=0.3 * usual_s,
        start_s=np.concatenate([[0.0], np.cumsum(times)[:-1]]) if len(times) else times,
        kind=list(kinds), reason=reasons, source="assumed", official_lap=0,
        official_time_s=np.nan, line_to_line=False,
    )  # fmt: skip


def as_counted(laps: pd.DataFrame, more: pd.DataFrame) -> pd.DataFrame:
    """Return laps with more of them behind, numbered on; a later part starts where one ends."""
    if not len(laps) or not len(more):
        return more if not len(laps) else laps
    end_s = float((laps["start_s"] + laps["lap_time_s"]).max())
    late = max(0.0, end_s - float(more["start_s"].iloc[0]))
    both = pd.concat([laps, more.assign(start_s=more["start_s"] + late)], ignore_index=True)
    return both.assign(lap=np.arange(1, len(both) + 1))


def disagreements(ran: Sequence[Ran], drift: Mapping[str, float]) -> pd.DataFrame:
    """Return laps whose sources differ by more than their resolution, `DISAGREEMENTS`.

    `gap_s` is the time of `source` (log or typed) less the one that counts; `resolution_s` what
    both allow. A known drift of a run's logger (run id -> share) is no disagreement of its laps.
    """
    told = [r for r in ran if r.laps[["official_time_s", "typed_time_s"]].notna().any(axis=None)]
    rows = [row for one in told for row in _differing(one, drift.get(one.run_id, 0.0))]
    return pd.DataFrame(rows, columns=list(DISAGREEMENTS))


def _differing(one: Ran, drift: float) -> Iterator[tuple[object, ...]]:
    laps = one.laps
    whole = laps.get("line_to_line", pd.Series(False, laps.index)).astype(bool)
    official, official_se = laps["official_time_s"].where(whole), laps["lap_time_se_s"]
    logger_se = laps.get("logger_se_s", laps["lap_time_se_s"])
    typed, typed_se = laps["typed_time_s"], laps["typed_time_s"].map(typed_se_s, na_action="ignore")
    logged = laps["logger_time_s"].where(~laps["kind"].isin(["out", "in"]))
    for source, time_s, beside, se, counts in (
        ("log", logged / (1 + drift), official, np.hypot(logger_se, official_se), "official"),
        ("typed", typed, official, np.hypot(typed_se, official_se), "official"),
        ("typed", typed, logged.where(official.isna()), np.hypot(typed_se, logger_se), "logger"),
    ):
        gap, allowed = time_s - beside, DIFFER_SD * se
        for i in laps.index[gap.abs() > allowed + 1e-9]:
            lap = laps.loc[i]
            yield (
                one.run_id, one.session, int(lap["lap"]), source, official[i], lap["logger_time_s"],
                typed[i], gap[i], allowed[i], counts,
            )  # fmt: skip
