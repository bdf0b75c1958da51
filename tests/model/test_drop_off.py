"""Drop-off curves: closed forms, derivatives, and the two straight lines of BW71."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tyrekit.model.drop_off import Shape, bend, bend_slope, loss_s, loss_slope

SHAPES = [Shape("linear"), Shape("quadratic"), Shape("hinge", 12.5)]
AGES = np.arange(0.0, 60.0, 0.25)


@pytest.mark.parametrize("shape", SHAPES, ids=str)
def test_loss_starts_at_zero_and_never_falls_with_positive_coefficients(shape):
    loss = loss_s(shape, AGES, 0.03, 0.1)
    assert loss[0] == 0.0
    assert (np.diff(loss) > 0).all()


@pytest.mark.parametrize("shape", SHAPES, ids=str)
def test_derivative_is_the_limit_of_differences(shape):
    step = 1e-6
    between = AGES[np.abs(AGES - 12.5) > 0.1]
    differences = (
        loss_s(shape, between + step, 0.03, 0.1) - loss_s(shape, between, 0.03, 0.1)
    ) / step
    assert_allclose(loss_slope(shape, between, 0.03, 0.1), differences, atol=1e-6)


def test_hinge_is_two_straight_lines_that_meet():
    """Bacon and Watts 1971 (BW71) eq. 1; closed form at hand-worked ages."""
    assert_allclose(loss_s(Shape("hinge", 10.0), [5, 10, 20], 0.02, 0.1), [0.1, 0.2, 1.4])


def test_quadratic_at_hand_worked_ages():
    # closed form: 0.02 x 20 + 0.15 x (20 / 10)²
    assert_allclose(loss_s(Shape("quadratic"), [20.0], 0.02, 0.15), [1.0])


def test_straight_line_has_no_bend():
    assert not bend(Shape("linear"), AGES).any() and not bend_slope(Shape("linear"), AGES).any()
    assert str(Shape("linear")) == "linear" and str(Shape("hinge", 12.0)) == "hinge at 12"
