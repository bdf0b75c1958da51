"""Tread readings as rows of the wear fit: laps on each corner in each session, place by place.

Ages count every lap in full; how many of them were slow (out- and in-laps, cautions, formation)
comes beside them, since those wear a tyre less.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.errors import FitError
from tyrekit.fit.result import Floats
from tyrekit.record.event import Event
from tyrekit.terms import CORNER_NAMES

PLACES = ("inner", "centre", "outer")
OLDEST_LAPS, MOST_WORK_MJ = 2000.0, 1e5  # beyond them a slip of the pen or another unit
WET_TYRE = "a wet tyre: it wears otherwise than dry ones"
DEEPEST_MM = 20.0  # no car tyre is deeper: another unit or a slip

Codes = NDArray[np.int64]


class TreadRows(NamedTuple):
    """One row per reading and place.

    `laps` (n, slots) holds laps run since the tyre's first reading (since new when that was at
    age 0), by slot = one session on one corner; `slow_laps` those of them that were slow, and
    `work_mj` the sliding work done in them, NaN where it is not known.
    """

    depth_mm: Floats
    place: Codes
    tyre: Codes
    age_laps: Floats
    first_age_laps: Floats
    laps: Floats
    slow_laps: Floats
    work_mj: Floats
    reading: Codes  # row of the readings table
    slots: tuple[tuple[str, str], ...]  # session, corner
    tyres: tuple[str, ...]
    new: NDArray[np.bool_]  # per tyre: first read at age 0


def with_running(readings: pd.DataFrame, laps: pd.DataFrame) -> pd.DataFrame:
    """Return tread readings with what the tyre had run at this event when it was read.

    Parameters
    ----------
    readings : DataFrame
        tyre_id and age_laps.
    laps : DataFrame
        kind, the tyres fl .. rr, their ages age_fl_laps .. at the lap's start, and where the logs
        allow work_fl_mj .., the sliding work of each tyre on that lap.

    Returns
    -------
    DataFrame
        The readings with slow_laps (laps that were not timed ones) and work_mj (NaN when a lap
        of the tyre has none or is not in the table).
    """
    parts = []
    for corner in CORNER_NAMES:
        at = corner.lower()
        part = pd.DataFrame({"tyre_id": laps[at].astype(str), "age_laps": laps[f"age_{at}_laps"]})
        work = laps.get(f"work_{at}_mj", pd.Series(np.nan, index=laps.index))
        parts.append(part.assign(slow=laps["kind"] != "timed", work_mj=work.astype(float)))
    run = pd.concat(parts, ignore_index=True)
    each = {
        tyre_id: own[["age_laps", "slow", "work_mj"]].to_numpy(dtype=np.float64)
        for tyre_id, own in run.groupby("tyre_id", sort=False)
    }
    slow, work_mj = [], []
    for tyre_id, age in zip(readings["tyre_id"].astype(str), readings["age_laps"], strict=True):
        own = each.get(tyre_id, np.zeros((0, 3)))
        before = own[own[:, 0] < age]
        slow.append(float(before[:, 1].sum()))
        whole = not len(before) or len(before) == age - np.nanmin(own[:, 0])
        work_mj.append(float(before[:, 2].sum()) if whole else np.nan)
    return readings.assign(slow_laps=slow, work_mj=work_mj)


def usable(readings: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the readings in order of tyre and age, and those left out with reasons."""
    columns = ["tyre_id", "after_run", *(f"{p}_mm" for p in PLACES), "age_laps", "corner"]
    table = readings.reindex(
        columns=[*columns, "taken_at", "session", "slow_laps", "work_mj", "wet"]
    )
    numbers = (*(f"{p}_mm" for p in PLACES), "age_laps", "slow_laps", "work_mj")
    table = table.astype(dict.fromkeys(numbers, float))
    table["slow_laps"] = table["slow_laps"].where(table["slow_laps"].between(0, OLDEST_LAPS), 0.0)
    table["work_mj"] = table["work_mj"].where(table["work_mj"].between(0, MOST_WORK_MJ))
    for name in ("tyre_id", "after_run", "corner"):
        table[name] = table[name].astype(object).where(table[name].notna(), "").astype(str)
    depths = table[[f"{p}_mm" for p in PLACES]].to_numpy(dtype=np.float64)
    reason = pd.Series("", index=table.index, dtype=object)
    known = table["age_laps"].between(0, OLDEST_LAPS).to_numpy()
    reason[~known] = f"laps on the tyre are not known, or not within 0 to {OLDEST_LAPS:.0f}"
    seen = np.isfinite(depths)
    wrong = (seen & ((depths < 0) | (depths > DEEPEST_MM))).any(axis=1)
    reason[wrong] = f"a depth is not within 0 to {DEEPEST_MM:.0f} mm"
    reason[~seen.any(axis=1)] = "no depth written down"
    reason[table["wet"].eq(True)] = WET_TYRE
    left = table[reason != ""].assign(reason=reason[reason != ""])
    kept = table[reason == ""].sort_values(["tyre_id", "age_laps", "taken_at"])
    return kept.reset_index(drop=True), left_out_rows(left)


def left_out_rows(table: pd.DataFrame) -> pd.DataFrame:
    """Return readings with a reason in the shape of a fit's `left_out`."""
    return pd.DataFrame(
        {
            "run_id": table["after_run"].astype(str),
            "lap": np.full(len(table), np.nan),
            "reason": table["reason"].astype(str),
            "tyre_id": table["tyre_id"].astype(str),
        }
    ).reset_index(drop=True)


