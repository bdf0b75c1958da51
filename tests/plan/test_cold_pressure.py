"""Cold pressures: the hot target met, the limit never broken, conditions that matter counted."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tyrekit.errors import InputError
from tyrekit.fit.pressure import PressureModel
from tyrekit.fit.prior import beliefs
from tyrekit.plan.cold_pressure import cold_pressures

TRUE_RISE_C, TRACK_SHARE, RISE_LAPS = 42.0, 0.35, 3.0  # the invented car's tyres


def invented_readings(sessions=3, seed=5):
    """Sensor readings that follow the gas law from the invented car's gas temperatures."""
    rng = np.random.default_rng(seed)
    rows = []
    for s in range(sessions):
        air_c, track_c = 16.0 + 2 * s, 24.0 + 5 * s
        for run in range(2):
            for corner, more in zip(("FL", "FR", "RL", "RR"), (4, 0, -1, -3), strict=True):
                for laps in (2, 4, 7):
                    cold = 1.62
                    rise = TRUE_RISE_C + more + TRACK_SHARE * (track_c - air_c)
                    gas_c = air_c + rise * (1 - np.exp(-(laps - 0.25) / RISE_LAPS))
                    hot = (cold + 1.01325) * (gas_c + 273.15) / (air_c + 273.15) - 1.01325
                    rows.append(
                        {
                            "session": f"P{s + 1}", "run_id": f"P{s + 1}-{run}", "corner": corner,
                            "hot_bar": hot + rng.normal(0, 0.01), "after_laps": float(laps),
                            "cold_bar": cold, "air_c": air_c, "track_c": track_c,
                            "source": "sensor",
                            "taken_at": pd.Timestamp("2026-05-16T09:00", tz="UTC"),
                        }
                    )  # fmt: skip
    return pd.DataFrame(rows)


@pytest.fixture(scope="module")
def pressure(event):
    return PressureModel(invented_readings(), event, beliefs(event).pressure).fit()


@pytest.fixture(scope="module")
def believed(event):
    none = invented_readings().iloc[:0]
    return PressureModel(none, event, beliefs(event).pressure).fit()


def by_corner(found):
    return found.table.set_index("corner")


def test_set_cold_it_comes_to_the_target_hot(event, pressure):
    # simulated truth: the invented car's own gas law, lap 6 after one formation lap
    found = cold_pressures(event, event.session("R1"), pressure, air_c=20.0, track_c=32.0)
    assert found.target_lap == 6
    for corner, more in zip(("FL", "FR", "RL", "RR"), (4, 0, -1, -3), strict=True):
        row = by_corner(found).loc[corner]
        rise = TRUE_RISE_C + more + TRACK_SHARE * 12.0
        gas_c = 20.0 + rise * (1 - np.exp(-(7 - 0.25) / RISE_LAPS))
        hot = (row["cold_bar"] + 1.01325) * (gas_c + 273.15) / 293.15 - 1.01325
        assert hot == pytest.approx(row["hot_target_bar"], abs=0.03)
        assert row["lower_bar"] < row["cold_bar"] < row["upper_bar"]
        assert row["hot_lower_bar"] < row["hot_bar"] < row["hot_upper_bar"]


def test_hot_and_cold_are_one_law(event, pressure):
    # closed form: within half a step of the gauge, stretched by the gas law, of the target
    found = cold_pressures(event, event.session("Q"), pressure, air_c=20.0, track_c=30.0)
    gap = (found.table["hot_bar"] - found.table["hot_target_bar"]).abs()
    assert (gap < 0.0065).all()
    assert found.target_lap == 2


def test_the_lowest_allowed_pressure_wins(make_event, pressure):
    event = make_event(("cold_minimum_bar = 1.40", "cold_minimum_bar = 1.75"))
    found = cold_pressures(event, event.session("R1"), pressure, air_c=20.0, track_c=35.0)
    table = found.table
    assert table["limited"].all()
    assert (table[["cold_bar", "lower_bar", "upper_bar"]] >= 1.75).all().all()
    assert (table["hot_bar"] > table["hot_target_bar"]).all()
    assert table["hot_floor_bar"].to_numpy() == pytest.approx(table["hot_bar"].to_numpy())
    assert any("limit wins" in note for note in found.notes)


@pytest.mark.parametrize("floor", [1.40, 1.503, 1.6049, 1.65])
def test_never_below_the_limit(make_event, pressure, floor):
    event = make_event(("cold_minimum_bar = 1.40", f"cold_minimum_bar = {floor}"))
    for air_c in (0.0, 15.0, 35.0):
        found = cold_pressures(
            event, event.session("R1"), pressure, air_c=air_c, track_c=air_c + 15
        )
        assert (found.table["cold_bar"] >= floor).all()


