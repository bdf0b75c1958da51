"""Load transfer and work against printed examples and closed forms.

SOLAR = University of Texas solar vehicle team's wiki, load transfer example (data and formula as
read in a stored copy; its printed answer is cut off, so the figures are the formula's, computed
apart from the kit): dW = W_axle a_y h / t for each axle.
"""

import numpy as np
import pytest

from tyrekit.model.loads import Geometry, sliding_work_per_m, tyre_forces, wheel_loads
from tyrekit.units import GRAVITY_MPS2


def test_lateral_transfer_of_the_solar_example():
    # Each axle carries its own mass's moment: roll stiffness shared as the mass is.
    car = Geometry(2.5, 1.457, 1.416, 0.300, 40.0, 40.0)
    load_n = wheel_loads(car, 600.0, np.zeros(1), np.array([-2.0 * GRAVITY_MPS2]))[0]
    expected_kg = [218.8332, 21.1668, 332.5424, 27.4576]  # right-hand bend: left side loaded
    assert load_n / GRAVITY_MPS2 == pytest.approx(expected_kg, abs=5e-5)


def test_lateral_transfer_of_a_whole_car():
    # Second example there: 750 kg, 1.0 g, 0.52 m, 1.58 m: 247 kg (246.835).
    car = Geometry(2.5, 1.58, 1.58, 0.52, 50.0, 50.0)
    load_n = wheel_loads(car, 750.0, np.zeros(1), np.array([GRAVITY_MPS2]))[0]
    moved_kg = (load_n[1] + load_n[3] - load_n[0] - load_n[2]) / 2 / GRAVITY_MPS2
    assert moved_kg == pytest.approx(247.0, abs=0.5)
    assert moved_kg == pytest.approx(246.835, abs=5e-4)


def test_longitudinal_transfer_closed_form():
    # Closed form, moments about the rear contact: m a h / L moves from front to rear.
    car = Geometry(2.70, 1.58, 1.56, 0.48, 56.0, 55.0)
    load_n = wheel_loads(car, 1500.0, np.array([3.0]), np.zeros(1))[0]
    assert load_n[2:].sum() == pytest.approx(
        1500.0 * GRAVITY_MPS2 * 0.44 + 1500.0 * 3.0 * 0.48 / 2.70, rel=1e-12
    )


def test_braking_force_over_distance_is_the_energy_lost():
    # Closed form: 1200 kg from 60 to 20 m/s is 1.92 MJ.
    speed = np.sqrt(np.linspace(60.0**2, 20.0**2, 2001))
    distance = np.linspace(0.0, 200.0, 2001)
    along = np.full(2001, (20.0**2 - 60.0**2) / (2 * 200.0))
    car = Geometry(2.70, 1.58, 1.56, 0.48, 56.0, 55.0)
    forces = tyre_forces(car, 1200.0, along, np.zeros(2001), speed_mps=speed)
    assert -np.trapezoid(forces.along_n.sum(axis=1), distance) == pytest.approx(1.92e6, rel=1e-9)


@pytest.mark.parametrize("radius_m", [30.0, 60.0, 240.0])
def test_work_tells_bends_apart_that_plain_lateral_acceleration_does_not(radius_m):
    # Closed form: round a circle at v the integral of |a_y| dt is 2 pi v whatever the radius, while
    # the work of force squared over load is 2 pi m v^4 / (stiffness g radius), load held even.
    speed, stiffness = 25.0, 20.0
    across = np.full(2, speed**2 / radius_m)
    assert across[0] * 2 * np.pi * radius_m / speed == pytest.approx(157.0796, abs=1e-4)
    flat = Geometry(2.7, 1.58, 1.58, 0.0, 50.0, 50.0)
    work = sliding_work_per_m(tyre_forces(flat, 1200.0, np.zeros(2), across), stiffness)
    lap_j = work[0].sum() * 2 * np.pi * radius_m
    assert lap_j == pytest.approx(
        2 * np.pi * 1200.0 * speed**4 / (stiffness * GRAVITY_MPS2 * radius_m), rel=1e-12
    )


def test_downforce_closed_form():
    # (density / 2) v^2 x area: 1.2 / 2 x 50^2 x 1.0 = 1500 N on the rear axle.
    car = Geometry(2.7, 1.58, 1.58, 0.48, 50.0, 50.0, downforce_rear_m2=1.0)
    load_n = wheel_loads(car, 1200.0, np.zeros(1), np.zeros(1), speed_mps=np.array([50.0]))[0]
    assert load_n[2:].sum() - load_n[:2].sum() == pytest.approx(1500.0, rel=1e-12)
