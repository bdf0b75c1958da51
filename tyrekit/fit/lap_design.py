"""The laps table turned into the arrays of the lap-time fit; every lap left out with its reason."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.errors import FitError
from tyrekit.fit.prior import Prior
from tyrekit.fit.result import Floats

Objects = NDArray[np.object_]

FUEL_KG = 30.0  # reference conditions: where the base lap is told
TRACK_C = 30.0
FIELD_LAPS = 250.0  # the track gains with ln(1 + field laps / 250), told from 1250 laps
FIELD_FOLD = 6.0
SETTLED_LAP = 5.0  # a stint's own trend turns about its fifth flying lap
SLOW, FAST = 1.03, 0.97  # common practice, no source: 3 % off is no flying lap, or a wrong line

SLOPE = "drop_off_s_per_lap"
FIXED = (
    "base_lap_s",
    "fuel_effect_s_per_kg",
    SLOPE,
    "heat_cycle_s",
    "track_evolution_s",
    "track_temperature_s_per_k",
    "warm_up_1_s",
    "warm_up_2_s",
    "warm_up_3_s",
    "race_s",
)
NEEDED = ("run_id", "session", "lap", "lap_time_s", "flying_lap", "set_id", "age_laps", "fuel_kg")
TEXT = ("run_id", "session", "set_id", "driver", "reason")
NUMBERS = ("lap", "lap_time_s", "lap_time_se_s", "flying_lap", "age_laps", "fuel_kg",
           "heat_cycles", "track_c", "field_laps")  # fmt: skip
# outside these a number is a slip of the pen or of a unit, not a lap of a car
POSSIBLE = {"lap_time_s": (10.0, 3600.0), "age_laps": (0.0, 2000.0), "fuel_kg": (0.0, 500.0),
            "flying_lap": (0.0, 2000.0), "heat_cycles": (0.0, 200.0), "track_c": (-30.0, 90.0),
            "field_laps": (0.0, 1e5), "lap_time_se_s": (0.0, 60.0)}  # fmt: skip
MUST = ("lap_time_s", "age_laps", "fuel_kg", "flying_lap")  # a lap without one stays out
DEFAULTS = {"heat_cycles": 0.0, "track_c": TRACK_C, "field_laps": FIELD_LAPS * (FIELD_FOLD - 1.0)}


@dataclass(frozen=True, eq=False)
class LapRows:
    """The laps that enter the fit, each stint together and in order, and those left out."""

    table: pd.DataFrame
    left_out: pd.DataFrame
    notes: tuple[str, ...]


def lap_rows(
    laps: pd.DataFrame,
    *,
    wet: Collection[str] = (),
    without: Collection[tuple[str, int]] = (),
) -> LapRows:
    """Return the laps that can be fitted.

    Parameters
    ----------
    laps : DataFrame
        The weekend's laps table; may be empty.
    wet : collection of str
        Sessions run in the wet, left out.
    without : collection of (run_id, lap)
        Laps taken out by hand.

    Raises
    ------
    FitError
        A needed column is missing.
    """
    missing = [name for name in NEEDED if name not in laps.columns]
    if missing and len(laps):
        raise FitError(f"laps table lacks {', '.join(missing)}. Read the weekend again.")
    columns: dict[str, NDArray[Any]] = {name: _text(laps, name) for name in TEXT}
    columns |= {name: numbers_of(laps, name) for name in NUMBERS}
    strange = _strange(columns)
    columns["lap_time_se_s"] = np.nan_to_num(columns["lap_time_se_s"])
    reason = _reasons(laps, columns, frozenset(wet), frozenset(without), strange)
    used = reason == ""
    left_out = {name: columns[name][~used] for name in ("run_id", "session", "lap", "lap_time_s")}
    left_out |= {"reason": reason[~used], "residual_s": np.full(int((~used).sum()), np.nan)}
    kept = {name: column[used] for name, column in columns.items()}
    notes = _fill(kept)
    # a run on two sets counts as two stints
    kept["stint"] = kept["session"] + "\t" + kept["run_id"] + "\t" + kept["set_id"]
    order = np.lexsort((kept["lap"], pd.factorize(kept["stint"])[0]))
    table = pd.DataFrame({name: column[order] for name, column in kept.items()})
    return LapRows(table, pd.DataFrame(left_out), notes)


def _text(laps: pd.DataFrame, name: str) -> Objects:
    column = laps[name].to_numpy(dtype=object) if name in laps else [""] * len(laps)
    return np.array(["" if pd.isna(item) else str(item) for item in column], dtype=object)


def numbers_of(laps: pd.DataFrame, name: str) -> Floats:
    """Return a column as numbers; NaN where it has none, is infinite, or there is no column."""
    if name not in laps:
        return np.full(len(laps), np.nan)
    column = laps[name]
    if column.dtype != np.float64:
        column = pd.to_numeric(column, errors="coerce")
    values = column.to_numpy(dtype=float, na_value=np.nan)
    return np.where(np.isfinite(values), values, np.nan)


def _strange(columns: dict[str, NDArray[Any]]) -> Objects:
    """Take out numbers that are not possible; return what is wrong with a lap that must stay out.

    A strange condition (temperature, heat cycles, ...) counts as not known and is filled later.
    """
    why = np.array([""] * len(columns["lap"]), dtype=object)
    for name, (least, most) in POSSIBLE.items():
        value = columns[name]
        wrong = (value < least) | (value > most)
        if name in MUST:
            said = f"is not possible ({least:g} to {most:g})"
            why[wrong] = [f"{name} {number:.6g} {said}" for number in value[wrong]]
        else:
            columns[name] = np.where(wrong, np.nan, value)
    return why


def _counting(laps: pd.DataFrame) -> NDArray[np.bool_]:
    """Return which laps the table lets count; unknown counts as no."""
    if "counts" not in laps:
        return np.ones(len(laps), dtype=bool)
    try:
        counts = laps["counts"].astype("boolean").fillna(False)
    except (TypeError, ValueError) as error:
        raise FitError(
            "laps table: counts is not true or false. Read the weekend again."
        ) from error
    return counts.to_numpy(dtype=bool)


def _reasons(
    laps: pd.DataFrame,
    columns: Mapping[str, NDArray[Any]],
    wet: frozenset[str],
    without: frozenset[tuple[str, int]],
    strange: Objects,
) -> Objects:
    """Why each lap stays out, empty when it enters; the first reason found stands."""
    reason = np.array([""] * len(laps), dtype=object)

    def leave(rows: NDArray[np.bool_], why: str) -> None:
        reason[rows & (reason == "")] = why

    out, said = ~_counting(laps), columns["reason"]
    reason[out] = np.where(said[out] == "", "does not count", said[out])
    runs, numbers = columns["run_id"], columns["lap"]
    if without:
        keys = zip(runs, numbers, strict=True)
        leave(np.array([key in without for key in keys], dtype=bool), "taken out by hand")
    if wet:
        leave(np.array([name in wet for name in columns["session"]], dtype=bool), "wet session")
    twice = pd.DataFrame({"run_id": runs, "lap": numbers}).duplicated().to_numpy()
    leave(twice, "same run and lap as a row before")
    for name in ("lap", *MUST):
        leave(np.isnan(columns[name]), f"{name} not known")
    reason = np.where((reason == "") & (strange != ""), strange, reason)
    ratio = _to_median(columns, reason == "")
    leave(ratio > SLOW, f"slower than {SLOW} x the stint's median")
    leave(ratio < FAST, f"faster than {FAST} x the stint's median: check the lap time")
    return reason


def _to_median(columns: Mapping[str, NDArray[Any]], usable: NDArray[np.bool_]) -> Floats:
    """Lap time over its stint's median (the session's with under four laps); 1 where not usable."""
    time = columns["lap_time_s"]
    stint, many = _medians(columns["run_id"], time, usable)
    session, _ = _medians(columns["session"], time, usable)
    median = np.where(many < 4, session, stint)
    share: Floats = np.divide(time, median, out=np.ones(len(time)), where=usable)
    return share


def _medians(
    label: Objects, values: Floats, usable: NDArray[np.bool_]
) -> tuple[Floats, NDArray[np.int64]]:
    """Each row's group median over the usable rows, infinite without any, and their number."""
    code, names = pd.factorize(label)
    order = np.flatnonzero(usable)[np.argsort(code[usable], kind="stable")]
    many = np.bincount(code[usable], minlength=len(names))
    parts = np.split(values[order], np.cumsum(many)[:-1]) if len(names) else []
    median = np.array([np.median(part) if len(part) else np.inf for part in parts])
    return median[code], many[code]


