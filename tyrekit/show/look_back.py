"""A weekend and its answer before a session that has been run: what the kit would have said."""

from __future__ import annotations

import shutil
import tempfile
import weakref
from pathlib import Path

from tyrekit.record.earlier import as_it_stood
from tyrekit.record.weekend import Weekend
from tyrekit.show.what_if import State, start


class LookBack:
    """States of a weekend before its sessions, each worked out once and kept.

    The files as they stood live in a temporary folder as long as this does.
    """

    def __init__(self, weekend: Weekend) -> None:
        self.weekend = weekend
        self._home = Path(tempfile.mkdtemp(prefix="tyrekit-earlier-"))
        weakref.finalize(self, shutil.rmtree, self._home, ignore_errors=True)
        self._known: dict[str, State] = {}

    def before(self, session_id: str) -> State:
        """Return fits and plan of the weekend as it stood before a session, unranked."""
        if session_id not in self._known:
            folder = self._home / str(len(self._known))
            self._known[session_id] = start(
                as_it_stood(self.weekend, session_id, folder), rank=False
            )
        return self._known[session_id]


def state_before(back: LookBack, now: State, session_id: str) -> State:
    """Return the present state for a session still to come, else the one before it was run."""
    return back.before(session_id) if session_id in now.weekend.done else now


def session_words(session_id: str, run: bool) -> str:
    """Return a session as a control lists it."""
    return f"{session_id}, run: as it stood before" if run else session_id
