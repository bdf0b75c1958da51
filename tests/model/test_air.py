"""Behaviour of the air formulas over their range."""

import numpy as np
import pytest

from tyrekit.errors import InputError
from tyrekit.model.air import (
    POWER_RULES,
    air_density,
    fuel_share,
    power_correction,
    power_share,
    standard_pressure,
    vapour_pressure,
)

SUMMER, SPRING = (30.0, 1000.0, 40.0), (10.0, 1020.0, 60.0)


def test_pressure_falls_with_height():
    assert np.all(np.diff(standard_pressure(np.linspace(-500, 5000, 100))) < 0)


def test_density_falls_with_heat_and_moisture():
    temperatures = np.linspace(-30.0, 55.0, 171)
    assert np.all(np.diff(air_density(temperatures)) < 0)
    assert np.all(np.diff(air_density(30.0, 1013.25, np.linspace(0, 100, 11))) < 0)


def test_saturation_doubles_about_every_ten_kelvin():
    ratio = vapour_pressure(30.0, 100.0) / vapour_pressure(20.0, 100.0)
    assert 1.7 < ratio < 1.95


@pytest.mark.parametrize("rule", POWER_RULES)
def test_heat_costs_power(rule):
    factors = power_correction(np.linspace(0.0, 45.0, 46), 1000.0, 50.0, rule)
    assert np.all(np.diff(factors) > 0)
    assert power_share(*SUMMER, SPRING, rule) < 1 < power_share(*SPRING, SUMMER, rule)


def test_dense_air_burns_more_fuel():
    assert fuel_share(*SPRING, SUMMER) == pytest.approx(1 / fuel_share(*SUMMER, SPRING))
    assert 1.05 < fuel_share(*SPRING, SUMMER) < 1.15
    assert fuel_share(*SPRING, SPRING) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: air_density(20.0, 101_325.0), "pressure_hpa"),
        (lambda: vapour_pressure(20.0, 150.0), "humidity_pct"),
        (lambda: standard_pressure(20_000.0), "altitude_m"),
        (lambda: power_correction(293.15, 1000.0), "air_c"),
    ],
)
def test_out_of_range_is_named(call, name):
    with pytest.raises(InputError, match=name):
        call()
