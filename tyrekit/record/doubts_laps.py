"""Doubts about laps: crossings missed or too many, laps typed that were not run so."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from tyrekit.record.evidence import Doubt, Evidence
from tyrekit.record.line import AGAINST, NEVER
from tyrekit.record.motion import MOVING_MPS
from tyrekit.record.pit_lane import LANE_MOST_MPS
from tyrekit.record.running import Ran, typed_se_s

DOUBLE_WITHIN = 0.08
LONG, LONG_LITRES = 1.85, 1.6  # times the usual lap: slow, and with the fuel of two laps
HAND_SD_S = 0.12  # of a time taken with a stop-watch, as one written to a tenth or coarser is
LOST_FROM_LAPS = 2.5  # of distance: below it a run is an out-lap and an in-lap
CLOCK_WITHIN_S = 1800.0  # of a run's start: the log's clock tells the time of day
SHIFTS = (-2, -1, 1, 2)
SHIFTED = 0.4  # of the disagreement as typed: the laps are numbered otherwise
MISSED, EXTRA = "crossing was missed", "crossing too many"
ODD = "of a lap between crossings"  # not a whole number of laps, and not put right
WAYS = {"lap": "lap counter", "beacon": "beacon", "position": "position"}


def crossings(e: Evidence) -> Iterator[Doubt]:
    """The line was missed, or seen where it is not."""
    told = list(zip(e.laps["run_id"], e.laps["lap"], e.laps["reason"], strict=True))
    for ran in e.ran:
        if ran.cut is None:
            continue
        for words, name in ((MISSED, "crossing missed"), (EXTRA, "crossing too many")):
            laps = [lap for run, lap, why in told if run == ran.run_id and words in why]
            if name == "crossing missed":
                laps += _double(ran, set(laps))
            repaired = [note for note in ran.cut.notes if words in note]
            if not laps and not repaired:
                if name == "crossing too many":
                    yield from _odd(ran)
                continue
            which = f"lap(s) {', '.join(str(lap) for lap in laps)}" if laps else "a lap"
            yield Doubt(
                name,
                f"run {ran.run_id}, by its {WAYS.get(ran.cut.way, 'log')}: {which}: "
                + (repaired[0] if repaired else f"{words}? It is far from a lap's time"),
                0.95 if repaired else 0.85,
                f"logs/{ran.log.name if ran.log else ''}",
                "The laps are put right by distance or time; check the receiver."
                if repaired
                else "The lap is left out; type its time into book/laps.csv if you have it.",
            )


def _odd(ran: Ran) -> Iterator[Doubt]:
    """Crossings that lie part of a lap apart, where nothing tells which of them is wrong."""
    if ran.cut is None:
        return
    for note in ran.cut.notes:
        if ODD in note:
            yield Doubt(
                EXTRA,
                f"run {ran.run_id}, by its {WAYS.get(ran.cut.way, 'log')}: {note}",
                0.7,
                f"logs/{ran.log.name if ran.log else ''}",
                "The laps beside it are left out; type their times into book/laps.csv if known.",
            )


def _double(ran: Ran, known: set[int]) -> list[int]:
    """Return laps as long as two that are not called so: a race's first, or two of a caution."""
    laps = ran.laps[ran.laps["kind"] == "timed"]
    if len(laps) <= 3:
        return []
    time_s, litres, run_m = laps[["lap_time_s", "fuel_used_l", "run_m"]].to_numpy("float64").T
    times = time_s / laps["lap_time_s"].median()
    two_litres = litres > LONG_LITRES * laps["fuel_used_l"].median()
    double = np.abs(times / 2 - 1) < DOUBLE_WITHIN
    double |= np.isnan(run_m) & (times > LONG) & two_litres
    return [int(lap) for lap in laps["lap"].to_numpy()[double] if lap not in known]


