"""Doubts about fuel: what went in and out of the tank against what the logger counted."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import pandas as pd

from tyrekit.record.evidence import Doubt, Evidence
from tyrekit.record.parts import Fuel

BELIEVABLE = (0.85, 1.15)  # kg burnt over kg logged: a flow channel is never further off
APART = 0.05  # one balance against the weekend's median: a fill or drain is missing
APART_SPREADS = 3.5
WRITTEN_SD_L = 0.3  # of one fill or drain as written down, with the petrol's temperature
LEFT_SHARE = 0.3  # of the unusable fuel: how far what a drain leaves differs from another's
LEFT_OVER_KG = 1.5
EXPANSION_PER_K = 0.0012  # of petrol near 745 kg/m3 (API54B)
DENSITY_RANGE = (0.720, 0.775)  # at 15 degC (EN228)
LAP_BAND = (0.88, 1.12)
HINT_WITHIN = 0.09  # a flow channel's scale, which the mix-up comes on top of
PER_KM = (0.2, 1.6)  # l/km of a production-based car at racing pace; common practice, no source
MIX_UPS = {
    3.785: "US gallons were logged and taken as litres",
    4.546: "imperial gallons were logged and taken as litres",
    1 / 3.785: "litres were logged and taken as US gallons",
    1 / 4.546: "litres were logged and taken as imperial gallons",
    1.342: "kilograms were logged and taken as litres",
    60.0: "litres per minute were logged and taken as litres per hour",
    1 / 60: "litres per hour were logged and taken as litres per minute",
    3.6: "millilitres per second were logged and taken as litres per hour",
    1 / 3.6: "litres per hour were logged and taken as millilitres per second",
}


@dataclass
class Balance:
    """What moved between two empty tanks, kg, and the runs in between."""

    filled_kg: float = 0.0
    drained_kg: float = 0.0
    runs: list[str] = field(default_factory=list)
    closed: bool = False
    rows: int = 0

    @property
    def used_kg(self) -> float:
        """Fuel burnt."""
        return self.filled_kg - self.drained_kg


def fuel_kg(row: pd.Series, fuel: Fuel) -> float:
    """Return the mass of a fill, drain or sample; volumes at their own temperature."""
    if np.isfinite(row["mass_kg"]):
        return float(row["mass_kg"])
    warmer = row["fuel_c"] - 15.0 if np.isfinite(row["fuel_c"]) else 0.0
    return float(row["volume_l"] * fuel.density_kg_per_l * (1 - EXPANSION_PER_K * warmer))


def balances(e: Evidence) -> list[Balance]:
    """Return the closed balances of a weekend, in order.

    A drain closes one; when the next run starts with clearly more than was filled since, fuel
    was left in the tank and the two are one balance.
    """
    events = [(row["taken_at"], i, row) for i, row in e.tables["fuel"].iterrows()]
    events += [(row["start"], i, row) for i, row in e.tables["runs"].iterrows()]
    found, drained = [Balance()], False
    for _, _, row in sorted(events, key=lambda entry: (entry[0], str(entry[1]))):
        if "fl" in row.index:
            now = found[-1]
            over = row["fuel_start_kg"] - now.used_kg - _residue_kg(e)
            if not now.runs and over > LEFT_OVER_KG and len(found) > 1:
                before = found[-2]
                before.filled_kg += now.filled_kg
                before.drained_kg += now.drained_kg
                before.rows += now.rows
                found.pop()
            found[-1].runs.append(str(row["run_id"]))
            found[-1].closed = drained = False
            continue
        if drained and row["kind"] == "fill":
            found.append(Balance())
        drained = row["kind"] != "fill" and bool(found[-1].runs)
        found[-1].rows += 1
        kg = fuel_kg(row, e.event.fuel)
        if row["kind"] == "fill":
            found[-1].filled_kg += kg
        else:
            found[-1].drained_kg += kg
            found[-1].closed = found[-1].closed or row["kind"] == "drain"
    return [b for b in found if b.closed and b.runs and b.filled_kg > 0]


def factors(e: Evidence) -> list[tuple[Balance, float]]:
    """Return for each balance kg burnt over kg logged, where every run of it has a log."""
    whole = [r for r in e.ran if r.cut is not None and not r.ends_on_track]
    logged = {r.run_id: r.cut.fuel_l for r in whole if r.cut is not None}
    pairs = []
    for balance in balances(e):
        litres = sum(logged.get(run_id, float("nan")) for run_id in balance.runs)
        if litres > 0:
            pairs.append((balance, balance.used_kg / (litres * e.event.fuel.density_kg_per_l)))
    return pairs


def fuel_balance(e: Evidence) -> Iterator[Doubt]:
    """Fuel in and out of the tank does not fit what the logger counted.

    All balances off alike: the channel. One balance off: something was not written down. The
    weekend's factor is the median; of two, the one nearer to what is believed.
    """
    pairs = factors(e)
    if not pairs:
        return
    believed = e.event.fuel.flow_scale.mean if e.event.fuel.flow_scale else 1.0
    all_factors = [factor for _, factor in pairs]
    usual = float(np.median(all_factors))
    if len(pairs) == 2:
        usual = min(all_factors, key=lambda factor: abs(np.log(max(factor, 1e-3) / believed)))
    if not BELIEVABLE[0] <= usual <= BELIEVABLE[1]:
        near = [k for k in MIX_UPS if abs(usual / k - 1) < HINT_WITHIN]
        hints = [MIX_UPS[k] for k in sorted(near, key=lambda k: abs(usual / k - 1))]
        yield Doubt(
            "fuel unit",
            f"fuel in and out of the tank is {usual:.2f} times what the logger counted"
            + (f": as if {' or '.join(hints[:2])}" if hints else ""),
            0.95 if hints else 0.8,
            "event.toml [log] fuel_flow",
            "Correct the unit of the fuel channel, or the fills and drains in book/fuel.csv.",
        )
    for balance, factor in pairs:
        off_kg = balance.used_kg * (1 - usual / factor)
        spreads = abs(off_kg) / _spread_kg(e, balance, len(pairs))
        if abs(factor / usual - 1) <= APART or spreads <= APART_SPREADS:
            continue
        words = "a drain not written down" if off_kg > 0 else "a fill not written down"
        yield Doubt(
            "fuel balance",
            f"runs {', '.join(balance.runs)}: {balance.used_kg:.1f} kg burnt by fills and drains,"
            f" {off_kg:+.1f} kg against the logger at the weekend's factor {usual:.3f}: {words}?",
            min(0.99, 0.7 + 0.03 * spreads),
            "book/fuel.csv",
            "Look for a fill, drain or sample not written down, or one with a typing error.",
        )


def _spread_kg(e: Evidence, balance: Balance, balances_known: int) -> float:
    """Return what a balance may be off by, kg: as written down, and the usual factor."""
    usual = 0.01 * balance.used_kg * (1 + 2 / balances_known)
    return float(np.hypot(written_sd_kg(e, balance), usual))


def written_sd_kg(e: Evidence, balance: Balance) -> float:
    """Return what a balance may be off by, kg: its rows as written down, what drains leave."""
    written = WRITTEN_SD_L * e.event.fuel.density_kg_per_l * np.sqrt(balance.rows)
    return float(np.hypot(written, LEFT_SHARE * _residue_kg(e) * np.sqrt(2.0)))


def start_fuel(e: Evidence) -> Iterator[Doubt]:
    """A run sheet's start fuel is not what was left plus what was filled."""
    scale = e.event.fuel.flow_scale.mean if e.event.fuel.flow_scale else 1.0
    known = _weekend_factor(e)
    per_l = (known or scale) * e.event.fuel.density_kg_per_l
    burnt = {r.run_id: r.cut.fuel_l * per_l for r in e.ran if r.cut is not None}
    events = [(row["taken_at"], i, row) for i, row in e.tables["fuel"].iterrows()]
    events += [(row["start"], i, row) for i, row in e.tables["runs"].iterrows()]
    level, rows = _residue_kg(e) / 2, 0
    usual = float(np.median([factor for _, factor in factors(e)] or [scale]))
    if not (e.tables["fuel"]["kind"] == "fill").any() or not 0.5 < usual < 2:
        return  # no fuel book is kept, or its unit is the doubt
    odd: list[_OddStart] = []
    for _, row_id, row in sorted(events, key=lambda entry: (entry[0], str(entry[1]))):
        if "fl" not in row.index:
            level += fuel_kg(row, e.event.fuel) * (1.0 if row["kind"] == "fill" else -1.0)
            rows += 1
            level = _residue_kg(e) / 2 if row["kind"] == "drain" else level
            continue
        start_kg = float(row["fuel_start_kg"])
        off_kg = start_kg - level
        most_kg = _residue_kg(e) + 0.05 * start_kg + 0.5 * np.sqrt(rows + 1)
        if abs(off_kg) > most_kg:
            run_id = str(row["run_id"])
            odd.append(_OddStart(run_id, start_kg, level, most_kg, e.row("runs", row_id)))
        level, rows = start_kg - burnt.get(str(row["run_id"]), float("nan")), 0

    density = e.event.fuel.density_kg_per_l
    litres = [one for one in odd if abs(one.start_kg * density - one.level_kg) <= one.most_kg]
    if litres:
        yield _in_litres(litres, density)
    yield from (_odd_start(one) for one in odd if one not in litres)


