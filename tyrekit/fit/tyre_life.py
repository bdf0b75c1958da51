"""Tyre lives with censoring: a tyre taken off before the wear limit has not failed.

For the review after an event: laps at which tyres reached the limit (`worn`) or were retired
early. Kaplan-Meier makes no assumption; the Weibull extrapolates and says how surely.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import optimize
from statsmodels.duration.survfunc import SurvfuncRight

from tyrekit.errors import FitError
from tyrekit.fit.result import Floats, Record, check_level, t_quantile


def survival(laps: Floats, worn: NDArray[np.bool_]) -> pd.DataFrame:
    """Return the Kaplan-Meier share of tyres still above the limit.

    Parameters
    ----------
    laps : array (n,)
        Age in laps when the tyre reached the limit or was taken off, above 0.
    worn : array (n,) of bool
        True when it reached the limit; false is censored.

    Returns
    -------
    DataFrame
        laps, at_risk, share, se (Greenwood): a row per age at which a tyre reached the limit.

    Raises
    ------
    FitError
        No tyres, or an age not above 0.
    """
    age, failed = _checked(laps, worn)
    found = SurvfuncRight(age, failed.astype(int))
    table = pd.DataFrame(
        {"laps": found.surv_times, "at_risk": found.n_risk, "share": found.surv_prob,
         "se": found.surv_prob_se, "events": found.n_events}
    )  # fmt: skip
    return table[table["events"] > 0].drop(columns="events").reset_index(drop=True)


@dataclass(frozen=True, eq=False)
class WeibullLife(Record):
    """Weibull distribution of tyre life.

    Attributes
    ----------
    scale_laps, shape : float
        Characteristic life (63 % reached the limit by then) and shape.
    cov_log : array (2, 2)
        Covariance of the logs of the two, from the information matrix.
    log_likelihood : float
        At the maximum.
    """

    scale_laps: float
    shape: float
    cov_log: Floats
    log_likelihood: float
    worn: int
    censored: int

    @property
    def mean_laps(self) -> float:
        """Mean life."""
        return self.scale_laps * math.gamma(1 + 1 / self.shape)

    @property
    def sd_laps(self) -> float:
        """Standard deviation of the life from tyre to tyre."""
        second = math.gamma(1 + 2 / self.shape)
        return self.scale_laps * math.sqrt(second - math.gamma(1 + 1 / self.shape) ** 2)

    def laps_by(self, share_worn: float, level: float = 0.9) -> tuple[float, float, float]:
        """Return mean, lower and upper age by which `share_worn` of the tyres reach the limit."""
        check_level(share_worn)
        stretch = math.log(-math.log(1 - share_worn))
        gradient = np.array([1.0, -stretch / self.shape])
        centre = math.log(self.scale_laps) + stretch / self.shape
        half = t_quantile(0.5 + check_level(level) / 2, math.inf) * math.sqrt(
            float(gradient @ self.cov_log @ gradient)
        )
        return math.exp(centre), math.exp(centre - half), math.exp(centre + half)


def weibull_life(laps: Floats, worn: NDArray[np.bool_]) -> WeibullLife:
    """Return the maximum-likelihood Weibull life of tyres, censored ones included.

    Parameters as `survival`.

    Raises
    ------
    FitError
        Fewer than two tyres reached the limit at different ages: nothing fixes the shape.

    Notes
    -----
    NIST-HB sec. 8.4.1.2: the profile score of the shape, solved by bracketing.
    """
    age, failed = _checked(laps, worn)
    events = int(failed.sum())
    if events < 2 or (failed.all() and float(np.ptp(age)) == 0.0):
        raise FitError(
            f"a Weibull life needs two tyres worn to the limit at different ages. Got {events}. "
            "Use the tread fit's laps left."
        )
    size = age.max()
    scaled, log_age = age / size, np.log(age / size)

    def score(shape: float) -> float:
        power = scaled**shape
        ratio = float(power @ log_age) / float(power.sum())
        return ratio - 1 / shape - float(log_age[failed].mean())

    shape = float(optimize.brentq(score, 1e-3, 500.0, xtol=1e-12))
    scale = size * (float((scaled**shape).sum()) / events) ** (1 / shape)
    fraction = (age / scale) ** shape
    log_ratio = np.log(age / scale)
    log_likelihood = float(
        events * math.log(shape / scale) + (shape - 1) * log_ratio[failed].sum() - fraction.sum()
    )
    return WeibullLife(
        scale, shape, _information(fraction, log_ratio, failed, shape), log_likelihood,
        events, len(age) - events,
    )  # fmt: skip


def _information(
    fraction: Floats, log_ratio: Floats, failed: NDArray[np.bool_], shape: float
) -> Floats:
    """Return the inverse of the observed information in (log scale, log shape)."""
    scaled = shape * log_ratio
    own = shape**2 * float(fraction.sum())
    mixed = -shape * (float((fraction * (1 + scaled)).sum()) - float(failed.sum()))
    other = float((fraction * scaled * (1 + scaled)).sum()) - float(scaled[failed].sum())
    inverse: Floats = np.linalg.inv(np.array([[own, mixed], [mixed, other]]))
    return inverse


def _checked(
    laps: Floats, worn: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    age, failed = np.asarray(laps, dtype=np.float64), np.asarray(worn, dtype=np.bool_)
    if len(age) == 0 or len(age) != len(failed):
        raise FitError(f"tyre lives need one age and one outcome each. Got {len(age)} ages.")
    if not np.all(np.isfinite(age) & (age > 0)):
        raise FitError("a tyre's life must be above 0 laps. Leave unused tyres out.")
    return age, failed
