"""Valid ranges: every formula says where it holds and refuses numbers from outside."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tyrekit.errors import InputError

FloatArray = NDArray[np.float64]
Numbers = float | FloatArray


def within(name: str, values: Numbers, low: float, high: float, why: str) -> FloatArray:
    """Return `values` as floats after checking ``low <= values <= high``.

    Parameters
    ----------
    name : str
        The quantity with its unit suffix, as the caller knows it.
    values : float or array
        Number or numbers of any shape.
    low, high : float
        Ends of the valid range, both allowed.
    why : str
        What sets the range, for the message.

    Raises
    ------
    InputError
        Any value outside the range, infinite or not a number.
    """
    found = np.asarray(values, dtype=np.float64)
    bad = ~((found >= low) & (found <= high))
    if np.any(bad):
        raise InputError(
            f"{name} is outside its valid range",
            rule=f"{low:g} to {high:g} ({why})",
            got=float(found[bad].flat[0]),
            next_step="Check the value and its unit.",
        )
    return found
