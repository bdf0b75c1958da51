"""Official laps found among the logger's: which is which, how far the clocks differ."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.record.alignment import Alignment, aligned, drift, pooled
from tyrekit.record.event import Event, Session
from tyrekit.record.official import Official
from tyrekit.record.official_laps import (
    as_counted,
    disagreements,
    from_timing,
    is_in,
    not_counted,
    with_missed,
    with_official,
)  # fmt: skip
from tyrekit.record.running import NOT_RACE_LAPS, Ran
from tyrekit.record.spread import robust_sd

FloatArray = NDArray[np.float64]
CLOCKS = (
    "run_id", "session", "first_lap", "usable_laps", "matched_laps", "sure", "offset_s",
    "offset_se_s", "drift_ppm", "drift_se_ppm", "note",
)  # fmt: skip
PLAIN_PPM = 300.0  # a drift worth knowing when other runs are compared
EARLY_S = 90.0  # a run sheet's start may be later than the car's first lap by this


@dataclass(frozen=True)
class Timed:
    """The runs with official times in them.

    Attributes
    ----------
    ran : tuple of Ran
        The runs; their laps have `official_time_s`, and `lap_time_s` is official where both
        time the same from line to line.
    official : Official
        The official laps, each with the run and lap it was found to be.
    clocks : DataFrame
        One row per run that was compared, `CLOCKS`. `first_lap` is the official number of the
        run's first lap; `offset_s` the timing's clock less that of the run sheet and log, halfway
        through the laps that agree;
        `drift_ppm` is positive when the logger's clock is fast.
    disagreements : DataFrame
        Laps whose sources differ by more than their resolution.
    unused : tuple of str
        Official laps of no run, in words.
    notes : tuple of str
    """

    ran: tuple[Ran, ...]
    official: Official
    clocks: pd.DataFrame
    disagreements: pd.DataFrame
    unused: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


class _Compared(NamedTuple):
    """A run's laps beside the official ones."""

    ran: Ran
    found: Alignment
    clock: dict[str, object]


def timed(ran: Sequence[Ran], official: Official, event: Event) -> Timed:
    """Return the runs with the official times that belong to them.

    Parameters
    ----------
    ran : sequence of Ran
        The runs in order of time, laps from logs or typed.
    official : Official
        Of the whole weekend.
    event : Event
        The sessions.
    """
    runs = {one.run_id: one for one in ran}
    laps = official.laps[official.laps["lap"] > 0]
    notes, unused = list(official.notes), []
    compared = _all_compared(ran, laps, event)
    for session in event.sessions:
        rows = laps[laps["session"] == session.id]
        own = [one for one in ran if one.session == session.id]
        if len(rows) and not own:
            unused.append(f"{session.id}: {len(rows)} official laps, no run in the book")
        if not len(rows) or not own:
            continue
        found, said = _matched(compared[session.id], rows, session)
        made, left = _made(own, found, rows, session)
        notes += said
        unused += left
        runs |= {one.run_id: one for one in (*found.values(), *made)}
    changed = tuple(runs[one.run_id] for one in ran)
    clocks = [one.clock for own in compared.values() for one in own]
    table = pd.DataFrame(clocks, columns=list(CLOCKS))
    return Timed(
        ran=changed,
        official=replace(official, laps=_placed(official.laps, changed)),
        clocks=table,
        disagreements=disagreements(changed, _drifts(table)),
        unused=tuple(unused),
        notes=(*notes, *_words(changed, table, event)),
    )


def _all_compared(
    ran: Sequence[Ran], laps: pd.DataFrame, event: Event
) -> dict[str, list[_Compared]]:
    """Align every session; once more when the logger's clock is seen to drift, knowing that."""

    def aligned_at(ratio: float) -> dict[str, list[_Compared]]:
        return {
            session.id: _compared([r for r in ran if r.session == session.id], rows, session, ratio)
            for session in event.sessions
            if len(rows := laps[laps["session"] == session.id])
        }

    first = aligned_at(0.0)
    clocks = [one.clock for own in first.values() for one in own if one.clock["matched_laps"]]
    ppm, se = (np.array([row[n] for row in clocks], dtype=np.float64)
               for n in ("drift_ppm", "drift_se_ppm"))  # fmt: skip
    plain = np.abs(ppm) > np.maximum(5 * se, PLAIN_PPM)
    if not plain.any():
        return first
    surest = int(np.argmin(np.where(plain, se, np.inf)))
    return aligned_at(1 / (1 + 1e-6 * float(ppm[surest])) - 1)


