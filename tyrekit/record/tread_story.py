"""Tread readings against the story told by the run sheets: which tyre ran where, for how long.

A depth is what its tyre began with, less what a new tyre sheds at once, less laps on each corner
times that corner's wear. All of it is uncertain but jointly normal, so each reading can be
foretold from all the others in closed form: with S the covariance of the readings, Q its inverse
and r the readings less their belief, block B is off by inv(Q[B,B]) (Q r)[B], and inv(Q[B,B]) is
the covariance of that [GELMAN3]. Doubts only; the wear fit is `fit.tread`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.record.spread import robust_sd
from tyrekit.terms import CORNERS

FloatArray = NDArray[np.float64]
PLACES = ("inner_mm", "centre_mm", "outer_mm")
# Beliefs, mm unless named otherwise; learnt, no source. `fit.prior` has the fits' own.
WEAR, WEAR_SD = 0.05, 0.03  # per lap
CORNER_SD, PLACE_SD = 0.4, 0.2  # of the wear: corner to corner, place to place
SESSION_SD, TYRE_SD = 0.08, 0.07  # of the wear: run to run, half of it each corner's own
EARLY, EARLY_SD, EARLY_LAPS = 0.18, 0.1, 3.5  # what a new tyre sheds at once
NEW_SD, USED_SD = 0.06, 2.0  # depth of one new tyre against another; of a used one
UNEVEN_SD = 0.05  # of one place of a new tyre; a used one has worn unevenly as well
GAUGE_SD = 0.09
ROUNDS = 3  # of wear by corner and gauge, which settle at once


@dataclass(frozen=True)
class Stint:
    """One run as far as tyres are concerned; `tyres` by corner, as in `terms.CORNERS`."""

    run_id: str
    start: pd.Timestamp
    tyres: tuple[str, str, str, str]
    laps: float


@dataclass(frozen=True)
class Readings:
    """One value per reading and place.

    `row` is the reading's row id, `stint` the last run before it (-1: none), `corner` where its
    tyre was in that run (-1: not on the car). `laps` and `corners` (values, stints) are what the
    tyre ran and where, in each run before the reading.
    """

    depth_mm: FloatArray
    row: NDArray[np.int64]
    place: NDArray[np.int64]
    tyre: NDArray[np.object_]
    stint: NDArray[np.int64]
    corner: NDArray[np.int64]
    laps: FloatArray
    corners: NDArray[np.int64]
    age_laps: FloatArray
    fresh: NDArray[np.bool_]

    def without(self, gone: NDArray[np.bool_]) -> Readings:
        """Return the readings without some values."""
        return Readings(*(getattr(self, name)[~gone] for name in self.__dataclass_fields__))


def readings(
    tread: pd.DataFrame, brought: Mapping[str, float], stints: Sequence[Stint]
) -> Readings:
    """Return the readings as values, with what each tyre had run by then.

    Parameters
    ----------
    tread : DataFrame
        The book's table, by row id.
    brought : mapping of float
        Tyre id -> laps it had run before the event.
    stints : sequence of Stint
        In order of time.
    """
    rows = [
        _history(str(tyre_id), _last_stint(taken_at, str(after), stints), stints)
        for tyre_id, taken_at, after in zip(
            tread["tyre_id"], tread["taken_at"], tread["after_run"], strict=True
        )
    ]
    values = tread[list(PLACES)].to_numpy(dtype=np.float64)
    at, place = np.nonzero(np.isfinite(values))
    last = np.array([h.last for h in rows], dtype=np.int64)
    laps = np.array([h.laps for h in rows], dtype=np.float64).reshape(len(rows), len(stints))
    corners = np.array([h.corners for h in rows], dtype=np.int64).reshape(laps.shape)
    where = np.array([h.corners[h.last] if h.last >= 0 else -1 for h in rows], dtype=np.int64)
    tyres = tread["tyre_id"].to_numpy(dtype=object)
    had = np.array([brought[str(t)] for t in tyres], dtype=np.float64)
    return Readings(
        values[at, place], tread.index.to_numpy(dtype=np.int64)[at], place.astype(np.int64),
        tyres[at], last[at], where[at], laps[at], corners[at],
        (had + laps.sum(axis=1))[at], (had == 0)[at],
    )  # fmt: skip


class _History(NamedTuple):
    """The last run before a reading; laps and corner of its tyre in each run, -1 off the car."""

    last: int
    laps: list[float]
    corners: list[int]


def _last_stint(taken_at: pd.Timestamp, after: str, stints: Sequence[Stint]) -> int:
    names = [stint.run_id for stint in stints]
    if after in names:
        return names.index(after)
    return sum(stint.start < taken_at for stint in stints) - 1


def _history(tyre_id: str, last: int, stints: Sequence[Stint]) -> _History:
    ran = [i <= last and tyre_id in stint.tyres for i, stint in enumerate(stints)]
    corners = [s.tyres.index(tyre_id) if on else -1 for s, on in zip(stints, ran, strict=True)]
    laps = [s.laps if on else 0.0 for s, on in zip(stints, ran, strict=True)]
    return _History(last, laps, corners)


@dataclass(frozen=True)
class Story:
    """Readings with the inverse of their covariance and what they say together."""

    of: Readings
    inverse: FloatArray
    weighed: FloatArray  # inverse @ (readings - belief)
    log_likelihood: float
    gauge_mm: float

    def off_mm(self) -> tuple[FloatArray, FloatArray]:
        """Return how far each value is from what the others say, and that over its spread."""
        own = np.diag(self.inverse)
        return self.weighed / own, self.weighed / np.sqrt(own)

    def block(self, at: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
        """Return how far a block is from what all others say, and the covariance of that."""
        spread: FloatArray = np.linalg.inv(self.inverse[np.ix_(at, at)]).astype(np.float64)
        return spread @ self.weighed[at], spread


def story(of: Readings) -> Story:
    """Return what the readings say of each other; wear by corner and gauge are learnt first."""
    wear, gauge = np.full(len(CORNERS), WEAR), GAUGE_SD
    for _ in range(ROUNDS):
        design, mean, sd = _design(of, wear)
        covariance = (design * sd**2) @ design.T + np.eye(len(of.depth_mm)) * gauge**2
        away = of.depth_mm - design @ mean
        inverse: FloatArray = np.linalg.inv(covariance).astype(np.float64)
        found = Story(of, inverse, inverse @ away, 0.0, gauge)
        learnt = mean + sd**2 * (design.T @ found.weighed)
        wear = np.clip(learnt[0] + learnt[1 : 1 + len(CORNERS)], 0.3 * WEAR, 4 * WEAR)
        scale = float(robust_sd(found.off_mm()[1]))
        gauge = float(np.clip(gauge * scale, 0.05, 0.2))
    log_det = float(np.linalg.slogdet(covariance)[1])
    likelihood = -0.5 * (float(away @ found.weighed) + log_det)
    return Story(of, inverse, found.weighed, likelihood, found.gauge_mm)


def _design(of: Readings, wear: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the columns of the linear story, the belief about each and its spread."""
    n, on = len(of.depth_mm), of.corners
    by_corner = np.stack([(of.laps * (on == k)).sum(axis=1) for k in range(len(CORNERS))], axis=1)
    worn = by_corner @ wear
    places, tyres = np.eye(len(PLACES))[of.place], _codes(of.tyre)
    had = np.zeros(tyres.max() + 1)
    had[tyres] = of.age_laps - of.laps.sum(axis=1)
    own_tyre = np.eye(tyres.max() + 1)[tyres]
    early = np.where(of.fresh, 1 - np.exp(-of.age_laps / EARLY_LAPS), 0.0)
    session = of.laps * np.where(on >= 0, wear[on], 0.0)
    by_slot = [session * (on == k) for k in range(len(CORNERS))]
    corner_place = (by_corner[:, :, None] * places[:, None, :]).reshape(n, -1)
    tyre_place = (own_tyre[:, :, None] * places[:, None, :]).reshape(n, -1)
    level = np.where(own_tyre.T @ of.fresh > 0, NEW_SD, USED_SD)
    shared = SESSION_SD / np.sqrt(2.0)
    blocks: list[tuple[FloatArray, float, FloatArray | float]] = [
        (-by_corner.sum(axis=1, keepdims=True), WEAR, WEAR_SD),
        (-by_corner, 0.0, CORNER_SD * WEAR),
        (-corner_place, 0.0, PLACE_SD * WEAR),
        (-early[:, None], EARLY, EARLY_SD),
        (-session, 0.0, shared), *((-slot, 0.0, shared) for slot in by_slot),
        (-own_tyre * worn[:, None], 0.0, TYRE_SD),
        (of.fresh[:, None].astype(np.float64), 5.0, 2.0),
        (places, 0.0, 0.15),
        (own_tyre, 0.0, level),
        (own_tyre * ~of.fresh[:, None], 5.0, 0.0),
        (tyre_place, 0.0, np.repeat(np.hypot(UNEVEN_SD, PLACE_SD * WEAR * had), len(PLACES))),
    ]  # fmt: skip
    widths = [block.shape[1] for block, _, _ in blocks]
    mean = np.concatenate([np.full(w, m) for w, (_, m, _) in zip(widths, blocks, strict=True)])
    sd = np.concatenate(
        [np.broadcast_to(s, w) for w, (_, _, s) in zip(widths, blocks, strict=True)]
    )
    return np.concatenate([block for block, _, _ in blocks], axis=1), mean, sd


def _codes(names: NDArray[np.object_]) -> NDArray[np.int64]:
    return np.asarray(pd.factorize(names)[0], dtype=np.int64)
