"""Doubts about logger files and the laps cut from them."""

from __future__ import annotations

from collections.abc import Iterator
from fnmatch import fnmatch
from itertools import pairwise

import numpy as np

from tyrekit.record.evidence import Doubt, Evidence
from tyrekit.record.faults import nearest
from tyrekit.record.running import Ran, log_files

LENGTH_WITHIN = 0.05  # a logger's lap distance against the circuit's
SPEED_MIX_UPS = {
    1.609: "the speed is km/h and taken as mph",
    0.621: "the speed is mph and taken as km/h",
    3.6: "the speed is km/h and taken as m/s",
    0.278: "the speed is m/s and taken as km/h",
    0.514: "the speed is m/s and taken as knots",
    1.944: "the speed is knots and taken as m/s",
}


def missing_log(e: Evidence) -> Iterator[Doubt]:
    """A run names a log that is not there."""
    for ran in e.ran:
        if not ran.missing:
            continue
        taken = {r.log.name for r in e.ran if r.log}
        close = nearest(ran.missing, [name for name in log_files(e.folder) if name not in taken])
        look = f"Is {close!r} meant? " if close else ""
        yield Doubt(
            "missing log",
            f"run {ran.run_id} names {ran.missing!r}; it is not in logs/. {_laps_left(e, ran)}",
            1.0,
            e.run_row(ran.run_id),
            f"{look}Put the file into logs/, or type the laps into book/laps.csv.",
        )


def no_laps(e: Evidence) -> Iterator[Doubt]:
    """A run has neither a log nor typed laps, or its log holds no lap."""
    for ran in e.ran:
        if len(ran.laps) or ran.missing:
            continue
        holds = f"log {ran.log.name!r} holds no lap" if ran.log else "it has no log"
        why = f" ({'; '.join(ran.cut.notes)})" if ran.cut and ran.cut.notes else ""
        yield Doubt(
            "run without laps",
            f"run {ran.run_id}: {holds}{why}. {_laps_left(e, ran)}",
            0.9,
            f"logs/{ran.log.name}" if ran.log else e.run_row(ran.run_id),
            "Put its log into logs/, type its laps into book/laps.csv, or take the run out.",
        )


def cut_off_log(e: Evidence) -> Iterator[Doubt]:
    """A log ends in mid-line."""
    for ran in e.ran:
        if ran.log is None or not ran.log.cut_off or ran.cut is None:
            continue
        rows, seconds = ran.log.lost_rows, ran.log.lost_rows * ran.log.sample_s
        ends = f"it ends {ran.cut.recorded_s:.1f} s into the run"
        yield Doubt(
            "log cut off",
            f"{ran.log.name} ends in mid-line: {rows} row(s), {seconds:.2f} s, incomplete; {ends};"
            f" the {len(ran.laps)} laps before that are used. {_after_the_end(e, ran)}",
            1.0,
            f"logs/{ran.log.name}",
            "Copy the file from the logger again; laps it lacks can be typed into book/laps.csv.",
        )


def bad_rows(e: Evidence) -> Iterator[Doubt]:
    """A log has rows without time, of the wrong width, or out of order."""
    for ran in e.ran:
        if ran.log is None:
            continue
        lost = ran.log.lost_rows - int(ran.log.cut_off)
        if lost > 0:
            seconds = lost * ran.log.sample_s
            yield Doubt(
                "rows passed over",
                f"{ran.log.name}: {lost} row(s), {seconds:.2f} s, are incomplete or have no time",
                0.8,
                f"logs/{ran.log.name}",
                "Look at the file; export it again if the rows matter.",
            )
        if ran.log.backward_rows:
            yield Doubt(
                "time runs backwards",
                f"{ran.log.name}: time does not rise in {ran.log.backward_rows} row(s)",
                0.95,
                f"logs/{ran.log.name}",
                "Two recordings may be in one file, or the clock was reset: export it again.",
            )


