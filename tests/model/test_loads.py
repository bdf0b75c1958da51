"""Loads, forces and work of the tyres: behaviour that needs no outside number."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tyrekit.errors import InputError
from tyrekit.model.loads import Geometry, sliding_work_per_m, tyre_forces, wheel_loads
from tyrekit.units import GRAVITY_MPS2

CAR = Geometry(2.70, 1.58, 1.56, 0.48, 56.0, 55.0, brake_front_pct=68.0, driven="front")
ACCELERATION = st.floats(-25.0, 25.0)


@given(along=ACCELERATION, across=ACCELERATION, mass=st.floats(900.0, 2200.0))
@settings(deadline=None, max_examples=200, derandomize=True)
def test_loads_sum_to_the_weight_whatever_lifts(along, across, mass):
    load_n = wheel_loads(CAR, mass, np.array([along]), np.array([across]))
    assert np.all(load_n >= -1e-6)
    assert load_n.sum() == pytest.approx(mass * GRAVITY_MPS2, rel=1e-12)


@given(along=ACCELERATION, across=ACCELERATION)
@settings(deadline=None, max_examples=100, derandomize=True)
def test_mirrored_bend_gives_mirrored_loads_forces_and_work(along, across):
    one = tyre_forces(CAR, 1500.0, np.array([along]), np.array([across]))
    two = tyre_forces(CAR, 1500.0, np.array([along]), np.array([-across]))
    mirror = [1, 0, 3, 2]
    assert one.load_n == pytest.approx(two.load_n[:, mirror])
    assert one.side_n == pytest.approx(-two.side_n[:, mirror])
    assert sliding_work_per_m(one) == pytest.approx(sliding_work_per_m(two)[:, mirror])


@given(along=ACCELERATION, across=st.floats(-12.0, 12.0), drag=st.floats(0.0, 3000.0))
@settings(deadline=None, max_examples=100, derandomize=True)
def test_forces_add_up_to_what_moves_the_car(along, across, drag):
    forces = tyre_forces(CAR, 1500.0, np.array([along]), np.array([across]), drag_n=drag)
    assert forces.along_n.sum() == pytest.approx(1500.0 * along + drag, abs=1e-6)
    assert forces.side_n.sum() == pytest.approx(1500.0 * across, abs=1e-6)


def test_left_bend_loads_the_right_and_braking_the_front():
    at_rest, left, braking = wheel_loads(
        CAR, 1500.0, np.array([0.0, 0.0, -8.0]), np.array([0.0, 8.0, 0.0])
    )
    assert left[1] > at_rest[1] > left[0] and left[3] > at_rest[3] > left[2]
    assert braking[0] > at_rest[0] and braking[2] < at_rest[2]


def test_past_the_lift_of_a_wheel_the_other_axle_takes_the_moment():
    stiff_front = Geometry(2.70, 1.58, 1.58, 0.48, 50.0, 95.0)
    load_n = wheel_loads(stiff_front, 1500.0, np.zeros(1), np.array([15.0]))[0]
    assert load_n[0] == pytest.approx(0.0, abs=1e-9)
    moment = (load_n[1] - load_n[0] + load_n[3] - load_n[2]) * 1.58 / 2
    assert moment == pytest.approx(1500.0 * 15.0 * 0.48)


def test_work_is_even_in_force_and_grows_with_its_square_where_loads_stay():
    flat = Geometry(2.70, 1.58, 1.58, 0.0, 50.0, 50.0)
    forces = tyre_forces(flat, 1500.0, np.zeros(3), np.array([3.0, 6.0, -6.0]))
    work = sliding_work_per_m(forces)
    assert work[1] == pytest.approx(4 * work[0])
    assert work[2] == pytest.approx(work[1])


def test_measured_slip_replaces_the_estimate_and_gaps_fall_back_to_it():
    forces = tyre_forces(CAR, 1500.0, np.array([-8.0]), np.zeros(1))
    slip = np.array([[-0.05, np.nan, 0.05, -0.05]])
    work = sliding_work_per_m(forces, slip=slip)[0]
    estimate = sliding_work_per_m(forces)[0]
    assert work[0] == pytest.approx(forces.along_n[0, 0] * -0.05)
    assert work[1] == estimate[1]
    assert work[2] == 0.0  # braked, yet turning too fast: the sensor, not the tyre


@pytest.mark.parametrize(
    ("changes", "name"),
    [({"mass_kg": 30.0}, "mass_kg"), ({"acceleration_lat_mps2": np.array([900.0])}, "lat"),
     ({"acceleration_long_mps2": np.array([np.nan])}, "long"), ({"drag_n": -1.0}, "drag_n")],
)  # fmt: skip
def test_numbers_from_outside_the_range_are_refused_by_name(changes, name):
    values = {"mass_kg": 1500.0, "acceleration_long_mps2": np.zeros(1),
              "acceleration_lat_mps2": np.zeros(1)} | changes  # fmt: skip
    with pytest.raises(InputError, match=name):
        tyre_forces(CAR, **values)


def test_geometry_no_car_has_is_refused():
    with pytest.raises(InputError, match="front_mass_pct"):
        Geometry(2.7, 1.58, 1.56, 0.48, 156.0, 55.0)
