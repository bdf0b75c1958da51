"""Hot pressure readings as rows of the pressure fit: gas temperature above the air."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.fit.pressure_rise import slow_laps_of
from tyrekit.fit.result import Floats
from tyrekit.model.air import standard_pressure
from tyrekit.model.gas import STANDARD_AMBIENT_BAR, gas_temperature
from tyrekit.terms import CORNER_NAMES
from tyrekit.units import ZERO_C_K

SOURCES = ("sensor", "pit")
BAR_RANGE = (0.3, 6.0)  # gauge; psi and kPa fall outside
RISE_RANGE_C = (-25.0, 120.0)  # gas above air; outside it a pressure was misread
TEMPERATURES_C = {"air_c": (-30.0, 55.0), "track_c": (-20.0, 80.0), "cold_c": (-30.0, 120.0)}
AIR_C, TRACK_ABOVE_AIR_C = 20.0, 8.0  # assumed, and said, when nothing was written down
AMBIENT_HPA = (500.0, 1100.0)  # air pressure on the ground
USUAL_DELAY_MIN = 2.0  # from the end of the in-lap to a reading in the pits; taken if not known
LONGEST_DELAY_MIN = 60.0  # a longer one is no reading of a hot tyre, or a clock that is wrong

Codes = NDArray[np.int64]


class PressureRows(NamedTuple):
    """One row per reading."""

    rise_c: Floats  # gas temperature above the air that the reading implies
    air_c: Floats
    track_above_air_c: Floats
    laps: Floats
    slow_laps: Floats
    pit: NDArray[np.bool_]
    cool_laps: Floats  # cool-down and caution laps just before the reading
    stood_min: Floats  # minutes between the run's end and a pit reading, less the usual delay
    gain_c: Floats  # what one bar of reading is worth in gas temperature
    corner: Codes
    session: Codes
    run: Codes
    slot: Codes  # one run at one corner
    sessions: tuple[str, ...]
    runs: int
    slots: int


class Usable(NamedTuple):
    """Readings to fit, those left out, what was assumed, the air pressure, temperatures met."""

    table: pd.DataFrame
    left_out: pd.DataFrame
    notes: tuple[str, ...]
    ambient_bar: float
    seen: dict[str, tuple[float, float]]  # air_c, track_c -> least, most; as written down


def usable(readings: pd.DataFrame) -> Usable:
    """Return the readings that can be fitted, with temperatures filled in and said."""
    columns = ["session", "run_id", "corner", "hot_bar", "after_laps", "cold_bar", "air_c",
               "track_c", "cold_c", "pressure_hpa", "delay_min", "cool_laps", "wet",
               "source"]  # fmt: skip
    table = readings.reindex(columns=columns).reset_index(drop=True)
    numbers = (*columns[3:-2],)
    table = table.astype(dict.fromkeys(numbers, float))
    for name, instead in (("run_id", ""), ("session", ""), ("source", "pit"), ("corner", "")):
        text = table[name].astype(object)
        table[name] = text.where(text.notna(), instead).astype(str)
    table["session"] = table["session"].where(table["session"] != "", table["run_id"])
    written = table[["air_c", "track_c"]]
    table, notes = _temperatures(table)
    table["ambient_bar"], ambient, said = _ambient(table["pressure_hpa"])
    table["delay_min"], late = _delays(table)
    table["cool_laps"] = table["cool_laps"].fillna(0.0)
    reason = _reasons(table)
    good = table[(reason == "").to_numpy()]
    if len(good):
        rise = _gas_c(good) - good["air_c"].to_numpy(dtype=np.float64)
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
    notes += late if (kept["source"] == "pit").any() else []
    met = written[(reason == "").to_numpy()].dropna()
    names = ("air_c", "track_c") if len(met) else ()
    seen = {n: (float(met[n].min()), float(met[n].max())) for n in names}
    said_too = [said] if len(kept) else []
    return Usable(kept, left_out, tuple(notes + said_too), ambient, seen)


def pressure_rows(kept: pd.DataFrame) -> PressureRows:
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
        rise_c=_gas_c(kept) - air,
        air_c=air,
        track_above_air_c=kept["track_c"].to_numpy(dtype=np.float64) - air,
        laps=laps,
        slow_laps=slow_laps_of(laps, pit),
        pit=pit,
        cool_laps=kept["cool_laps"].to_numpy(dtype=np.float64),
        stood_min=np.where(pit, kept["delay_min"].to_numpy(dtype=np.float64) - USUAL_DELAY_MIN, 0),
        gain_c=cold_k / (kept["cold_bar"] + kept["ambient_bar"]).to_numpy(dtype=np.float64),
        corner=np.array([CORNER_NAMES.index(c) for c in kept["corner"]], dtype=np.int64),
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


def _ambient(pressure_hpa: pd.Series) -> tuple[pd.Series, float, str]:
    """Return the air pressure of each reading and of all, absolute in bar, and where it is from."""
    known = pressure_hpa.where(pressure_hpa.between(*AMBIENT_HPA)) / 1000
    if known.notna().any():
        ambient = float(known.mean())
        words = f"air pressure {1000 * ambient:.0f} hPa as written down: it must be that at the "
        return known.fillna(ambient), ambient, words + "circuit, not reduced to sea level"
    at_500, at_1000 = standard_pressure(np.array([500.0, 1000.0]))
    words = (
        "air pressure not written down: sea level's standard is used; a circuit at 500 m has "
        f"about {at_500:.0f} hPa, at 1000 m {at_1000:.0f}, and 500 m moves a cold pressure by "
        "about 0.01 bar"
    )
    return known.fillna(STANDARD_AMBIENT_BAR), STANDARD_AMBIENT_BAR, words


def _delays(table: pd.DataFrame) -> tuple[pd.Series, list[str]]:
    """Return the minutes each tyre had stood when read, the usual where not known, and notes."""
    known = table["delay_min"].where(table["delay_min"].between(0.0, LONGEST_DELAY_MIN))
    unknown = int((known.isna() & (table["source"] == "pit")).sum())
    notes = [
        f"{unknown} pit reading(s) without a time after the run: taken {USUAL_DELAY_MIN:g} min "
        "after it"
    ]
    return known.fillna(USUAL_DELAY_MIN), notes if unknown else []


def _reasons(table: pd.DataFrame) -> pd.Series:
    reason = pd.Series("", index=table.index, dtype=object)
    low, high = BAR_RANGE
    reason[~table["after_laps"].between(1, 100_000)] = "laps run before the reading are not known"
    for name in ("cold_bar", "hot_bar"):
        reason[~table[name].between(low, high)] = f"{name} is not within {low:g} to {high:g} bar"
        reason[table[name].isna()] = f"no {name}"
    for name, (coldest, hottest) in TEMPERATURES_C.items():
        off = ~table[name].between(coldest, hottest) & table[name].notna()
        reason[off] = f"{name} is not within {coldest:g} to {hottest:g} degC"
    reason[~table["source"].isin(SOURCES)] = "source is neither sensor nor pit"
    reason[~table["corner"].isin(CORNER_NAMES)] = "corner is not FL, FR, RL or RR"
    reason[table["wet"].eq(True)] = "a wet tyre: it warms otherwise than dry ones"
    return reason


def _cold_c(kept: pd.DataFrame) -> Floats:
    """Return the gas temperature when the cold pressure was set: as written, else the air's."""
    found: Floats = kept["cold_c"].fillna(kept["air_c"]).to_numpy(dtype=np.float64)
    return found


def _gas_c(kept: pd.DataFrame) -> Floats:
    if not len(kept):
        return np.zeros(0)
    cold, hot, ambient = (
        kept[name].to_numpy(dtype=np.float64) for name in ("cold_bar", "hot_bar", "ambient_bar")
    )
    return gas_temperature(cold, _cold_c(kept), hot, ambient)
