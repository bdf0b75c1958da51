"""The lap-time fit as one joint normal: what is still unknown, and how laps would speak about it.

Mean and covariance are those of the fit's own mixture over drop-off shapes, a knee nobody has
seen yet and offsets of sets and sessions that have not run included (moments matched).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tyrekit.fit.lap_design import SLOPE
from tyrekit.fit.lap_result import UNSEEN_LAPS
from tyrekit.fit.lap_time import LapTimeResults
from tyrekit.plan.stint_search import Floats

HEAT = "heat_cycle_s"
LEFT_OUT = 1e-4  # share of a bend's variance over age that its components leave out


@dataclass(frozen=True, eq=False)
class LapMoments:
    """Everything unknown about lap times, jointly normal.

    Attributes
    ----------
    names : tuple of str
        The fit's parameters, offsets not met yet, and ``curve 1``, ``curve 2``, ...: how the
        drop-off may bend away from its mean slope, most likely first.
    cov : array (p, p)
    bends : array (ages, curves)
        Seconds that each curve adds at age 0, 1, 2, ... laps.
    """

    names: tuple[str, ...]
    cov: Floats
    bends: Floats
    lap_time: LapTimeResults

    def lap_rows(self, laps: pd.DataFrame) -> Floats:
        """Return how each lap's time depends on the unknowns, (laps, p).

        `laps` has session, set_id, age_laps, heat_cycles, fuel_kg, field_laps, track_c,
        flying_lap; ages in whole laps.
        """
        at = {name: i for i, name in enumerate(self.names)}
        out = np.zeros((len(laps), len(self.names)))
        fixed = self.lap_time.common_columns(laps)
        out[:, : fixed.shape[1]] = fixed
        for column, offset in (("session", "session_s"), ("set_id", "set_s")):
            code, ids = pd.factorize(laps[column])
            where = np.array([at[f"{offset}:{name}"] for name in ids])
            out[np.arange(len(laps)), where[code]] = 1.0
        out[:, -self.bends.shape[1] :] = self.bends[laps["age_laps"].to_numpy(dtype=int)]
        return out

    def loss_row(self, age_weight: Floats, heat_cycles: float) -> Floats:
        """Return how a weighted sum of losses depends on the unknowns, (p,).

        Parameters
        ----------
        age_weight : array (ages,)
            Weight of the loss at ages 0, 1, 2, ... laps.
        heat_cycles : float
            Weighted heat cycles.
        """
        row = np.zeros(len(self.names))
        row[self.names.index(SLOPE)] = age_weight @ np.arange(len(age_weight))
        row[self.names.index(HEAT)] = heat_cycles
        row[-self.bends.shape[1] :] = age_weight @ self.bends[: len(age_weight)]
        return row


def lap_moments(
    lap_time: LapTimeResults, *, sessions: Sequence[str], sets: Sequence[str], oldest_laps: int
) -> LapMoments:
    """Return the joint normal of a fit, with room for sessions and sets that have not run.

    Parameters
    ----------
    sessions, sets : sequences of str
        Ids that laps asked about may have.
    oldest_laps : int
        Greatest tyre age asked about.
    """
    known = [str(name) for name in lap_time.params.index]
    wanted = [f"session_s:{s}" for s in sessions] + [f"set_s:{s}" for s in sets]
    new = [name for name in dict.fromkeys(wanted) if name not in known]
    ages = np.arange(oldest_laps + 1.0)
    curves = lap_time.curves(ages)[:, 1:]
    across, own = _curve_moments(lap_time)
    bend_cov = curves @ own @ curves.T + unseen_knee_cov(lap_time, ages)
    bends, to_curves = _components(bend_cov)
    p, n, k = len(known), len(new), bends.shape[1]
    cov = np.zeros((p + n + k,) * 2)
    cov[:p, :p] = lap_time.cov.to_numpy()
    spread = [lap_time.spreads[name.split(":")[0]] ** 2 for name in new]
    cov[range(p, p + n), range(p, p + n)] = spread
    cov[:p, p + n :] = across @ curves.T @ to_curves
    cov[p + n :, :p] = cov[:p, p + n :].T
    cov[range(p + n, p + n + k), range(p + n, p + n + k)] = 1.0
    names = (*known, *new, *(f"curve {i + 1}" for i in range(k)))
    return LapMoments(names, cov, bends, lap_time)


def _components(cov: Floats) -> tuple[Floats, Floats]:
    """Return the main components of a bend's covariance over age, and how to read them off it.

    Unit variance each; together all but `LEFT_OUT` of the variance.
    """
    values, vectors = np.linalg.eigh(cov)
    values, vectors = values[::-1], vectors[:, ::-1]
    kept = int(np.searchsorted(np.cumsum(values), (1 - LEFT_OUT) * values.sum())) + 1
    root = np.sqrt(np.maximum(values[:kept], 1e-300))
    return vectors[:, :kept] * root, vectors[:, :kept] / root


def _curve_moments(lap_time: LapTimeResults) -> tuple[Floats, Floats]:
    """Return covariances of parameters with curve coefficients, and of these among themselves.

    A coefficient is 0 unless its shape is the true one; given the shape, parameters are
    ``line - shift x coefficient``.
    """
    shapes = lap_time.shapes.iloc[1:]
    weight, mean = shapes["weight"].to_numpy(float), shapes["coefficient"].to_numpy(float)
    square = shapes["coefficient_sd"].to_numpy(float) ** 2 + mean**2
    shift = lap_time.shift[:, -len(weight) :]
    first = weight * mean
    across = np.outer(shift @ first, first) - shift * (weight * square)
    own = np.diag(weight * square) - np.outer(first, first)
    return across, own


def unseen_knee_cov(lap_time: LapTimeResults, ages: Floats) -> Floats:
    """Return the covariance between ages of the loss that a knee not seen yet adds.

    It exists with a third of the chance that no knee has been seen, begins evenly over the
    `UNSEEN_LAPS` after the oldest age seen, and then adds the believed loss per lap.
    """
    past = np.maximum(ages - lap_time.oldest_seen_laps, 0.0)
    one, two = np.meshgrid(past, past, indexing="ij")
    until = np.minimum(np.minimum(one, two), UNSEEN_LAPS)
    both = (one * two * until - (one + two) * until**2 / 2 + until**3 / 3) / UNSEEN_LAPS
    first = (past**2 - np.maximum(past - UNSEEN_LAPS, 0.0) ** 2) / (2 * UNSEEN_LAPS)
    chance = lap_time.unseen_chance
    mean, sd = lap_time.spreads["knee"], lap_time.spreads["knee_sd"]
    cov = chance * (mean**2 + sd**2) * both - (chance * mean) ** 2 * np.outer(first, first)
    return np.asarray(cov)
