"""The weekend's tables put together from the book, the logs and what one says of the other."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from tyrekit.record import intake
from tyrekit.record.book import Book
from tyrekit.record.carried import (
    LAP_COLUMNS,
    rain_at,
    stacked,
    typical_lap_s,
    with_ages,
    with_field,
    with_fuel,
    with_weather,
)  # fmt: skip
from tyrekit.record.counting import counted
from tyrekit.record.decisions import leave_out
from tyrekit.record.event import Event, Session
from tyrekit.record.evidence import Evidence
from tyrekit.record.running import Ran
from tyrekit.record.tables import SECTOR
from tyrekit.record.timing import Timed
from tyrekit.record.wear import Run, lives_of, tread_with_age, tyres_now
from tyrekit.record.weather import usable
from tyrekit.record.wet_tyres import tyre_notes, wet_tyres
from tyrekit.terms import CORNERS

Tables = Mapping[str, pd.DataFrame]
PRESSURE_COLUMNS = (
    "taken_at", "run_id", "session", "corner", "tyre_id", "cold_bar", "hot_bar", "after_laps",
    "air_c", "track_c",
)  # fmt: skip


class Assembled(NamedTuple):
    """The joined tables of a weekend, what they rest on and what was inferred."""

    laps: pd.DataFrame
    tyres: pd.DataFrame
    tread: pd.DataFrame
    pressures: pd.DataFrame
    evidence: Evidence
    inputs: dict[str, str]
    notes: tuple[str, ...]


def assemble(folder: Path, event: Event, book: Book, tables: Tables, timed: Timed) -> Assembled:
    """Return the joined tables.

    Parameters
    ----------
    folder : Path
        The weekend's folder.
    event, book, tables : Event, Book, mapping of DataFrame
        event.toml, the book and its current tables.
    timed : Timed
        The runs in order of time, with their laps, and the official times.
    """
    ran = timed.ran
    runs, weather = tables["runs"], tables["weather"]
    laps = stacked(ran, runs, event)
    laps = counted(laps, event, rain_at(laps, weather))
    wets = set(tables["tyres"].loc[wet_tyres(tables["tyres"]), "tyre_id"])
    laps = _off_wets(laps, wets)
    assumed = assumed_laps(ran, event, typical_lap_s(laps, event))
    lives = lives_of(tables["tyres"], _on_tyres(ran, runs, event, assumed))
    fuelled = with_fuel(with_ages(laps, lives), event)
    warmed = with_weather(fuelled.laps, usable(weather))
    rubbered = with_field(warmed.laps, event, timed.official.field, _offsets_s(timed))
    sectors = sorted(name for name in laps.columns if SECTOR.fullmatch(name))
    final = rubbered.laps[[*LAP_COLUMNS, *sectors]].reset_index(drop=True)
    final = leave_out(final, tables["left_out"], book)
    tread = tread_with_age(tables["tread"], lives, wets)
    changed = intake.changed_files(book, folder)
    return Assembled(
        laps=final,
        tyres=tyres_now(tables["tyres"], lives, tables["tread"]),
        tread=tread,
        pressures=_pressures(tables, final, weather),
        evidence=Evidence(folder, event, book, tables, ran, final, tread, changed, assumed, timed),
        inputs=_inputs(folder, book, ran) | dict(timed.official.inputs),
        notes=(
            *_run_notes(ran),
            *timed.notes,
            *fuelled.notes,
            *warmed.notes,
            *rubbered.notes,
            *tyre_notes(tables["tyres"]),
        ),
    )


def _off_wets(laps: pd.DataFrame, wets: Collection[str]) -> pd.DataFrame:
    """Leave out laps on wet tyres: they say nothing of dry ones, whatever the track was."""
    on_wets = laps[list(CORNERS)].isin(wets).any(axis=1) & laps["counts"]
    laps.loc[on_wets, "reason"] = "on wet tyres"
    laps.loc[on_wets, "counts"] = False
    return laps


def _offsets_s(timed: Timed) -> dict[str, float]:
    """Return run id -> the timing's clock less ours, s, where it is known."""
    known = timed.clocks.dropna(subset=["offset_s"])
    return dict(zip(known["run_id"], known["offset_s"], strict=True))


