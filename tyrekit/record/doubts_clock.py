"""Doubts about clocks: the logger's against the official one, and official times themselves.

Without official times a clock that runs at a wrong rate cannot be found: from lap times alone it
looks like a slower or faster car (simulated: 2 % of drifts of 500 ppm and more found, 7 % of
clean weekends alarmed). A weekend's notes say so.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from math import erf, sqrt

import numpy as np

from tyrekit.record.alignment import pooled
from tyrekit.record.clock_jumps import DATED_S
from tyrekit.record.evidence import Doubt, Evidence

DRIFT_PPM = 300.0
SURE_ENOUGH = 0.9
DATE_WITHIN_S = 900.0  # a run sheet's start against the log's own clock


def clock_drift(e: Evidence) -> Iterator[Doubt]:
    """The logger's clock runs faster or slower than the official one."""
    if e.timed is None or not len(e.timed.clocks):
        return
    rows = e.timed.clocks.dropna(subset=["drift_ppm"])
    ppm, se = pooled(rows["drift_ppm"].to_numpy(), rows["drift_se_ppm"].to_numpy())
    sure = _outside(ppm, se, DRIFT_PPM)
    if not sure >= SURE_ENOUGH:
        return
    laps = int(rows["matched_laps"].sum())
    lap_s = float(e.timed.official.laps["lap_time_s"].median())
    yield Doubt(
        "clock drift",
        f"the logger's clock runs {abs(ppm):.0f} ppm {'fast' if ppm > 0 else 'slow'}"
        f" (standard error {se:.0f}) against the official times of {laps} laps in"
        f" {', '.join(dict.fromkeys(rows['session']))}: {abs(ppm) * 1e-6 * lap_s:.3f} s a lap",
        sure,
        "logs/",
        "The official times count where they are; the logger's lap times in other sessions are"
        " off by this much. Have the logger's clock looked at.",
    )


def _outside(value: float, se: float, limit: float) -> float:
    """Return the chance that a normally distributed quantity is beyond a limit either way."""
    if not (np.isfinite(value) and se > 0):
        return 0.0
    above = 0.5 * (1 + erf((value - limit) / se / sqrt(2)))
    below = 0.5 * (1 + erf((-limit - value) / se / sqrt(2)))
    return above + below


def clock_set(e: Evidence) -> Iterator[Doubt]:
    """The logger's clock was set while the car ran."""
    for ran in e.ran:
        for jump in ran.jumps:
            lap = ran.laps[(ran.laps["start_s"] <= jump.at_s)]["lap"].max()
            way = "forward" if jump.by_s > 0 else "back"
            went = "did not move" if jump.by_s > 0 else "went"
            proof = f"position shows that the car {went} on meanwhile"
            yield Doubt(
                "clock set",
                f"run {ran.run_id}: the log's time goes {abs(jump.by_s):.1f} s {way}"
                f" {jump.at_s:.0f} s into the run"
                + (f", on lap {lap:.0f}" if lap == lap else "")
                + (f"; {proof}" if jump.seen else "; samples may be missing instead"),
                0.95 if jump.seen else 0.5,
                f"logs/{ran.log.name}" if ran.log else e.run_row(ran.run_id),
                "That lap's logged time is not used. Export the log again; put official times into"
                " timing/.",
            )


def clock_date(e: Evidence) -> Iterator[Doubt]:
    """A log that carries dates is of another time than its run."""
    zone = e.event.meeting.zone
    for ran in e.ran:
        if not ran.clock_s > DATED_S or ran.log is None:
            continue
        start = ran.start.to_pydatetime().astimezone(zone)
        offset = start.utcoffset()
        local_s = offset.total_seconds() if offset else 0.0
        gap_s = ran.clock_s - start.timestamp()
        # a date without an offset is read as UTC: it may be local time
        if min(abs(gap_s), abs(gap_s - local_s)) <= DATE_WITHIN_S:
            continue
        says = datetime.fromtimestamp(ran.clock_s, UTC)
        days = abs(gap_s) > 0.75 * 86400
        apart = f"{gap_s / 86400:+.1f} days" if days else f"{gap_s / 3600:+.1f} hours"
        yield Doubt(
            "log of another time",
            f"{ran.log.name} of run {ran.run_id} has the car moving off at {says:%Y-%m-%d %H:%M}"
            f" UTC, the run sheet at {start:%Y-%m-%d %H:%M}: {apart}",
            0.7 if days else 0.5,
            f"logs/{ran.log.name}",
            "Is it the log of another run? Else the logger's clock is wrong; or correct the run's"
            " start.",
        )


def official_unmatched(e: Evidence) -> Iterator[Doubt]:
    """Official laps that are nobody's, or could be told apart in more ways than one."""
    if e.timed is None:
        return
    official = e.timed.official
    for words in official.absent:
        yield Doubt("car not in the timing", words, 0.8, words.split(" ")[0],
                    "Correct [car] number in event.toml, or the file.")  # fmt: skip
    for words in official.twice:
        yield Doubt("official lap twice", f"{words}: the later row counts", 0.9,
                    words.split(":")[0], "Take the wrong row out.")  # fmt: skip
    for words in e.timed.unused:
        yield Doubt(
            "official laps of no run", words, 0.6, "timing/",
            "Enter the run they belong to in book/runs.csv, or check the session they name.",
        )  # fmt: skip
    clocks = e.timed.clocks
    for _, row in clocks[(clocks["note"] != "") & (clocks["usable_laps"] > 2)].iterrows():
        yield Doubt(
            "official times unmatched",
            f"run {row['run_id']}, {row['usable_laps']} laps from line to line: {row['note']};"
            " its own times are used",
            0.7,
            e.run_row(str(row["run_id"])),
            "Check the log of the run, and the session of the official times.",
        )


def official_disagree(e: Evidence) -> Iterator[Doubt]:
    """A logged lap time, or a typed one without a log, is not the official one."""
    if e.timed is None:
        return
    table = e.timed.disagreements
    own = (table["source"] == "log") | table["logger_time_s"].isna()
    table = table[(table["counts_now"] == "official") & own]
    for run_id, rows in table.groupby("run_id", sort=False):
        told = [f"lap {lap} {gap:+.3f} s (they allow {allowed:.3f})" for lap, gap, allowed in
                zip(rows["lap"], rows["gap_s"], rows["resolution_s"], strict=True)]  # fmt: skip
        yield Doubt(
            "official times disagree",
            f"run {run_id}, its own less the official: {'; '.join(told[:3])}"
            + (f" and {len(told) - 3} more" if len(told) > 3 else ""),
            0.8,
            e.run_row(str(run_id)),
            "The official time counts. Look at the lap in the log, or at the official sheet.",
        )


CHECKS = (clock_drift, clock_set, clock_date, official_unmatched, official_disagree)
