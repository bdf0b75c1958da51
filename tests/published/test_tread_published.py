"""Tread line and tyre life against outside numbers.

CFR575 = 49 CFR 575.104(d)(2)(i) and (e)(2): P = projected mileage x 100 / 30 000, rounded to the
nearest lower 20; projected miles = 1000 (Yo - 62)/b' + 800 with b' = wear rate x course severity
(the second formula from memory). RLM = R 4.2.2 lm and predict.lm (other package).
F1016 = ASTM F1016-07(2020).
NIST-HB = NIST/SEMATECH e-Handbook sec. 8.4.1.3 and its Kaplan-Meier example.
"""

import math

import numpy as np
import pytest

from tyrekit.errors import FitError
from tyrekit.fit.tread_line import tread_line
from tyrekit.fit.tyre_life import survival, weibull_life

MILES = np.arange(9) * 0.8  # thousands, 800-mile circuits past the break-in
NOISY = np.array([331.2, 326.8, 322.1, 318.9, 314.0, 310.3, 305.8, 301.9, 298.1])  # mils, invented


def projected_miles(line, severity=1.0):
    """CFR575: life to 62 mils, the wear rate multiplied by the course severity."""
    to_limit, *_ = line.distance_to(62.0)
    return 1000 * to_limit / severity + 800


def grade(percent):
    return math.floor(percent / 20) * 20


@pytest.mark.parametrize(
    ("severity", "miles", "percent", "said"),
    [(1.0, 54_400, 181.333, 180), (0.9, 60_355.556, 201.185, 200), (1.2, 45_466.667, 151.556, 140)],
)
def test_projected_life_cfr575(severity, miles, percent, said):
    # closed form of the regulation on an exact line 330 - 5 x; rounding error keeps it inexact
    found = projected_miles(tread_line(MILES, 330 - 5 * MILES), severity)
    assert found == pytest.approx(miles, abs=0.01)
    assert found * 100 / 30_000 == pytest.approx(percent, abs=0.001)
    assert grade(found * 100 / 30_000) == said


def test_line_with_noise_rlm():
    line = tread_line(MILES, NOISY)
    assert line.depth_mm == pytest.approx(330.8977778, abs=1e-6)
    assert line.per_distance == pytest.approx(-5.172916667, abs=1e-8)
    assert np.sqrt(np.diag(line.cov)) == pytest.approx([0.21216155, 0.05570355], abs=1e-7)
    assert line.residual_mm == pytest.approx(0.3451822615, abs=1e-9)
    assert line.r2 == pytest.approx(0.9991889635, abs=1e-9)
    assert projected_miles(line, 0.95) == pytest.approx(55_517.737, abs=0.001)


def test_fieller_limits_of_the_life():
    # closed form, agreed with root finding when worked apart
    assert tread_line(MILES, NOISY).distance_to(62.0, 0.95) == pytest.approx(
        (51.98184991, 50.76944782, 53.25754985), abs=1e-7
    )


def test_one_new_reading_rlm():
    assert tread_line(MILES, NOISY).predict(20.0, 0.95) == pytest.approx(
        (227.439444, 225.065206, 229.813683), abs=1e-5
    )


def test_fieller_is_where_the_band_crosses_the_limit():
    # closed form against a root of the confidence band, several levels
    from scipy import optimize, stats

    line = tread_line(MILES, NOISY)
    for level in (0.5, 0.9, 0.99):
        t = stats.t.ppf(0.5 + level / 2, line.df)

        def gap(x, sign, t=t):
            at = np.array([1.0, x])
            return line.depth_mm + line.per_distance * x - 62.0 + sign * t * math.sqrt(
                at @ line.cov @ at
            )  # fmt: skip

        _, lower, upper = line.distance_to(62.0, level)
        assert optimize.brentq(gap, 20, 52, args=(-1,)) == pytest.approx(lower, abs=1e-9)
        assert optimize.brentq(gap, 51, 90, args=(1,)) == pytest.approx(upper, abs=1e-9)


def test_linearity_gate_f1016():
    assert tread_line(MILES, NOISY).why_not_linear == ""
    assert "3" in tread_line(MILES[:3], NOISY[:3]).why_not_linear
    bent = tread_line(MILES, 330 - 30 * (1 - np.exp(-MILES / 0.3)))
    assert "95 %" in bent.why_not_linear


def test_open_interval_when_the_rate_is_not_clear():
    line = tread_line(np.array([0.0, 1.0, 2.0]), np.array([5.0, 4.7, 4.9]))
    mean, lower, upper = line.distance_to(1.6, 0.95)
    assert upper == math.inf and 0 <= lower < mean


def test_rising_depth_is_refused():
    with pytest.raises(FitError, match="does not wear down"):
        tread_line(np.array([0.0, 1.0, 2.0]), np.array([4.0, 4.1, 4.2])).distance_to(1.6)
    with pytest.raises(FitError, match="three readings"):
        tread_line(np.array([0.0, 1.0]), np.array([4.0, 3.9]))


def test_kaplan_meier_of_twenty_units_nist():
    laps = np.array([10, 32, 56, 98, 122, 181, 50, 100, 125, 150] + [200] * 10, dtype=float)
    found = survival(laps, np.arange(20) < 6)
    assert found["laps"].tolist() == [10, 32, 56, 98, 122, 181]
    assert found["at_risk"].tolist() == [20, 19, 17, 16, 14, 11]
    assert found["share"].to_numpy() == pytest.approx(
        [0.95, 0.90, 0.8470588, 0.7941176, 0.7373950, 0.6703591], abs=1e-7
    )
    assert found["se"].to_numpy() == pytest.approx(
        [0.04873, 0.06708, 0.08139, 0.09192, 0.10136, 0.11214], abs=1e-5
    )


def test_weibull_with_ten_of_twenty_censored_nist():
    laps = np.array([54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + [500] * 10, dtype=float)
    life = weibull_life(laps, np.arange(20) < 10)
    assert life.scale_laps == pytest.approx(606.5280, abs=0.001)
    assert life.shape == pytest.approx(1.7208, abs=5e-5)
    assert life.log_likelihood == pytest.approx(-75.135, abs=5e-4)
    assert (life.mean_laps, life.sd_laps) == pytest.approx((540.737, 323.806), abs=0.001)


def test_ignoring_censoring_would_shorten_the_life():
    laps = np.array([54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + [500] * 10, dtype=float)
    as_failures = weibull_life(laps, np.ones(20, dtype=bool))
    assert as_failures.mean_laps < 0.75 * weibull_life(laps, np.arange(20) < 10).mean_laps
