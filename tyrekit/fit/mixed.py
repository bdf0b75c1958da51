"""Mixed estimation: least squares with beliefs as extra rows (Theil and Goldberger 1961).

The same numbers as statsmodels' WLS with the belief rows appended, to 1e-9 (tests), from one
QR factorisation that also gives the evidence for choosing between spreads.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.linalg import solve_triangular

from tyrekit.errors import FitError
from tyrekit.fit.prior import Prior
from tyrekit.fit.result import Floats


class Mixed(NamedTuple):
    """Estimates with what later steps need: covariance, log evidence, leverage of the data."""

    params: Floats
    cov: Floats
    log_evidence: float
    data_df: float


def mixed_estimate(
    design: Floats, response: Floats, row_sd: Floats, belief_mean: Floats, belief_sd: Floats
) -> Mixed:
    """Return the estimates of ``response = design @ params + noise`` under normal beliefs.

    Parameters
    ----------
    design : array (n, p)
        May have no rows: the result is then the beliefs.
    response, row_sd : array (n,)
        Values and the spread of each, above 0.
    belief_mean, belief_sd : array (p,)
        One belief per parameter, spread above 0.

    Raises
    ------
    FitError
        A value is not finite or a spread not above 0.

    Notes
    -----
    THEIL1961 eq. 2.9 with unit scale: rows ``design / row_sd`` over ``1 / belief_sd``. `data_df`
    is the trace of the data's hat matrix, the number of parameters the data have settled.
    """
    _check(design, response, row_sd, belief_mean, belief_sd)
    rows = np.vstack([design / row_sd[:, None], np.diag(1.0 / belief_sd)])
    right = np.concatenate([response / row_sd, belief_mean / belief_sd])
    q, r = np.linalg.qr(rows)
    params = solve_triangular(r, q.T @ right)
    inverse = solve_triangular(r, np.eye(len(params)))
    cov = inverse @ inverse.T
    misfit = rows @ params - right
    log_scale = np.sum(np.log(np.abs(np.diag(r)))) + np.sum(np.log(row_sd))
    log_evidence = -0.5 * misfit @ misfit - log_scale - np.sum(np.log(belief_sd))
    return Mixed(params, cov, float(log_evidence), float(np.sum(q[: len(design)] ** 2)))


def spread_update(belief: Prior, square_sum: float, count: float) -> tuple[float, float]:
    """Return a spread after seeing `count` squares that sum to `square_sum`, and its df.

    The belief counts as `belief.df` earlier squares of its mean (scaled inverse chi-square,
    GELMAN3 sec. 2.6).
    """
    df = belief.df + count
    return float(np.sqrt((belief.df * belief.mean**2 + square_sum) / df)), df


def _check(*parts: Floats) -> None:
    if not all(np.all(np.isfinite(part)) for part in parts):
        raise FitError("a fit was given a value that is not finite. Leave that row out.")
    if not (np.all(parts[2] > 0) and np.all(parts[4] > 0)):
        raise FitError("a fit was given a spread that is not above 0. Correct the belief.")