def tread_rows(kept: pd.DataFrame, event: Event) -> TreadRows:
    """Return the rows of the fit from usable readings, sorted as `usable` leaves them."""
    session = _sessions(kept, event)
    tyres = tuple(dict.fromkeys(kept["tyre_id"]))
    slots: dict[tuple[str, str], int] = {}
    exposure: list[dict[int, Floats]] = []
    first_age = np.zeros(len(kept))
    new: dict[str, bool] = {}
    counted = kept[["age_laps", "slow_laps", "work_mj"]].to_numpy(dtype=np.float64)
    for tyre_id, own in kept.groupby("tyre_id", sort=False):
        new[str(tyre_id)] = bool(own["age_laps"].iloc[0] == 0)
        first_age[own.index] = own["age_laps"].iloc[0]
        run: dict[int, Floats] = {}
        before = counted[own.index[0]]
        for i in own.index:
            step = counted[i] - before
            if step[0] > 0:
                slot = slots.setdefault((session[i], str(own.loc[i, "corner"])), len(slots))
                step[1] = np.clip(step[1], 0.0, step[0])
                run = {**run, slot: run.get(slot, np.zeros(3)) + step}
            before = counted[i]
            exposure.append(run)
    on_slots = np.zeros((len(kept), len(slots), 3))
    for i, run in enumerate(exposure):
        for slot, amounts in run.items():
            on_slots[i, slot] = amounts
    code = {tyre: i for i, tyre in enumerate(tyres)}
    tyre = np.array([code[t] for t in kept["tyre_id"]], dtype=np.int64)
    return _by_place(kept, on_slots, first_age, tyre, tuple(slots), tyres, new)


def _by_place(
    kept: pd.DataFrame, on_slots: Floats, first_age: Floats, tyre: Codes,
    slots: tuple[tuple[str, str], ...], tyres: tuple[str, ...], new: dict[str, bool],
) -> TreadRows:  # fmt: skip
    depths = kept[[f"{p}_mm" for p in PLACES]].to_numpy(dtype=np.float64)
    reading, place = np.nonzero(np.isfinite(depths))
    age = kept["age_laps"].to_numpy(dtype=np.float64)
    return TreadRows(
        depth_mm=depths[reading, place],
        place=place,
        tyre=tyre[reading],
        age_laps=age[reading],
        first_age_laps=first_age[reading],
        laps=on_slots[reading, :, 0],
        slow_laps=on_slots[reading, :, 1],
        work_mj=on_slots[reading, :, 2],
        reading=reading,
        slots=slots,
        tyres=tyres,
        new=np.array([new[t] for t in tyres], dtype=np.bool_),
    )


def laps_at_pace(laps: Floats, slow_laps: Floats, slow_lap_share: float) -> Floats:
    """Return laps at pace that wear a tyre as much: slow ones count a share, 0 to 1."""
    return laps - (1 - slow_lap_share) * slow_laps


def first_laps_share(then: Floats, now: Floats, first_laps_laps: float) -> tuple[Floats, Floats]:
    """Return the share of a new tyre's first loss between two ages, and its slope with tau.

    ``exp(-then / tau) - exp(-now / tau)``, ages in laps, tau = `first_laps_laps`.
    """
    before, after = np.exp(-then / first_laps_laps), np.exp(-now / first_laps_laps)
    return before - after, (then * before - now * after) / first_laps_laps**2


def counted_by_work(rows: TreadRows, slow_lap_share: float) -> tuple[TreadRows, dict[str, float]]:
    """Return rows whose laps are sliding work over its corner's usual lap, and that lap's MJ.

    Parameters
    ----------
    rows : TreadRows
    slow_lap_share : float
        What a slow lap counts for, 0 to 1: the usual lap is one at pace.

    Raises
    ------
    FitError
        A reading's work is not known, or a corner did none.
    """
    if not np.all(np.isfinite(rows.work_mj)) or not len(rows.slots):
        raise FitError("wear by work needs the sliding work of every lap. Log all runs.")
    laps = np.zeros_like(rows.laps)
    usual: dict[str, float] = {}
    at_pace = laps_at_pace(rows.laps, rows.slow_laps, slow_lap_share).max(axis=0)
    work = rows.work_mj.max(axis=0)
    for corner in dict.fromkeys(corner for _, corner in rows.slots):
        on = np.array([own == corner for _, own in rows.slots])
        usual[corner] = float(work[on].sum() / at_pace[on].sum())
        if not usual[corner] > 0:
            raise FitError(f"no sliding work at {corner}. Check the log's accelerations.")
        laps[:, on] = rows.work_mj[:, on] / usual[corner]
    return rows._replace(laps=laps, slow_laps=np.zeros_like(laps)), usual


def _sessions(kept: pd.DataFrame, event: Event) -> list[str]:
    """Return the session each reading followed: as written, else the last begun before it."""
    starts = [(s.start, s.id) for s in event.sessions]
    found = []
    for written, at in zip(kept["session"], kept["taken_at"], strict=True):
        if isinstance(written, str) and written:
            found.append(written)
        elif pd.isna(at):
            found.append("")
        else:
            begun = [name for start, name in starts if start <= at]
            found.append(begun[-1] if begun else "")
    return found
