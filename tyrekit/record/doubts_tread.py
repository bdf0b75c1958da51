"""Doubts about tread readings and the sets on the run sheets, from the story they tell together.

A depth typed wrongly, left and right swapped, a run sheet that names the wrong set: each is
another story, and how much likelier it makes the readings is the evidence. Lap times tell a wrong
set far worse (`fit.lap_steps` is the second witness); wear does.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.record.doubts_tread_unit import in_inches
from tyrekit.record.evidence import Doubt, Evidence
from tyrekit.record.tread_story import PLACES, FloatArray, Readings, Stint, Story, readings, story
from tyrekit.terms import CORNERS

LEAST_READINGS = 8  # fewer tell no story
TYPING_MM, TYPING_SPREADS = 0.55, 4.2  # one place against all else
ROW_MM, ROW_SPREADS = 0.5, 4.5  # one tyre against all else
PLAIN_MM = 0.8  # first, so that sides are judged without; swapped sides shift a tyre as a whole
MOST_TYPING = 8
ODD_RUN = 10.8  # likelihood of a run's readings as written: chi-square of one degree at 1 in 1000
SWAPPED, OTHER_SET = 4.2, 5.0  # log likelihood gained before it is said
ONE_AXLE = 3.0  # more for one axle alone, which fewer readings speak for
TURNED = 7.0  # plain enough to go on as if it were so
ODDS = 20.0  # against a fault in any one run, before its readings
SIDES = {"left and right": (1, 0, 3, 2), "front left and right": (1, 0, 2, 3),
         "rear left and right": (0, 1, 3, 2)}  # fmt: skip


@dataclass(frozen=True)
class Told:
    """A weekend's readings with their story, typing errors taken out."""

    tread: pd.DataFrame
    stints: tuple[Stint, ...]
    brought: dict[str, float]
    story: Story
    typed: tuple[tuple[int, int, float, float], ...]  # row id, place, mm off, spreads
    turned: dict[int, tuple[float, str]]  # stint -> log likelihood gained by turning sides, which
    wets: frozenset[str]  # another tread: no other set for a run on dry tyres


def tread_doubts(e: Evidence) -> Iterator[Doubt]:
    """Return what readings of dry tyres do not believe: single depths, rows, sides, sets."""
    told = None if in_inches(e.tread) else _told(e)
    if told is None:
        return
    for row_id, place, off_mm, spreads in told.typed:
        yield _typing(e, told, row_id, place, off_mm, spreads)
    for i, stint in enumerate(told.stints):
        at = told.story.of.stint == i
        if at.any():
            yield from _run(e, told, stint, i, at)


def _told(e: Evidence) -> Told | None:
    tread = e.tread[~e.tread["wet"]]
    if len(tread) < LEAST_READINGS:
        return None
    brought = dict(zip(e.tables["tyres"]["tyre_id"], e.tables["tyres"]["age_laps"], strict=True))
    stints = _stints(e)
    wets = frozenset(e.tread.loc[e.tread["wet"], "tyre_id"])
    plain, typed = _typed(story(readings(tread, brought, stints)), PLAIN_MM)
    righted, turned = _turned(plain, len(stints))
    found, more = _typed(righted, TYPING_MM)
    typed += more
    return Told(tread, stints, brought, found, tuple(typed), turned, wets)


def _turned(found: Story, n: int) -> tuple[Story, dict[int, tuple[float, str]]]:
    """Turn back the sides that are plainly exchanged, so that they are not taken for typing."""
    turned: dict[int, tuple[float, str]] = {}
    gains = {i: _best_swap(found, found.of.stint == i) for i in range(n)}
    for i in sorted(gains, key=lambda k: -gains[k][0]):
        at = (found.of.stint == i) & (found.of.corner >= 0)
        gain, words = _best_swap(found, at)
        if gain > TURNED:
            turned[i] = (gain, words)
            depth = found.of.depth_mm.copy()
            depth[at] = depth[at][_partners(found.of, at, SIDES[words])]
            found = story(replace(found.of, depth_mm=depth))
    return found, turned


def _stints(e: Evidence) -> tuple[Stint, ...]:
    sheets = e.tables["runs"].set_index("run_id")
    found = []
    for ran in e.ran:
        seen = float(ran.laps["lap"].max()) if len(ran.laps) else 0.0
        laps = seen + e.assumed.get(ran.run_id, (0, ""))[0]
        fl, fr, rl, rr = (str(sheets.loc[ran.run_id, corner]) for corner in CORNERS)
        found.append(Stint(ran.run_id, ran.start, (fl, fr, rl, rr), laps))
    return tuple(found)


