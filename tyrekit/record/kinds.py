"""What each lap of a run was: out, timed, in, caution, formation, cool-down; and the rule."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tyrekit.record.event import Session
from tyrekit.record.segments import Segment

ON_THE_GRID_S = 20.0  # standing longer than this before the line is waiting on the grid
STOPPED_S = 10.0  # standing longer than this on the track ends an attempt
SLOWED = 0.25  # share of a lap run far below the usual speed: the lap was given up
TO_THE_GRID = "out-lap: from the pits to the grid"


@dataclass(frozen=True)
class Kind:
    """A lap's kind, why it does not count (empty when it may), and the rule that gave the kind."""

    kind: str
    reason: str = ""
    rule: str = ""


def kinds_of(
    laps: Sequence[Segment],
    session: Session,
    *,
    first_run: bool,
    race_laps_run: int = 0,
    raced_s: float = 0.0,
) -> list[Kind]:
    """Return the kind of each lap of a run from where it began and ended, its length and pace.

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
            found.append(
                _ruled("cool_down", "after the finish", "the race's laps or minutes are run")
            )
        elif first_run and i == 0 and s.ends == "line":
            found.append(_ruled("timed", "the race's first lap, from the grid", "standing start"))
        else:
            found.append(_by_ends(s, i, from_grid=first_run))
    return found


def _ruled(kind: str, reason: str, rule: str = "") -> Kind:
    return Kind(kind, reason, f"{reason}: {rule}" if rule else reason)


def _by_ends(s: Segment, i: int, from_grid: bool = False) -> Kind:
    """Return the kind a lap has by its ends, where it stood and how slow it was."""
    if s.ends in ("log", "track", "lane"):
        return _into_the_pits(s)
    if s.begins == "lane":
        lane = (
            "it begins in the pit lane" if s.stood_s == 0 else "it begins from a stop in the lane"
        )
        return _ruled("out", "out-lap: it begins in the pits", lane)
    if s.begins == "track":
        seen = f"{s.share:.2f} of a lap" if s.share == s.share else "a part of it"
        return _ruled("out", "out-lap: the log begins on it", f"{seen} is in the log")
    if i == 0 and not from_grid and not s.flying:
        return _ruled("out", "out-lap: it begins in the pits", "the log begins at a stand")
    if s.begins == "log":
        return _ruled("out", "out-lap: the log begins on it", "it does not begin at the line")
    if given_up := _given_up(s):
        return _ruled("timed", given_up)
    if s.from_stand:
        return _ruled("timed", "standing start: the car stood just before the line")
    return Kind("timed", "", f"line to line, {s.share:.2f} of a lap in {s.duration_s:.1f} s")


def _into_the_pits(s: Segment) -> Kind:
    """Return the kind of a lap that ends in the pits or with the log; one given up says so."""
    if s.ends == "track":
        seen = f"{s.share:.2f} of a lap is in the log" if s.share == s.share else ""
        return _ruled("in", "in-lap: the log ends on the track", seen)
    lane = s.ends == "lane"
    where = "it ends in the pit lane" if lane else "it ends in the pits or where the log does"
    reason = f"in-lap: {where}"
    given_up = f"; {words}" if s.slow >= SLOWED and (words := _given_up(s)) else ""
    stop = f", a stop of {s.stood_s:.0f} s on it" if s.stood_s > 0 and lane else ""
    begun = ", as it began" if lane and s.begins == "lane" else ""
    return Kind("in", reason + given_up, f"{reason}{begun}{stop}{given_up}")


def _given_up(s: Segment) -> str:
    """Say why a lap was given up: a stop on the track, or far slower than usual; empty if not."""
    if s.stood_s >= STOPPED_S and s.ends == "line":
        return f"aborted: the car stood for {s.stood_s:.0f} s"
    if s.stood_s > 0 and s.ends == "line":
        return f"the car stood for {s.stood_s:.0f} s"
    if s.slow >= SLOWED:
        return f"aborted: far below the usual speed over {100 * s.slow:.0f} % of the lap"
    return ""


def _before_the_start(laps: Sequence[Segment], session: Session) -> list[Kind]:
    """Return the kinds of the laps that lead to a race's start.

    A lap from the pits to the grid ends in a long wait; it is told from a formation lap, which
    ends in a wait too, by beginning with the log or by a second wait on the lap that follows.
    """
    n = session.formation_laps
    waits = bool(laps) and laps[0].stood_s >= ON_THE_GRID_S
    again = n > 0 and len(laps) > n and laps[n].stood_s > 0
    to_grid = waits and (laps[0].begins == "log" or again)
    lead = [_ruled("out", TO_THE_GRID, "it ends in a long wait")] if to_grid else []
    formation = _ruled("formation", "before the start", f"formation_laps = {n} in event.toml")
    return lead + [formation] * min(n, len(laps) - len(lead))


def _is_over(session: Session, race_laps: int, raced_s: float) -> bool:
    """Whether the race is finished before a lap begins: its laps or its minutes are run."""
    by_laps = session.laps is not None and race_laps >= session.laps
    by_time = session.minutes is not None and raced_s >= session.minutes * 60
    return by_laps or by_time
