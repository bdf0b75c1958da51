"""Behaviour of the petrol formulas over their range."""

import numpy as np
import pytest

from tyrekit.errors import InputError
from tyrekit.model.petrol import (
    density_doubt,
    density_kg_per_l,
    efficiency,
    flow_for_power,
    mass,
    volume,
    volume_correction,
)


def test_one_at_the_base_and_falling():
    temperatures = np.linspace(-30.0, 60.0, 181)
    factor = volume_correction(0.745, temperatures)
    assert volume_correction(0.745, 15.0) == 1.0
    assert np.all(np.diff(factor) < 0)


def test_bands_join_without_a_jump():
    for edge in (0.770, 0.7875):
        below, above = volume_correction(np.array([edge - 1e-6, edge + 1e-6]), 40.0)
        assert abs(above - below) < 2e-4


def test_mass_and_volume_invert():
    litres = np.array([0.0, 5.0, 60.0])
    assert volume(mass(litres, 0.745, 28.0), 0.745, 28.0) == pytest.approx(litres)
    assert mass(1.0, 0.745) == density_kg_per_l(0.745, 15.0) == 0.745


def test_flow_follows_power_and_efficiency():
    assert flow_for_power(200.0, 300.0, 0.745) == pytest.approx(
        2 * flow_for_power(100.0, 300.0, 0.745)
    )
    assert 0.25 < efficiency(300.0) < 0.30


def test_doubt_names_the_range():
    assert density_doubt(0.745) == ""
    assert "0.720 to 0.775" in density_doubt(0.79)


@pytest.mark.parametrize(
    ("density", "fuel_c", "name"), [(745.0, 20.0, "density"), (0.745, 300.0, "fuel_c")]
)
def test_out_of_range_is_named(density, fuel_c, name):
    with pytest.raises(InputError, match=name):
        volume_correction(density, fuel_c)
