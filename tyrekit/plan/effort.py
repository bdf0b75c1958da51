"""What a search may spend, counted in work and not in seconds: the same question, the same answer.

A unit of work is one entry of a linear programme or one arc priced, some 0.1 microseconds.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field

LAST_RESORT_S = 120.0  # a machine this slow is stopped by the clock, and the answer says so
WORK_DONE = "the work allowed for it was done"
PAST_S = (
    f"{LAST_RESORT_S:.0f} s had passed: this machine is slow or busy, and another run may say more"
)
A_SECOND = 1.0e7  # units of work in about a second on an ordinary machine


@dataclass
class Effort:
    """Work left to do on one question.

    Attributes
    ----------
    work : float
        Units left.
    ends : float
        `time.monotonic` of the last resort.
    """

    work: float
    ends: float = field(default_factory=lambda: time.monotonic() + LAST_RESORT_S)

    def spend(self, work: float) -> None:
        """Take work done off what is left."""
        self.work -= work

    @property
    def over(self) -> str:
        """Why to stop now; empty while work is left."""
        if self.work <= 0:
            return WORK_DONE
        if time.monotonic() > self.ends:
            return PAST_S
        return ""