def laps_lost(e: Evidence) -> Iterator[Doubt]:
    """The distance run makes more than twice as many laps as were found."""
    length_m = e.event.circuit.length_m
    timed_m = e.laps.loc[e.laps["kind"] == "timed", "run_m"].dropna()
    # where laps are found and longer, the length or a unit is wrong: lap_distance tells of it
    lap_m = max(length_m, float(timed_m.median()) if len(timed_m) > 1 else 0.0)
    told: dict[tuple[str, str], list[tuple[Ran, str]]] = {}
    for ran in e.ran:
        laps = 1000 * ran.cut.run_km / lap_m if ran.cut is not None else 0.0
        if ran.cut is not None and laps > LOST_FROM_LAPS and len(ran.cut.laps) < 0.5 * laps:
            cause, where, step = _why_lost(e, ran)
            told.setdefault((where, step), []).append((ran, cause))
    for (where, step), lost in told.items():
        ran, cause = lost[0]
        far_km, found = (ran.cut.run_km, len(ran.cut.laps)) if ran.cut else (0.0, 0)
        yield Doubt(
            "laps lost",
            f"run {ran.run_id}: {far_km:.1f} km driven by"
            f" {'the speed channel' if _has_speed(ran) else 'position'}, {found} lap(s) found of"
            f" {length_m:.0f} m"
            + (f"; {len(lost) - 1} more run(s) alike" if lost[1:] else "")
            + (f". {cause}" if cause else ""),
            0.95,
            where,
            step,
        )


def _has_speed(ran: Ran) -> bool:
    names = [n for n in ran.health if n == "speed_mps" or n.startswith("wheel_speed_")]
    return any(ran.health[name].high > MOVING_MPS for name in names)


