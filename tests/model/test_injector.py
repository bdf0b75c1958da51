"""Behaviour of the injector formulas over their range."""

import numpy as np
import pytest

from tyrekit.errors import InputError
from tyrekit.model.injector import dead_time, flow, flow_at_pressure, pulse_width

SHEET = {10.0: 1.45, 12.0: 1.10, 14.0: 0.86, 16.0: 0.70}  # invented


def test_pulse_is_a_share_of_two_turns():
    # closed form: 6000 rpm is 20 ms a cycle
    assert pulse_width(50.0, 6000.0) == pytest.approx(10.0)


def test_dead_time_between_and_outside_the_points():
    assert dead_time(np.array([13.0, 6.0, 18.0]), SHEET) == pytest.approx([0.98, 1.45, 0.70])


def test_flow_is_continuous_rising_and_ends_at_static():
    duty = np.linspace(0.0, 100.0, 1001)
    found = flow(duty, 6000.0, injectors=4, static_l_per_h=20.0, dead_time_ms=1.0)
    assert np.all(np.diff(found) >= 0) and found[0] == 0
    assert found[-1] == pytest.approx(80.0)
    # closed form: 10 ms pulse less 1 ms dead of 20 ms, four injectors of 20 l/h
    assert found[500] == pytest.approx(4 * 20.0 * 9 / 20)


def test_short_pulse_gives_nothing():
    assert flow(4.0, 6000.0, injectors=4, static_l_per_h=20.0, dead_time_ms=1.0) == 0.0


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: dead_time(12.0, {12.0: 1.0}), "dead-time table"),
        (lambda: dead_time(12.0, {10.0: 1.0, 14.0: 1.2}), "dead-time table"),
        (lambda: pulse_width(120.0, 6000.0), "duty_pct"),
        (lambda: pulse_width(50.0, 0.0), "engine_rpm"),
        (lambda: flow_at_pressure(20.0, 3.0, 300.0), "difference_bar"),
    ],
)
def test_bad_input_is_named(call, name):
    with pytest.raises(InputError, match=name):
        call()
