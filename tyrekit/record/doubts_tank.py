"""Doubts about fuel where no logger counted it: the tank's ledger against what laps must burn.

What is aboard lies between the run sheet's start less the most its laps could burn and the start
less the least: by the belief about use per lap, or by litres a run has on its laps.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import pandas as pd

from tyrekit.record.carried import FUEL_SHARE
from tyrekit.record.doubts_fuel import (
    APART_SPREADS,
    BELIEVABLE,
    PER_KM,
    WRITTEN_SD_L,
    balances,
    factors,
    fuel_kg,
    written_sd_kg,
)
from tyrekit.record.evidence import Doubt, Evidence

BELIEF_SPREADS = 3.0  # of [fuel] use_l_per_lap: what lies beyond is not believed
SHARE_SD = 0.1  # of a slow lap's share of a timed lap's fuel, as `fit.prior` believes
SESSION_SD = 0.03  # of the use per lap from run to run: tow, saving, weather; by judgement


class _Burnt(NamedTuple):
    """What a run could have burnt, kg, at least and at most; its laps as timed ones, and theirs."""

    least_kg: float
    most_kg: float
    laps: float
    driven: int


def burnt(e: Evidence) -> dict[str, _Burnt]:
    """Return run id -> what its laps burnt at least and at most; whole runs without a log of it."""
    least_l, most_l = _per_lap_l(e)
    density = e.event.fuel.density_kg_per_l
    found = {}
    for ran in e.ran:
        logged = ran.cut is not None and ran.cut.fuel_l > 0
        if logged or not len(ran.laps) or ran.ends_on_track or ran.run_id in e.assumed:
            continue
        own = e.laps[e.laps["run_id"] == ran.run_id]
        laps = float(own["kind"].map(FUEL_SHARE).astype("float64").fillna(1.0).sum())
        low, high = laps * least_l, laps * most_l
        typed = own["fuel_used_l"]
        if typed.notna().all():
            low, high = (share * float(typed.sum()) for share in BELIEVABLE)
        found[ran.run_id] = _Burnt(low * density, high * density, laps, len(own))
    return found


def _per_lap_l(e: Evidence) -> tuple[float, float]:
    """Return the least and the most litres a timed lap is believed to burn."""
    belief = e.event.fuel.use_l_per_lap
    if belief is None:
        km = e.event.circuit.length_m / 1000
        return PER_KM[0] * km, PER_KM[1] * km
    reach = BELIEF_SPREADS * belief.sd
    return max(belief.mean - reach, 0.0), belief.mean + reach


def left_in_tank(e: Evidence) -> Iterator[Doubt]:
    """More is drained, or aboard at the next start, than the laps before can have left."""
    known = burnt(e)
    events = [(row["taken_at"], i, row) for i, row in e.tables["fuel"].iterrows()]
    events += [(row["start"], i, row) for i, row in e.tables["runs"].iterrows()]
    most_kg, rows, since = np.nan, 0, ""
    for _, row_id, row in sorted(events, key=lambda entry: (entry[0], str(entry[1]))):
        written_kg = WRITTEN_SD_L * e.event.fuel.density_kg_per_l * np.sqrt(rows + 1)
        if "fl" in row.index:
            start_kg, run_id = float(row["fuel_start_kg"]), str(row["run_id"])
            if start_kg - most_kg > APART_SPREADS * written_kg:
                yield _too_much_aboard(e, int(str(row_id)), row, most_kg, since)
            ran = known.get(run_id)
            most_kg = start_kg - ran.least_kg if ran else np.nan
            since = _since(run_id, start_kg, ran) if ran else ""
            rows = 0
            continue
        kg = fuel_kg(row, e.event.fuel)
        if row["kind"] == "fill":
            most_kg, rows = most_kg + kg, rows + 1
            continue
        if kg - most_kg > APART_SPREADS * written_kg:
            yield _too_much_drained(e, int(str(row_id)), row, kg, most_kg, since)
        most_kg, rows = max(most_kg - kg, 0.0) if np.isfinite(most_kg) else most_kg, rows + 1


def _since(run_id: str, start_kg: float, ran: _Burnt) -> str:
    return (
        f"run {run_id} starts with {start_kg:.1f} kg and its {ran.driven} laps burn at least"
        f" {ran.least_kg:.1f} kg"
    )


def _too_much_drained(
    e: Evidence, row_id: int, row: pd.Series, kg: float, most_kg: float, since: str
) -> Doubt:
    unit = "" if np.isfinite(row["mass_kg"]) else f" ({row['volume_l']:.1f} L)"
    ask = ": weighed with the can?" if not unit else ": misread, or not drained after this run?"
    return Doubt(
        "more drained than was left",
        f"{row['kind']} of {kg:.1f} kg{unit} at {row['taken_at']:%a %H:%M}: {since}, which leaves"
        f" at most {max(most_kg, 0.0):.1f} kg{ask}",
        0.97,
        e.row("fuel", row_id),
        "Weigh again without the can and correct the row, or correct the run's fuel_start_kg.",
    )


def _too_much_aboard(e: Evidence, row_id: int, row: pd.Series, most_kg: float, since: str) -> Doubt:
    return Doubt(
        "more aboard than was left",
        f"run {row['run_id']} starts with {row['fuel_start_kg']:.1f} kg by its sheet: {since};"
        f" with the fills and drains since at most {max(most_kg, 0.0):.1f} kg are aboard: a fill"
        " not written down?",
        0.9,
        e.row("runs", row_id),
        "Look for the fill in book/fuel.csv, or correct fuel_start_kg.",
    )


class _Rate(NamedTuple):
    """A balance's use per timed lap, its spread, and what it rests on."""

    runs: tuple[str, ...]
    used_kg: float
    laps: float
    sd_kg: float

    @property
    def per_lap_kg(self) -> float:
        return self.used_kg / self.laps

    @property
    def words(self) -> str:
        return f"{self.per_lap_kg:.2f} kg a lap ({self.used_kg:.1f} kg, {self.laps:.1f} laps)"