class _OddStart(NamedTuple):
    """A run whose start fuel is not what the tank held; `most_kg` they may differ by."""

    run_id: str
    start_kg: float
    level_kg: float
    most_kg: float
    where: str


def _odd_start(one: _OddStart) -> Doubt:
    off_kg = one.start_kg - one.level_kg
    return Doubt(
        "start fuel",
        f"run {one.run_id} starts with {one.start_kg:.1f} kg by its sheet; fills, drains and"
        f" the logger leave {one.level_kg:.1f} kg, {off_kg:+.1f} kg apart"
        + (": a fill not written down?" if off_kg > 0 else ": a drain not written down?"),
        min(0.95, 0.6 + 0.05 * abs(off_kg) / one.most_kg),
        one.where,
        "Look for the fill in book/fuel.csv, or correct fuel_start_kg.",
    )


def _in_litres(odd: list[_OddStart], density: float) -> Doubt:
    """Name the runs whose start fuel is right as litres."""
    told = [
        f"run {one.run_id} has {one.start_kg:.1f}, as litres {one.start_kg * density:.1f} kg,"
        f" and fills, drains and the logger leave {one.level_kg:.1f} kg"
        for one in odd
    ]
    more = f"; the same in {len(odd) - 2} more" if odd[2:] else ""
    return Doubt(
        "start fuel in litres",
        f"{'; '.join(told[:2])}{more}: litres written as kg?",
        0.95 if odd[1:] else 0.85,
        odd[0].where,
        f"Write fuel_start_kg of this and the other runs in kg: litres x {density:g}.",
    )


