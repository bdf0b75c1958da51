"""The tank's ledger: what fills, drains and samples say the car burnt, in kg.

Every volume is turned into kg at its own temperature. A drain is taken to empty the tank down
to what the pick-up cannot reach, unless the next run's start fuel and the laps run both say
that it left fuel aboard.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any, NamedTuple

import pandas as pd

from tyrekit.fit.prior import Prior
from tyrekit.model.petrol import mass
from tyrekit.record.event import Event

RESIDUE_KG = 1.0  # tank contents this far beyond the unusable fuel count as not drained


class Balance(NamedTuple):
    """Fuel burnt between an empty tank and the next: the runs, kg and its spread."""

    sessions: str
    run_ids: tuple[str, ...]
    used_kg: float
    used_sd_kg: float


class Entry(NamedTuple):
    """One line of the ledger, in order of time: a fill, a run, a drain or a sample."""

    at: pd.Timestamp
    order: int
    kind: str
    kg: float  # moved; for a run the fuel aboard at its start, NaN when not known
    sd_kg: float
    run_id: str
    session: str


class Ledger(NamedTuple):
    """Balances and what had to be said about them."""

    balances: tuple[Balance, ...]
    left_out: tuple[tuple[str, str], ...]  # run id or "", reason
    notes: tuple[str, ...]


def ledger(
    fuel_book: pd.DataFrame,
    runs: pd.DataFrame,
    event: Event,
    beliefs: Mapping[str, Prior],
    expected_kg: Mapping[str, float],
) -> Ledger:
    """Return the balances that the book's fuel table and the runs' start fuel support.

    Parameters
    ----------
    fuel_book : DataFrame
        taken_at, kind (fill, drain, sample), mass_kg or volume_l, optionally run_id and fuel_c.
    runs : DataFrame
        run_id, session, start, optionally fuel_start_kg.
    event : Event
        Density at 15 degC and unusable volume.
    beliefs : mapping of Prior
        ``fill_l``, ``fill_kg`` (spread of a reading) and ``fuel_c`` (where nobody measured).
    expected_kg : mapping
        Run id -> roughly what its laps should burn; tells a partial drain from a fill that
        nobody wrote down.
    """
    runs = runs.reindex(columns=["run_id", "session", "start", "fuel_start_kg"])
    moved, left_out, notes = _movements(fuel_book, runs, event.fuel.density_kg_per_l, beliefs)
    entries = sorted([*moved, *_runs(runs)], key=lambda e: (e.at, e.order))
    tolerance_kg = event.fuel.unusable_l * event.fuel.density_kg_per_l + RESIDUE_KG
    found = []
    for group in _groups(entries, tolerance_kg, expected_kg):
        balance, note = _balance(group, tolerance_kg, beliefs["fill_kg"].mean)
        found += [balance] if balance else []
        notes += [note] if note else []
    return Ledger(tuple(found), tuple(left_out), tuple(notes))


def _movements(
    fuel_book: pd.DataFrame, runs: pd.DataFrame, density: float, beliefs: Mapping[str, Prior]
) -> tuple[list[Entry], list[tuple[str, str]], list[str]]:
    starts = dict(zip(runs["run_id"].astype(str), runs["start"], strict=True))
    entries: list[Entry] = []
    left_out: list[tuple[str, str]] = []
    unmeasured = 0
    for number, row in enumerate(fuel_book.to_dict("records"), start=1):
        run_id = str(row["run_id"]) if pd.notna(row.get("run_id")) else ""
        kind, timed = str(row["kind"]), _time(row.get("taken_at"))
        at = timed or _time(starts.get(run_id))
        kg, sd_kg, measured = _mass(row, density, beliefs)
        if at is None or not math.isfinite(kg):
            why = "no time" if at is None else "no mass or volume"
            left_out.append((run_id, f"fuel row {number} ({kind}): {why}"))
            continue
        unmeasured += not measured
        # at one moment: drained, filled, off; one with no time of its own belongs to its run
        order = 1 if kind == "fill" else 0 if timed else 3
        entries.append(Entry(at, order, kind, kg, sd_kg, run_id, ""))
    notes = []
    if unmeasured:
        assumed = beliefs["fuel_c"]
        notes.append(
            f"{unmeasured} fuel volume(s) without a temperature: taken at {assumed.mean:.0f} ± "
            f"{assumed.sd:.0f} °C, which is worth {0.12 * assumed.sd:.1f} % of the mass"
        )
    return entries, left_out, notes


def _mass(
    row: Mapping[Any, Any], density: float, beliefs: Mapping[str, Prior]
) -> tuple[float, float, bool]:
    """Return kg, its spread, and whether the temperature was measured (or not needed)."""
    weighed, litres, fuel_c = (_number(row.get(k)) for k in ("mass_kg", "volume_l", "fuel_c"))
    if math.isfinite(weighed) and weighed >= 0:
        return weighed, beliefs["fill_kg"].mean, True
    if not math.isfinite(litres) or litres < 0:
        return math.nan, math.nan, True
    measured = math.isfinite(fuel_c)
    assumed = beliefs["fuel_c"]
    celsius = fuel_c if measured else assumed.mean
    kg = float(mass(litres, density, celsius))
    spread = density * beliefs["fill_l"].mean
    if not measured:
        spread = math.hypot(spread, kg - float(mass(litres, density, celsius + assumed.sd)))
    return kg, spread, measured


def _time(value: Any) -> pd.Timestamp | None:
    """Return a time, or None when it is not known (NaT is not equal to itself)."""
    return pd.Timestamp(value) if isinstance(value, datetime) and value == value else None


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) else math.nan


def _runs(runs: pd.DataFrame) -> Iterator[Entry]:
    for row in runs.to_dict("records"):
        start_kg = _number(row.get("fuel_start_kg"))
        at, session = pd.Timestamp(row["start"]), str(row["session"])
        yield Entry(at, 2, "run", start_kg, 0.0, str(row["run_id"]), session)


def _groups(
    entries: list[Entry], tolerance_kg: float, expected_kg: Mapping[str, float]
) -> Iterator[list[Entry]]:
    """Yield the entries from one empty tank to the next; the last may be still open."""
    group: list[Entry] = []
    for i, entry in enumerate(entries):
        starts_anew = entry.kind in ("fill", "run") and _drained(group)
        if starts_anew and not _left_aboard(group, entries[i:], tolerance_kg, expected_kg):
            yield group
            group = []
        group.append(entry)
    yield group


def _drained(group: list[Entry]) -> bool:
    kinds = [entry.kind for entry in group]
    if "run" not in kinds:
        return False
    last = max(i for i, kind in enumerate(kinds) if kind in ("fill", "run"))
    return "drain" in kinds[last + 1 :]


def _left_aboard(
    group: list[Entry], rest: list[Entry], tolerance_kg: float, expected_kg: Mapping[str, float]
) -> bool:
    """Return whether the last drain left fuel aboard rather than a fill going unwritten.

    The next run started with more than was filled since; which of the two it was, the laps run
    before the drain decide.
    """
    extra_kg = _unexplained(rest)
    one, _ = _balance(group, tolerance_kg, 0.0)
    if not extra_kg > tolerance_kg or one is None or one.used_kg <= extra_kg:
        return False
    expected = sum(expected_kg.get(run_id, 0.0) for run_id in one.run_ids)
    if expected <= 0:
        return False
    emptied, left = (abs(math.log(kg / expected)) for kg in (one.used_kg, one.used_kg - extra_kg))
    return left < emptied


def _unexplained(rest: list[Entry]) -> float:
    """Return the start fuel of the next run that is in no fill since; NaN when not known."""
    filled = 0.0
    for entry in rest:
        if entry.kind == "run":
            return entry.kg - filled
        filled += entry.kg if entry.kind == "fill" else -entry.kg
    return math.nan


def _balance(
    group: list[Entry], tolerance_kg: float, weighing_kg: float
) -> tuple[Balance | None, str]:
    """Return the balance of one group, or None, and what is to be said about it."""
    runs = [entry for entry in group if entry.kind == "run"]
    if not _drained(group):
        return None, ""
    moved = [entry for entry in group if entry.kind != "run"]
    before = _filled(group[: group.index(runs[0])])
    where = ", ".join(dict.fromkeys(run.session for run in runs))
    start_kg, variance = runs[0].kg, sum(entry.sd_kg**2 for entry in moved)
    opening_kg, note = 0.0, ""
    if start_kg - before > tolerance_kg:
        opening_kg = start_kg - before
        variance += weighing_kg**2 + tolerance_kg**2 / 12
        note = (
            f"{where}: {opening_kg:.1f} kg of the start fuel is in no fill; the balance takes "
            "fuel_start_kg at its word"
        )
    elif before <= 0:
        return None, f"{where}: no fill before {runs[0].run_id} and no fuel_start_kg: no balance"
    elif before - start_kg > tolerance_kg:
        note = (
            f"{where}: fills before {runs[0].run_id} come to {before:.1f} kg but fuel_start_kg "
            f"is {start_kg:.1f}: the fills are believed"
        )
    used_kg = opening_kg + _filled(moved)
    if used_kg <= 0:
        return None, f"{where}: more fuel drained than filled; check the fuel table"
    ids = tuple(run.run_id for run in runs)
    return Balance(where, ids, used_kg, math.sqrt(variance)), note


def _filled(entries: list[Entry]) -> float:
    return sum(entry.kg if entry.kind == "fill" else -entry.kg for entry in entries)
