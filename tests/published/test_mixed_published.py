"""Mixed estimation against published examples.

TEXTILE = world textile consumption 1923-39 with prior income 1, price -0.7 (sd 0.15 each,
covariance -0.01): Stata's tgmixed output as shipped in statsmodels' tests (other package; its
data are single precision, hence 2e-6). THEIL1961 = Theil and Goldberger 1961, closed form.
NORRIS = NIST StRD Norris, certified values.
"""

import numpy as np
import pytest
import statsmodels.api as sm

from tyrekit.fit.mixed import mixed_estimate
from tyrekit.fit.tread_line import tread_line

TEXTILE = np.fromstring(
    """1.99651 1.98543 2.00432 1.99564 1.99167 2.00043 2 2 2 2.04766 2.02078 1.95713
    2.08707 2.02078 1.93702 2.07041 2.03941 1.95279 2.08314 2.04454 1.95713
    2.13354 2.05038 1.91803 2.18808 2.03862 1.84572 2.18639 2.02243 1.81558
    2.20003 2.00732 1.78746 2.14799 1.97955 1.79588 2.13418 1.98408 1.80346
    2.22531 1.98945 1.72099 2.18837 2.0103 1.77597 2.17319 2.00689 1.77452
    2.2188 2.0162 1.78746""",
    sep=" ",
).reshape(-1, 3)
SCALE = 0.00018334123642  # of the least-squares fit, as tgmixed takes it
NORRIS = np.fromstring(
    """0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5
    668.5 666.3 998.5 996.3 449.1 448.6 778.9 777.0 559.2 558.2 0.3 0.4
    0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9 447.5 10.8 11.6
    557.7 556.0 228.3 228.1 998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3
    0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0
    10.2 11.1 117.6 118.3 228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5""",
    sep=" ",
).reshape(-1, 2)  # y, x


def textile_fit():
    """The prior is correlated: rotate the two slopes so that the beliefs are independent."""
    consumed, design = TEXTILE[:, 0], np.column_stack([TEXTILE[:, 1:], np.ones(17)])
    turn = np.eye(3)
    turn[:2, :2] = np.linalg.cholesky(np.array([[0.0225, -0.01], [-0.01, 0.0225]]))
    mean = np.linalg.solve(turn, np.array([1.0, -0.7, 0.0]))
    found = mixed_estimate(
        design @ turn, consumed, np.full(17, np.sqrt(SCALE)), mean, np.array([1.0, 1.0, 1e4])
    )
    return turn @ found.params, turn @ found.cov @ turn.T


def test_textile_tgmixed():
    params, cov = textile_fit()
    assert params == pytest.approx([1.0893571, -0.8205463, 1.4666440], rel=3e-6)
    assert np.sqrt(np.diag(cov)) == pytest.approx([0.1033892, 0.0349650, 0.2034780], rel=3e-6)


def test_textile_closed_form_theil1961():
    params, cov = textile_fit()
    design = np.column_stack([TEXTILE[:, 1:], np.ones(17)])
    inverse = np.zeros((3, 3))
    inverse[:2, :2] = np.linalg.inv(np.array([[0.0225, -0.01], [-0.01, 0.0225]]))
    normal = design.T @ design / SCALE + inverse
    right = design.T @ TEXTILE[:, 0] / SCALE + inverse @ np.array([1.0, -0.7, 0.0])
    assert params == pytest.approx(np.linalg.solve(normal, right), rel=1e-7)
    assert cov == pytest.approx(np.linalg.inv(normal), rel=1e-6)


def test_same_as_weighted_least_squares_with_rows_appended():
    rng = np.random.default_rng(3)
    design, response = rng.normal(size=(30, 5)), rng.normal(size=30)
    row_sd, mean, sd = rng.uniform(0.5, 2, 30), rng.normal(size=5), rng.uniform(0.2, 3, 5)
    found = mixed_estimate(design, response, row_sd, mean, sd)
    wls = sm.WLS(
        np.concatenate([response, mean]), np.vstack([design, np.eye(5)]),
        weights=np.concatenate([row_sd, sd]) ** -2,
    ).fit(cov_type="fixed scale", cov_kwds={"scale": 1.0})  # fmt: skip
    assert found.params == pytest.approx(wls.params, abs=1e-9)
    assert found.cov == pytest.approx(wls.cov_params(), abs=1e-9)


def test_line_norris():
    # without a belief to speak of (spread 1e9) the certified least-squares line
    y, x = NORRIS.T
    found = mixed_estimate(
        np.column_stack([np.ones(36), x]), y, np.full(36, 0.884796396144373),
        np.zeros(2), np.full(2, 1e9),
    )  # fmt: skip
    assert found.params == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-9)
    assert np.sqrt(np.diag(found.cov)) == pytest.approx(
        [0.232818234301152, 0.429796848199937e-3], rel=1e-9
    )
    line = tread_line(x, y)
    assert (line.depth_mm, line.per_distance) == pytest.approx(tuple(found.params), rel=1e-9)
    assert line.residual_mm == pytest.approx(0.884796396144373, rel=1e-10)
    assert line.r2 == pytest.approx(0.999993745883712, rel=1e-12)