def test_hotter_track_and_later_lap_start_lower(event, pressure):
    cool = cold_pressures(event, event.session("R1"), pressure, air_c=18.0, track_c=20.0)
    hot = cold_pressures(event, event.session("R1"), pressure, air_c=18.0, track_c=45.0)
    early = cold_pressures(
        event, event.session("R1"), pressure, air_c=18.0, track_c=20.0, target_lap=2
    )
    assert (hot.table["cold_bar"] < cool.table["cold_bar"]).all()
    assert (early.table["cold_bar"] > cool.table["cold_bar"]).all()


def test_warm_tyres_are_set_higher(event, pressure):
    # closed form: gas law, p + a grows with the kelvin at which the same gas is read
    at = {"air_c": 15.0, "track_c": 25.0}
    cold = by_corner(cold_pressures(event, event.session("R1"), pressure, **at))
    warm = by_corner(cold_pressures(event, event.session("R1"), pressure, cold_c=30.0, **at))
    ratio = (warm["cold_bar"] + 1.01325) / (cold["cold_bar"] + 1.01325)
    assert ratio.to_numpy() == pytest.approx(303.15 / 288.15, abs=0.005)


def test_altitude_changes_the_gauge(event, pressure):
    # closed form: gauge target kept, so cold gauge = (hot + a) Tc/Th - a falls short less high up
    sea = cold_pressures(
        event, event.session("R1"), pressure, air_c=20.0, track_c=30.0, altitude_m=0.0
    )
    high = cold_pressures(
        event, event.session("R1"), pressure, air_c=20.0, track_c=30.0, altitude_m=1500.0
    )
    assert high.ambient_bar == pytest.approx(0.8456, abs=5e-4)  # ISO2533, 1500 m: 845.59 hPa
    assert (high.table["cold_bar"] > sea.table["cold_bar"]).all()


def test_measured_air_pressure_wins_over_altitude(event, pressure):
    at = {"air_c": 20.0, "track_c": 30.0}
    high = cold_pressures(event, event.session("R1"), pressure, altitude_m=1500.0, **at)
    same = cold_pressures(
        event, event.session("R1"), pressure, altitude_m=0.0, pressure_hpa=845.59, **at
    )  # ISO2533, 1500 m
    assert same.ambient_bar == pytest.approx(0.84559)
    assert same.table["cold_bar"].to_numpy() == pytest.approx(high.table["cold_bar"].to_numpy())
    with pytest.raises(InputError, match="pressure_hpa"):
        cold_pressures(event, event.session("R1"), pressure, pressure_hpa=1.013, **at)


@settings(
    max_examples=40, deadline=None, derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)  # fmt: skip
@given(
    air_c=st.floats(-10.0, 45.0), track_c=st.floats(-10.0, 65.0),
    lap=st.none() | st.integers(1, 60),
    cold_c=st.none() | st.floats(-10.0, 60.0), hpa=st.none() | st.floats(700.0, 1080.0),
    floor=st.floats(0.5, 1.99), name=st.sampled_from(["P1", "Q", "R1", "R2"]),
)  # fmt: skip
def test_whatever_the_weather_no_corner_is_set_below_the_limit(
    event, believed, air_c, track_c, lap, cold_c, hpa, floor, name
):
    tyres = event.tyres.model_copy(update={"cold_minimum_bar": floor})
    other = event.model_copy(update={"tyres": tyres})
    found = cold_pressures(
        other, other.session(name), believed, air_c=air_c, track_c=track_c, target_lap=lap,
        cold_c=cold_c, pressure_hpa=hpa,
    )  # fmt: skip
    table = found.table
    assert not table.isna().any(axis=None)
    assert (table[["cold_bar", "lower_bar", "upper_bar"]] >= floor).all(axis=None)
    assert (table["lower_bar"] <= table["upper_bar"]).all()
    # the first whole step of the gauge: less would be printed below the limit
    assert (table.loc[table["limited"], "cold_bar"] < floor + 0.01).all()
    assert (table["cold_bar"] == table["cold_bar"].round(2)).all()


def test_beliefs_alone_give_wider_intervals(event, pressure, believed):
    at = {"air_c": 20.0, "track_c": 30.0}
    known = cold_pressures(event, event.session("R1"), pressure, **at).table
    guessed = cold_pressures(event, event.session("R1"), believed, **at).table
    assert np.isfinite(guessed[["cold_bar", "lower_bar", "upper_bar"]]).all().all()
    width = known["upper_bar"] - known["lower_bar"]
    assert (guessed["upper_bar"] - guessed["lower_bar"] > width).all()


def test_a_short_session_moves_the_target_lap(make_event, pressure):
    event = make_event(("planned_laps = 6", "planned_laps = 2"))
    found = cold_pressures(event, event.session("Q"), pressure, air_c=20.0, track_c=30.0)
    assert found.target_lap == 1
