"""What each tyre did over the event, what it has left, and where on the lap it was used."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from tyrekit.errors import FitError
from tyrekit.fit.result import t_quantile
from tyrekit.fit.tread_result import TreadResults
from tyrekit.fit.tread_rows import PLACES, usable
from tyrekit.fit.tyre_life import weibull_life
from tyrekit.fit.tyre_work import WORK_PER_M
from tyrekit.plan.weekend_problem import laps_by_time
from tyrekit.record.weekend import Weekend
from tyrekit.show.answer import Fits
from tyrekit.show.tables import tread_limit_mm
from tyrekit.show.words import adding_up
from tyrekit.terms import CORNERS

TYRE_COLUMNS = (
    "tyre_id", "corners", "sessions", "laps", "distance_km", "work_mj", "work_known_pct",
    "wear_mm", "wear_mm_per_lap", "wear_pct", "wear_lower_pct", "wear_upper_pct", "tread_min_mm",
    "laps_left", "lower_laps", "upper_laps", "next_session", "next_corner", "next_laps",
    "next_lower_laps", "few_left", "state", "scrapped",
)  # fmt: skip
USE_COLUMNS = ("corner", "start_m", "end_m", "work_pct", "lap_pct", "work_j_per_m")
WORN, EARLY, NEVER = "at the limit", "before the limit", "not measured"
WET = "a wet tyre"
PLACE_COLUMNS = ("place", "start_m", "end_m", "work_pct", "lap_pct", "work_j_per_m")
STRETCHES = 3


def tyre_table(
    weekend: Weekend, fits: Fits, work: pd.DataFrame, plan: pd.DataFrame, level: float = 0.9
) -> pd.DataFrame:
    """Return a row per tyre that ran: `TYRE_COLUMNS`.

    Parameters
    ----------
    weekend : Weekend
        What happened.
    fits : Fits
        Its fits.
    work : DataFrame
        `Driving.laps`.
    plan : DataFrame
        `AllocationPlan.table` of the sessions still to come.
    level : float
        Of the intervals.

    Notes
    -----
    ``wear_pct`` is the tyre's own wear rate against its corner's usual, from the tread fit, which
    takes out corner, session and slow laps. ``laps_left`` is at pace, for the corner it last ran
    on; ``next_lower_laps`` is its lower end at the corner of its next planned session. A tyre that
    came off before the limit has not failed: its life is censored. ``few_left`` marks those that
    may not last that session's laps or, where none is planned, the `shortest_race_laps`.
    """
    limit, shortest = tread_limit_mm(weekend.event), shortest_race_laps(weekend, fits)
    coming = next_runs(plan).to_dict("index")
    readings, _ = usable(weekend.tread.drop(columns="wet"))  # a wet's own wear is shown as well
    with_work = fits.laps.merge(work.drop(columns=["session", "driver", "kind", "counts"]),
                                on=["run_id", "lap"], how="left")  # fmt: skip
    rows = []
    for tyre in weekend.tyres[weekend.tyres["used"]].to_dict("records"):
        tyre_id = str(tyre["tyre_id"])
        own = readings[readings["tyre_id"] == tyre_id].sort_values("age_laps")
        rows.append((
            tyre_id, *_running(with_work, tyre_id, weekend.event.circuit.length_m),
            *_wear(own), *_against_usual(fits.tread, tyre_id, level),
            *_life(fits.tread, tyre, own, limit, level, coming.get(tyre_id), shortest),
            tyre["scrapped"],
        ))  # fmt: skip
    return pd.DataFrame(rows, columns=list(TYRE_COLUMNS))


def shortest_race_laps(weekend: Weekend, fits: Fits) -> int:
    """Return the laps a tyre runs in the event's shortest race, formation and cool-down included.

    Of its shortest session when it has no race.
    """
    event = weekend.event
    races = [one for one in event.sessions if one.kind == "race"]
    return min(
        one.formation_laps + laps_by_time(event, one, fits.lap_time)[0] + one.cool_down_laps
        for one in races or event.sessions
    )


def next_runs(plan: pd.DataFrame) -> pd.DataFrame:
    """Return where each tyre runs next by plan: tyre_id as index, session, corner, laps."""
    rows = {}
    for tyre_id, own in plan.groupby("tyre_id", sort=False):
        own = own[own["session"] == own["session"].iloc[0]]
        laps = float((own["age_end_laps"] - own["age_laps"]).sum())
        rows[str(tyre_id)] = (str(own["session"].iloc[0]), str(own["corner"].iloc[0]), laps)
    return pd.DataFrame.from_dict(rows, orient="index", columns=["session", "corner", "laps"])


def life_words(tyres: pd.DataFrame, ages: pd.Series, limit_mm: float) -> str:
    """Return what the tyres' lives say: a fit where tyres reached the limit, else how far they got.

    Parameters
    ----------
    tyres : DataFrame
        From `tyre_table`.
    ages : Series
        Tyre id to age in laps now.
    limit_mm : float
        Least tread allowed.
    """
    known = tyres[tyres["state"].isin([WORN, EARLY])]
    if not len(known):
        return "No tyre's tread was measured: nothing is known of their lives."
    age = known["tyre_id"].map(ages).to_numpy(dtype=np.float64)
    worn = (known["state"] == WORN).to_numpy()
    start = f"{int(worn.sum())} of {len(known)} tyres reached the limit of {limit_mm:.1f} mm"
    try:
        life = weibull_life(age, worn)
    except FitError:
        return (
            f"{start}; the rest came off before it, at up to {age.max():.0f} laps. Too few to say"
            " how long such tyres last: use the laps left of each."
        )
    mean, low, high = life.laps_by(0.5)
    return f"{start}; half of such tyres would by {mean:.0f} laps ({low:.0f} to {high:.0f})."


def use_table(profile: pd.DataFrame) -> pd.DataFrame:
    """Return the stretches of the lap where each corner works hardest: `USE_COLUMNS`.

    A stretch is contiguous, above half of the corner's hardest 2 %; the three with most work.
    It ends where the next row of the profile begins; ``work_j_per_m`` is its mean.
    """
    rows: list[tuple[object, ...]] = []
    if not len(profile):
        return pd.DataFrame(columns=list(USE_COLUMNS))
    at = profile["distance_m"].to_numpy(dtype=np.float64)
    for corner, name in zip(CORNERS, WORK_PER_M, strict=True):
        work = profile[name].to_numpy(dtype=np.float64)
        hard = work > 0.5 * float(np.quantile(work, 0.98))
        edges = np.diff(np.concatenate([[0], hard.astype(int), [0]]))
        spans = list(zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True))
        total = float(work.sum())
        most = sorted(spans, key=lambda s: -float(work[s[0] : s[1]].sum()))[:STRETCHES]
        rows += [
            (corner.upper(), at[a], at[b - 1] + step_m(at), 100 * float(work[a:b].sum()) / total,
             100 * (b - a) / len(at), float(work[a:b].mean()))
            for a, b in most
        ]  # fmt: skip
    return pd.DataFrame(rows, columns=list(USE_COLUMNS))


def places(uses: pd.DataFrame, corner: str) -> pd.DataFrame:
    """Return a corner's hardest stretches numbered along the lap: `PLACE_COLUMNS`.

    Shares are whole per cents that add up to their rounded sum, as they are shown.
    """
    own = uses[uses["corner"] == corner].sort_values("start_m").reset_index(drop=True)
    whole = {name: adding_up(list(own[name]), 0) for name in ("work_pct", "lap_pct")}
    return own.assign(place=own.index + 1, **whole)[list(PLACE_COLUMNS)]


def step_m(distance_m: np.ndarray) -> float:
    """Return the metres from one row of a profile to the next."""
    return float(np.median(np.diff(distance_m))) if len(distance_m) > 1 else 0.0


def _running(laps: pd.DataFrame, tyre_id: str, length_m: float) -> tuple[object, ...]:
    """Return corners, sessions, laps, km and work of a tyre at this event."""
    corners, parts = [], []
    for corner in CORNERS:
        own = laps[laps[corner] == tyre_id]
        if len(own):
            corners.append(corner.upper())
            parts.append(own.assign(work_mj=own[f"work_{corner}_mj"]))
    if not parts:
        return "", "", 0, 0.0, math.nan, 0.0
    own = pd.concat(parts)
    run_m = own["run_m"].fillna(length_m) if "run_m" in own else pd.Series(length_m, own.index)
    sessions = " ".join(dict.fromkeys(own.sort_values("started_at")["session"].astype(str)))
    known = own["work_mj"].notna()
    work = float(own["work_mj"].sum()) if known.any() else math.nan
    return (
        " ".join(corners), sessions, len(own), float(run_m.sum()) / 1000, work,
        100 * float(known.mean()),
    )  # fmt: skip


def _wear(own: pd.DataFrame) -> tuple[float, float]:
    """Return mm lost between the first and the last reading, mean over the width, and per lap."""
    if len(own) < 2:
        return math.nan, math.nan
    columns = [f"{place}_mm" for place in PLACES]
    ends = own.iloc[[0, -1]][columns].to_numpy(dtype=np.float64)
    lost = (
        float(np.nanmean(ends[0] - ends[1])) if np.isfinite(ends[0] - ends[1]).any() else math.nan
    )
    laps = float(own["age_laps"].iloc[-1] - own["age_laps"].iloc[0])
    return lost, lost / laps if laps > 0 else math.nan


def _against_usual(tread: TreadResults, tyre_id: str, level: float) -> tuple[float, float, float]:
    name = f"tyre_wear_pct[{tyre_id}]"
    if name not in tread.params:
        return math.nan, math.nan, math.nan
    mean, sd = tread.estimate(name)
    reach = t_quantile(0.5 + level / 2, tread.df) * sd
    return mean, mean - reach, mean + reach


def _life(
    tread: TreadResults, tyre: Mapping[Any, Any], own: pd.DataFrame, limit_mm: float, level: float,
    coming: Mapping[Any, Any] | None, shortest: int,
) -> tuple[object, ...]:  # fmt: skip
    """Return thinnest place, laps left, what comes next, whether few, and how its life ended."""
    then = ("", "", math.nan) if coming is None else tuple(coming.values())
    if tyre["wet"]:
        return tyre["tread_min_mm"], math.nan, math.nan, math.nan, *then, math.nan, False, WET
    depths = own[[f"{place}_mm" for place in PLACES]].to_numpy(dtype=np.float64)
    corner = str(tyre["last_corner"])
    if not len(depths) or not np.isfinite(depths[-1]).all() or not corner:
        thin = (
            float(np.nanmin(depths[-1]))
            if len(depths) and np.isfinite(depths[-1]).any()
            else math.nan
        )
        state = NEVER if math.isnan(thin) else EARLY
        return thin, math.nan, math.nan, math.nan, *then, math.nan, False, state
    thin = float(depths[-1].min())
    left, there = (
        tread.laps_left(
            at, [float(d) for d in depths[-1]], limit_mm, level,
            age_laps=float(own["age_laps"].iloc[-1]), tyre_id=str(tyre["tyre_id"]),
        )
        for at in (corner, then[1] or corner)
    )  # fmt: skip
    few = bool(there[1] < (shortest if coming is None else then[2])) and not tyre["scrapped"]
    least = math.nan if coming is None else there[1]
    return thin, *left, *then, least, few, WORN if thin <= limit_mm else EARLY
