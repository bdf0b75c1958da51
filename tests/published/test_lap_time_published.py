"""The lap-time fit's core against published regressions. Kind of every number: published.

Sources: NISTSTRD (Statistical Reference Datasets, linear regression, certified values; US
Government work), THEIL1961 (textile consumption, Theil and Goldberger 1961; estimates by Stata's
tgmixed as printed in the statsmodels 0.15 wheel, BSD-3), BW71 (Bacon and Watts 1971, stagnant
band heights, 28 points as in the R package segmented 1.6-2, which gives the hinge).
"""

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.polynomial import Polynomial
from numpy.testing import assert_allclose

from tyrekit.fit import shapes
from tyrekit.fit.reduction import common_terms

FLAT = 1e7  # spread of a belief that says nothing beside these data


def flat_fit(design, y):
    """The fit's core with beliefs that say nothing; parameters, standard errors, residual sd."""
    scale = np.linalg.norm(design, axis=0)
    columns = design / scale
    p = columns.shape[1]
    params, cov = common_terms(columns.T @ columns, columns.T @ y, np.zeros(p), np.full(p, FLAT))
    sd = np.sqrt(np.sum((y - columns @ params) ** 2) / (len(y) - p))
    return params / scale, sd * np.sqrt(np.diag(cov)) / scale, sd


NORRIS = np.array([
    [0.1, 0.2], [338.8, 337.4], [118.1, 118.2], [888.0, 884.6], [9.2, 10.1], [228.1, 226.5],
    [668.5, 666.3], [998.5, 996.3], [449.1, 448.6], [778.9, 777.0], [559.2, 558.2], [0.3, 0.4],
    [0.1, 0.6], [778.1, 775.5], [668.8, 666.9], [339.3, 338.0], [448.9, 447.5], [10.8, 11.6],
    [557.7, 556.0], [228.3, 228.1], [998.0, 995.8], [888.8, 887.6], [119.6, 120.2], [0.3, 0.3],
    [0.6, 0.3], [557.6, 556.8], [339.3, 339.1], [888.0, 887.2], [998.5, 999.0], [778.9, 779.0],
    [10.2, 11.1], [117.6, 118.3], [228.9, 229.2], [668.4, 669.1], [449.2, 448.9], [0.2, 0.5],
])  # fmt: skip
TEXTILE = np.array([
    [1.99651, 1.98543, 2.00432], [1.99564, 1.99167, 2.00043], [2, 2, 2],
    [2.04766, 2.02078, 1.95713], [2.08707, 2.02078, 1.93702], [2.07041, 2.03941, 1.95279],
    [2.08314, 2.04454, 1.95713], [2.13354, 2.05038, 1.91803], [2.18808, 2.03862, 1.84572],
    [2.18639, 2.02243, 1.81558], [2.20003, 2.00732, 1.78746], [2.14799, 1.97955, 1.79588],
    [2.13418, 1.98408, 1.80346], [2.22531, 1.98945, 1.72099], [2.18837, 2.0103, 1.77597],
    [2.17319, 2.00689, 1.77452], [2.2188, 2.0162, 1.78746],
])  # fmt: skip
BAND_X = np.array([
    -0.80, 0.01, -0.25, -0.25, -0.12, -0.12, -0.94, 0.11, 0.11, -0.63, -0.63, -1.39, -1.39, 0.70,
    0.70, 0.34, 1.19, 0.59, 0.85, 0.85, 0.99, 0.99, 0.25, -1.08, -1.08, 0.44, 0.34, 0.25,
])  # fmt: skip
BAND_Y = np.array([
    0.90, 0.51, 0.65, 0.67, 0.60, 0.59, 0.92, 0.43, 0.43, 0.81, 0.83, 1.12, 1.12, -0.13, -0.14,
    0.25, -0.65, -0.01, -0.30, -0.33, -0.46, -0.43, 0.33, 0.99, 1.03, 0.13, 0.24, 0.30,
])  # fmt: skip


def test_norris_straight_line():
    """NISTSTRD Norris. Condensing to X'X costs twice the digits, so 1e-9 is asked."""
    y, x = NORRIS.T
    params, se, sd = flat_fit(np.column_stack([np.ones(36), x]), y)
    assert_allclose(params, [-0.262323073774029, 1.00211681802045], rtol=1e-9)
    assert_allclose(se, [0.232818234301152, 0.429796848199937e-03], rtol=1e-9)
    assert sd == pytest.approx(0.884796396144373, rel=1e-9)


def test_longley_near_collinear():
    """NISTSTRD Longley, about its means as the fit centres its columns."""
    data = sm.datasets.longley.load_pandas()
    x, y = data.exog.to_numpy(), data.endog.to_numpy()
    middle = x.mean(axis=0)
    design = np.column_stack([np.ones(16), x - middle])
    params, se, _ = flat_fit(design, y)
    # condition number of the centred columns about 1e2 to 1e4, squared by X'X: 7 digits left
    assert params[-1] == pytest.approx(1829.15146461355, rel=1e-7)
    assert se[-1] == pytest.approx(455.478499142212, rel=1e-6)
    assert params[0] - params[1:] @ middle == pytest.approx(-3482258.63459582, rel=1e-7)
    left = y - design @ params
    assert np.sqrt(left @ left / 9) == pytest.approx(304.854073561965, rel=1e-8)


WAMPLER_3 = [759, -2048, 2048, -2048, 2523, -2048, 2048, -2048, 1838, -2048, 2048]
ALL_ONE, TENTHS = [1.0] * 6, [0.1**k for k in range(6)]