def _compared(
    own: Sequence[Ran], rows: pd.DataFrame, session: Session, ratio: float
) -> list[_Compared]:
    """Align each run of a session with the official laps that earlier runs leave."""
    found: list[_Compared] = []
    last = 0
    for one in own:
        if not len(one.laps):
            continue
        official = _by_number(rows, "lap_time_s")
        official[:last] = np.nan
        apart = _apart_s(one, rows)
        laps = one.laps
        usable = laps["kind"].isin(["timed", "caution"]) & ~_from_grid(one, own[0], session)
        alignment = aligned(
            laps["lap_time_s"].where(usable).to_numpy(dtype=np.float64),
            laps["lap_time_se_s"].to_numpy(dtype=np.float64),
            official, float(rows["lap_time_se_s"].max()), apart, ratio,
        )  # fmt: skip
        clock = _clock(one, alignment, rows, apart) | {"usable_laps": int(usable.sum())}
        found.append(_Compared(one, alignment, clock))
        if alignment.found:
            last = max(last, int(alignment.numbers[alignment.same].max()))
    return found


def _from_grid(one: Ran, first: Ran, session: Session) -> pd.Series:
    """Return which lap of a run is its race's first: it begins on the grid."""
    racing = ~one.laps["kind"].isin([*NOT_RACE_LAPS, "out"])
    begins = session.kind == "race" and one.run_id == first.run_id
    return racing & (racing.cumsum() == 1) & begins


def _by_number(rows: pd.DataFrame, name: str) -> FloatArray:
    """Return a column by official lap number, from 1; NaN where there is no such lap."""
    values = np.full(int(rows["lap"].max()), np.nan)
    values[rows["lap"].to_numpy() - 1] = rows[name].to_numpy(dtype=np.float64)
    return values


def _ends_s(one: Ran) -> FloatArray:
    """Return when each lap of a run ends, s since the run's start."""
    ends = (one.laps["start_s"] + one.laps["lap_time_s"]).to_numpy()
    return np.asarray(ends, dtype=np.float64)


def _apart_s(one: Ran, rows: pd.DataFrame) -> FloatArray | None:
    """Return the timing's clock at official crossings less ours at the end of our laps, s."""
    if rows["crossed_at"].isna().all():
        return None
    crossed = (rows["crossed_at"] - one.start).dt.total_seconds()
    by_number = _by_number(rows.assign(since_s=crossed), "since_s")
    apart: FloatArray = by_number[None, :] - _ends_s(one)[:, None]
    return apart


def _clock(
    one: Ran, found: Alignment, rows: pd.DataFrame, apart: FloatArray | None
) -> dict[str, object]:
    """Return a run's row of the clocks table."""
    unknown = float("nan")
    row: dict[str, object] = {
        "run_id": one.run_id, "session": one.session, "first_lap": 0,
        "matched_laps": int(found.same.sum()) if found.found else 0, "sure": found.sure,
        "offset_s": unknown, "offset_se_s": unknown, "drift_ppm": unknown,
        "drift_se_ppm": unknown, "note": "",
    }  # fmt: skip
    if not found.found:
        tied = found.sure > 0.0 and found.same.sum() > 1 and found.first != found.other
        row["note"] = "no official laps are like it" if not tied else (
            f"its first lap may be official lap {found.first} or {found.other}"
            f" ({found.sure:.2f} sure of the first)"
        )  # fmt: skip
        return row
    at = np.flatnonzero(found.same)
    row["first_lap"] = int(found.numbers[at[0]]) - int(at[0])
    se = float(one.laps["lap_time_se_s"].iloc[at].median()) / np.sqrt(2)
    if apart is not None:
        gaps = apart[at, found.numbers[at] - 1]
        scatter = float(robust_sd(gaps - np.nanmedian(gaps)))
        error = max(np.hypot(se, float(rows["crossed_se_s"].max())), scatter)
        row["offset_s"] = float(np.nanmedian(gaps))
        row["offset_se_s"] = 1.2533 * error / np.sqrt(len(at))
    if one.cut is not None:
        line = drift(*_moments(one, found, rows), se, float(rows["lap_time_se_s"].max()))
        row["drift_ppm"], row["drift_se_ppm"] = line.ppm, line.se_ppm
    return row


