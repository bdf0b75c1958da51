"""Intervals of a weighted mixture of Student-t distributions."""

from __future__ import annotations

import math

import numpy as np
from scipy import special

from tyrekit.fit.result import Floats, check_level, t_quantile

NEGLIGIBLE = 1e-4  # components lighter than this do not move an interval


def mixture_moments(weight: Floats, mean: Floats, variance: Floats) -> tuple[Floats, Floats]:
    """Return mean and variance of a mixture; `weight` (k,), `mean` and `variance` (k, m)."""
    centre = weight @ mean
    return centre, weight @ (variance + np.square(mean - centre))


def mixture_interval(
    weight: Floats, mean: Floats, sd: Floats, df: float, level: float
) -> tuple[Floats, Floats]:
    """Return lower and upper ends, shape (m,), of the central interval of a t mixture.

    Parameters
    ----------
    weight : (k,) weights that sum to 1
    mean, sd : (k, m)
    df : float
        Degrees of freedom, infinite for a normal mixture.
    level : float
        Between 0 and 1.
    """
    tail = 0.5 - check_level(level) / 2
    heavy = weight >= min(NEGLIGIBLE, float(weight.max()))
    weight, mean, sd = weight[heavy] / weight[heavy].sum(), mean[heavy], sd[heavy]
    return tuple(_quantile(p, weight, mean, sd, df) for p in (tail, 1.0 - tail))  # type: ignore[return-value]


def _quantile(p: float, weight: Floats, mean: Floats, sd: Floats, df: float) -> Floats:
    ends = mean + t_quantile(p, df) * sd
    low, high = ends.min(axis=0), ends.max(axis=0)
    for _ in range(50 if len(weight) > 1 else 0):
        middle = 0.5 * (low + high)
        z = (middle - mean) / sd
        below = weight @ (special.ndtr(z) if math.isinf(df) else special.stdtr(df, z)) < p
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray(0.5 * (low + high))
