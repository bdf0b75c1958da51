"""What the crew writes down: the book's tables, with the gauges' noise, and official timing."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

import numpy as np

from tyrekit.demo import programme, track
from tyrekit.demo.programme import SEED, U14, U58
from tyrekit.demo.tyre import Tyre, hot_bar
from tyrekit.demo.weekend import Done, RunDone

Rows = list[list[str]]

CORNERS = ("FL", "FR", "RL", "RR")
GAUGE_MM, GAUGE_BAR, PYROMETER_C = 0.05, 0.02, 1.5
CHECKED_S = 165  # from standing still to the first pressure reading
LOG_SUFFIX = ".csv.gz"
SPECIFICATION = "control"


def book(done: Done) -> dict[str, str]:
    """Return the text of each book table by its name."""
    return {
        "tyres": _csv(
            "tyre_id spec new marked age_laps distance_km heat_cycles tread_mm axle side note",
            [_tyre_row(tyre) for tyre in done.arrived.values()],
        ),
        "runs": _csv(
            "run_id session driver start fl fr rl rr fuel_start_kg "
            "cold_fl_bar cold_fr_bar cold_rl_bar cold_rr_bar log note",
            [_run_row(run) for run in done.runs],
        ),
        "laps": _csv("run_id lap lap_time_s kind fuel_used_l air_c track_c", []),
        "tread": _csv("taken_at tyre_id after_run inner_mm centre_mm outer_mm", _tread_rows(done)),
        "pressures": _csv(
            "taken_at run_id corner hot_bar after_laps",
            [row for run in done.runs for row in _pressure_rows(run)],
        ),
        "temperatures": _csv(
            "taken_at run_id corner inner_c centre_c outer_c",
            [row for run in done.runs for row in _temperature_rows(run)],
        ),
        "fuel": _csv("taken_at run_id kind mass_kg volume_l fuel_c", _fuel_rows(done)),
        "weather": _csv(
            "taken_at air_c track_c pressure_hpa humidity_pct rain", _weather_rows(done)
        ),
    }


def _csv(header: str, rows: Iterable[Sequence[str]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header.split())
    writer.writerows(rows)
    return text.getvalue()


def _time(when: datetime) -> str:
    return when.strftime("%Y-%m-%dT%H:%M:%S")


def _minute(when: datetime) -> str:
    return when.strftime("%Y-%m-%dT%H:%M:00")


def _rng(kind: int, index: int) -> np.random.Generator:
    return np.random.default_rng([SEED, kind, index])


def _index(run: RunDone) -> int:
    return [plan.run_id for plan in programme.PLANS].index(run.plan.run_id)


def _tyre_row(tyre: Tyre) -> list[str]:
    used = tyre.tyre_id in (*U14, *U58)
    side = ("left", "right")[int(tyre.tyre_id[1:]) % 2 == 0] if used else "any"
    note = "from the last event" if used else ""
    return [
        tyre.tyre_id, SPECIFICATION, str(int(not used)), str(int(tyre.tyre_id in programme.MARKED)),
        str(tyre.laps), f"{tyre.distance_km:.1f}", str(tyre.heat_cycles), "", "any", side, note,
    ]  # fmt: skip


def _run_row(run: RunDone) -> list[str]:
    plan = run.plan
    return [
        plan.run_id, plan.session, plan.driver, _time(run.leaves), *plan.tyres,
        f"{run.fuel_said_kg:.1f}", *(f"{bar:.2f}" for bar in plan.cold_bar),
        f"{plan.run_id}{LOG_SUFFIX}", plan.note,
    ]  # fmt: skip


def _tread_rows(done: Done) -> Rows:
    """All sixteen on the evening before; after each session the tyres that ran in it."""
    before = datetime(2026, 5, 15, 17, 0)
    rows = [
        _depths(tyre, before + timedelta(minutes=i), "", _rng(500, i))
        for i, tyre in enumerate(done.arrived.values())
    ]
    for run in done.runs:
        later = [r for r in done.runs if r.plan.session == run.plan.session]
        when = later[-1].finish + timedelta(minutes=22 + 6 * later.index(run))
        rng = _rng(501, _index(run))
        for i, tyre in enumerate(run.after.values()):
            rows.append(_depths(tyre, when + timedelta(minutes=i), run.plan.run_id, rng))
    return sorted(rows)


def _depths(tyre: Tyre, when: datetime, after: str, rng: np.random.Generator) -> list[str]:
    read = np.array(tyre.tread_mm) + rng.normal(0.0, GAUGE_MM, 3)
    return [_minute(when), tyre.tyre_id, after, *(f"{mm:.2f}" for mm in read.tolist())]


def _pressure_rows(run: RunDone) -> Rows:
    rng, rows = _rng(502, _index(run)), []
    for i, corner in enumerate(CORNERS):
        seconds = CHECKED_S + 15 * i
        bar = hot_bar(run.plan.cold_bar[i], run.air.air_c, run.gas_c(seconds)[i], run.air)
        read = bar + float(rng.normal(0.0, GAUGE_BAR))
        when = run.finish + timedelta(seconds=seconds)
        rows.append([_time(when), run.plan.run_id, corner, f"{read:.2f}", str(len(run.plan.kinds))])
    return rows


def _temperature_rows(run: RunDone) -> Rows:
    """Tread by needle, a little after the pressures; the shoulder that wears runs hotter."""
    rng, rows = _rng(503, _index(run)), []
    for i, corner in enumerate(CORNERS):
        heat = run.trace.end.heat
        middle = 0.5 * float(heat.tread_c[i]) + 0.5 * run.gas_c(200)[i]
        across = (2.0, 0.0, 3.5) if corner[0] == "F" else (3.0, 0.5, -1.0)
        read = middle + np.array(across) + rng.normal(0.0, PYROMETER_C, 3)
        when = run.finish + timedelta(seconds=200 + 20 * i)
        rows.append([_time(when), run.plan.run_id, corner, *(f"{c:.0f}" for c in read.tolist())])
    return rows


def _fuel_rows(done: Done) -> Rows:
    return [
        [_minute(h.taken_at), h.run_id, h.kind, "", f"{h.volume_l:.1f}", f"{h.fuel_c:.1f}"]
        for h in done.handlings
    ]


def _weather_rows(done: Done) -> Rows:
    """One reading about every half hour while there is running, and at each start."""
    last = done.runs[-1].finish
    rows = []
    for day in sorted({run.plan.start.date() for run in done.runs}):
        when = datetime(day.year, day.month, day.day, 8, 30)
        rng = _rng(504, day.day)
        while when.hour < 18 and when < last + timedelta(minutes=30):
            air = programme.weather(when)
            read = (air.air_c + float(rng.normal(0, 0.3)), air.track_c + float(rng.normal(0, 0.6)))
            humidity = 95 - 2.6 * air.air_c + float(rng.normal(0, 2))
            rows.append(
                [_minute(when), *(f"{round(2 * c) / 2:.1f}" for c in read),
                 f"{air.pressure_hpa:.0f}", f"{humidity:.0f}", "dry"]
            )  # fmt: skip
            when += timedelta(minutes=30)
    return rows


def timing(done: Done) -> dict[str, str]:
    """Return the official lap times of qualifying and races, by session.

    In a race the first lap runs from the start signal; a lap through the pits runs to the line
    across the lane. Formation and cool-down laps are not timed.
    """
    found = {}
    for meet in programme.MEETS:
        runs = [run for run in done.runs if run.plan.session == meet.session]
        if runs and meet.kind != "practice":
            rows = [
                [meet.session, "27", str(lap), f"{seconds:.3f}", _official(when), pit]
                for lap, seconds, when, pit in official_laps(runs)
            ]
            found[meet.session] = _csv("session car lap lap_time_s crossed_at pit", rows)
    return found


def official_laps(runs: Sequence[RunDone]) -> list[tuple[int, float, datetime, str]]:
    """Return lap number, time, clock time of the crossing, and in or out of the pits."""
    rows: list[tuple[int, float, datetime, str]] = []
    last: datetime | None = None
    for run in runs:
        laps = run.trace.laps
        if laps[0].kind == "formation":
            last = run.plan.start + timedelta(seconds=laps[0].end_s)
        for lap, passed_s in zip(laps, line_passed_s(run), strict=True):
            when = run.plan.start + timedelta(seconds=passed_s)
            if last is not None and lap.kind not in ("formation", "cool_down"):
                pit = lap.kind if lap.kind in ("in", "out") else ""
                rows.append((len(rows) + 1, (when - last).total_seconds(), when, pit))
            if lap.kind != "formation":
                last = when
    return rows


def line_passed_s(run: RunDone) -> list[float]:
    """Return when each lap of a run ends at the line, the line across the pit lane included."""
    ends = np.arange(1, len(run.plan.kinds) + 1)
    edge = np.searchsorted(run.trace.line_m, ends * track.LENGTH_M - 1e-6)
    found: list[float] = run.trace.elapsed_s[edge].tolist()
    return found


def _official(when: datetime) -> str:
    return when.isoformat(timespec="milliseconds")