def use_per_lap(e: Evidence) -> Iterator[Doubt]:
    """Fills and drains say another use per lap than is believed, or than the other runs'."""
    rates = _rates(e)
    density = e.event.fuel.density_kg_per_l
    least_kg, most_kg = (litres * density for litres in _per_lap_l(e))
    fits = []
    for rate in rates:
        reach_kg = APART_SPREADS * rate.sd_kg / rate.laps
        if least_kg - reach_kg <= rate.per_lap_kg <= most_kg + reach_kg:
            fits.append(rate)
            continue
        basis = "[fuel] use_l_per_lap" if e.event.fuel.use_l_per_lap else "a car like this"
        yield _odd_use(
            e, rate, f"{basis} has {least_kg:.2f} to {most_kg:.2f} kg", rate.per_lap_kg < least_kg
        )
    if len(fits) < 2:
        return
    usual = _usual_kg(e, fits)
    for rate in fits:
        off_kg = rate.used_kg - usual * rate.laps
        if abs(off_kg) > APART_SPREADS * np.hypot(rate.sd_kg, _others_sd(fits, rate) * rate.laps):
            yield _odd_use(e, rate, f"the other runs say {usual:.2f} kg", off_kg < 0)


def _rates(e: Evidence) -> list[_Rate]:
    """Return the balances whose runs are whole and have no logger's fuel."""
    known = burnt(e)
    logged = {run_id for balance, _ in factors(e) for run_id in balance.runs}
    found = []
    for balance in balances(e):
        if logged.intersection(balance.runs) or not set(balance.runs) <= set(known):
            continue
        own = [known[run_id] for run_id in balance.runs]
        laps, count = sum(one.laps for one in own), sum(one.driven for one in own)
        used = balance.used_kg
        slow = SHARE_SD * np.sqrt(2.0 * len(own)) * abs(used) / count
        spread = float(np.hypot(np.hypot(written_sd_kg(e, balance), slow), SESSION_SD * used))
        found.append(_Rate(tuple(balance.runs), used, laps, spread))
    return found


def _usual_kg(e: Evidence, rates: list[_Rate]) -> float:
    """Return the usual use per lap: the median; of two, the one nearer to what is believed."""
    belief = e.event.fuel.use_l_per_lap
    each = [rate.per_lap_kg for rate in rates]
    if len(rates) > 2 or belief is None:
        return float(np.median(each))
    density = e.event.fuel.density_kg_per_l
    return min(each, key=lambda kg: abs(np.log(kg / (belief.mean * density))))


def _others_sd(rates: list[_Rate], rate: _Rate) -> float:
    """Return the spread of the other balances' use per lap, kg."""
    return min(one.sd_kg / one.laps for one in rates if one is not rate)


def _odd_use(e: Evidence, rate: _Rate, against: str, little: bool) -> Doubt:
    ask = (
        "a fill not written down, or a drain too large?" if little
        else "a drain not written down, or too small?"
    )  # fmt: skip
    fuel = e.tables["fuel"]
    own = fuel.index[(fuel["run_id"].isin(rate.runs)) & (fuel["kind"] == "drain")]
    return Doubt(
        "fuel per lap",
        f"runs {', '.join(rate.runs)}: fills and drains make {rate.words}; {against}: {ask}",
        0.9,
        e.row("fuel", own[-1]) if len(own) else "book/fuel.csv",
        "Look for a fill, drain or sample not written down, misread, or weighed with its can.",
    )


CHECKS = (left_in_tank, use_per_lap)
