"""The pressure rise against a certified saturating exponential.

BOXBOD = NIST StRD BoxBOD: y = b1 (1 - exp(-b2 x)), six points, certified b1 213.80940889,
b2 0.54723748542, residual sum of squares 1168.0088766. In our terms b1 is the rise and 1/b2 the
laps for 63 % of it.
"""

import numpy as np
import pytest

from tyrekit.fit.mixed import mixed_estimate
from tyrekit.fit.pressure import FIXED, _model
from tyrekit.fit.pressure_rows import PressureRows

X = np.array([1.0, 2.0, 3.0, 5.0, 7.0, 10.0])
Y = np.array([109.0, 149.0, 149.0, 191.0, 213.0, 224.0])


def rows():
    zero, six = np.zeros(6), np.zeros(6, dtype=np.int64)
    return PressureRows(
        rise_c=Y, air_c=zero, track_above_air_c=zero, laps=X, slow_laps=zero,
        pit=np.zeros(6, dtype=bool), cool_laps=zero, stood_min=zero, gain_c=np.ones(6),
        corner=six, session=six, run=six, slot=six,
        sessions=("s",), runs=1, slots=1,
    )  # fmt: skip


def test_rise_to_a_plateau_boxbod():
    names = (*FIXED, "session_c[s]")
    free = np.array([name in ("rise_c", "rise_laps") for name in (*names, "run", "slot")])
    params = np.zeros(len(free))
    params[[names.index("rise_c"), names.index("rise_laps")]] = 150.0, 2.0  # near NIST's start 2
    params[names.index("cooling_min")] = 1.0  # no reading in the pits: it has no part
    for _ in range(60):
        rise, slopes = _model(rows(), names, params)
        response = Y - rise + slopes @ params
        params = mixed_estimate(
            slopes, response, np.ones(6), np.where(free, 0.0, params), np.where(free, 1e5, 1e-9)
        ).params  # fmt: skip
    assert params[names.index("rise_c")] == pytest.approx(213.80940889, rel=1e-6)
    assert 1 / params[names.index("rise_laps")] == pytest.approx(0.54723748542, rel=1e-6)
    rise, _ = _model(rows(), names, params)
    assert np.sum((Y - rise) ** 2) == pytest.approx(1168.0088766, rel=1e-8)


def test_slopes_are_the_derivatives():
    # central differences at a point with every part of the model in play
    rng = np.random.default_rng(1)
    table = rows()._replace(
        track_above_air_c=rng.uniform(0, 15, 6), slow_laps=np.array([1.0, 2, 1, 2, 1, 2]),
        pit=np.array([False, True] * 3), stood_min=np.array([0.0, 3.0, 0.0, -1.0, 0.0, 7.0]),
        cool_laps=np.array([0.0, 1.0, 2.0, 0.0, 1.0, 3.0]),
    )  # fmt: skip
    names = (*FIXED, "session_c[s]")
    params = np.array([40, 1, 0, 0, 0, 0.4, 3.0, 0.7, 10.0, 9.0, 17.0, 2.0, 1.0, 0.5])
    _, slopes = _model(table, names, params)
    for i in range(len(params)):
        step = np.zeros(len(params))
        step[i] = 1e-5
        up, down = (_model(table, names, params + sign * step)[0] for sign in (1, -1))
        assert slopes[:, i] == pytest.approx((up - down) / 2e-5, abs=1e-6)
