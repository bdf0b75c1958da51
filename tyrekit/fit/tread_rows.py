"""Tread readings as rows of the wear fit: laps on each corner in each session, place by place."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.fit.result import Floats
from tyrekit.record.event import Event

PLACES = ("inner", "centre", "outer")
CORNERS = ("FL", "FR", "RL", "RR")
DEEPEST_MM = 20.0  # no car tyre is deeper: another unit or a slip

Codes = NDArray[np.int64]


class TreadRows(NamedTuple):
    """One row per reading and place.

    `laps` (n, slots) holds laps run since the tyre's first reading (since new when that was at
    age 0), by slot = one session on one corner.
    """

    depth_mm: Floats
    place: Codes
    tyre: Codes
    age_laps: Floats
    first_age_laps: Floats
    laps: Floats
    reading: Codes  # row of the readings table
    slots: tuple[tuple[str, str], ...]  # session, corner
    tyres: tuple[str, ...]
    new: NDArray[np.bool_]  # per tyre: first read at age 0


def usable(readings: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the readings in order of tyre and age, and those left out with reasons."""
    columns = ["tyre_id", "after_run", *(f"{p}_mm" for p in PLACES), "age_laps", "corner"]
    table = readings.reindex(columns=[*columns, "taken_at", "session", "distance_km"])
    number = dict.fromkeys((*(f"{p}_mm" for p in PLACES), "age_laps", "distance_km"), float)
    table = table.astype(number)
    for name in ("tyre_id", "after_run", "corner"):
        table[name] = table[name].astype(object).where(table[name].notna(), "").astype(str)
    depths = table[[f"{p}_mm" for p in PLACES]].to_numpy(dtype=np.float64)
    reason = pd.Series("", index=table.index, dtype=object)
    reason[~(table["age_laps"] >= 0).to_numpy()] = "laps on the tyre are not known"
    seen = np.isfinite(depths)
    wrong = (seen & ((depths < 0) | (depths > DEEPEST_MM))).any(axis=1)
    reason[wrong] = f"a depth is not within 0 to {DEEPEST_MM:.0f} mm"
    reason[~seen.any(axis=1)] = "no depth written down"
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
    exposure: list[dict[int, float]] = []
    first_age = np.zeros(len(kept))
    new: dict[str, bool] = {}
    for tyre_id, own in kept.groupby("tyre_id", sort=False):
        new[str(tyre_id)] = bool(own["age_laps"].iloc[0] == 0)
        first_age[own.index] = own["age_laps"].iloc[0]
        run: dict[int, float] = {}
        before = float(own["age_laps"].iloc[0])
        for i in own.index:
            age = float(own.loc[i, "age_laps"])
            if age > before:
                slot = slots.setdefault((session[i], str(own.loc[i, "corner"])), len(slots))
                run = {**run, slot: run.get(slot, 0.0) + age - before}
            before = age
            exposure.append(run)
    laps = np.zeros((len(kept), len(slots)))
    for i, run in enumerate(exposure):
        for slot, count in run.items():
            laps[i, slot] = count
    code = {tyre: i for i, tyre in enumerate(tyres)}
    tyre = np.array([code[t] for t in kept["tyre_id"]], dtype=np.int64)
    return _by_place(kept, laps, first_age, tyre, tuple(slots), tyres, new)


def _by_place(
    kept: pd.DataFrame, laps: Floats, first_age: Floats, tyre: Codes,
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
        laps=laps[reading],
        reading=reading,
        slots=slots,
        tyres=tyres,
        new=np.array([new[t] for t in tyres], dtype=np.bool_),
    )


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
