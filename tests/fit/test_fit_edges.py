"""Fits at the edges: no scatter, too much, one of everything, age and fuel that move together.

Every figure that a fit hands back is finite and every interval has a width, or the fit says in its
notes that it rests on belief alone. No expected value here is a figure of ours.
"""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simulated_weekends import KINDS, default_beliefs
from study_fuel_use import make_event
from study_style import MEASURES, SETTINGS, weekend

from tyrekit.errors import FitError
from tyrekit.fit.fuel_use import FuelUseModel
from tyrekit.fit.lap_stints import driver_table, drop_off_rows, stint_table
from tyrekit.fit.lap_time import LapTimeModel
from tyrekit.fit.pressure import PressureModel
from tyrekit.fit.prior import beliefs
from tyrekit.fit.style import StyleModel
from tyrekit.fit.tread import TreadModel
from tyrekit.fit.tyre_life import weibull_life

EVENT = make_event()
BELIEVED = beliefs(EVENT)
LAP_BELIEFS = default_beliefs(95.0, 1520.0)
START = pd.Timestamp("2026-05-16T09:00:00Z")
CORNERS = ("FL", "FR", "RL", "RR")
FEW = settings(max_examples=25, derandomize=True)
SCATTER = st.sampled_from([0.0, 1e-9, 1e-3, 0.3, 30.0])
SIZE = st.sampled_from([0, 1, 2, 3, 12, 60])


def finite(fit) -> None:
    """Parameters, spreads, intervals and draws; belief alone is named."""
    assert np.isfinite(fit.params).all() and (fit.bse > 0).all() and np.isfinite(fit.bse).all()
    limits = fit.conf_int(0.9)
    assert np.isfinite(limits.to_numpy()).all() and (limits["upper"] > limits["lower"]).all()
    drawn = fit.draws(30, np.random.default_rng(1)).select_dtypes("number").drop(
        columns="knee_laps", errors="ignore"
    )  # fmt: skip
    assert np.isfinite(drawn.to_numpy(dtype=float)).all()
    if fit.n_rows == 0:
        assert math.isinf(fit.df) and "belief" in " ".join(fit.notes).lower()


def widths(table: pd.DataFrame) -> None:
    assert np.isfinite(table[["mean", "lower", "upper"]].to_numpy(dtype=float)).all()
    assert (table["upper"] > table["lower"]).all()


def lap_table(size: int, scatter: float, slope: float, together: bool, sessions: int, seed: int):
    """Laps on a line of age; fuel falls with age in step, or anyhow."""
    rng = np.random.default_rng(seed)
    at = np.arange(size)
    age = (at % 15).astype(float)
    fuel = 40.0 - 1.5 * age if together else rng.uniform(5.0, 45.0, size)
    return pd.DataFrame({
        "run_id": [f"r{i // 15}" for i in at], "session": [f"P{i // 15 % sessions}" for i in at],
        "driver": "A", "set_id": "N", "lap": at % 15 + 1, "flying_lap": at % 15 + 1,
        "lap_time_s": 95.0 + slope * age + scatter * rng.normal(size=size), "lap_time_se_s": 0.0,
        "counts": True, "reason": "", "age_laps": age, "fuel_kg": fuel, "heat_cycles": 0.0,
        "track_c": 30.0, "field_laps": 100.0, "kind": "timed",
    })  # fmt: skip


@FEW
@given(SIZE, SCATTER, st.sampled_from([0.0, 0.05, 3.0]), st.booleans(), st.integers(1, 3),
       st.integers(0, 9))  # fmt: skip
def test_lap_times_on_any_line(size, scatter, slope, together, sessions, seed):
    laps = lap_table(size, scatter, slope, together, sessions, seed)
    fit = LapTimeModel(laps, LAP_BELIEFS, KINDS).fit()
    finite(fit)
    assert fit.noise_s > 0
    asked = lap_table(4, 0.0, 0.0, True, 1, 0)
    for told in (fit.predict(asked), fit.predict(asked, new_lap=True), fit.stint_time(asked),
                 fit.combined(asked, np.array([1.0, -1.0, 0.0, 0.0]), noise=False),
                 fit.stint_loss([5.0, 6.0])):  # fmt: skip
        widths(told)
    for age in (1.0, 20.0, 80.0):
        assert np.ptp(fit.age_loss_s([age], 200, np.random.default_rng(2))) > 0
    stints = stint_table(laps, fit)
    table = drop_off_rows(stints)
    assert not stints.select_dtypes("number").isin([np.inf, -np.inf]).any().any()
    assert not table.isna().any().any()
    assert len(driver_table(laps, fit)) == 0  # one driver has nobody to be compared with


def test_age_and_fuel_that_move_together_are_said_to():
    fit = LapTimeModel(lap_table(15, 0.0, 0.05, True, 1, 0), LAP_BELIEFS, KINDS).fit()
    assert any("cannot tell burn-off from drop-off" in note for note in fit.notes)
    fuel, believed = fit.estimate("fuel_effect_s_per_kg"), LAP_BELIEFS["fuel_effect_s_per_kg"]
    assert fuel.sd > 0.5 * believed.sd  # a perfect line in one stint teaches next to nothing