def _why_lost(e: Evidence, ran: Ran) -> tuple[str, str, str]:
    """Return the likely cause of laps not found, where it stands and what to do."""
    notes = ran.cut.notes if ran.cut else ()
    line = e.event.circuit.start_finish
    again = "Then check again; laps can be typed into book/laps.csv until then."
    position = [ran.health.get(name) for name in ("latitude_deg", "longitude_deg")]
    at = [h.median for h in position if h is not None and np.isfinite(h.median)]
    key = "event.toml [circuit] start_finish"
    if len(at) == 2 and (abs(at[0]) > 90 or abs(at[1]) > 180):
        read = [np.sign(x) * (abs(x) // 100 + abs(x) % 100 / 60) for x in at]
        return (
            f"Positions about {at[0]:.4f}, {at[1]:.4f} are no degrees; as degrees and minutes run"
            f" together they are {read[0]:.5f}, {read[1]:.5f}",
            "event.toml [log] latitude",
            f"Export the positions in decimal degrees. {again}",
        )
    if line is None and len(at) == 2:
        return (
            "The log has positions, event.toml no line, and nothing else marks the laps",
            key,
            f"Give start_finish there: latitude_deg, longitude_deg, heading_deg. {again}",
        )
    for note in notes:
        if line is not None and note.startswith(AGAINST):
            other = (line.heading_deg + 180) % 360
            return (
                f"The car crosses the line the other way: {note}",
                key,
                f"Is heading_deg = {other:g} meant, the way the car drives? {again}",
            )
        if note.startswith(NEVER) and any(_crosses(one) for one in e.ran):
            return (
                f"{note[0].upper()}{note[1:]}; other logs cross it, this one drives about"
                f" {at[0]:.4f}, {at[1]:.4f}: is it of another circuit?",
                f"logs/{ran.log.name}" if ran.log else e.run_row(ran.run_id),
                f"Name the run's own log in book/runs.csv. {again}",
            )
        if note.startswith(NEVER):
            return (
                f"{note[0].upper()}{note[1:]}; it drives about {at[0]:.4f}, {at[1]:.4f}",
                key,
                f"Correct latitude_deg and longitude_deg of the line. {again}",
            )
    return (
        f"The log was searched by {ran.cut.way}" if ran.cut and ran.cut.way else "",
        f"logs/{ran.log.name}" if ran.log else e.run_row(ran.run_id),
        "Map a column that marks the laps (tyrekit map), or position and give [circuit]"
        f" start_finish. {again}",
    )


def _crosses(ran: Ran) -> bool:
    """Return whether a run's log crosses the line by its positions."""
    cut = ran.cut
    return cut is not None and cut.way == "position" and len(cut.laps) > 1


def begun_again(e: Evidence) -> Iterator[Doubt]:
    """The logger was off for a while: its time began again within a run."""
    for ran in e.ran:
        for gap in ran.cut.gaps if ran.cut else ():
            laps = ", ".join(str(lap) for lap in gap.laps)
            least = f"At least {gap.missing_s:.0f} s, {gap.missing_m:.0f} m, are missing"
            yield Doubt(
                "log begun again",
                f"run {ran.run_id}: time in {ran.log.name if ran.log else 'its log'} begins again"
                f" {gap.start_s - ran.clock_s:.0f} s into the run"
                + (f", on lap {laps}" if laps else "")
                + ": did the logger lose power, or are two recordings in one file? "
                + (least if gap.missing_s else "How long it was off")
                + (": so much makes the laps there whole; " if gap.missing_s else ": ")
                + "whether laps more are missing the file does not tell"
                + (f". The time and fuel of lap {laps} are not used" if laps else ""),
                0.95,
                f"logs/{ran.log.name}" if ran.log else e.run_row(ran.run_id),
                (f"Type lap {laps} into book/laps.csv if its time and litres are known. " if laps
                 else "")
                + f"Did the run have more than {len(ran.laps)} laps? Type as many after its last,"
                " so that the tyres' age is right. If the file holds two runs, give the second a"
                " row that names it too.",
            )  # fmt: skip


def part_of_a_run(e: Evidence) -> Iterator[Doubt]:
    """A log begins or ends with the car at speed: the laps before or after are not in it."""
    for ran in e.ran:
        if ran.cut is None or ran.log is None:
            continue
        begins, ends = (mps > LANE_MOST_MPS for mps in (ran.cut.first_mps, ran.cut.last_mps))
        where, run = f"logs/{ran.log.name}", f"run {ran.run_id}: its log"
        if begins and ran.cut.laps["lap"].min() == 1:  # else the typed laps tell
            late_s = _late_s(e, ran)
            by_clock = f", by its clock {late_s:.0f} s after the run's start in the book"
            yield Doubt(
                "log begins on the track",
                f"{run} begins with the car at {3.6 * ran.cut.first_mps:.0f} km/h"
                + (by_clock if late_s > 0 else "")
                + f": the laps before are not in it, its {len(ran.cut.laps)} laps are counted"
                " from 1",
                0.9,
                where,
                "Type all of the run's laps into book/laps.csv, the out-lap as lap 1: the log's are"
                " then counted on.",
            )
        if ends and not ran.log.cut_off and not ran.unsupported:
            yield Doubt(
                "log ends on the track",
                f"{run} ends with the car at {3.6 * ran.cut.last_mps:.0f} km/h: laps after its"
                f" {len(ran.laps)} are not in it",
                0.8,
                where,
                "Type the laps that lack into book/laps.csv, so that the tyres' age is right.",
            )


def _late_s(e: Evidence, ran: Ran) -> float:
    """Return by how much a log with a clock of the day begins after its run, s; NaN if unknown."""
    start = ran.start.to_pydatetime().astimezone(e.event.meeting.zone)
    of_day = start.hour * 3600 + start.minute * 60 + start.second
    late_s = ran.clock_s - of_day
    return late_s if 0 < late_s < CLOCK_WITHIN_S else float("nan")


def typed_short(e: Evidence) -> Iterator[Doubt]:
    """A time typed by hand that is too short for a lap: it is left out."""
    short = e.laps[(e.laps["source"] == "typed") & e.laps["reason"].str.startswith("short:")]
    book = e.tables["laps"].reset_index(names="row").set_index(["run_id", "lap"])["row"]
    for run_id, laps in short.groupby("run_id"):
        first = laps.iloc[0]
        more = f"; {len(laps) - 1} more lap(s) alike" if len(laps) > 1 else ""
        yield Doubt(
            "lap typed too short",
            f"run {run_id}: lap {first['lap']} is typed {first['lap_time_s']:g} s,"
            f" {first['reason'].split(';')[0].removeprefix('short: ')}: a typing error? It is left"
            f" out{more}",
            0.8,
            e.row("laps", book[run_id, first["lap"]]),
            "Correct the row; leave it if the lap was cut short.",
        )


def typed_otherwise(e: Evidence) -> Iterator[Doubt]:
    """Typed lap times are not the logged ones, are numbered otherwise, or no log supports them."""
    typed = e.tables["laps"]
    for ran in e.ran:
        own = typed[typed["run_id"] == ran.run_id].sort_values("lap")
        if ran.cut is None or not len(own):
            continue
        logged = ran.cut.laps.set_index("lap")
        off = _off(own, logged, 0)
        shift = _better_shift(own, logged, off)
        if shift and any(far for *_, far in off):
            yield _numbered(ran, shift, len(own))
            continue
        if far := [(lap, gap) for lap, gap, far in off if far]:
            yield _differ(ran, own, far)
        if ran.unsupported:
            yield _unsupported(ran)
        yield from _lacking(ran, own)


def _off(
    own: pd.DataFrame, logged: pd.DataFrame, shift: int
) -> list[tuple[int, float, bool]]:  # fmt: skip
    """Return lap, typed less logged and whether that is too far, for laps line to line."""
    found = []
    for lap, time_s in zip(own["lap"], own["lap_time_s"], strict=True):
        at = lap + shift
        if at not in logged.index or logged.loc[at, "kind"] in ("out", "in"):
            continue
        gap = float(time_s) - float(logged.loc[at, "lap_time_s"])
        digit = typed_se_s(float(time_s))
        by_hand = HAND_SD_S if digit > 0.02 else 0.0
        most = 3 * float(np.hypot(logged.loc[at, "lap_time_se_s"], by_hand)) + digit
        found.append((int(lap), gap, abs(gap) > most))
    return found


def _better_shift(
    own: pd.DataFrame, logged: pd.DataFrame, off: list[tuple[int, float, bool]]
) -> int:
    """Return by how many laps the typed ones are numbered otherwise; 0 when they are not."""
    as_typed = _rms(off)
    if len(off) < 3:
        return 0
    for shift in SHIFTS:
        moved = _off(own, logged, shift)
        enough = len(moved) >= max(3, 0.8 * len(off)) and not any(far for *_, far in moved)
        if enough and _rms(moved) < SHIFTED * as_typed:
            return shift
    return 0


def _rms(off: list[tuple[int, float, bool]]) -> float:
    return float(np.sqrt(np.mean([gap**2 for _, gap, _ in off]))) if off else 0.0


def _numbered(ran: Ran, shift: int, n: int) -> Doubt:
    return Doubt(
        "laps numbered otherwise",
        f"run {ran.run_id}: its {n} typed laps fit the log when each is called lap {shift:+d}",
        0.9,
        "book/laps.csv",
        "Count the out-lap (or formation lap) as lap 1; correct the numbers.",
    )


def _differ(ran: Ran, own: pd.DataFrame, far: list[tuple[int, float]]) -> Doubt:
    times = own.set_index("lap")["lap_time_s"]
    told = [f"lap {lap} typed {times[lap]:.3f} s, logged {gap:+.3f} s apart" for lap, gap in far]
    more = f" and {len(told) - 3} more" if len(told) > 3 else ""
    return Doubt(
        "lap times disagree",
        f"run {ran.run_id}: {'; '.join(told[:3])}{more}",
        0.6 if len(far) < 0.5 * len(own) else 0.8,
        "book/laps.csv",
        "Correct the typed time, or the log the run names.",
    )


def _unsupported(ran: Ran) -> Doubt:
    laps = ", ".join(str(lap) for lap in ran.unsupported)
    return Doubt(
        "laps no log supports",
        f"run {ran.run_id}: lap(s) {laps} are typed, the log has"
        f" {len(ran.laps) - len(ran.unsupported)}",
        0.8,
        "book/laps.csv",
        "They are used as typed. Take them out if they were not run.",
    )


def _lacking(ran: Ran, own: pd.DataFrame) -> Iterator[Doubt]:
    """A list of typed laps that has holes: all but a few flying laps of the log are in it."""
    flying = ran.laps.loc[ran.laps["kind"].isin(["timed", "caution"]), "lap"].tolist()
    lacking = [lap for lap in flying if lap not in set(own["lap"])]
    if lacking and len(own) >= 3 and len(lacking) <= 0.4 * len(flying):
        yield Doubt(
            "laps the book lacks",
            f"run {ran.run_id}: the log has flying lap(s) {', '.join(map(str, lacking))}; the other"
            f" {len(flying) - len(lacking)} are typed",
            0.5,
            "book/laps.csv",
            "The logged laps are used. Is the log this run's, and was none overlooked?",
        )


CHECKS = (crossings, laps_lost, begun_again, part_of_a_run, typed_short, typed_otherwise)
