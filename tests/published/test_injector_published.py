"""Injector flow against the printed ratios of the square-root law.

SQRT = published tables of fuel pressure against flow, read in two places: 60 psi on injectors
rated at 43.5 psi gives 1.174; +50 % pressure +22.5 %, -30 % pressure -16.3 %.
"""

import numpy as np
import pytest

from tyrekit.model.injector import flow_at_pressure


def test_square_root_of_pressure_sqrt():
    psi = 0.06894757
    flow = flow_at_pressure(30.0, 43.5 * psi, 60.0 * psi)
    assert flow / 30.0 == pytest.approx(1.174440439, abs=1e-8)
    change = 100 * (flow_at_pressure(30.0, 3.0, 3.0 * np.array([1.5, 0.7])) / 30.0 - 1)
    assert change == pytest.approx([22.5, -16.3], abs=0.05)
