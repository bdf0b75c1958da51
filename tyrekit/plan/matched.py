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
    used = np.flatnonzero(moves.runs & (usage > 0))
    at = 4 * moves.stint[used] + moves.corner[used]
    cuts = []
    for stint in range(stints):
        for axle in AXLES.values():
            left, right = (used[at == 4 * stint + corner] for corner in axle)
            for young, old, sides in ((left, right, axle), (right, left, axle[::-1])):
                age = _worst_age(
                    moves.age_laps[young], moves.age_laps[old], laps, usage[young], usage[old]
                )
                if age is not None:
                    cuts.append(_cut(moves, stint, sides, age, laps))
    return cuts


def _running(moves: Moves, stint: int, corner: int) -> Ints:
    return np.flatnonzero((moves.stint == stint) & moves.runs & (moves.corner == corner))


def _worst_age(
    young: Ints, old: Ints, laps: int, young_usage: Floats, old_usage: Floats
) -> int | None:
    """Return the age whose cut is broken most, None when none is.

    Broken: the share up to that age on one side and beyond it by more than `laps` on the other.
    """
    ages = np.unique(young)
    up_to = (young_usage[None, :] * (young[None, :] <= ages[:, None])).sum(axis=1)
    beyond = (old_usage[None, :] * (old[None, :] > ages[:, None] + laps)).sum(axis=1)
    total = up_to + beyond
    if not len(ages) or total.max() <= 1 + BROKEN:
        return None
    return int(ages[total.argmax()])


def _cut(moves: Moves, stint: int, sides: tuple[int, ...], age: int, laps: int) -> Row:
    young, old = (_running(moves, stint, corner) for corner in sides)
    at = np.concatenate(
        [young[moves.age_laps[young] <= age], old[moves.age_laps[old] > age + laps]]
    )
    return Row(at, np.ones(len(at)), 1.0)
