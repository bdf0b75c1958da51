"""Every sequence of runs that fits a practice session, and the laps each run would bring."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from tyrekit.fit.fuel_use import FuelUseResults
from tyrekit.fit.lap_time import LapTimeResults
from tyrekit.plan.programme import PIT_SHARE, lap_time_s
from tyrekit.plan.run_design import Ints
from tyrekit.plan.stint_search import Floats
from tyrekit.record.event import Event, Session

OUT_SHARE, IN_SHARE = 1.15, 1.10  # of a lap's time; common practice, no source
TURN_ROUND_MIN = 4.0  # in the pits between two runs, tyres changed; common practice, no source
CLEAN_SHARE = 0.8  # of practice laps that no traffic spoils; common practice, no source
RUN_LAPS = (5, 8, 11, 14)
FULL_SHARE = 0.9  # of the tank, for the heaviest run
MOST_SEQUENCES = 60_000
TICKS = 600  # per minute: starts are told apart to a tenth of a second


@dataclass(frozen=True)
class PracticeSet:
    """Four tyres that may run in practice, and how many laps they may be given."""

    set_id: str
    age_laps: int
    heat_cycles: float
    longest_laps: int


class Run(NamedTuple):
    """A run as it may be asked for: place of its set, fuel at its start, laps in all."""

    place: int
    fuel_kg: float
    laps: int


@dataclass(frozen=True, eq=False)
class PracticeSession:
    """What a practice session allows, as numbers.

    Attributes
    ----------
    lap_s : float
        A clean lap.
    fuels_kg, run_laps : tuple
        Start fuel and lengths of run to choose from; a run of n laps has n - 2 timed ones.
    use_kg_per_lap, least_kg : float
        Fuel burnt, and the least that must be aboard at the end of a run.
    field_laps, field_pace : float
        Laps run by all cars before it, and added per minute.
    turn_round_min : float
        Minutes in the pits between two runs.
    clean_share : float
        Share of laps that no traffic spoils.
    """

    session: str
    minutes: float
    lap_s: float
    sets: tuple[PracticeSet, ...]
    fuels_kg: tuple[float, ...]
    run_laps: tuple[int, ...]
    use_kg_per_lap: float
    least_kg: float = 3.0
    track_c: float = 30.0
    field_laps: float = 0.0
    field_pace: float = 8.0
    turn_round_min: float = TURN_ROUND_MIN
    clean_share: float = CLEAN_SHARE

    def run_min(self, laps: int) -> float:
        """Return the minutes that a run of `laps` takes, out- and in-lap included."""
        return (laps - 2 + OUT_SHARE + IN_SHARE) * self.lap_s / 60.0

    def choices(self) -> tuple[Run, ...]:
        """Return the runs that have a timed lap and fuel enough."""
        return tuple(
            Run(place, fuel_kg, laps)
            for place in range(len(self.sets))
            for fuel_kg in self.fuels_kg
            for laps in self.run_laps
            if laps >= 3 and fuel_kg - laps * self.use_kg_per_lap >= self.least_kg - 1e-9
        )


def practice_session(
    event: Event,
    session: Session,
    lap_time: LapTimeResults,
    fuel_use: FuelUseResults,
    sets: Sequence[PracticeSet],
    *,
    fuels_kg: Sequence[float] | None = None,
    run_laps: Sequence[int] | None = None,
) -> PracticeSession:
    """Return a practice session as numbers.

    Parameters
    ----------
    session : Session
        Practice, with its minutes.
    sets : sequence of PracticeSet
        Sets that may run and the laps each may be given.
    fuels_kg : sequence of float, optional
        Start fuel to choose from; by default just enough for the longest run, a nearly full
        tank, and midway.
    run_laps : sequence of int, optional
        Lengths of run, out- and in-lap included; by default 5, 8, 11 and 14 laps.
    """
    lap_s = lap_time_s(lap_time, session)[0]
    use = float(fuel_use.use_by_kind()["mean"]["timed"])
    density = event.fuel.density_kg_per_l
    least_kg = (event.fuel.unusable_l + event.fuel.sample_l) * density
    lengths = tuple(run_laps) if run_laps is not None else RUN_LAPS
    full_kg = FULL_SHARE * event.fuel.tank_l * density
    light_kg = min(least_kg + max(lengths) * use, full_kg)
    loads = (light_kg, (light_kg + full_kg) / 2, full_kg)
    seen = lap_time.seen
    per_min = event.meeting.cars * (1 - PIT_SHARE) * 60.0 / lap_s
    return PracticeSession(
        session=session.id,
        minutes=float(session.minutes or 0.0),
        lap_s=lap_s,
        sets=tuple(sets),
        fuels_kg=tuple(fuels_kg) if fuels_kg is not None else loads,
        run_laps=lengths,
        use_kg_per_lap=use,
        least_kg=least_kg,
        track_c=seen["track_c"][1] if "track_c" in seen else 30.0,
        field_laps=seen["field_laps"][1] if "field_laps" in seen else 0.0,
        field_pace=per_min,
    )


@dataclass(frozen=True, eq=False)
class Candidates:
    """Distinct runs with where they would find track and tyres, and the sequences of them.

    Attributes
    ----------
    runs : tuple of Run
    start_min, age_laps, heat_cycles : arrays (runs,)
    sequences : array (sequences, most runs)
        Runs counted from 1, 0 where there is none.
    complete : bool
        False when more sequences fit.
    """

    runs: tuple[Run, ...]
    start_min: Floats
    age_laps: Ints
    heat_cycles: Floats
    sequences: Ints
    complete: bool


@dataclass(frozen=True, eq=False)
class _Open:
    """Sequences that may go on: runs so far, when the next may start, laps and runs by set."""

    nodes: Ints
    start: Ints
    laps: Ints
    runs: Ints


def candidates(session: PracticeSession, most: int = MOST_SEQUENCES) -> Candidates:
    """Return every sequence of runs that fits minutes, tyres' laps and fuel, up to `most`.

    Fewer runs come first, so that what is left out, if anything, has the most runs.
    """
    choices = session.choices()
    sets = len(session.sets)
    nothing = np.zeros((1, sets), dtype=np.int64)
    open_ = _Open(np.zeros((1, 0), dtype=np.int64), np.zeros(1, dtype=np.int64), nothing, nothing)
    levels: list[Ints] = []
    visits: list[Ints] = []  # choice, start, laps and runs on its set: a row per sequence
    count = 0
    while len(open_.start) and count <= most and choices:
        open_, visit = _longer(session, choices, open_, count)
        count += len(visit)
        levels.append(open_.nodes)
        visits.append(visit)
    return _numbered(session, choices, levels, visits, most)


def _longer(
    session: PracticeSession, choices: tuple[Run, ...], open_: _Open, count: int
) -> tuple[_Open, Ints]:
    """Return every sequence that is one run longer, and that run with what it finds."""
    place = np.array([run.place for run in choices])
    laps = np.array([run.laps for run in choices])
    takes = np.array([round(session.run_min(run.laps) * TICKS) for run in choices])
    allowed = np.array([one.longest_laps for one in session.sets])
    fits = open_.start[:, None] + takes <= round(session.minutes * TICKS)
    fits &= open_.laps[:, place] + laps <= allowed[place]
    before, choice = np.nonzero(fits)
    on = place[choice]
    visit = np.column_stack(
        [choice, open_.start[before], open_.laps[before, on], open_.runs[before, on]]
    )
    later_laps, later_runs = open_.laps[before], open_.runs[before]
    row = np.arange(len(before))
    later_laps[row, on] += laps[choice]
    later_runs[row, on] += 1
    start = open_.start[before] + takes[choice] + round(session.turn_round_min * TICKS)
    nodes = np.column_stack([open_.nodes[before], count + row])
    return _Open(nodes, start, later_laps, later_runs), visit


def _numbered(
    session: PracticeSession,
    choices: tuple[Run, ...],
    levels: list[Ints],
    visits: list[Ints],
    most: int,
) -> Candidates:
    """Number the distinct runs and write the sequences in these numbers."""
    visit = np.concatenate(visits) if visits else np.zeros((0, 4), dtype=np.int64)
    scale = visit.max(axis=0, initial=0) + 1
    key = ((visit[:, 0] * scale[1] + visit[:, 1]) * scale[2] + visit[:, 2]) * scale[3]
    _, at, number = np.unique(key + visit[:, 3], return_index=True, return_inverse=True)
    levels = [nodes for nodes in levels if len(nodes)]
    width = levels[-1].shape[1] if levels else 1
    sequences = np.zeros((len(visit), width), dtype=np.int64)
    done = 0
    for nodes in levels:
        sequences[done : done + len(nodes), : nodes.shape[1]] = number[nodes] + 1
        done += len(nodes)
    runs = tuple(choices[c] for c in visit[at, 0])
    age = np.array([one.age_laps for one in session.sets], dtype=np.int64)
    cycles = np.array([one.heat_cycles for one in session.sets], dtype=float)
    on = np.array([run.place for run in runs], dtype=np.int64)
    return Candidates(
        runs=runs,
        start_min=visit[at, 1] / TICKS,
        age_laps=age[on] + visit[at, 2],
        heat_cycles=cycles[on] + visit[at, 3],
        sequences=sequences[:most],
        complete=len(visit) <= most,
    )


def timed_laps(session: PracticeSession, found: Candidates) -> pd.DataFrame:
    """Return the timed laps of every distinct run, a row each, in the order of the runs."""
    length = np.array([run.laps - 2 for run in found.runs])
    run = np.repeat(np.arange(len(length)), length)
    flying = np.arange(len(run)) - np.repeat(np.cumsum(length) - length, length) + 1.0
    minutes = found.start_min[run] + (OUT_SHARE + flying - 1) * session.lap_s / 60.0
    names = np.array([one.set_id for one in session.sets], dtype=object)
    place = np.array([one.place for one in found.runs])
    start_kg = np.array([one.fuel_kg for one in found.runs])
    return pd.DataFrame(
        {
            "run": run,
            "session": session.session,
            "set_id": names[place][run],
            "flying_lap": flying,
            "age_laps": found.age_laps[run] + flying,
            "heat_cycles": found.heat_cycles[run],
            "fuel_kg": start_kg[run] - flying * session.use_kg_per_lap,
            "field_laps": session.field_laps + minutes * session.field_pace,
            "track_c": session.track_c,
        }
    )
