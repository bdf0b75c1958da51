"""A weekend as it stood before one of its sessions: what was known then, and no more."""

from __future__ import annotations

import shutil
from datetime import datetime
from pathlib import Path

import pandas as pd

from tyrekit.errors import EventError
from tyrekit.record.running import log_files, log_path
from tyrekit.record.text import decode
from tyrekit.record.timing_files import FOLDER_NAME, read_timing, timing_paths
from tyrekit.record.weekend import Weekend


def as_it_stood(weekend: Weekend, session_id: str, folder: Path) -> Weekend:
    """Return the weekend with nothing in it from one session on.

    Its runs and every later one, what was measured from its first run on, and the official times
    of those sessions are left out; event.toml is as it is now.

    Parameters
    ----------
    session_id : str
        A session of the event.
    folder : Path
        An empty folder; the weekend's files as they stood are written there and must stay for
        `channels`.

    Raises
    ------
    EventError
        The event has no such session.
    """
    order = [session.id for session in weekend.event.sessions]
    if session_id not in order:
        raise EventError(
            f"there is no session {session_id}", rule=f"one of {', '.join(order)}",
            next_step="Choose one of these.",
        )  # fmt: skip
    earlier = set(order[: order.index(session_id)])
    run_ids = set(weekend.runs.loc[weekend.runs["session"].isin(earlier), "run_id"])
    _copy_files(weekend, folder, earlier)
    weekend.book.export_csv(folder / "book")
    since = _first_start(weekend, session_id)
    for path in sorted((folder / "book").glob("*.csv")):
        known = _known(weekend.book.read(path.stem), run_ids, earlier, since)
        rows = pd.read_csv(path, dtype=str, keep_default_na=False)
        rows[known.to_numpy()].to_csv(path, index=False)
    return Weekend.open(folder)


def _first_start(weekend: Weekend, session_id: str) -> datetime:
    """Return when the session began: its first run's start, else the event's."""
    own = weekend.runs.loc[weekend.runs["session"] == session_id, "start"]
    start = weekend.event.session(session_id).start
    return min([*own, start]) if len(own) else start


def _copy_files(weekend: Weekend, folder: Path, earlier: set[str]) -> None:
    """Copy event.toml, the logs of no later run and the official times of earlier sessions."""
    folder.mkdir(parents=True, exist_ok=True)
    shutil.copy2(weekend.folder / "event.toml", folder)
    later = weekend.runs[~weekend.runs["session"].isin(earlier)]
    own = {*later["log"], *later["run_id"]}
    (folder / "logs").mkdir(exist_ok=True)
    for name in log_files(weekend.folder):
        if not own & {name, name.split(".")[0], name.removesuffix(".gz")}:
            shutil.copy2(log_path(weekend.folder, name), folder / "logs" / name)
    for path in timing_paths(weekend.folder)[0]:
        laps = read_timing(path, weekend.event).laps
        if any(lap.session in earlier for lap in laps):
            beyond = {lap.row for lap in laps if lap.session not in earlier}
            lines = decode(path.read_bytes()).replace("\r", "\n").split("\n")
            kept = [line for row, line in enumerate(lines, start=1) if row not in beyond]
            (folder / FOLDER_NAME).mkdir(exist_ok=True)
            (folder / FOLDER_NAME / path.name).write_text("\n".join(kept), encoding="utf-8")


def _known(rows: pd.DataFrame, run_ids: set[str], earlier: set[str], since: datetime) -> pd.Series:
    """Return which rows of a table belong to what had been run or measured by then."""
    if "session" in rows:
        return rows["session"].isin(earlier)
    known = pd.Series(True, index=rows.index)
    if "taken_at" in rows:
        known &= rows["taken_at"] < since
    for name in ("run_id", "after_run"):
        if name in rows:
            known &= rows[name].isin(run_ids) | rows[name].isna() | (rows[name] == "")
    return known
