"""Hot pressure readings as rows of the pressure fit: gas temperature above the air."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.fit.result import Floats
from tyrekit.model.gas import STANDARD_AMBIENT_BAR, gas_temperature
from tyrekit.units import ZERO_C_K

CORNERS = ("FL", "FR", "RL", "RR")
SOURCES = ("sensor", "pit")
BAR_RANGE = (0.3, 6.0)  # gauge; psi and kPa fall outside
RISE_RANGE_C = (-25.0, 120.0)  # gas above air; outside it a pressure was misread
TEMPERATURES_C = {"air_c": (-30.0, 55.0), "track_c": (-20.0, 80.0), "cold_c": (-30.0, 120.0)}
AIR_C, TRACK_ABOVE_AIR_C = 20.0, 8.0  # assumed, and said, when nothing was written down

Codes = NDArray[np.int64]


class PressureRows(NamedTuple):
    """One row per reading."""

    rise_c: Floats  # gas temperature above the air that the reading implies
    air_c: Floats
    track_above_air_c: Floats
    laps: Floats
    slow_laps: Floats
    pit: NDArray[np.bool_]
    gain_c: Floats  # what one bar of reading is worth in gas temperature
    corner: Codes
    session: Codes
    run: Codes
    slot: Codes  # one run at one corner
    sessions: tuple[str, ...]
    runs: int
    slots: int


class Usable(NamedTuple):
    """Readings to fit, those left out, what was assumed, and the air pressure."""

    table: pd.DataFrame
    left_out: pd.DataFrame
    notes: tuple[str, ...]
    ambient_bar: float


def sensor_readings(laps: pd.DataFrame, runs: pd.DataFrame) -> pd.DataFrame:
    """Return logged pressures at the end of each lap as readings with source ``sensor``.

    Parameters
    ----------
    laps : DataFrame
        run_id, session, lap, air_c, track_c and hot_fl_bar .. hot_rr_bar.
    runs : DataFrame
        run_id and cold_fl_bar .. cold_rr_bar.
    """
    parts = []
    cold = runs.set_index(runs["run_id"].astype(str))
    for corner in CORNERS:
        hot, set_to = f"hot_{corner.lower()}_bar", f"cold_{corner.lower()}_bar"
        if hot not in laps or set_to not in cold:
            continue
        part = laps.reindex(columns=["session", "run_id", "air_c", "track_c"])
        part = part.assign(
            corner=corner,
            hot_bar=laps[hot],
            after_laps=laps["lap"],
            cold_bar=laps["run_id"].astype(str).map(cold[set_to]),
            source="sensor",
        )
        parts.append(part[part["hot_bar"].notna()])
    columns = ["session", "run_id", "corner", "hot_bar", "after_laps", "cold_bar", "air_c",
               "track_c", "source"]  # fmt: skip
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def usable(readings: pd.DataFrame) -> Usable:
    """Return the readings that can be fitted, with temperatures filled in and said."""
    columns = ["session", "run_id", "corner", "hot_bar", "after_laps", "cold_bar", "air_c",
               "track_c", "cold_c", "pressure_hpa", "source"]  # fmt: skip
    table = readings.reindex(columns=columns).reset_index(drop=True)
    numbers = ("hot_bar", "after_laps", "cold_bar", "air_c", "track_c", "cold_c", "pressure_hpa")
    table = table.astype(dict.fromkeys(numbers, float))
    for name, instead in (("run_id", ""), ("session", ""), ("source", "pit"), ("corner", "")):
        text = table[name].astype(object)
        table[name] = text.where(text.notna(), instead).astype(str)
    table["session"] = table["session"].where(table["session"] != "", table["run_id"])
    table, notes = _temperatures(table)
    ambient, said = _ambient(table["pressure_hpa"])
    reason = _reasons(table)
    good = table[(reason == "").to_numpy()]
    if len(good):
        rise = _gas_c(good, ambient) - good["air_c"].to_numpy(dtype=np.float64)
        odd = (rise < RISE_RANGE_C[0]) | (rise > RISE_RANGE_C[1])
        for index, above in zip(good.index[odd], rise[odd], strict=True):
            reason[index] = f"it implies a gas {above:+.0f} °C above the air: a misread pressure"
    left = table[(reason != "").to_numpy()]
    left_out = pd.DataFrame(
        {"run_id": left["run_id"], "lap": left["after_laps"], "reason": reason[left.index],
         "corner": left["corner"]}
    ).reset_index(drop=True)  # fmt: skip
    kept = table[(reason == "").to_numpy()].reset_index(drop=True)
    if len(kept) and "source" not in readings:
        notes.append("pressures are taken as read in the pits, after cooling on the in-lap")
    return Usable(kept, left_out, tuple(notes + ([said] if len(kept) else [])), ambient)


def pressure_rows(kept: pd.DataFrame, ambient_bar: float) -> PressureRows:
    """Return the rows of the fit from usable readings."""
    air = kept["air_c"].to_numpy(dtype=np.float64)
    cold_k = _cold_c(kept) + ZERO_C_K
    laps = kept["after_laps"].to_numpy(dtype=np.float64)
    pit = (kept["source"] == "pit").to_numpy(dtype=np.bool_)
    sessions = tuple(dict.fromkeys(kept["session"]))
    runs = list(dict.fromkeys(kept["run_id"]))
    slots = list(dict.fromkeys(zip(kept["run_id"], kept["corner"], strict=True)))
    slot = {name: i for i, name in enumerate(slots)}
    return PressureRows(
        rise_c=_gas_c(kept, ambient_bar) - air,
        air_c=air,
        track_above_air_c=kept["track_c"].to_numpy(dtype=np.float64) - air,
        laps=laps,
        slow_laps=np.minimum(np.where(pit, 2.0, 1.0), laps),
        pit=pit,
        gain_c=cold_k / (kept["cold_bar"].to_numpy(dtype=np.float64) + ambient_bar),
        corner=np.array([CORNERS.index(c) for c in kept["corner"]], dtype=np.int64),
        session=np.array([sessions.index(s) for s in kept["session"]], dtype=np.int64),
        run=np.array([runs.index(r) for r in kept["run_id"]], dtype=np.int64),
        slot=np.array(
            [slot[pair] for pair in zip(kept["run_id"], kept["corner"], strict=True)],
            dtype=np.int64,
        ),
        sessions=sessions,
        runs=len(runs),
        slots=len(slots),
    )


def _temperatures(table: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Return the table with air and track filled in from the session, all, or assumptions."""
    notes = []
    for name in ("air_c", "track_c"):
        missing = table[name].isna()
        if not missing.any():
            continue
        filled = table[name].fillna(table.groupby("session")[name].transform("mean"))
        filled = filled.fillna(filled.mean())
        guess = AIR_C if name == "air_c" else table["air_c"] + TRACK_ABOVE_AIR_C
        unknown = filled.isna().any()
        table[name] = filled.fillna(guess)
        what = "air" if name == "air_c" else "track"
        instead = "an assumed one" if unknown else "the mean of the other readings"
        notes.append(f"{int(missing.sum())} pressure(s) without {what} temperature: {instead} used")
    return table, notes


