"""Checks that the data are what they claim to be; each looks for one kind of fault.

To add one: write a function from `Evidence` to doubts and put it into `CHECKS`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from tyrekit.record import (
    doubts_book,
    doubts_channels,
    doubts_clock,
    doubts_fuel,
    doubts_laps,
    doubts_log,
    doubts_runs,
    doubts_sides,
    doubts_tank,
    doubts_tread,
    doubts_tread_unit,
    repeats,
)
from tyrekit.record.evidence import Doubt, Evidence

__all__ = ["CHECKS", "Doubt", "Evidence", "find_doubts"]

Check = Callable[[Evidence], Iterator[Doubt]]

CHECKS: tuple[Check, ...] = (
    *doubts_log.CHECKS,
    *doubts_laps.CHECKS,
    *doubts_runs.CHECKS,
    *doubts_channels.CHECKS,
    *doubts_clock.CHECKS,
    *doubts_fuel.CHECKS,
    *doubts_tank.CHECKS,
    *doubts_book.CHECKS,
    *doubts_tread_unit.CHECKS,
    *doubts_tread.CHECKS,
    *doubts_sides.CHECKS,
    *repeats.CHECKS,
)


def find_doubts(evidence: Evidence) -> tuple[Doubt, ...]:
    """Return every doubt about a weekend, the surest first."""
    found = [doubt for check in CHECKS for doubt in check(evidence)]
    return tuple(sorted(found, key=lambda doubt: -doubt.sure))