def _fill(kept: dict[str, NDArray[Any]]) -> tuple[str, ...]:
    """Fill what may be missing from the session, then the weekend, then the reference; say so."""
    notes = []
    for name, reference in DEFAULTS.items():
        gaps = np.isnan(kept[name])
        if not gaps.any():
            continue
        value = pd.Series(kept[name])
        value = value.fillna(value.groupby(kept["session"]).transform("mean"))
        kept[name] = value.fillna(value.mean()).fillna(reference).to_numpy()
        where = ", ".join(sorted(set(kept["session"][gaps])))
        notes.append(
            f"{name} is not known, or not possible, on {int(gaps.sum())} laps ({where}): "
            f"{kept[name][gaps].mean():.4g} taken, from the laps beside them or the reference."
        )
    return tuple(notes)


def fixed_columns(rows: pd.DataFrame, races: Collection[str], drivers: tuple[str, ...]) -> Floats:
    """Return the columns of the common terms, shape (rows, 10 + drivers), in the order of `FIXED`.

    `rows` has session, fuel_kg, age_laps, heat_cycles, field_laps, track_c, flying_lap, driver.
    """
    flying = rows["flying_lap"].to_numpy(dtype=float)
    field = np.maximum(rows["field_laps"].to_numpy(dtype=float), 0.0)
    driver = rows["driver"].to_numpy(dtype=object)
    columns = [
        np.ones(len(rows)),
        rows["fuel_kg"].to_numpy(dtype=float) - FUEL_KG,
        rows["age_laps"].to_numpy(dtype=float),
        rows["heat_cycles"].to_numpy(dtype=float),
        -np.log((1.0 + field / FIELD_LAPS) / FIELD_FOLD),
        rows["track_c"].to_numpy(dtype=float) - TRACK_C,
        *(flying == n for n in (1, 2, 3)),
        np.isin(rows["session"].to_numpy(dtype=object), list(races)),
        *(driver == name for name in drivers),
    ]
    return np.column_stack(columns).astype(float)


def fixed_priors(beliefs: Mapping[str, Prior], drivers: tuple[str, ...]) -> dict[str, Prior]:
    """Return the beliefs of the columns of `fixed_columns`, in order, by parameter name.

    Raises
    ------
    FitError
        A belief is missing.
    """
    wanted = (*FIXED, "driver_s", "session_s", "set_s", "stint_s", "stint_slope_s_per_lap",
              "noise_s", "drop_off_curve_s", "drop_off_knee_s_per_lap")  # fmt: skip
    missing = [name for name in wanted if name not in beliefs]
    if missing:
        raise FitError(f"beliefs lack {', '.join(missing)}. Start from prior.beliefs(event).")
    return {n: beliefs[n] for n in FIXED} | {f"driver_s:{d}": beliefs["driver_s"] for d in drivers}
