"""Fuel, tread and pressure fits on small, odd and broken tables.

Any table gives finite numbers and intervals with a width, or is refused in words; what the data
cannot tell is said to be belief. No expected value here is a number of ours.
"""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from study_fuel_use import make_event

from tyrekit.errors import EventError, InputError
from tyrekit.fit.fuel_use import FuelUseModel
from tyrekit.fit.pressure import PressureModel
from tyrekit.fit.prior import Prior, beliefs
from tyrekit.fit.tread import TreadModel

EVENT = make_event()
BELIEVED = beliefs(EVENT)
FEW = settings(max_examples=25, deadline=None, derandomize=True, phases=[Phase.generate])
START = pd.Timestamp("2026-05-16T09:00:00Z")
CORNERS, KINDS = ("FL", "FR", "RL", "RR"), ("timed", "out", "in", "caution", "formation", "odd")
odd = st.sampled_from([math.nan, 0.0, -1.0, 1e-9, 1e6, math.inf])


def numbers(low, high):
    return st.one_of(st.floats(low, high), odd)


def rows(**columns):
    return st.lists(st.fixed_dictionaries(columns), max_size=7)


def whole(result):
    assert np.isfinite(result.params).all() and np.isfinite(result.cov.to_numpy()).all()
    interval = result.conf_int(0.9)
    assert (interval["upper"] > interval["lower"]).all()
    assert result.rests_on["data_share"].between(0, 1).all()
    assert "nan" not in result.summary().lower().replace("finance", "")
    return result


@FEW
@given(
    rows(session=st.sampled_from(["P1", "R1", "R9"]), kind=st.sampled_from(KINDS),
         fuel_used_l=numbers(0.2, 3.0), lap_time_s=numbers(60, 120)),
    rows(kind=st.sampled_from(["fill", "drain", "sample"]), volume_l=numbers(1, 60),
         mass_kg=numbers(1, 50), fuel_c=numbers(-10, 50), minute=st.integers(-30, 60)),
)  # fmt: skip
def test_any_fuel_tables(laps, book):
    laps = pd.DataFrame(laps, columns=["session", "kind", "fuel_used_l", "lap_time_s"])
    laps["run_id"] = laps["session"] + "-1"
    laps["lap"] = laps.groupby("run_id").cumcount() + 1
    book = pd.DataFrame(book, columns=["kind", "volume_l", "mass_kg", "fuel_c", "minute"])
    book["taken_at"] = [START + pd.Timedelta(minutes=m) for m in book["minute"]]
    runs = laps[["run_id", "session"]].drop_duplicates().assign(start=START, fuel_start_kg=np.nan)
    try:
        result = whole(FuelUseModel(laps, book, runs, EVENT, BELIEVED.fuel_use).fit())
    except InputError as error:
        assert "valid range" in str(error)
        return
    need = result.need(15, formation_laps=1)
    assert 0 < need.quantile(0.5) < need.quantile(0.995) < math.inf and need.sd > 0


@FEW
@given(
    rows(tyre_id=st.sampled_from(["N1", "N2", ""]), age_laps=numbers(0, 40),
         slow_laps=numbers(0, 10), work_mj=numbers(0, 100), inner_mm=numbers(0.5, 6),
         centre_mm=numbers(0.5, 6), outer_mm=numbers(0.5, 6), after_run=st.just("r"),
         corner=st.sampled_from([*CORNERS, "", "XX"]), taken_at=st.sampled_from([START, pd.NaT]))
)  # fmt: skip
def test_any_tread_readings(readings):
    result = whole(TreadModel(pd.DataFrame(readings), EVENT, BELIEVED.tread).fit())
    for corner in CORNERS:
        mean, lower, upper = result.laps_left(corner, 4.0, 1.6)
        assert 0 <= lower <= mean <= upper and lower < upper
        table = result.predict(corner, 4.0, [0.0, 5.0], slow_laps=1.0)
        assert np.isfinite(table).all().all() and (table["upper"] > table["lower"]).all()
    if result.work is not None:
        assert np.isfinite(result.work.drop(columns="corner").to_numpy(dtype=float)).all()


@FEW
@given(
    rows(session=st.sampled_from(["P1", "R1", None]), run_id=st.sampled_from(["a", "b"]),
         corner=st.sampled_from([*CORNERS, "XX"]), hot_bar=numbers(1.2, 3.0),
         after_laps=numbers(1, 20), cold_bar=numbers(1.0, 2.2), air_c=numbers(-5, 40),
         track_c=numbers(-5, 60), pressure_hpa=numbers(800, 1050), delay_min=numbers(0, 30),
         source=st.sampled_from(["pit", "sensor", "guess"]))
)  # fmt: skip
def test_any_hot_pressures(readings):
    result = whole(PressureModel(pd.DataFrame(readings), EVENT, BELIEVED.pressure).fit())
    for corner in CORNERS:
        mean, lower, upper = result.cold_bar(corner, 2.1, 6, 20.0, 30.0)
        assert lower < mean < upper and np.isfinite([lower, upper]).all()


@pytest.mark.parametrize("sd", [0.0, -1.0, math.nan])
def test_a_belief_without_spread_never_reaches_a_fit(sd):
    with pytest.raises(InputError, match="no spread"):
        Prior(1.0, sd, "test")


@pytest.mark.parametrize(
    ("fit", "name"),
    [("pressure", "cooling_min"), ("tread", "wear_mm_per_lap"), ("fuel_use", "flow_scale")],
)
def test_a_belief_below_zero_about_what_cannot_be_is_refused(fit, name):
    with pytest.raises(EventError, match=f"{name} is not above 0") as refused:
        beliefs(make_event(f"[beliefs.{fit}.{name}]\nmean = -3.0\nsd = 0.1\n"))
    assert f"beliefs.{fit}.{name}" in str(refused.value)


def test_one_fuel_load_one_session_one_driver_says_what_is_belief():
    laps = pd.DataFrame({"run_id": "a", "session": "P1", "kind": "timed", "lap": [1, 2],
                         "fuel_used_l": [1.8, 1.8]})  # fmt: skip
    runs = pd.DataFrame({"run_id": ["a"], "session": "P1", "start": START, "fuel_start_kg": 20.0})
    result = whole(FuelUseModel(laps, pd.DataFrame(columns=["kind"]), runs, EVENT,
                                BELIEVED.fuel_use).fit())  # fmt: skip
    words = " ".join(result.notes)
    assert "scale is belief only" in words and "one session has fuel" in words
    assert result.rests_on.loc["out_share", "data_share"] < 0.01
