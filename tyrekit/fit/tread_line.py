"""One tyre's tread on its own: a straight line of depth on distance, and when it meets a limit.

A cross-check on the pooled fit and the form of the wear standards. ASTM F1016 calls wear
linear when the line explains 95 % of the variance over at least three intervals.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import statsmodels.api as sm

from tyrekit.errors import FitError
from tyrekit.fit.result import Floats, Record, check_level, t_quantile

LINEAR_R2 = 0.95  # F1016
LINEAR_INTERVALS = 3  # F1016


@dataclass(frozen=True, eq=False)
class TreadLine(Record):
    """Least-squares line of tread depth on distance (or laps).

    Attributes
    ----------
    depth_mm, per_distance : float
        Depth at distance 0 and change per unit of distance (negative when wearing).
    cov : array (2, 2)
        Covariance of the two.
    residual_mm : float
        Residual standard deviation.
    df : int
        Readings less two.
    r2 : float
        Share of the variance the line explains, 0 to 1.
    """

    depth_mm: float
    per_distance: float
    cov: Floats
    residual_mm: float
    df: int
    r2: float

    @property
    def why_not_linear(self) -> str:
        """Why the wear does not count as linear by F1016; empty when it does."""
        if self.df + 1 < LINEAR_INTERVALS:
            return f"{self.df + 1} intervals between readings, F1016 wants {LINEAR_INTERVALS}"
        if self.r2 < LINEAR_R2:
            return f"the line explains {100 * self.r2:.0f} %, F1016 wants {100 * LINEAR_R2:.0f} %"
        if self.per_distance >= 0:
            return "the depth does not fall"
        return ""

    def predict(self, distance: float, level: float = 0.95) -> tuple[float, float, float]:
        """Return mean, lower and upper of one new reading at `distance`."""
        at = np.array([1.0, distance])
        half = t_quantile(0.5 + check_level(level) / 2, self.df) * math.sqrt(
            float(at @ self.cov @ at) + self.residual_mm**2
        )
        mean = self.depth_mm + self.per_distance * distance
        return mean, mean - half, mean + half

    def distance_to(self, limit_mm: float, level: float = 0.95) -> tuple[float, float, float]:
        """Return mean, lower and upper distance at which the line meets `limit_mm`.

        Fieller's interval (FIELLER1954): not symmetric, and open upwards (infinite) when the
        wear rate is not clearly above zero.

        Raises
        ------
        FitError
            The depth does not fall with distance.
        """
        if self.per_distance >= 0:
            raise FitError("tread does not wear down along these readings. Check their order.")
        t2 = t_quantile(0.5 + check_level(level) / 2, self.df) ** 2
        drop = self.depth_mm - limit_mm
        a = self.per_distance**2 - t2 * self.cov[1, 1]
        b = self.per_distance * drop - t2 * self.cov[0, 1]
        c = drop**2 - t2 * self.cov[0, 0]
        mean = -drop / self.per_distance
        root = math.sqrt(max(b * b - a * c, 0.0))
        if a <= 0:
            return mean, max((-b + root) / a, 0.0) if a < 0 else 0.0, math.inf
        return mean, (-b - root) / a, (-b + root) / a


def tread_line(distance: Floats, depth_mm: Floats) -> TreadLine:
    """Return the least-squares line of depth on distance.

    Parameters
    ----------
    distance : array (n,)
        km, laps or any unit; at least three readings at two or more distances.
    depth_mm : array (n,)
        Depths, any unit of length.

    Raises
    ------
    FitError
        Fewer than three readings, or all at one distance.
    """
    if len(distance) < 3 or float(np.ptp(distance)) == 0.0:
        raise FitError(
            f"a tread line needs three readings at different distances. Got {len(distance)}."
        )
    fitted = sm.OLS(np.asarray(depth_mm, dtype=float), sm.add_constant(distance)).fit()
    cov = np.asarray(fitted.cov_params(), dtype=np.float64)
    r2 = float(fitted.rsquared) if float(np.ptp(depth_mm)) > 0 else 0.0
    return TreadLine(
        float(fitted.params[0]), float(fitted.params[1]), cov, math.sqrt(float(fitted.scale)),
        int(fitted.df_resid), r2,
    )  # fmt: skip