def _moments(
    one: Ran, found: Alignment, rows: pd.DataFrame
) -> tuple[FloatArray, FloatArray, NDArray[np.int64]]:
    """Return the same crossings by both clocks, s, and which follow one another without a gap."""
    official, ends = _by_number(rows, "lap_time_s"), _ends_s(one)
    starts = one.laps["start_s"].to_numpy()
    ours: list[float] = []
    theirs: list[float] = []
    block: list[int] = []
    for k in np.flatnonzero(found.same):
        follows = k > 0 and found.same[k - 1] and found.numbers[k] == found.numbers[k - 1] + 1
        if not follows:
            block.append(block[-1] + 1 if block else 0)
            ours.append(float(starts[k]))
            theirs.append(0.0)
        block.append(block[-1])
        ours.append(float(ends[k]))
        theirs.append(theirs[-1] + float(official[found.numbers[k] - 1]))
    return np.array(ours), np.array(theirs), np.array(block, dtype=np.int64)


def _matched(
    compared: Sequence[_Compared], rows: pd.DataFrame, session: Session
) -> tuple[dict[str, Ran], list[str]]:
    """Return the runs whose laps were found, official times in them, and what was repaired."""
    taken = {int(n) for c in compared if c.found.found for n in c.found.numbers[c.found.same]}
    by_number = rows.set_index("lap")
    done: dict[str, Ran] = {}
    notes = []
    for one, found, _ in compared:
        if not found.found:
            continue
        numbers = found.numbers.copy()
        for k in np.flatnonzero(~found.same):
            if numbers[k] not in by_number.index or numbers[k] in taken:
                numbers[k] = 0
            taken.add(int(numbers[k]))
        laps, repaired = with_missed(one.laps, numbers, found.same, by_number)
        if repaired:
            notes.append(f"{repaired} ({one.run_id})")
            numbers = laps["official_lap"].to_numpy()
            taken |= set(numbers.tolist())
        one = replace(one, laps=laps)
        grid = _from_grid(one, compared[0].ran, session)
        laps = with_official(laps, numbers, by_number, grid)
        done[one.run_id] = replace(one, laps=laps)
    return done, notes


def _made(
    own: Sequence[Ran], found: dict[str, Ran], rows: pd.DataFrame, session: Session
) -> tuple[list[Ran], list[str]]:
    """Return the runs whose laps are the timing's for want of a log, and laps of no run."""
    used = {int(n) for one in found.values() for n in one.laps["official_lap"] if n > 0}
    free = rows[~rows["lap"].isin(used)]
    made: list[Ran] = []
    current = [found.get(one.run_id, one) for one in own]
    for i, one in enumerate(current):
        ahead = [r for r in current[i + 1 :] if r.run_id in found]
        until = min([int(r.laps.loc[r.laps["official_lap"] > 0, "official_lap"].min())
                     for r in ahead], default=10**6)  # fmt: skip
        before = [int(r.laps["official_lap"].max()) for r in current[:i] if r.run_id in found]
        mine = free[(free["lap"] < until) & (free["lap"] > max(before, default=0))]
        if one.ends_on_track and one.run_id in found:
            mine = mine[mine["lap"] > int(one.laps["official_lap"].max())]
        elif len(one.laps):
            continue
        mine = _of_run(mine, one, current[i + 1 :])
        if not len(mine):
            continue
        laps = from_timing(mine, session, one.start, first=i == 0 and not len(one.laps))
        if not len(one.laps):
            laps = not_counted(laps, session, first=i == 0, last=i == len(own) - 1)
        joined = as_counted(one.laps, laps)
        free = free[~free["lap"].isin(mine["lap"])]
        seconds = float((joined["start_s"] + joined["lap_time_s"]).max())
        made.append(replace(one, laps=joined, end=one.start + pd.Timedelta(seconds=seconds)))
    left = [int(n) for n in free["lap"] if n not in used]
    words = f"{session.id}: official laps {_ranges(left)} are of no run" if left else ""
    return made, [words] if words else []


