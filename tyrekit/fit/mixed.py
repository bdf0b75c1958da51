"""Mixed estimation: least squares with beliefs as extra rows (Theil and Goldberger 1961).

The same numbers as statsmodels' WLS with the belief rows appended, to 1e-9 (tests), from one
Cholesky factorisation in units of each belief's spread, where the normal equations are well
conditioned; it also gives the evidence for choosing between spreads.
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
    THEIL1961 eq. 2.9 with unit scale. `data_df` is the trace of the data's hat matrix, the
    number of parameters the data have settled.
    """
    _check(design, response, row_sd, belief_mean, belief_sd)
    rows = design * belief_sd / row_sd[:, None]
    right = (response - design @ belief_mean) / row_sd
    root = np.linalg.cholesky(np.eye(len(belief_mean)) + rows.T @ rows)
    inverse = solve_triangular(root, np.eye(len(belief_mean)), lower=True)
    scaled_cov = inverse.T @ inverse
    moved = inverse.T @ (inverse @ (rows.T @ right))
    misfit = right - rows @ moved
    log_scale = np.sum(np.log(np.diag(root))) + np.sum(np.log(row_sd))
    log_evidence = -0.5 * (misfit @ misfit + moved @ moved) - log_scale
    return Mixed(
        belief_mean + belief_sd * moved,
        scaled_cov * np.outer(belief_sd, belief_sd),
        float(log_evidence),
        float(len(moved) - np.trace(scaled_cov)),
    )


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