def assumed_laps(ran: Sequence[Ran], event: Event, lap_s: float) -> dict[str, tuple[int, str]]:
    """Return run id -> laps its tyres are taken to have run beyond those seen, and the ground.

    For runs without laps and runs whose log ends on the track. Tyres that ran are not as they
    were: a session's planned laps, else its laps or minutes, less those seen, are shared out.
    """
    assumed: dict[str, tuple[int, str]] = {}
    for session in event.sessions:
        own = [one for one in ran if one.session == session.id]
        short = [one for one in own if not len(one.laps) or one.ends_on_track]
        if not short:
            continue
        laps, ground = _planned(session, lap_s)
        rest = max(0, laps - sum(len(one.laps) for one in own))
        for i, one in enumerate(short):
            share = rest // len(short) + (i < rest % len(short))
            assumed[one.run_id] = (share, ground)
    return assumed


def _planned(session: Session, lap_s: float) -> tuple[int, str]:
    around = session.formation_laps + session.cool_down_laps
    if session.planned_laps is not None:
        return session.planned_laps + around, f"{session.id} planned_laps in event.toml"
    if session.laps is not None:
        return session.laps + around, f"{session.id} has {session.laps} laps in event.toml"
    laps = int((session.minutes or 0.0) * 60 / lap_s)
    return laps, f"{session.id} has {session.minutes:g} minutes, a lap about {lap_s:.0f} s"


def _on_tyres(
    ran: Sequence[Ran], runs: pd.DataFrame, event: Event, assumed: Mapping[str, tuple[int, str]]
) -> list[Run]:
    """Return what each run put on its tyres."""
    fitted = {str(row["run_id"]): row for _, row in runs.iterrows()}
    lap_km = event.circuit.length_m / 1000
    found = []
    for one in ran:
        seen = float(one.laps["lap"].max()) if len(one.laps) else 0.0
        laps = seen + assumed.get(one.run_id, (0, ""))[0]
        tyres = {corner: str(fitted[one.run_id][corner]) for corner in CORNERS}
        found.append(Run(one.run_id, one.start, one.end, tyres, laps, laps * lap_km))
    return found


def _pressures(tables: Tables, laps: pd.DataFrame, weather: pd.DataFrame) -> pd.DataFrame:
    """Return the hot pressures with what belongs to each; no laps given means the run's all."""
    table = tables["pressures"].copy()
    sheets = {str(row["run_id"]): row for _, row in tables["runs"].iterrows()}
    runs = [sheets[run_id] for run_id in table["run_id"]]
    corners = [corner.lower() for corner in table["corner"]]
    pairs = list(zip(runs, corners, strict=True))
    table["session"] = pd.Series([run["session"] for run in runs], table.index, dtype="str")
    table["tyre_id"] = pd.Series([run[c] for run, c in pairs], table.index, dtype="str")
    cold = [float(run[f"cold_{c}_bar"]) for run, c in pairs]
    table["cold_bar"] = pd.Series(cold, table.index, dtype="float64")
    counts = laps.groupby("run_id")["lap"].max()
    table["after_laps"] = table["after_laps"].fillna(table["run_id"].map(counts).astype("float64"))
    table["air_c"] = table["track_c"] = float("nan")
    warmed = with_weather(table.rename(columns={"taken_at": "started_at"}), weather).laps
    table = warmed.rename(columns={"started_at": "taken_at"})
    return table[[*PRESSURE_COLUMNS, *(n for n in table.columns if n not in PRESSURE_COLUMNS)]]


def _inputs(folder: Path, book: Book, ran: Sequence[Ran]) -> dict[str, str]:
    logs = {f"logs/{one.log.name}": one.log.sha256 for one in ran if one.log is not None}
    event = hashlib.sha256((folder / "event.toml").read_bytes()).hexdigest()
    return {"event.toml": event, intake.FILE_NAME: book.digest(), **logs}


def _run_notes(ran: Sequence[Ran]) -> list[str]:
    """Return what was found in logs; the same words of several runs said once."""
    told: dict[str, list[str]] = {}
    for one in ran:
        if one.log is not None and not one.named:
            told.setdefault("log found by the run's id", []).append(one.run_id)
        for words in one.log.notes if one.log is not None else ():
            told.setdefault(words, []).append(one.run_id)
        if one.cut is not None:
            ways = (f"laps found by {one.cut.way}",) if one.cut.way else ()
            for words in (*ways, *one.cut.notes):
                told.setdefault(words, []).append(one.run_id)
    return [f"{words} ({_few(runs)})" for words, runs in told.items()]


def _few(names: Sequence[str]) -> str:
    listed = list(dict.fromkeys(names))
    return ", ".join(listed) if len(listed) <= 4 else f"{len(listed)} runs"