def _of_run(mine: pd.DataFrame, one: Ran, later: Sequence[Ran]) -> pd.DataFrame:
    """Return the laps of one run among those no log has: by the clock, else up to its stop."""
    if not len(mine):
        return mine
    waiting = [r for r in later if not len(r.laps)]
    if mine["crossed_at"].notna().all():
        until = later[0].start if later else mine["crossed_at"].max()
        late = pd.Timedelta(seconds=EARLY_S)
        return mine[(mine["crossed_at"] > one.start - late) & (mine["crossed_at"] < until + late)]
    if not waiting:
        return mine
    stops = [int(n) for n, pit in zip(mine["lap"], mine["pit"], strict=True) if is_in(pit)]
    # without a mark nothing says where one run ends and the next begins
    return mine[mine["lap"] <= min(stops, default=0)]


def _placed(laps: pd.DataFrame, ran: Sequence[Ran]) -> pd.DataFrame:
    """Return the official laps with the run and lap each was found to be."""
    found = {
        (one.session, int(number)): (one.run_id, int(lap))
        for one in ran
        if "official_lap" in one.laps
        for lap, number in zip(one.laps["lap"], one.laps["official_lap"], strict=True)
    }
    places = [found.get(key, ("", 0)) for key in zip(laps["session"], laps["lap"], strict=True)]
    return laps.assign(
        run_id=pd.Series([run_id for run_id, _ in places], laps.index, dtype="str"),
        run_lap=pd.Series([lap for _, lap in places], laps.index, dtype="int64"),
    )


def _drifts(clocks: pd.DataFrame) -> dict[str, float]:
    """Return run id -> the share by which its logger's clock is fast, where that is plain."""
    plain = clocks[clocks["drift_ppm"].abs() > 3 * clocks["drift_se_ppm"]]
    return dict(zip(plain["run_id"], 1e-6 * plain["drift_ppm"], strict=True))


def _ranges(numbers: Sequence[int]) -> str:
    parts: list[list[int]] = []
    for n in sorted(numbers):
        if parts and n == parts[-1][-1] + 1:
            parts[-1].append(n)
        else:
            parts.append([n])
    return ", ".join(f"{p[0]}-{p[-1]}" if len(p) > 1 else f"{p[0]}" for p in parts)


def _words(ran: Sequence[Ran], clocks: pd.DataFrame, event: Event) -> list[str]:
    """Say what the official times did, and where a clock's drift cannot be seen."""
    notes = []
    for session in event.sessions:
        own = [r for r in ran if r.session == session.id and "official_lap" in r.laps]
        used = sum(int((r.laps["source"] == "timing").sum()) for r in own)
        beside = sum(int((r.laps["official_lap"] > 0).sum()) for r in own) - used
        if not own:
            continue
        rows = clocks[(clocks["session"] == session.id) & (clocks["matched_laps"] > 0)]
        offsets = [f"{x:+.2f}" for x in rows["offset_s"].dropna()]
        clock = f"; the timing's clock less ours {' and '.join(offsets)} s" if offsets else ""
        rest = f", {beside} more are shown beside the logger's" if beside > 0 else ""
        notes.append(f"{session.id}: {used} lap times are official{rest}{clock}")
    notes += [f"official times of {row['run_id']} are not used: {row['note']}"
              for _, row in clocks[clocks["note"] != ""].iterrows()]  # fmt: skip
    ppm, se = pooled(clocks["drift_ppm"].to_numpy(float), clocks["drift_se_ppm"].to_numpy(float))
    if np.isfinite(ppm):
        laps = int(clocks.loc[clocks["drift_ppm"].notna(), "matched_laps"].sum())
        notes.append(f"the logger's clock runs {ppm:+.0f} ppm against the official one (standard"
                     f" error {se:.0f}, {laps} laps)")  # fmt: skip
    logged = [r for r in ran if r.cut is not None and len(r.laps)]
    compared = set(clocks.loc[clocks["drift_ppm"].notna(), "run_id"])
    blind = list(dict.fromkeys(r.session for r in logged if r.run_id not in compared))
    if blind and not len(compared):
        notes.append("a drift of the logger's clock cannot be detected: no official times are there"
                     " to compare with")  # fmt: skip
    elif blind:
        notes.append(f"a drift of the logger's clock cannot be detected in {', '.join(blind)}:"
                     " no official times")  # fmt: skip
    return notes
