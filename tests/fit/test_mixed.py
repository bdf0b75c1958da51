"""Mixed estimation: evidence, limits, refusals."""

import numpy as np
import pytest
from scipy import stats

from tyrekit.errors import FitError
from tyrekit.fit.mixed import mixed_estimate, spread_update
from tyrekit.fit.prior import Prior


def example(rng, n=12):
    design = rng.normal(size=(n, 3))
    return design, rng.normal(size=n), rng.uniform(0.5, 2, n), rng.normal(size=3), np.ones(3) * 0.7


def test_evidence_is_the_density_of_the_data():
    # closed form: the response is normal with covariance X P X' + R
    design, response, row_sd, mean, sd = example(np.random.default_rng(1))
    other = sd * np.array([2.0, 0.5, 1.0])
    found = [mixed_estimate(design, response, row_sd, mean, s).log_evidence for s in (sd, other)]
    exact = [
        stats.multivariate_normal.logpdf(
            response, design @ mean, design @ np.diag(s**2) @ design.T + np.diag(row_sd**2)
        )
        for s in (sd, other)
    ]
    assert found[0] - found[1] == pytest.approx(exact[0] - exact[1], abs=1e-9)


def test_no_rows_give_the_beliefs_and_many_rows_forget_them():
    design, response, row_sd, mean, sd = example(np.random.default_rng(2))
    empty = mixed_estimate(design[:0], response[:0], row_sd[:0], mean, sd)
    assert empty.params == pytest.approx(mean)
    assert np.sqrt(np.diag(empty.cov)) == pytest.approx(sd)
    assert empty.data_df == 0
    sure = mixed_estimate(design, response, row_sd * 1e-6, mean, sd)
    least = np.linalg.lstsq(design / row_sd[:, None], response / row_sd, rcond=None)[0]
    assert sure.params == pytest.approx(least, abs=1e-6)
    assert sure.data_df == pytest.approx(3, abs=1e-6)


def test_spread_update_weighs_belief_and_squares():
    # closed form of the scaled inverse chi-square: belief 1 with 2 df, eight squares of 4
    belief = Prior(1.0, 0.5, "test")
    assert spread_update(belief, 32.0, 8.0) == (pytest.approx(np.sqrt(34 / 10)), 10.0)
    assert spread_update(belief, 0.0, 0.0) == (1.0, 2.0)


@pytest.mark.parametrize("what", ["nan", "zero"])
def test_bad_values_are_refused(what):
    design, response, row_sd, mean, sd = example(np.random.default_rng(3))
    if what == "nan":
        response[0] = np.nan
    else:
        sd[0] = 0.0
    with pytest.raises(FitError, match="not finite" if what == "nan" else "not above 0"):
        mixed_estimate(design, response, row_sd, mean, sd)