@FEW
@given(SIZE, SCATTER, st.sampled_from([["N1"], ["N1", "N2", "N3", "N4"]]), st.booleans(),
       st.integers(0, 9))  # fmt: skip
def test_tread_on_any_line(size, scatter, tyres, one_age, seed):
    rng = np.random.default_rng(seed)
    at = np.arange(size)
    age = np.where(one_age, 5.0, at // len(tyres) * 3.0)
    depth = np.clip(5.0 - 0.05 * age[:, None] + min(scatter, 1.0) * rng.normal(size=(size, 3)),
                    0.2, 9.0)  # fmt: skip
    readings = pd.DataFrame({
        "tyre_id": [tyres[i % len(tyres)] for i in at], "after_run": "r", "age_laps": age,
        "slow_laps": 0.0, "corner": [CORNERS[i % len(tyres)] for i in at], "taken_at": START,
        "inner_mm": depth[:, 0], "centre_mm": depth[:, 1], "outer_mm": depth[:, 2],
    })  # fmt: skip
    fit = TreadModel(readings, EVENT, BELIEVED.tread).fit()
    finite(fit)
    assert fit.reading_mm > 0
    for corner in CORNERS:
        widths(fit.predict(corner, 4.0, [0.0, 10.0, 60.0]))
        mean, lower, upper = fit.laps_left(corner, 4.0, 1.6)
        assert 0 <= lower <= mean <= upper and lower < upper and math.isfinite(lower)
        assert fit.wear_mm_per_lap(corner).sd > 0
        assert fit.quantile_wear_mm(corner, 10.0, 0.99) > fit.quantile_wear_mm(corner, 10.0, 0.5)


@FEW
@given(SIZE, SCATTER, st.booleans(), st.integers(0, 9))
def test_pressures_on_any_line(size, scatter, alike, seed):
    rng = np.random.default_rng(seed)
    at = np.arange(size)
    readings = pd.DataFrame({
        "session": "P1", "run_id": "a", "corner": [CORNERS[i % 4] for i in at],
        "hot_bar": np.clip(2.0 + min(scatter, 0.3) * rng.normal(size=size), 1.2, 3.0),
        "after_laps": 6.0 if alike else 1.0 + at % 12, "cold_bar": 1.7, "air_c": 20.0,
        "track_c": 30.0, "source": "pit" if alike else "sensor",
    })  # fmt: skip
    fit = PressureModel(readings, EVENT, BELIEVED.pressure).fit()
    finite(fit)
    for corner in CORNERS:
        cold, hot = fit.cold_bar(corner, 2.1, 6, 20.0, 30.0), fit.hot_bar(corner, 1.7, 6, 20, 30)
        for mean, lower, upper in (cold, hot):
            assert lower < mean < upper and np.isfinite([lower, upper]).all()


@FEW
@given(SIZE, st.sampled_from([0.0, 1e-9, 1e-3, 0.2]), st.sampled_from(["P1", "R1"]),
       st.integers(0, 9))  # fmt: skip
def test_fuel_on_any_line(size, scatter, session, seed):
    rng = np.random.default_rng(seed)
    laps = pd.DataFrame({
        "run_id": "a", "session": session, "kind": "timed", "lap": np.arange(size) + 1,
        "fuel_used_l": 1.8 * np.exp(scatter * rng.normal(size=size)),
    })  # fmt: skip
    runs = pd.DataFrame({"run_id": ["a"], "session": session, "start": START,
                         "fuel_start_kg": 40.0})  # fmt: skip
    book = pd.DataFrame(columns=["taken_at", "run_id", "kind", "mass_kg", "volume_l", "fuel_c"])
    fit = FuelUseModel(laps, book, runs, EVENT, BELIEVED.fuel_use).fit()
    finite(fit)
    widths(fit.use_by_kind(0.9))
    for need in (fit.need(1), fit.need(60, formation_laps=2, cool_down_laps=2)):
        assert 0 < need.quantile(0.001) < need.mean < need.quantile(0.999) < math.inf
        assert need.sd > 0 and np.isfinite(need.draws(20, np.random.default_rng(3))).all()
        assert 0 < need.exceedance(need.mean) < 1


@FEW
@given(st.sampled_from([0, 1, 3, 4, 16]), st.booleans(), st.integers(0, 9))
def test_driving_that_explains_nothing_claims_nothing(size, exact, seed):
    rows = weekend(np.random.default_rng(seed), SETTINGS["none"]).head(size)
    if exact:  # the same wear everywhere: no scatter at all
        outcome = StyleModel(rows, MEASURES).question.response
        rows = rows.assign(**{outcome: 0.05})
    found = StyleModel(rows, MEASURES).fit()
    assert np.isfinite(found.effects[["mean", "lower", "upper"]].to_numpy(dtype=float)).all()
    assert (found.effects["upper"] > found.effects["lower"]).all()
    assert not exact or not found.effects["found"].any()


@pytest.mark.parametrize("lives", [[], [10.0], [10.0, 10.0]])
def test_lives_without_spread_are_refused(lives):
    with pytest.raises(FitError):
        weibull_life(np.array(lives), np.ones(len(lives), dtype=bool))
