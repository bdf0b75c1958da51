"""Stint against stint and driver against driver: levels and trends that were put in come out."""

import numpy as np
import pandas as pd
import pytest
from invented_event import event_head

from tyrekit.fit.lap_stints import DRIVER_COLUMNS, driver_table, drop_off_rows, stint_table
from tyrekit.fit.lap_time import LapTimeModel
from tyrekit.fit.prior import beliefs
from tyrekit.record.event import parse_event

SESSIONS = "".join(
    f'[[session]]\nid = "P{i}"\nkind = "practice"\nstart = "2026-05-16T{8 + i:02d}:10:00"\n'
    "minutes = 40\nvalue = 0.0\n"
    for i in range(1, 4)
)
EVENT = parse_event(event_head(name="Invented") + SESSIONS)
SLOWER_S, EXTRA_MS = 0.8, 60.0


def laps(drivers=("Driver A", "Driver B", "Driver A"), noise_s=0.05, extra=EXTRA_MS):
    """Three stints of 14 laps: the second driver slower, the third stint falling off faster."""
    rng = np.random.default_rng(4)
    rows = []
    for i, driver in enumerate(drivers):
        for lap in range(1, 15):
            time_s = 95.0 + 0.05 * lap + 0.012 * (40 - 1.8 * lap) + rng.normal(0, noise_s)
            time_s += SLOWER_S * (driver == "Driver B") + extra / 1000 * lap * (i == 2)
            rows.append({
                "run_id": f"P{i + 1}-1", "session": f"P{i + 1}", "driver": driver, "lap": lap,
                "kind": "timed", "counts": True, "reason": "", "flying_lap": lap + 4,
                "set_id": f"S{i}", "age_laps": float(lap), "heat_cycles": 0.0,
                "fuel_kg": 40 - 1.8 * lap, "track_c": 30.0, "field_laps": 1250.0,
                "lap_time_s": time_s,
            })  # fmt: skip
    return pd.DataFrame(rows)


def fitted(table):
    return LapTimeModel(table, beliefs(EVENT).lap_time, sessions=EVENT.sessions).fit()


def test_slower_driver_and_steeper_stint_are_seen():
    # Simulated truth.
    table = laps()
    result = fitted(table)
    stints = stint_table(table, result).set_index("run_id")
    assert (stints["lower_s"] < stints["level_s"]).all()
    assert (stints["level_s"] < stints["upper_s"]).all()
    assert stints.loc["P2-1", "level_s"] - stints.loc["P1-1", "level_s"] == pytest.approx(
        0.8, abs=0.1
    )
    trend = stints["drop_off_ms_per_lap"]
    assert trend["P3-1"] - trend["P1-1"] == pytest.approx(EXTRA_MS, abs=12)
    assert (stints["drop_off_ms_per_lap_se"] > 0).all()


def test_level_is_the_stints_own_lap_when_the_conditions_are_the_middle_ones():
    # Closed form: with one stint the middle conditions are its own, so nothing is moved.
    table = laps(drivers=("Driver A",))
    stint = stint_table(table, fitted(table)).iloc[0]
    assert stint["level_s"] == pytest.approx(table["lap_time_s"].mean(), abs=0.02)


def test_every_pair_of_drivers_with_its_laps():
    table = laps()
    result = fitted(table)
    found = driver_table(table, result)
    assert tuple(found.columns) == DRIVER_COLUMNS and len(found) == 1
    row = found.iloc[0]
    kept = result.laps.loc[result.laps["kept"], "run_id"].value_counts()
    assert row["laps"] == kept["P1-1"] + kept["P3-1"] and row["other_laps"] == kept["P2-1"]
    assert row["runs"] == "P1-1, P3-1" and row["other_runs"] == "P2-1"
    assert row["lower_s"] < row["mean_s"] < row["upper_s"] and row["mean_s"] < 0
    assert not len(driver_table(*(lambda t: (t, fitted(t)))(laps(drivers=("Driver A",)))))


def test_drop_off_rows_weigh_a_drivers_stints_of_a_session():
    # Closed form: weights 1 / se^2.
    stints = pd.DataFrame({
        "session": ["P1", "P1", "P2"], "driver": ["Driver A"] * 3,
        "drop_off_ms_per_lap": [10.0, 20.0, 5.0], "drop_off_ms_per_lap_se": [1.0, 2.0, np.nan],
    })  # fmt: skip
    row = drop_off_rows(stints)
    assert len(row) == 1
    assert row["drop_off_ms_per_lap"][0] == pytest.approx((10 * 1 + 20 * 0.25) / 1.25)
    assert row["drop_off_ms_per_lap_se"][0] == pytest.approx(1.25**-0.5)


def test_no_laps_give_empty_tables():
    table = laps().iloc[:0]
    result = fitted(table)
    assert not len(stint_table(table, result)) and not len(driver_table(table, result))
    assert not len(drop_off_rows(stint_table(table, result)))