def _typed(found: Story, least_mm: float) -> tuple[Story, list[tuple[int, int, float, float]]]:
    """Take out the values most likely typed wrongly, the worst first."""
    typed: list[tuple[int, int, float, float]] = []
    while len(typed) < MOST_TYPING and (worst := _worst(found, least_mm)) is not None:
        off_mm, spreads = (float(part[worst]) for part in found.off_mm())
        typed.append((int(found.of.row[worst]), int(found.of.place[worst]), off_mm, spreads))
        gone = np.zeros(len(found.of.row), dtype=bool)
        gone[worst] = True
        found = story(found.of.without(gone))
    return found, typed


def _worst(found: Story, least_mm: float) -> int | None:
    """Return the value most likely typed wrongly: far off while its neighbours are not."""
    off, spreads = found.off_mm()
    may = (np.abs(off) > least_mm) & (np.abs(spreads) > TYPING_SPREADS)
    for i in sorted(np.flatnonzero(may), key=lambda k: -abs(spreads[k])):
        beside = (found.of.row == found.of.row[i]) & (np.arange(len(off)) != i)
        if beside.any() and np.abs(np.mean(off[beside])) < 0.6 * abs(off[i]):
            return int(i)
    return None


def _typing(
    e: Evidence, told: Told, row_id: int, place: int, off_mm: float, spreads: float
) -> Doubt:
    name = PLACES[place]
    seen, tyre_id = float(told.tread[name][row_id]), told.tread["tyre_id"][row_id]
    should = seen - off_mm
    return Doubt(
        "tread reading",
        f"tyre {tyre_id}: {name} {seen:.2f} is {off_mm:+.2f} mm off what all other"
        f" readings say ({should:.1f}), {abs(spreads):.0f} spreads"
        + (f": {slip}?" if (slip := _slip(seen, should)) else ": a typing error?"),
        min(0.99, 0.8 + 0.03 * (abs(spreads) - TYPING_SPREADS)),
        e.row("tread", row_id),
        f"Measure again, or correct the row; {should:.1f} would fit.",
    )


def _slip(typed: float, should: float, within: float = 0.25) -> str:
    """Say how a depth may have been mistyped."""
    if min(abs(typed / 10 - should), abs(typed * 10 - should)) < within:
        return "a comma in the wrong place"
    digits = f"{typed:.2f}".replace(".", "")
    turned = {digits[1] + digits[0] + digits[2:], digits[0] + digits[2] + digits[1]}
    if any(abs(int(t) / 100 - should) < 0.6 * within for t in turned - {digits}):
        return "two digits the wrong way round"
    if any(abs(typed - step - should) < within for step in (-2.0, -1.0, 1.0, 2.0)):
        return f"{abs(round(typed - should))} mm too {'much' if typed > should else 'little'}"
    return ""


def _run(e: Evidence, told: Told, stint: Stint, i: int, at: NDArray[np.bool_]) -> Iterator[Doubt]:
    """Look for the story that makes the readings after one run likelier than the one written."""
    sides = told.turned.get(i) or _best_swap(told.story, at)
    rows, off, spread = _by_tyre(told.story, at)
    chi2 = float(off @ np.linalg.solve(spread, off))
    odd = chi2 > len(rows) + ODD_RUN
    other = _other_set(told, i) if odd else (0.0, (), False)
    if other[0] > max(OTHER_SET, sides[0]):
        yield _wrong_set(e, stint, chi2, len(rows), other)
    elif sides[0] > SWAPPED:
        yield _sides(e, told, stint, sides)
    elif odd:
        yield from _odd_rows(e, told, stint, rows, off, spread)


def _by_tyre(found: Story, at: NDArray[np.bool_]) -> tuple[list[int], FloatArray, FloatArray]:
    """Return row ids, mean depth off and its covariance of each reading in a block."""
    off, spread = found.block(at)
    own = found.of.row[at]
    rows = list(dict.fromkeys(own.tolist()))
    mean = np.stack([(own == row) / (own == row).sum() for row in rows])
    return rows, mean @ off, mean @ spread @ mean.T


def _swaps(found: Story, at: NDArray[np.bool_]) -> Iterator[tuple[float, str]]:
    """Return the log likelihood gained when sides are swapped back, and which."""
    at = at & (found.of.corner >= 0)
    off, spread = found.block(at)
    depth = found.of.depth_mm[at]
    if len(set(zip(found.of.corner[at], found.of.place[at], strict=True))) < len(depth):
        return  # a tyre read twice after the run: its sides cannot be told
    exact = np.linalg.inv(spread)
    for words, partner in SIDES.items():
        back = _partners(found.of, at, partner)
        if len(back) == len(depth) > 0:
            turned = depth[back] - (depth - off)
            gain = 0.5 * float(off @ exact @ off - turned @ exact @ turned)
            both = len(set(found.of.corner[at].tolist())) == len(CORNERS)
            yield gain - (0.0 if both and words == "left and right" else ONE_AXLE), words


def _best_swap(found: Story, at: NDArray[np.bool_]) -> tuple[float, str]:
    return max(_swaps(found, at), default=(0.0, ""), key=lambda pair: pair[0])


