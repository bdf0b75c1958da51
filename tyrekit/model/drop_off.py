"""How lap time is lost with tyre age: the curves, their slopes, and what a shape is.

Loss is in seconds relative to a tyre of age 0; ages are laps on the tyre, 0 and up. The linear
part is common to all shapes; quadratic and hinge add one term to it. The hinge (two straight
lines meeting at a knee) is the bent line of Bacon and Watts 1971 (BW71), eq. 1.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
CURVE_LAPS = 10.0  # the quadratic term is counted in (age / 10 laps) squared


class Shape(NamedTuple):
    """A drop-off shape: linear, quadratic or hinge; `knee_laps` is 0 unless it is a hinge."""

    name: str
    knee_laps: float = 0.0

    def __str__(self) -> str:
        return f"hinge at {self.knee_laps:g}" if self.name == "hinge" else self.name


def bend(shape: Shape, age_laps: ArrayLike) -> Floats:
    """Return what multiplies a shape's own coefficient at each age; zero for a straight line.

    Parameters
    ----------
    shape : Shape
        Quadratic gives (age / 10)², hinge gives laps past the knee.
    age_laps : array_like
        Ages in laps, 0 and up.
    """
    age = np.asarray(age_laps, dtype=float)
    if shape.name == "quadratic":
        return np.square(age / CURVE_LAPS)
    if shape.name == "hinge":
        return np.maximum(age - shape.knee_laps, 0.0)
    return np.zeros_like(age)


def bend_slope(shape: Shape, age_laps: ArrayLike) -> Floats:
    """Return the derivative of `bend` over age, 1/laps; a hinge's knee counts as past."""
    age = np.asarray(age_laps, dtype=float)
    if shape.name == "quadratic":
        return 2.0 * age / CURVE_LAPS**2
    if shape.name == "hinge":
        return np.where(age >= shape.knee_laps, 1.0, 0.0)
    return np.zeros_like(age)


def loss_s(shape: Shape, age_laps: ArrayLike, slope: float, coefficient: float = 0.0) -> Floats:
    """Return seconds per lap lost at each age, relative to age 0.

    Parameters
    ----------
    shape : Shape
    age_laps : array_like
        Ages in laps, 0 and up.
    slope : float
        Linear part, s per lap of age.
    coefficient : float
        Seconds per (10 laps)² for the quadratic, s per lap past the knee for the hinge.
    """
    age = np.asarray(age_laps, dtype=float)
    return slope * age + coefficient * (bend(shape, age) - bend(shape, 0.0))


def loss_slope(shape: Shape, age_laps: ArrayLike, slope: float, coefficient: float = 0.0) -> Floats:
    """Return the derivative of `loss_s` with respect to age, s per lap; arguments as there."""
    return slope + coefficient * bend_slope(shape, age_laps)