def _ambient(pressure_hpa: pd.Series) -> tuple[float, str]:
    known = pressure_hpa[(pressure_hpa > 500) & (pressure_hpa < 1100)]
    if len(known):
        ambient = float(known.mean()) / 1000
        return ambient, f"air pressure {1000 * ambient:.0f} hPa as written down"
    return STANDARD_AMBIENT_BAR, (
        "air pressure not written down: sea level's standard is used; 500 m higher moves a cold "
        "pressure by about 0.01 bar"
    )


def _reasons(table: pd.DataFrame) -> pd.Series:
    reason = pd.Series("", index=table.index, dtype=object)
    low, high = BAR_RANGE
    reason[~(table["after_laps"] >= 1)] = "laps run before the reading are not known"
    for name in ("cold_bar", "hot_bar"):
        reason[~table[name].between(low, high)] = f"{name} is not within {low:g} to {high:g} bar"
        reason[table[name].isna()] = f"no {name}"
    for name, (coldest, hottest) in TEMPERATURES_C.items():
        off = ~table[name].between(coldest, hottest) & table[name].notna()
        reason[off] = f"{name} is not within {coldest:g} to {hottest:g} degC"
    reason[~table["source"].isin(SOURCES)] = "source is neither sensor nor pit"
    reason[~table["corner"].isin(CORNERS)] = "corner is not FL, FR, RL or RR"
    return reason


def _cold_c(kept: pd.DataFrame) -> Floats:
    """Return the gas temperature when the cold pressure was set: as written, else the air's."""
    found: Floats = kept["cold_c"].fillna(kept["air_c"]).to_numpy(dtype=np.float64)
    return found


def _gas_c(kept: pd.DataFrame, ambient_bar: float) -> Floats:
    cold, hot = (kept[name].to_numpy(dtype=np.float64) for name in ("cold_bar", "hot_bar"))
    if not len(kept):
        return np.zeros(0)
    return gas_temperature(cold, _cold_c(kept), hot, ambient_bar)


def effective_laps(laps: Floats, slow_laps: Floats, slow_lap_share: float) -> Floats:
    """Return laps at pace that warm the tyre as much: slow ones count a share."""
    counted: Floats = np.maximum(laps - slow_laps * (1.0 - slow_lap_share), 0.05)
    return counted


def warmed(laps: Floats, rise_laps: float) -> Floats:
    """Return the share of the plateau reached, 0 to 1."""
    share: Floats = 1.0 - np.exp(-laps / rise_laps)
    return share