def _weekend_factor(e: Evidence) -> float | None:
    found = [factor for _, factor in factors(e)]
    usual = float(np.median(found)) if found else float("nan")
    return usual if BELIEVABLE[0] <= usual <= BELIEVABLE[1] else None


def litres_per_km(e: Evidence) -> Iterator[Doubt]:
    """A lap's fuel is not what a car burns, where no fill or drain tells the channel's unit."""
    timed = e.laps[(e.laps["kind"] == "timed") & e.laps["counts"] & (e.laps["source"] == "log")]
    litres = timed["fuel_used_l"].dropna()
    if len(litres) < 3 or factors(e):
        return
    per_km = float(litres.median()) / (e.event.circuit.length_m / 1000)
    if not PER_KM[0] <= per_km <= PER_KM[1]:
        yield Doubt(
            "fuel unit",
            f"the logger counts {per_km:.2f} L/km on a usual lap; a car like this burns"
            f" {PER_KM[0]:g} to {PER_KM[1]:g}",
            0.7,
            "event.toml [log] fuel_flow",
            "Correct the unit of the fuel channel; fills and drains in book/fuel.csv would tell.",
        )


def flow_against_counter(e: Evidence) -> Iterator[Doubt]:
    """The flow channel and the logger's own counter of fuel tell different litres."""
    both = [r for r in e.ran if r.cut is not None and r.cut.counter_l > 0 and r.cut.fuel_l > 0]
    ratios = [r.cut.fuel_l / r.cut.counter_l for r in both if r.cut is not None]
    if not ratios or abs(float(np.median(ratios)) - 1) <= APART:
        return
    ratio, first = float(np.median(ratios)), both[0]
    hints = [words for k, words in MIX_UPS.items() if abs(ratio * k - 1) < 0.03]
    yield Doubt(
        "fuel channels disagree",
        f"the flow comes to {ratio:.2f} times what the counter rises, first in run {first.run_id}"
        + (f": as if in one of them {hints[0]}" if hints else ""),
        0.95,
        "event.toml [log] fuel_flow",
        "The flow is used. Correct the unit of the wrong one.",
    )