def _partners(of: Readings, at: NDArray[np.bool_], partner: tuple[int, ...]) -> list[int]:
    """Return for each value of a block the one across the car; empty when one has none."""
    pairs = list(zip(of.corner[at].tolist(), of.place[at].tolist(), strict=True))
    place = {pair: i for i, pair in enumerate(pairs)}
    across = [place.get((partner[corner], k), -1) for corner, k in pairs]
    return across if min(across, default=-1) >= 0 else []


def _other_set(told: Told, i: int) -> tuple[float, tuple[str, ...], bool]:
    """Return the log likelihood gained when another set ran, which, and if it was read as this."""
    stint, of = told.stints[i], told.story.of
    best: tuple[float, tuple[str, ...], bool] = (0.0, (), False)
    others = (s.tyres for s in told.stints if not told.wets.intersection(s.tyres))
    for tyres in dict.fromkeys(four for four in others if set(four) != set(stint.tyres)):
        stints = (*told.stints[:i], replace(stint, tyres=tyres), *told.stints[i + 1 :])
        for moved in (True, False):
            tread = told.tread
            if moved:
                rows = set(of.row[(of.stint == i) & (of.corner >= 0)].tolist())
                now = dict(zip(stint.tyres, tyres, strict=True))
                here = tread.index.isin(rows)
                named = tread["tyre_id"].where(~here, tread["tyre_id"].map(now))
                tread = tread.assign(tyre_id=named)
            again = _same_values(readings(tread, told.brought, stints), of)
            gain = story(again).log_likelihood - told.story.log_likelihood
            best = max(best, (gain, tyres, moved), key=lambda one: one[0])
    return best


def _same_values(again: Readings, of: Readings) -> Readings:
    """Leave out what was left out before."""
    kept = set(zip(of.row.tolist(), of.place.tolist(), strict=True))
    pairs = zip(again.row.tolist(), again.place.tolist(), strict=True)
    return again.without(np.array([pair not in kept for pair in pairs], dtype=bool))


def _wrong_set(
    e: Evidence, stint: Stint, chi2: float, n: int,
    other: tuple[float, tuple[str, ...], bool],
) -> Doubt:  # fmt: skip
    gain, tyres, moved = other
    read = "and its tyres were read under these names" if moved else "and read under its own names"
    return Doubt(
        "wrong set on the run sheet",
        f"run {stint.run_id} names {' '.join(stint.tyres)}; the tread after it does not fit"
        f" (chi2 {chi2:.0f} on {n} tyres) and fits {_times(gain)} better if {' '.join(tyres)}"
        f" ran, {read}",
        _sure(gain),
        e.run_row(stint.run_id),
        "Read the ids on the tyres' walls; correct the run sheet"
        + (" and the readings' tyre ids." if moved else "."),
    )


def _sides(e: Evidence, told: Told, stint: Stint, sides: tuple[float, str]) -> Doubt:
    gain, words = sides
    of = told.story.of
    rows = dict.fromkeys(of.row[(of.stint == told.stints.index(stint)) & (of.corner >= 0)].tolist())
    return Doubt(
        "left and right swapped",
        f"tread after run {stint.run_id}: with {words} exchanged the readings fit {_times(gain)}"
        " better",
        _sure(gain),
        e.row("tread", next(iter(rows))) + f" and {len(rows) - 1} more",
        "Measure again; correct the readings, or the run sheet if the tyres were fitted so.",
    )


def _odd_rows(
    e: Evidence, told: Told, stint: Stint, rows: list[int], off: FloatArray, spread: FloatArray
) -> Iterator[Doubt]:
    """Name the one tyre that is off, else say that the run's readings do not fit."""
    spreads = off / np.sqrt(np.diag(spread))
    far = [k for k in range(len(rows)) if abs(off[k]) > ROW_MM and abs(spreads[k]) > ROW_SPREADS]
    if len(far) == 1:
        row_id, by_mm = rows[far[0]], float(off[far[0]])
        yield Doubt(
            "tread reading",
            f"tyre {told.tread['tyre_id'][row_id]}: all places are {by_mm:+.2f} mm off what all"
            f" other readings say, {abs(spreads[far[0]]):.0f} spreads",
            0.8,
            e.row("tread", row_id),
            "Is it another tyre, or a typing error? Measure again, or correct the row.",
        )
    elif far:
        tyres = ", ".join(f"{told.tread['tyre_id'][rows[k]]} {off[k]:+.2f} mm" for k in far)
        yield Doubt(
            "tread after a run",
            f"run {stint.run_id}: {tyres} off what all other readings say; no other set fits",
            0.6,
            e.run_row(stint.run_id),
            "Check which tyres ran, for how many laps, and what was measured.",
        )


def _times(gain: float) -> str:
    return f"{np.exp(gain):.0f} times" if gain < 7 else "over 1000 times"


def _sure(gain: float) -> float:
    return float(min(0.99, 1 / (1 + ODDS * np.exp(-gain))))


CHECKS = (tread_doubts,)
