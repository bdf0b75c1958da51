"""The spread of values of which some are wrong, against scipy (reference package)."""

import numpy as np
import pytest
from scipy import stats

from tyrekit.record.spread import robust_sd


def test_spread_is_scipys_median_deviation_scaled_to_a_normal():
    off = np.random.default_rng(3).normal(0.0, 2.0, (400, 3))
    about = off - np.median(off, axis=0)
    expected = stats.median_abs_deviation(off, axis=0, scale="normal")
    assert robust_sd(about) == pytest.approx(expected, rel=1e-5)
    assert float(robust_sd(about[:, 0])) == pytest.approx(expected[0], rel=1e-5)


def test_unknown_and_a_minority_of_wrong_values_hardly_count():
    off = np.array([-1.0, 1.0, np.nan, 1.0, 1000.0])
    assert float(robust_sd(off)) == pytest.approx(1.4826)  # closed form: the median distance is 1
