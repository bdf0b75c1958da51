"""Logs that no run of the book names yet: what a session that has just ended left in logs/."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import pandas as pd

from tyrekit.errors import InputError
from tyrekit.record.event import Event, Session
from tyrekit.record.laps import NEEDED, cut
from tyrekit.record.running import log_files, log_of, whole_log


@dataclass(frozen=True)
class Arrival:
    """A log without a run.

    Attributes
    ----------
    name : str
        The file in logs/.
    written_at : datetime
        When the file was last written, in the event's time zone; a copy may be younger than the
        running.
    duration_s : float
        From the car's first movement to its last, s.
    laps, timed_laps : int
        Laps seen, and how many of them are timed.
    best_s : float
        The fastest timed lap, s; NaN when there is none.
    problem : str
        Why it cannot be read; empty when it can.
    """

    name: str
    written_at: datetime
    duration_s: float = float("nan")
    laps: int = 0
    timed_laps: int = 0
    best_s: float = float("nan")
    problem: str = ""


def new_logs(folder: Path, runs: pd.DataFrame) -> list[str]:
    """Return the files in logs/ that no run uses, the last written first."""
    logs = log_files(folder)
    used = {log_of(row, logs)[0] for _, row in runs.iterrows()}
    names = [name for name in logs if name not in used and (folder / "logs" / name).is_file()]
    return sorted(names, key=lambda name: (_written(folder, name), name), reverse=True)


def arrival(folder: Path, event: Event, name: str, session: Session) -> Arrival:
    """Return what a new log holds, cut into laps as if it were run in `session`."""
    written_at = datetime.fromtimestamp(_written(folder, name), event.meeting.zone)
    try:
        log = whole_log(folder, event, name, NEEDED)
        found = cut(
            log.channels, event.circuit, session, sample_s=log.sample_s, restarts=log.restarts
        )
    except InputError as error:
        return Arrival(name, written_at, problem=str(error))
    timed = found.laps.loc[found.laps["kind"] == "timed", "lap_time_s"]
    best_s = float(timed.min()) if len(timed) else float("nan")
    return Arrival(name, written_at, found.duration_s, len(found.laps), len(timed), best_s)


def session_of(name: str, event: Event, coming: Session | None) -> Session:
    """Return the session a log most likely belongs to: the one its name begins with, or `coming`.

    With neither, the event's last session.
    """
    stem = name.split(".")[0].casefold()
    own = [s for s in event.sessions if _begins(stem, s.id.casefold())]
    return max(own, key=lambda s: len(s.id)) if own else coming or event.sessions[-1]


def _begins(stem: str, session: str) -> bool:
    return stem.startswith(session) and not stem[len(session) :][:1].isalnum()


def _written(folder: Path, name: str) -> float:
    return (folder / "logs" / name).stat().st_mtime
