"""Doubts about which log belongs to which run, and which laps to which."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np
import pandas as pd

from tyrekit.record.carried import typical_lap_s
from tyrekit.record.evidence import Doubt, Evidence
from tyrekit.record.running import Ran

SAME_LAPS = 3  # laps equal in time and fuel: one recording
BEFORE_S = 30.0  # a reading taken so long before the car stopped was taken of another run
OVER_S = 240.0  # an in-lap after the flag, and a run sheet's minutes
RACE_LAPS_MORE, RACE_LAPS_LESS = 1, 3
# How sure one witness alone makes it that a log is another run's: by judgement.
NAMED, READ_EARLY, TOO_LONG, TOO_MANY, TOO_FEW, STANDING, NO_GRID = (
    0.9, 0.85, 0.7, 0.7, 0.4, 0.8, 0.5,
)  # fmt: skip
Witness = tuple[float, str]


def other_runs_log(e: Evidence) -> Iterator[Doubt]:
    """A log that does not look like its run's: its name, length, start, laps, or readings."""
    lap_s = typical_lap_s(e.laps, e.event)
    for ran in e.ran:
        if ran.log is None or not len(ran.laps):
            continue
        told = [*_by_name(e, ran), *_by_readings(e, ran), *_by_session(e, ran, lap_s)]
        if not told:
            continue
        sure = 1 - float(np.prod([1 - sure for sure, _ in told]))
        yield Doubt(
            "log of another run",
            f"run {ran.run_id} has {ran.log.name}: {'; '.join(words for _, words in told)}",
            min(0.99, sure),
            e.run_row(ran.run_id),
            "Check the log column, the start time and the readings' taken_at of the run, and of its"
            " neighbours.",
        )


def _by_name(e: Evidence, ran: Ran) -> Iterator[Witness]:
    stem = ran.log.name.split(".")[0] if ran.log else ""
    if stem != ran.run_id and stem in set(e.tables["runs"]["run_id"]):
        yield NAMED, f"its name is that of run {stem}"


def _by_readings(e: Evidence, ran: Ran) -> Iterator[Witness]:
    """Tyres are read when the car has stopped, not while it runs."""
    found = [
        at
        for table, key in (
            ("pressures", "run_id"), ("temperatures", "run_id"), ("tread", "after_run"),
        )
        for run, at in zip(e.tables[table][key], e.tables[table]["taken_at"], strict=True)
        if run == ran.run_id
    ]  # fmt: skip
    stopped = ran.start + pd.Timedelta(seconds=ran.cut.duration_s if ran.cut else 0.0)
    early_s = [gap for at in found if (gap := (stopped - at).total_seconds()) > BEFORE_S]
    if len(early_s) >= 2:
        yield (
            READ_EARLY,
            f"{len(early_s)} readings after it were taken up to {_long(max(early_s))} before the"
            " log's car stopped",
        )


def _long(seconds: float) -> str:
    """Return a time in the unit that a person would say it in."""
    for unit, size_s in (("days", 86400), ("hours", 3600), ("min", 60)):
        if seconds >= 2 * size_s:
            return f"{seconds / size_s:.0f} {unit}"
    return f"{seconds:.0f} s"


def _by_session(e: Evidence, ran: Ran, lap_s: float) -> Iterator[Witness]:
    session = e.event.session(ran.session)
    own = [one for one in e.ran if one.session == ran.session]
    reasons = set(ran.laps["reason"])
    grid = any("grid" in str(r) or "standing start" in str(r) for r in reasons)
    if session.kind != "race":
        if "standing start" in " ".join(map(str, reasons)):
            yield STANDING, f"it begins from a grid, {session.id} does not"
        over_s = (ran.end - ran.start).total_seconds() - 60 * (session.minutes or np.inf)
        if over_s > lap_s + OVER_S:
            yield TOO_LONG, f"it runs {over_s:.0f} s longer than {session.id}"
        return
    if (
        ran is own[0]
        and session.formation_laps
        and not grid
        and "formation" not in set(ran.laps["kind"])
    ):
        yield NO_GRID, f"{session.id} begins from a grid, it does not"
    raced = sum(int(one.laps["kind"].isin(["timed", "caution", "out", "in"]).sum()) for one in own)
    over = sum(int((one.laps["kind"] == "cool_down").sum()) for one in own)
    if not session.laps or any(not len(one.laps) or one.ends_on_track for one in own):
        return
    if over > session.cool_down_laps + RACE_LAPS_MORE:
        yield TOO_MANY, f"it has {over - 1} laps more than {session.id} has"
    elif ran is own[-1] and raced < session.laps - RACE_LAPS_LESS:
        yield TOO_FEW, f"{session.id} has {session.laps} laps, it makes {raced} (cut short?)"


def same_recording(e: Evidence) -> Iterator[Doubt]:
    """Two runs whose laps are equal to the digit: one recording under two names."""
    logged = [ran for ran in e.ran if ran.log is not None and len(ran.laps) >= SAME_LAPS]
    for one, two in combinations(logged, 2):
        same_bytes = one.log and two.log and one.log.sha256 == two.log.sha256
        same_name = one.log and two.log and one.log.name == two.log.name
        if same_bytes and not same_name:
            how = "byte for byte"
        elif not same_name and _same_laps(one.laps, two.laps):
            how = "lap by lap, in time, distance and fuel"
        else:
            continue
        names = (two.log.name if two.log else "", one.log.name if one.log else "")
        yield Doubt(
            "duplicated log",
            f"{names[0]} of run {two.run_id} is, {how}, {names[1]} of run {one.run_id}",
            1.0 if same_bytes else 0.97,
            e.run_row(two.run_id),
            "Name the right log for the run; its laps are counted twice now.",
        )


def _same_laps(one: pd.DataFrame, two: pd.DataFrame) -> bool:
    """Return whether as many laps as both have are equal in all that was logged."""
    n = min(len(one), len(two))
    if abs(one["lap_time_s"].iloc[1] - two["lap_time_s"].iloc[1]) > 1e-2:
        return False
    names = ["lap_time_s", "run_m", "fuel_used_l"]
    a, b = (part[names].iloc[1 : n - 1].to_numpy(dtype=np.float64) for part in (one, two))
    known = np.isfinite(a) & np.isfinite(b)
    if len(a) < SAME_LAPS or not known[:, 1:].any():
        return False
    close = np.abs(a - b) <= 1e-4 * np.maximum(np.abs(a), 1e-9) + 1e-6
    return bool((close | ~known).all()) and bool((np.isfinite(a) == np.isfinite(b)).all())


def shared_log(e: Evidence) -> Iterator[Doubt]:
    """Runs that name one log in which only some of them are found."""
    for name in dict.fromkeys(ran.log.name for ran in e.ran if ran.log is not None):
        own = [ran for ran in e.ran if ran.log is not None and ran.log.name == name]
        empty = [ran.run_id for ran in own if not len(ran.laps)]
        rest = [ran.run_id for ran in own if len(ran.laps)]
        if rest and empty:
            yield Doubt(
                "one log for two runs",
                f"runs {', '.join(r.run_id for r in own)} name {name}; by its clock and their"
                f" starts it holds laps of {', '.join(rest)}, not of {', '.join(empty)}",
                0.9,
                e.run_row(empty[0]),
                "Name each run's own log, or correct the start times if the log holds them all.",
            )


CHECKS = (other_runs_log, same_recording, shared_log)