@pytest.mark.parametrize(
    ("coefficients", "noise", "residual_sd"),
    [(ALL_ONE, 0.0, 0.0), (TENTHS, 0.0, 0.0), (ALL_ONE, 1.0, 2360.14502379268),
     (ALL_ONE, 100.0, 236014.502379268), (ALL_ONE, 10000.0, 23601450.2379268)],
    ids=["Wampler1", "Wampler2", "Wampler3", "Wampler4", "Wampler5"],
)  # fmt: skip
def test_wampler_polynomials(coefficients, noise, residual_sd):
    """NISTSTRD Wampler1 to 5, quintics on x = 0..20, fitted about the middle and turned back."""
    x = np.arange(21.0)
    y = Polynomial(coefficients)(x) + noise * np.array(WAMPLER_3 + WAMPLER_3[-2::-1])
    u = (x - 10.0) / 10.0
    params, _, sd = flat_fit(np.polynomial.legendre.legvander(u, 5), y)
    inside = np.polynomial.legendre.leg2poly(params)
    found = Polynomial(inside)(Polynomial([-1.0, 0.1])).coef
    # y reaches 3e6, so 1e-13 of it is 3e-7; with noise, certified to what the noise leaves
    assert_allclose(found, coefficients, rtol=1e-6, atol=3e-7 * max(noise, 1.0))
    assert sd == pytest.approx(residual_sd, rel=1e-9, abs=1e-6)


def textile():
    """Data and beliefs turned so that the beliefs are independent, as the fit takes them."""
    y, design = TEXTILE[:, 0], np.column_stack([TEXTILE[:, 1:], np.ones(17)])
    turn = np.eye(3)
    turn[:2, :2] = np.linalg.cholesky([[0.15**2, -0.01], [-0.01, 0.15**2]])
    mean = np.linalg.solve(turn, [1.0, -0.7, 0.0])
    return y, design, turn, mean, np.array([1.0, 1.0, 1e6])


def test_textile_mixed_estimation():
    """THEIL1961 textile example: estimates and errors as tgmixed prints them (single precision)."""
    y, design, turn, mean, sd = textile()
    variance = 0.00018334123642  # residual variance of least squares: closed form, tested below
    left = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
    assert left @ left / 14 == pytest.approx(variance, rel=1e-8)
    turned = design @ turn
    params, cov = common_terms(turned.T @ turned / variance, turned.T @ y / variance, mean, sd)
    assert_allclose(turn @ params, [1.0893571, -0.8205463, 1.4666440], rtol=5e-6)
    assert_allclose(
        np.sqrt(np.diag(turn @ cov @ turn.T)), [0.1033892, 0.0349650, 0.2034780], rtol=2e-6
    )


def test_textile_share_of_the_sample():
    """THEIL1961: the share of the answer the sample carries, tgmixed's frac_sample."""
    y, design, turn, mean, sd = textile()
    turned = design @ turn
    variance = 0.00018334123642
    _, cov = common_terms(turned.T @ turned / variance, turned.T @ y / variance, mean, sd)
    # the mean over parameters of what `rests_on` calls data_share
    share = np.mean(1 - np.diag(cov) / sd**2)
    assert share == pytest.approx(0.7935370014985163, abs=2e-6)


def test_stagnant_band_hinge():
    """BW71 through the fit's own shapes: knee by profile, slopes, residual sum of squares."""
    ones = np.column_stack([np.ones(28), BAND_X])
    knees = np.arange(-0.5, 0.5, 1e-4)
    bent = np.maximum(BAND_X[:, None] - knees, 0.0)
    whole = np.column_stack([ones, BAND_Y, bent])
    normal = whole.T @ whole
    flat, k = np.full(2, FLAT), len(knees)
    common, cov = common_terms(normal[:2, :2], normal[:2, 2], np.zeros(2), flat)
    curve = shapes.add_curves(normal, common, cov, np.zeros(k), np.full(k, FLAT))
    best = int(np.argmin(curve.deviance))
    assert knees[best] == pytest.approx(0.041105786, abs=6e-5)  # half a step of the grid
    params = common - curve.shift[:, best] * curve.coefficient[best]
    assert params[1] == pytest.approx(-0.42207681, abs=2e-5)
    assert params[1] + curve.coefficient[best] == pytest.approx(-1.02056754, abs=2e-5)
    assert params[0] == pytest.approx(0.54466108, abs=2e-5)
    straight = BAND_Y @ BAND_Y - common @ normal[:2, 2]
    assert straight + curve.deviance[best] == pytest.approx(0.009140197232, abs=2e-8)


def test_stagnant_band_knee_interval():
    """BW71: one-knee profile set against segmented's interval -0.0060 to 0.0882 at 95 %.

    That one is a Wald interval; the profile's at the same cut (3.84) agrees to a few hundredths.
    """
    ones = np.column_stack([np.ones(28), BAND_X])
    knees = np.arange(-0.3, 0.3, 1e-3)
    variance = 0.009140197232 / 24
    whole = np.column_stack([ones, BAND_Y, np.maximum(BAND_X[:, None] - knees, 0.0)])
    normal = whole.T @ whole / variance
    common, cov = common_terms(normal[:2, :2], normal[:2, 2], np.zeros(2), np.full(2, FLAT))
    flat = np.full(len(knees), FLAT)
    deviance = shapes.add_curves(normal, common, cov, np.zeros(len(knees)), flat).deviance
    inside = knees[deviance <= deviance.min() + 3.84]
    assert_allclose([inside[0], inside[-1]], [-0.006, 0.088], atol=0.03)
