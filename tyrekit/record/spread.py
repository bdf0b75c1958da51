"""The spread of values of which some may be wrong."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
NORMAL = 1.4826  # standard deviation of a normal over the median of its distance from the mean


def robust_sd(off: FloatArray) -> FloatArray:
    """Return the spread of the values about 0 down each column, () or (columns,); NaN left out.

    The standard deviation of a normal with the same median distance from 0: up to half of the
    values may be wrong.
    """
    return np.asarray(NORMAL * np.nanmedian(np.abs(off), axis=0))