def unit_disagreement(e: Evidence) -> Iterator[Doubt]:
    """[log] and the file name different units for a column."""
    told: dict[str, list[str]] = {}
    for ran in e.ran:
        for words in ran.log.disagreements if ran.log else ():
            told.setdefault(words, []).append(ran.log.name if ran.log else "")
    for words, names in told.items():
        yield Doubt(
            "units disagree",
            f"{words}, in {names[0]}" + (f" and {len(names) - 1} more" if names[1:] else ""),
            0.9,
            "event.toml [log]",
            "The unit of [log] is used. Correct it there, or take it out to use the file's.",
        )


def lap_distance(e: Evidence) -> Iterator[Doubt]:
    """The speed channel makes a lap longer or shorter than the circuit."""
    length_m, off = e.event.circuit.length_m, []
    for ran in e.ran:
        run_m = ran.laps.loc[ran.laps["kind"] == "timed", "run_m"].dropna()
        ratio = float(np.median(run_m)) / length_m if len(run_m) > 1 else 1.0
        if abs(ratio - 1) > LENGTH_WITHIN:
            off.append((ran.run_id, ratio))
    if not off:
        return
    run_id, ratio = off[0]
    hints = [words for k, words in SPEED_MIX_UPS.items() if abs(ratio / k - 1) < 0.03]
    runs = f"run {run_id}" + (f" and {len(off) - 1} more" if off[1:] else "")
    yield Doubt(
        "lap distance",
        f"{runs}: a lap is {ratio * length_m:.0f} m by the speed, {ratio:.3f} times the circuit's"
        f" {length_m:.0f} m" + (f": as if {hints[0]}" if hints else ""),
        0.95 if hints else 0.7,
        "event.toml [log] speed",
        "Correct the unit of the speed, or [circuit] length_m.",
    )


def log_goes_on(e: Evidence) -> Iterator[Doubt]:
    """A log was still recording when the next run had begun."""
    for ran, later in pairwise(e.ran):
        own = ran.log is not None and (later.log is None or later.log.name != ran.log.name)
        if not own or ran.cut is None:
            continue
        over_s = ran.cut.recorded_s - (later.start - ran.start).total_seconds()
        if over_s > 60:
            yield Doubt(
                "log of two runs",
                f"{ran.log.name if ran.log else ''} of run {ran.run_id} records {over_s:.0f} s on"
                f" after run {later.run_id} began",
                0.5,
                e.run_row(later.run_id),
                "Check both start times; if the log holds both runs, name it for both.",
            )


def log_of_no_run(e: Evidence) -> Iterator[Doubt]:
    """A file in logs/ that no run names."""
    named = {ran.log.name for ran in e.ran if ran.log}
    pattern = e.event.log.files
    spare = [
        name
        for name in log_files(e.folder)
        if name not in named and (fnmatch(name, pattern) or fnmatch(name, pattern + ".gz"))
    ]
    if spare:
        yield Doubt(
            "log of no run",
            f"no run names {', '.join(spare[:6])}" + (" and more" if len(spare) > 6 else ""),
            0.4,
            "logs/",
            "Name it in the log column of its run, or move it away.",
        )


def _after_the_end(e: Evidence, ran: Ran) -> str:
    """Say what is taken to have followed the end of a log that was cut off."""
    if not ran.ends_on_track:
        return "The car stood by then"
    laps, ground = e.assumed.get(ran.run_id, (0, ""))
    return f"The car was still running: its tyres are taken to have run {laps} laps more ({ground})"


def _laps_left(e: Evidence, ran: Ran) -> str:
    """Say what stands in for a run's log."""
    if ran.run_id in e.assumed:
        laps, ground = e.assumed[ran.run_id]
        return f"Its tyres are taken to have run {laps} laps: {ground}"
    return f"Its {len(ran.laps)} typed laps are used"


CHECKS = (
    missing_log, no_laps, cut_off_log, bad_rows, unit_disagreement, lap_distance, log_goes_on,
    log_of_no_run,
)  # fmt: skip
