"""Matched axles as linear rules: left and right ages differ by at most so many laps.

Two rows per stint and axle state it exactly for whole tyres. A mixture of fractions can satisfy
them with ages that never go together; the cuts forbid that: for any age t, tyres at most t old on
one side and tyres more than t + laps old on the other cannot add up to more than one.
"""

from __future__ import annotations

import numpy as np

from tyrekit.plan.problem import AXLES, Floats, Ints, Moves, Row

BROKEN = 1e-3  # how far a cut must be broken to be worth adding


def matched_rows(moves: Moves, stints: int, laps: int) -> list[Row]:
    """Return the rows -laps <= age left - age right <= laps of every stint and axle."""
    rows = []
    for stint in range(stints):
        for axle in AXLES.values():
            left, right = (_running(moves, stint, corner) for corner in axle)
            at = np.concatenate([left, right])
            ages = np.concatenate([moves.age_laps[left], -moves.age_laps[right]]).astype(float)
            rows += [Row(at, ages, float(laps)), Row(at, -ages, float(laps))]
    return rows


def matched_cuts(moves: Moves, stints: int, laps: int, usage: Floats) -> list[Row]:
    """Return the most broken cut of every stint, axle and direction, if any is broken."""
    cuts = []
    for stint in range(stints):
        for axle in AXLES.values():
            left, right = (_running(moves, stint, corner) for corner in axle)
            for young, old in ((left, right), (right, left)):
                cut = _worst_cut(moves, young, old, laps, usage)
                cuts += [cut] if cut is not None else []
    return cuts


def _running(moves: Moves, stint: int, corner: int) -> Ints:
    return np.flatnonzero((moves.stint == stint) & moves.runs & (moves.corner == corner))


def _worst_cut(moves: Moves, young: Ints, old: Ints, laps: int, usage: Floats) -> Row | None:
    ages = np.unique(moves.age_laps[young])
    if not len(ages) or not len(old):
        return None
    size = int(max(ages[-1] + laps + 1, moves.age_laps[old].max())) + 2
    up_to = np.cumsum(np.bincount(moves.age_laps[young], usage[young], size))
    beyond = np.sum(usage[old]) - np.cumsum(np.bincount(moves.age_laps[old], usage[old], size))
    total = up_to[ages] + beyond[ages + laps]
    worst = int(total.argmax())
    if total[worst] <= 1 + BROKEN:
        return None
    age = ages[worst]
    at = np.concatenate(
        [young[moves.age_laps[young] <= age], old[moves.age_laps[old] > age + laps]]
    )
    return Row(at, np.ones(len(at)), 1.0)
