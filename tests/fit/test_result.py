"""The common record of the fits: intervals, draws, saving; closed form unless said."""

import math
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from tyrekit.errors import FitError
from tyrekit.fit.mixture import mixture_interval, mixture_moments
from tyrekit.fit.result import (
    Estimate,
    FitResult,
    Record,
    conflict_sd,
    data_share,
    draw_t,
    t_quantile,
)

COV = np.array([[0.04, 0.01], [0.01, 0.25]])


@dataclass(frozen=True, eq=False)
class Example(FitResult):
    curve: np.ndarray = field(default_factory=lambda: np.array([[1.0, math.inf], [2.0, 3.0]]))
    told: Estimate = field(default_factory=lambda: Estimate(1.5, 0.2))
    limits: dict = field(default_factory=lambda: {"age": (0.0, 23.0), "inf": None})


def example(df=10.0):
    names = pd.Index(["base_lap_s", "session_s:007"])
    return Example(
        params=pd.Series([96.5, -0.2], names),
        cov=pd.DataFrame(COV, names, names),
        df=df,
        rests_on=pd.DataFrame({"data_share": [0.9, 0.1]}, names),
        left_out=pd.DataFrame({"run_id": ["007"], "lap": [3.0], "reason": ["inf"],
                               "residual_s": [math.nan]}),
        notes=("a note",),
        inputs={"logs/P1.csv": "abc"},
    )  # fmt: skip


def test_interval_is_students_t():
    # published: t table, 0.95 quantile with 10 degrees of freedom, 1.812 (any handbook)
    assert t_quantile(0.95, 10.0) == pytest.approx(1.812, abs=5e-4)
    limits = example().conf_int(0.9)
    assert_allclose(
        limits["upper"] - limits["lower"], 2 * 1.8125 * np.sqrt([0.04, 0.25]), rtol=1e-4
    )


def test_interval_is_normal_when_only_beliefs_speak():
    # published: normal table, 0.95 quantile 1.645
    limits = example(math.inf).conf_int(0.9)
    assert limits["upper"]["base_lap_s"] == pytest.approx(96.5 + 1.645 * 0.2, abs=1e-4)


@pytest.mark.parametrize("level", [0.0, 1.0, 90.0, -0.1])
def test_a_level_that_is_no_probability_is_refused(level):
    with pytest.raises(FitError, match=str(level)):
        example().conf_int(level)


def test_draws_have_the_moments_of_the_multivariate_t():
    draws = draw_t(COV, 12.0, 200_000, np.random.default_rng(5))
    # closed form: covariance of a multivariate t is scale x df / (df - 2)
    assert_allclose(np.cov(draws.T), COV * 12 / 10, rtol=0.03)
    assert_allclose(draws.mean(axis=0), 0, atol=0.005)


def test_draws_of_a_result_are_named_and_repeat_with_the_seed():
    one = example().draws(5, np.random.default_rng(3))
    pd.testing.assert_frame_equal(one, example().draws(5, np.random.default_rng(3)))
    assert list(one.columns) == ["base_lap_s", "session_s:007"]


def test_saved_and_loaded_result_is_the_same():
    result = example(math.inf)
    loaded = FitResult.from_json(result.to_json())
    assert isinstance(loaded, Example)
    assert loaded.to_json() == result.to_json()
    pd.testing.assert_frame_equal(loaded.left_out, result.left_out)
    assert loaded.left_out["run_id"][0] == "007" and loaded.left_out["reason"][0] == "inf"
    assert math.isinf(loaded.df) and math.isinf(loaded.curve[0, 1])
    assert loaded.told == Estimate(1.5, 0.2) and loaded.limits["age"] == (0.0, 23.0)
    pd.testing.assert_frame_equal(loaded.conf_int(), result.conf_int())


@pytest.mark.parametrize("text", ["", "{", "[]", '{"record": "Nothing", "fields": {}}', "3"])
def test_what_is_not_a_saved_result_is_refused(text):
    with pytest.raises(FitError, match="saved result"):
        FitResult.from_json(text)


def test_saving_refuses_what_json_cannot_hold():
    @dataclass(frozen=True, eq=False)
    class Odd(Record):
        what: object

    with pytest.raises(TypeError, match="object"):
        Odd(object()).to_json()


def test_data_share_and_conflict():
    # closed form: variance 1 -> 0.25 leaves 75 % to the data; the estimate may move by sqrt(0.75)
    assert data_share(np.array([1.0]), np.array([0.5]))[0] == pytest.approx(0.75)
    assert conflict_sd(0.0, 1.0, 1.0, 0.5) == pytest.approx(1 / math.sqrt(0.75))
    assert conflict_sd(0.0, 1.0, 0.0, 1.0) == 0.0


def test_mixture_of_one_is_students_t():
    low, high = mixture_interval(np.ones(1), np.zeros((1, 1)), np.ones((1, 1)), 10.0, 0.9)
    # published: t table, 1.812
    assert_allclose([high[0], -low[0]], 1.8125, atol=1e-3)


def test_mixture_interval_holds_its_share_of_draws():
    weight = np.array([0.5, 0.3, 0.2])
    mean, sd = np.array([[0.0], [1.0], [4.0]]), np.array([[1.0], [0.5], [2.0]])
    low, high = mixture_interval(weight, mean, sd, math.inf, 0.9)
    rng = np.random.default_rng(2)
    picked = rng.choice(3, 400_000, p=weight)
    draws = mean[picked, 0] + sd[picked, 0] * rng.standard_normal(400_000)
    # closed form against simulation: 5 % on either side
    assert np.mean(draws < low[0]) == pytest.approx(0.05, abs=0.002)
    assert np.mean(draws > high[0]) == pytest.approx(0.05, abs=0.002)
    centre, variance = mixture_moments(weight, mean, sd**2)
    assert centre[0] == pytest.approx(draws.mean(), abs=0.02)
    assert variance[0] == pytest.approx(draws.var(), rel=0.02)
