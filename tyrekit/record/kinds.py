"""What each lap of a run was: out, timed, in, caution, formation, cool-down; and the rule."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tyrekit.record.event import Session
from tyrekit.record.segments import Segment

ON_THE_GRID_S = 20.0  # standing longer than this before the line is waiting on the grid


@dataclass(frozen=True)
class Kind:
    """A lap's kind and the rule that gave it."""

    kind: str
    reason: str = ""


def kinds_of(
    laps: Sequence[Segment], session: Session, *, first_run: bool, race_laps_run: int = 0
) -> list[Kind]:
    """Return the kind of each lap of a run from where it began and ended.

    Parameters
    ----------
    laps : sequence of Segment
        The run's laps in order.
    session : Session
        The session it belongs to.
    first_run : bool
        Whether it is the session's first; a race's first run begins on the grid.
    race_laps_run : int
        Race laps of earlier runs in the same race.
    """
    if session.kind != "race":
        return [_by_ends(s, i, len(laps)) for i, s in enumerate(laps)]
    lead = _before_the_start(laps, session) if first_run else []
    found = list(lead)
    race_laps, raced_s = race_laps_run, 0.0
    for i, s in enumerate(laps[len(lead) :], start=len(lead)):
        over = _is_over(session, race_laps, raced_s)
        if over or (s.ends == "log" and session.cool_down_laps > 0 and i > len(lead)):
            found.append(Kind("cool_down", "after the finish"))
        elif first_run and i == len(lead):
            started = Kind("timed", "the race's first lap, from the grid")
            found.append(_by_ends(s, i, len(laps)) if s.ends != "line" else started)
        else:
            found.append(_by_ends(s, i - len(lead) if first_run else i, len(laps), first_run))
        race_laps, raced_s = race_laps + 1, raced_s + s.duration_s
    return found


def _by_ends(s: Segment, i: int, n: int, on_track: bool = False) -> Kind:
    """Return the kind a lap has by its ends alone."""
    if s.ends == "log":
        return Kind("in", "in-lap: it ends in the pits or where the log does")
    if s.ends == "lane":
        return Kind("in", "in-lap: it ends in the pit lane")
    if s.begins == "lane" or (i == 0 and not on_track):
        return Kind("out", "out-lap: it begins in the pits")
    if s.begins == "log":
        return Kind("out", "out-lap: the log begins on it")
    if s.stood_s > 0:
        return Kind("timed", f"the car stood for {s.stood_s:.0f} s")
    return Kind("timed")


def _before_the_start(laps: Sequence[Segment], session: Session) -> list[Kind]:
    """Return the kinds of the laps that lead to a race's start."""
    lead: list[Kind] = []
    if laps and laps[0].begins == "log" and laps[0].stood_s >= ON_THE_GRID_S:
        lead.append(Kind("out", "out-lap: from the pits to the grid"))
    formation = Kind("formation", "before the start")
    return lead + [formation] * min(session.formation_laps, len(laps) - len(lead))


def _is_over(session: Session, race_laps: int, raced_s: float) -> bool:
    """Whether the race is finished before a lap begins: its laps or its minutes are run."""
    by_laps = session.laps is not None and race_laps >= session.laps
    by_time = session.minutes is not None and raced_s >= session.minutes * 60
    return by_laps or by_time
