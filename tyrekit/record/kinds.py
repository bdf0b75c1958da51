"""What each lap of a run was: out, timed, in, caution, formation, cool-down; and the rule."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tyrekit.record.event import Session
from tyrekit.record.segments import Segment

ON_THE_GRID_S = 20.0  # standing longer than this before the line is waiting on the grid
TO_THE_GRID = "out-lap: from the pits to the grid"


@dataclass(frozen=True)
class Kind:
    """A lap's kind and the rule that gave it."""

    kind: str
    reason: str = ""


def kinds_of(
    laps: Sequence[Segment],
    session: Session,
    *,
    first_run: bool,
    race_laps_run: int = 0,
    raced_s: float = 0.0,
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
    race_laps_run, raced_s : int, float
        Race laps of earlier runs in the same race, and time since its start, s.
    """
    if session.kind != "race":
        return [_by_ends(s, i) for i, s in enumerate(laps)]
    found = _before_the_start(laps, session) if first_run else []
    lead = len(found)
    begun_s = laps[lead].start_s if lead < len(laps) else 0.0
    for i, s in enumerate(laps[lead:]):
        if _is_over(session, race_laps_run + i, raced_s + s.start_s - begun_s):
            found.append(Kind("cool_down", "after the finish"))
        elif first_run and i == 0 and s.ends == "line":
            found.append(Kind("timed", "the race's first lap, from the grid"))
        else:
            found.append(_by_ends(s, i, from_grid=first_run))
    return found


def _by_ends(s: Segment, i: int, from_grid: bool = False) -> Kind:
    """Return the kind a lap has by its ends alone."""
    if s.ends == "log":
        return Kind("in", "in-lap: it ends in the pits or where the log does")
    if s.ends == "lane":
        return Kind("in", "in-lap: it ends in the pit lane")
    if s.begins == "lane" or (i == 0 and not from_grid):
        return Kind("out", "out-lap: it begins in the pits")
    if s.begins == "log":
        return Kind("out", "out-lap: the log begins on it")
    if s.stood_s > 0:
        return Kind("timed", f"the car stood for {s.stood_s:.0f} s")
    return Kind("timed")


def _before_the_start(laps: Sequence[Segment], session: Session) -> list[Kind]:
    """Return the kinds of the laps that lead to a race's start.

    A lap from the pits to the grid ends in a long wait; it is told from a formation lap, which
    ends in a wait too, by beginning with the log or by a second wait on the lap that follows.
    """
    n = session.formation_laps
    waits = bool(laps) and laps[0].stood_s >= ON_THE_GRID_S
    again = n > 0 and len(laps) > n and laps[n].stood_s > 0
    to_grid = waits and (laps[0].begins == "log" or again)
    lead = [Kind("out", TO_THE_GRID)] if to_grid else []
    formation = Kind("formation", "before the start")
    return lead + [formation] * min(n, len(laps) - len(lead))


def _is_over(session: Session, race_laps: int, raced_s: float) -> bool:
    """Whether the race is finished before a lap begins: its laps or its minutes are run."""
    by_laps = session.laps is not None and race_laps >= session.laps
    by_time = session.minutes is not None and raced_s >= session.minutes * 60
    return by_laps or by_time