def counter_reset(e: Evidence) -> Iterator[Doubt]:
    """A timed lap used far from the usual fuel."""
    timed = e.laps[(e.laps["kind"] == "timed") & e.laps["counts"]]
    median = timed.groupby("session")["fuel_used_l"].transform("median")
    many = timed.groupby("session")["fuel_used_l"].transform("count") >= 4
    share = timed["fuel_used_l"] / median
    odd = timed[many & ((share < LAP_BAND[0]) | (share > LAP_BAND[1]))]
    for run_id, laps in odd.groupby("run_id", sort=False):
        told = [
            f"lap {n} {s:.2f} times" for n, s in zip(laps["lap"], share[laps.index], strict=True)
        ]
        more = f" and {len(told) - 3} more" if len(told) > 3 else ""
        yield Doubt(
            "fuel of a lap",
            f"run {run_id}: {', '.join(told[:3])}{more} the session's usual"
            f" {median[laps.index[0]]:.2f} L; a counter reset or a gap in the log?",
            0.7,
            e.run_row(str(run_id)),
            "Look at the fuel channel there; the fit leaves such laps out.",
        )


def tank(e: Evidence) -> Iterator[Doubt]:
    """More fuel at a run's start than the tank holds."""
    fuel = e.event.fuel
    most_kg = fuel.tank_l * fuel.density_kg_per_l * 1.03
    for row_id, row in e.tables["runs"].iterrows():
        if row["fuel_start_kg"] > most_kg:
            yield Doubt(
                "fuel over the tank",
                f"run {row['run_id']} starts with {row['fuel_start_kg']:.1f} kg; {fuel.tank_l:g} L"
                f" hold {fuel.tank_l * fuel.density_kg_per_l:.1f} kg: litres written as kg?",
                0.9,
                e.row("runs", row_id),
                "Correct fuel_start_kg, or [fuel] tank_l.",
            )


def density(e: Evidence) -> Iterator[Doubt]:
    """The density is not that of road petrol."""
    given = e.event.fuel.density_kg_per_l
    if not DENSITY_RANGE[0] <= given <= DENSITY_RANGE[1]:
        yield Doubt(
            "petrol density",
            f"{given:g} kg/l at 15 degC; road petrol has {DENSITY_RANGE[0]:g} to"
            f" {DENSITY_RANGE[1]:g} (EN 228)",
            0.5,
            "event.toml [fuel] density_kg_per_l",
            "Correct it if the car runs on road petrol; a race fuel may lie outside.",
        )


def run_fuel(e: Evidence) -> Iterator[Doubt]:
    """A run burnt more than it started with."""
    scale = e.event.fuel.flow_scale.mean if e.event.fuel.flow_scale else 1.0
    starts = e.tables["runs"].set_index("run_id")["fuel_start_kg"]
    over = []
    for ran in e.ran:
        burnt = ran.cut.fuel_l * scale * e.event.fuel.density_kg_per_l if ran.cut else 0.0
        if burnt > float(starts[ran.run_id]) * 1.05:
            over.append((ran.run_id, float(starts[ran.run_id]), burnt))
    if not over:
        return
    run_id, start_kg, burnt = over[0]
    more = f"; the same in {len(over) - 1} more run(s)" if over[1:] else ""
    yield Doubt(
        "fuel burnt",
        f"run {run_id} starts with {start_kg:.1f} kg and the logger counts {burnt:.1f} kg"
        f" burnt{more}",
        0.8,
        e.run_row(run_id),
        "Correct fuel_start_kg, or the unit of the fuel channel.",
    )


def _residue_kg(e: Evidence) -> float:
    return e.event.fuel.unusable_l * e.event.fuel.density_kg_per_l


CHECKS = (
    fuel_balance, start_fuel, litres_per_km, flow_against_counter, counter_reset, tank, density,
    run_fuel,
)  # fmt: skip
