"""Behaviour of the gas law over its range."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tyrekit.errors import InputError
from tyrekit.model.gas import cold_pressure, gas_temperature, hot_pressure, pressure_slope

bars = st.floats(0.8, 4.0)
celsius = st.floats(-20.0, 140.0)
ambient = st.floats(0.8, 1.06)


@given(bars, celsius, celsius, ambient)
def test_cold_and_temperature_invert_hot(cold_bar, cold_c, hot_c, ambient_bar):
    hot_bar = hot_pressure(cold_bar, cold_c, hot_c, ambient_bar)
    if hot_bar < 0:
        return
    assert cold_pressure(hot_bar, hot_c, cold_c, ambient_bar) == pytest.approx(cold_bar)
    assert gas_temperature(cold_bar, cold_c, hot_bar, ambient_bar) == pytest.approx(hot_c)


def test_rises_with_temperature_and_by_its_slope():
    hot_c = np.linspace(0.0, 120.0, 241)
    hot_bar = hot_pressure(1.8, 20.0, hot_c)
    step = np.diff(hot_bar)
    assert np.all(step > 0)
    assert step / 0.5 == pytest.approx(np.full(240, pressure_slope(1.8, 20.0)), rel=1e-9)


def test_growth_lowers_the_pressure():
    assert hot_pressure(1.8, 20.0, 80.0, volume_ratio=1.02) < hot_pressure(1.8, 20.0, 80.0)


@pytest.mark.parametrize(
    ("call", "name", "value"),
    [
        (lambda: hot_pressure(28.0, 20.0, 80.0), "cold_bar", "28"),
        (lambda: hot_pressure(1.8, 20.0, 353.0), "hot_c", "353"),
        (lambda: hot_pressure(1.8, 20.0, 80.0, 1013.0), "ambient_bar", "1013"),
        (lambda: hot_pressure(1.8, np.array([20.0, np.nan]), 80.0), "cold_c", "nan"),
    ],
)
def test_out_of_range_is_named(call, name, value):
    with pytest.raises(InputError, match=rf"{name}.*{value}"):
        call()
