"""The invented weekend as planned by its crew: sessions, runs, tyres, drivers, weather, luck.

Series, circuit, drivers and cars are invented.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from tyrekit.demo import track
from tyrekit.demo.car import Air
from tyrekit.demo.drive import AXLES
from tyrekit.demo.running import Driver, Luck
from tyrekit.demo.tyre import Tyre

SEED = 20260516
DRIVERS = {
    "Driver A": Driver("Driver A", 82.0, 1.000, 0.012, 0.0045, (1.0, 1.0, 1.0, 1.0)),
    "Driver B": Driver("Driver B", 76.0, 0.991, 0.014, 0.0055, (1.10, 1.10, 1.0, 1.0)),
}
CARS = 20
PACE = {"practice": 1.0, "qualifying": 1.004, "race": 0.993}  # share of the grip used
SESSION_SD = 0.004
RUBBER, RUBBER_LAPS, NIGHT = 0.016, 450.0, 0.002  # grip the track gains as the field runs

TRAFFIC_CHANCE = {"practice": 0.15, "qualifying": 0.10, "race": 0.22}
MISTAKES = {("P2-1", 5): 3, ("R1", 10): 7, ("R3-2", 9): 4}
CAUTION = {"R2": (6, 7, 8)}  # laps of the run: laps 5 to 7 of the race
CAUTION_FROM = 640  # node at which it is called


@dataclass(frozen=True)
class Meet:
    """One session: when it begins and, for the rubber on the track, how long it runs."""

    session: str
    kind: str
    start: datetime
    minutes: float


@dataclass(frozen=True)
class Plan:
    """One run as the crew sets it up.

    Attributes
    ----------
    start : datetime
        First sample of the log.
    tyres : tuple of str
        Ids on FL, FR, RL, RR.
    fill_l : float
        Litres asked of the bowser before this run.
    kinds : tuple of str
        Laps in order.
    cold_bar : tuple of float
        Set on FL, FR, RL, RR.
    """

    run_id: str
    session: str
    driver: str
    start: datetime
    tyres: tuple[str, ...]
    fill_l: float
    kinds: tuple[str, ...]
    cold_bar: tuple[float, ...]
    note: str = ""


def _at(text: str) -> datetime:
    return datetime.fromisoformat(f"2026-05-{text}")


MEETS = (
    Meet("P1", "practice", _at("16T09:10:00"), 20),
    Meet("P2", "practice", _at("16T11:20:00"), 20),
    Meet("P3", "practice", _at("16T14:00:00"), 20),
    Meet("Q", "qualifying", _at("16T16:25:00"), 15),
    Meet("R1", "race", _at("17T10:20:00"), 22),
    Meet("R2", "race", _at("17T13:05:00"), 25),
    Meet("R3", "race", _at("17T16:10:00"), 45),
)

RUN = ("out", *["timed"] * 4, "in")
SPRINT = ("formation", *["timed"] * 14, "cool_down")
U14, U58 = ("U1", "U2", "U3", "U4"), ("U5", "U6", "U7", "U8")
N14, N58 = ("N1", "N2", "N3", "N4"), ("N5", "N6", "N7", "N8")

PLANS = (
    Plan("P1-1", "P1", "Driver A", _at("16T09:10:40"), U14, 60.0, RUN, (1.68, 1.74, 1.70, 1.76)),
    Plan("P1-2", "P1", "Driver A", _at("16T09:22:40"), U58, 0.0, RUN, (1.68, 1.74, 1.70, 1.76)),
    Plan(
        "P2-1", "P2", "Driver B", _at("16T11:20:30"), U58, 21.0,
        ("out", *["timed"] * 5, "in"), (1.66, 1.73, 1.69, 1.76),
    ),
    Plan(
        "P2-2", "P2", "Driver A", _at("16T11:34:10"), N14, 0.0,
        ("out", "timed", "timed", "in"), (1.66, 1.73, 1.69, 1.76), "scrub of new tyres",
    ),
    Plan("P3-1", "P3", "Driver A", _at("16T14:00:30"), U14, 17.0, RUN, (1.65, 1.72, 1.67, 1.75)),
    Plan(
        "P3-2", "P3", "Driver B", _at("16T14:13:00"), U58, 38.0, RUN, (1.65, 1.72, 1.67, 1.75),
        "filled between the runs",
    ),
    Plan(
        "Q", "Q", "Driver A", _at("16T16:26:10"), N58, 18.0,
        ("out", *["timed"] * 5, "in"), (1.66, 1.73, 1.68, 1.76),
    ),
    Plan("R1", "R1", "Driver A", _at("17T10:17:00"), N58, 26.0, SPRINT, (1.70, 1.77, 1.72, 1.79)),
    Plan(
        "R2", "R2", "Driver B", _at("17T13:02:00"), N14, 26.0, SPRINT, (1.69, 1.75, 1.70, 1.78),
        "caution, race laps 5 to 7",
    ),
    Plan(
        "R3-1", "R3", "Driver A", _at("17T16:07:00"), ("N7", "N8", "N5", "N6"), 43.0,
        ("formation", *["timed"] * 13, "in"), (1.69, 1.75, 1.70, 1.78),
    ),
    Plan(
        "R3-2", "R3", "Driver A", _at("17T16:32:25"), ("N3", "N4", "N1", "N2"), 0.0,
        ("out", *["timed"] * 13, "cool_down"), (1.69, 1.75, 1.70, 1.78), "after the stop, lap 14",
    ),
)  # fmt: skip
MARKED = {*N14, *N58, *U14, "U7", "U8"}

# Hour of the day, air and track, degC.
WEATHER = {
    16: ((8, 10, 12, 14, 16, 18), (12.0, 14.0, 17.0, 19.0, 19.0, 17.0),
         (13.0, 20.0, 28.0, 33.0, 29.0, 22.0), 1012.0),
    17: ((8, 10, 12, 14, 16, 18), (10.5, 12.0, 14.0, 15.5, 15.5, 14.0),
         (12.0, 16.0, 21.0, 23.0, 21.0, 17.0), 1016.0),
}  # fmt: skip


def meet(session: str) -> Meet:
    """Return a session by its id."""
    return next(m for m in MEETS if m.session == session)


def weather(when: datetime) -> Air:
    """Return the air at a clock time; clouds come and go over the track."""
    hours, air, surface, pressure = WEATHER[when.day]
    hour = when.hour + when.minute / 60 + when.second / 3600
    cloud = 0.8 * np.sin(2 * np.pi * hour / 0.9) + 0.5 * np.sin(2 * np.pi * hour / 0.37)
    return Air(
        float(np.interp(hour, hours, air)),
        float(np.interp(hour, hours, surface) + cloud),
        pressure - 0.25 * (hour - 8),
    )


def field_laps(when: datetime) -> float:
    """Return the laps the field has run when this moment comes: one per car each 105 s."""
    total = 0.0
    for one in MEETS:
        seconds = (when - one.start).total_seconds()
        total += CARS * min(max(seconds, 0.0), one.minutes * 60) / 105.0
    return total


def track_grip(when: datetime) -> float:
    """Return the track's grip relative to fully rubbered in, before the session's own offset."""
    lost = RUBBER * float(np.exp(-field_laps(when) / RUBBER_LAPS))
    return 1 - lost - (NIGHT if when.day == 17 else 0.0)


def session_grip(session: str) -> float:
    """Return what the day does to grip in one session: wind, dust, damp; drawn once."""
    index = [m.session for m in MEETS].index(session)
    return 1 + float(np.random.default_rng([SEED, 100 + index]).normal(0.0, SESSION_SD))


def tyres() -> dict[str, Tyre]:
    """Return the sixteen tyres as they arrive: eight new, two part-worn sets."""
    rng = np.random.default_rng([SEED, 200])
    found = {}
    for tyre_id in (*N14, *N58, *U14, *U58):
        rate, offset = float(rng.normal(1.0, 0.05)), float(rng.normal(1.0, 0.0015))
        found[tyre_id] = Tyre(tyre_id, rate, offset)
    for ids, laps, cycles in ((U14, 10, 2), (U58, 13, 3)):
        for i, tyre_id in enumerate(ids):
            found[tyre_id] = _aged(found[tyre_id], i, laps, cycles)
    return found


def _aged(tyre: Tyre, corner: int, laps: int, cycles: int) -> Tyre:
    """Return a tyre that has run elsewhere, at the work per lap it would have seen here."""
    work = (1.45, 1.10, 0.86, 0.58)[corner]
    for _ in range(laps):
        tyre = tyre.worked(work, 3.3, AXLES[corner])
    for _ in range(cycles):
        tyre = tyre.cooled()
    return tyre


def luck(plan: Plan) -> dict[int, Luck]:
    """Return what happens on each lap of a run, drawn once per run."""
    kind = meet(plan.session).kind
    index = [p.run_id for p in PLANS].index(plan.run_id)
    rng = np.random.default_rng([SEED, 300 + index])
    found: dict[int, Luck] = {}
    for lap, what in enumerate(plan.kinds, start=1):
        draws = rng.random(4)
        opening = plan.kinds[0] == "formation" and lap in (2, 3)
        mistake = MISTAKES.get((plan.run_id, lap))
        traffic = _traffic(draws) if opening or draws[0] < TRAFFIC_CHANCE[kind] else None
        caution = None
        if lap in CAUTION.get(plan.run_id, ()):
            caution = CAUTION_FROM if lap == CAUTION[plan.run_id][0] else 0
        if what == "timed" and (traffic or caution is not None or mistake is not None):
            found[lap] = Luck(traffic, mistake, caution)
    return found


def _traffic(draws: np.ndarray[tuple[int], np.dtype[np.float64]]) -> tuple[int, int, float]:
    """Return from where to where somebody slower is ahead, and at what share of own speed."""
    first = int(draws[1] * (track.NODES - 260))
    return first, first + 120 + int(draws[2] * 240), 0.93 + 0.05 * float(draws[3])
