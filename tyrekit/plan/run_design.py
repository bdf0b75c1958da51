"""How much each sequence of practice runs would narrow a decision: c-optimal Bayesian design.

Given the belief's covariance and the laps' noise, the variance of a linear decision after a run
does not depend on the lap times it will bring (ChalonerVerdinelli1995, section 2.2), so every
sequence can be judged beforehand. A run has a level and a trend of its own, drawn anew each time;
leaving them out would promise too much.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tyrekit.plan.stint_search import Floats

Ints = NDArray[np.int64]
CHUNK = 512  # sequences solved at once: keeps the working set in the cache
NEGLIGIBLE = 1e-12  # of the prior: what all candidate laps together say less about than this


@dataclass(frozen=True, eq=False)
class RunNoise:
    """Spreads of laps about the fit.

    Attributes
    ----------
    noise_s : float
        Lap to lap, what lingers and traffic included.
    stint_s, stint_slope_s_per_lap : float
        A run's own level, and its own trend about `settled_lap`.
    """

    noise_s: float
    stint_s: float
    stint_slope_s_per_lap: float
    settled_lap: float

    def precision(self, flying_lap: Floats) -> Floats:
        """Return the inverse covariance of a run's laps, (laps, laps)."""
        own = np.column_stack([np.ones(len(flying_lap)), flying_lap - self.settled_lap])
        cov = (own * [self.stint_s**2, self.stint_slope_s_per_lap**2]) @ own.T
        return np.asarray(
            np.linalg.inv(cov + self.noise_s**2 * np.eye(len(flying_lap))), dtype=float
        )


@dataclass(frozen=True, eq=False)
class Design:
    """Candidate runs as information about what is unknown, in coordinates of unit prior.

    Attributes
    ----------
    information : array (runs + 1, d, d)
        Of each run; the first is no run at all.
    basis : array (p, d)
        Turns a row over the unknowns into these coordinates.
    cov : array (p, p)
        Prior covariance of the unknowns.
    """

    information: Floats
    basis: Floats
    cov: Floats

    def prior_variance(self, row: Floats) -> float:
        """Return the variance of ``row @ unknowns`` before any run."""
        return float(row @ self.cov @ row)

    def variance(self, row: Floats, sequences: Ints) -> Floats:
        """Return the variance of ``row @ unknowns`` after each sequence, (sequences,).

        `sequences` is (sequences, most runs): runs counted from 1, 0 where there is none.
        """
        own = row @ self.basis
        rest = self.prior_variance(row) - float(own @ own)
        parts = [
            self._left(own, sequences[start : start + CHUNK])
            for start in range(0, len(sequences), CHUNK)
        ]
        return np.asarray(rest + np.concatenate(parts))

    def _left(self, own: Floats, sequences: Ints) -> Floats:
        total = self.information[sequences[:, 0]]
        for column in sequences.T[1:]:
            total += self.information[column]
        total[:, range(len(own)), range(len(own))] += 1.0
        solved = np.linalg.solve(total, np.broadcast_to(own[:, None], (len(total), len(own), 1)))
        return np.asarray(solved[:, :, 0] @ own)

    def posterior(self, rows: Floats, sequence: Ints) -> Floats:
        """Return the covariance of several ``rows @ unknowns`` after one sequence."""
        own = rows @ self.basis
        total = self.information[sequence].sum(axis=0) + np.eye(self.basis.shape[1])
        gone = np.eye(len(total)) - np.linalg.inv(total)
        return np.asarray(rows @ self.cov @ rows.T - own @ gone @ own.T)


def design(cov: Floats, rows: Floats, flying_lap: Floats, run: Ints, noise: RunNoise) -> Design:
    """Return the candidate runs' information.

    Parameters
    ----------
    cov : array (p, p)
        Prior covariance of the unknowns.
    rows : array (laps, p)
        How each lap depends on them; the laps of a run stand together.
    flying_lap : array (laps,)
    run : array (laps,)
        Run each lap belongs to: 0, 0, ..., 1, 1, ...
    """
    values, vectors = np.linalg.eigh(cov)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    seen = rows @ root / noise.noise_s
    strength, directions = np.linalg.eigh(seen.T @ seen)
    keep = directions[:, strength > NEGLIGIBLE * max(float(strength[-1]), 1.0)]
    own = (rows @ root) @ keep
    first = np.flatnonzero(np.diff(run, prepend=-1))
    length = np.diff(np.append(first, len(run)))
    information = np.zeros((len(first) + 1, keep.shape[1], keep.shape[1]))
    for laps in np.unique(length):
        which = np.flatnonzero(length == laps)
        at = first[which][:, None] + np.arange(laps)
        information[which + 1] = _information(own[at], flying_lap[at[0]], noise)
    return Design(information, root @ keep, cov)


def _information(laps: Floats, flying_lap: Floats, noise: RunNoise) -> Floats:
    """Return the information of runs of equal length, (runs, d, d)."""
    weighed = noise.precision(flying_lap) @ laps
    return np.asarray(np.swapaxes(laps, 1, 2) @ weighed)
