"""Sliding work along a lap: closed forms on a circle, the accelerometer's sign, wheel speeds."""

import numpy as np
import pandas as pd
import pytest

from tyrekit.errors import FitError
from tyrekit.fit.tyre_work import WORK_MJ, turning_sign, tyre_work
from tyrekit.model.loads import Geometry
from tyrekit.units import GRAVITY_MPS2

FLAT = Geometry(2.7, 1.58, 1.58, 0.0, 50.0, 50.0)
CAR = Geometry(2.7, 1.58, 1.56, 0.48, 56.0, 55.0)
RADIUS_M, SPEED_MPS, MASS_KG = 80.0, 25.0, 1500.0
METRES_PER_DEG = 111_195.0  # a sphere of 6371 km


def circle(laps: int = 2, way: float = 1.0, rng: np.random.Generator | None = None) -> pd.DataFrame:
    """Laps of a circle, to the left for way 1; the accelerometer counts to the left."""
    at = np.arange(0.0, 2 * np.pi * RADIUS_M, 2.0)
    angle = way * at / RADIUS_M
    east, north = RADIUS_M * np.cos(angle), RADIUS_M * np.sin(angle)
    one = pd.DataFrame({
        "distance_m": at, "speed_mps": SPEED_MPS, "acceleration_long_mps2": 0.0,
        "acceleration_lat_mps2": way * SPEED_MPS**2 / RADIUS_M,
        "latitude_deg": 10.0 + north / METRES_PER_DEG,
        "longitude_deg": 20.0 + east / (METRES_PER_DEG * np.cos(np.radians(10.0))),
    })  # fmt: skip
    # a circle has one bend: a straight's worth of noise gives the correlation something to see
    wave = np.sin(3 * angle)
    one["speed_mps"] += wave
    one["acceleration_lat_mps2"] = way * one["speed_mps"] ** 2 / RADIUS_M
    if rng is not None:
        one["acceleration_lat_mps2"] += rng.normal(0.0, 0.1, len(one))
    return pd.concat([one.assign(lap=i + 1) for i in range(laps)], ignore_index=True)


def test_work_round_a_circle_is_the_closed_form():
    # Closed form: force squared over stiffness and load, along a lap; drag and rolling driven.
    table = circle()
    table["speed_mps"] = SPEED_MPS
    table["acceleration_lat_mps2"] = SPEED_MPS**2 / RADIUS_M
    found = tyre_work(table, {1: MASS_KG, 2: MASS_KG}, FLAT)
    drag = 1.2 / 2 * 0.7 * SPEED_MPS**2 + 0.014 * MASS_KG * GRAVITY_MPS2
    side = MASS_KG * SPEED_MPS**2 / RADIUS_M
    per_m = (side**2 + drag**2) / (20.0 * MASS_KG * GRAVITY_MPS2)
    length = table["distance_m"].max()
    total_mj = found.laps.loc[0, list(WORK_MJ)].sum()
    assert total_mj == pytest.approx(per_m * length / 1e6, rel=1e-9)


def test_left_hand_circle_works_the_right_hand_tyres():
    found = tyre_work(circle(1), {1: MASS_KG}, CAR).laps.iloc[0]
    assert found["work_fr_mj"] > 1.3 * found["work_fl_mj"]
    assert found["work_rr_mj"] > 1.3 * found["work_rl_mj"]


def test_an_accelerometer_that_counts_to_the_right_is_turned_round_and_said():
    table = circle(1, rng=np.random.default_rng(1))
    turned = table.assign(acceleration_lat_mps2=-table["acceleration_lat_mps2"])
    one, two = (tyre_work(t, {1: MASS_KG}, CAR) for t in (table, turned))
    pd.testing.assert_frame_equal(one.laps, two.laps)
    assert "turned round" in " ".join(two.notes) and "turned round" not in " ".join(one.notes)


def test_without_position_the_assumption_is_said():
    table = circle(1).drop(columns=["latitude_deg", "longitude_deg"])
    sign, notes = turning_sign(table)
    assert sign == 1.0 and "ISO 8855" in notes[0]


def test_wheel_speeds_replace_the_estimate_of_slip_along():
    table = circle(1)
    table["acceleration_long_mps2"] = np.where(np.arange(len(table)) % 2, 0.0, -6.0)
    table["acceleration_lat_mps2"] = 0.0
    for corner in ("fl", "fr", "rl", "rr"):
        table[f"wheel_speed_{corner}_mps"] = table["speed_mps"] * 1.02  # its rolling radius
    rolling = tyre_work(table.drop(columns=["latitude_deg"]), {1: MASS_KG}, FLAT)
    braked = table["acceleration_long_mps2"] < 0
    table.loc[braked, "wheel_speed_fl_mps"] *= 0.9
    locked = tyre_work(table.drop(columns=["latitude_deg"]), {1: MASS_KG}, FLAT)
    assert "wheel speeds" in " ".join(locked.notes)
    assert rolling.laps.loc[0, "work_fl_mj"] == pytest.approx(0.0, abs=1e-3)
    assert locked.laps.loc[0, "work_fl_mj"] > 100 * rolling.laps.loc[0, "work_fr_mj"]


def test_a_lap_with_a_gap_has_no_sum_but_a_short_gap_is_bridged():
    table = circle(2)
    table.loc[10:12, "speed_mps"] = np.nan
    table.loc[table["lap"].eq(2) & table["distance_m"].between(100, 200), "speed_mps"] = np.nan
    found = tyre_work(table, {1: MASS_KG, 2: MASS_KG}, CAR).laps.set_index("lap")
    assert np.isfinite(found.loc[1]).all() and found.loc[2].isna().all()


def test_a_missing_channel_is_refused_by_name():
    with pytest.raises(FitError, match="acceleration_lat_mps2"):
        tyre_work(circle().drop(columns="acceleration_lat_mps2"), {1: MASS_KG}, CAR)
