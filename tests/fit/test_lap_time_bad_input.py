"""Thin and broken tables: never NaN, never zero width, belief-only parameters are named."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simulated_weekends import KINDS, default_beliefs, simulate

from tyrekit.errors import FitError, InputError
from tyrekit.fit.lap_time import LapTimeModel, LapTimeResults
from tyrekit.fit.prior import Prior

BELIEFS = default_beliefs(95.0, 1520.0)
WEEKEND = simulate(np.random.default_rng(3))
LAPS = WEEKEND.laps
ONE_RUN = LAPS[LAPS["run_id"] == "P1-0"]

CASES = {
    "no rows": LAPS.iloc[:0],
    "no table": pd.DataFrame(),
    "nothing counts": LAPS.assign(counts=False),
    "one lap": ONE_RUN.iloc[[4]],
    "two laps": ONE_RUN.iloc[[3, 4]],
    "one stint": ONE_RUN,
    "one set": LAPS.assign(set_id="a b c d"),
    "one fuel load": LAPS.assign(fuel_kg=30.0),
    "one age": LAPS.assign(age_laps=5.0),
    "constant temperature": LAPS.assign(track_c=30.0),
    "no temperature": LAPS.assign(track_c=math.nan),
    "no field laps": LAPS.assign(field_laps=math.nan),
    "no fuel": LAPS.assign(fuel_kg=math.nan),
    "equal laps": LAPS.assign(lap_time_s=95.0),
    "everything twice": pd.concat([LAPS, LAPS]),
    "driver with one lap": LAPS.assign(driver=["B", *["A"] * (len(LAPS) - 1)]),
    "wild lap times": LAPS.assign(lap_time_s=LAPS["lap_time_s"] + 2 * np.sin(7.0 * LAPS.index)),
    "nullable columns": LAPS.convert_dtypes(),
    "only slow laps": LAPS.assign(lap_time_s=LAPS["lap_time_s"] + 30.0),
    "infinite times": LAPS.assign(lap_time_s=math.inf),
    "huge times": LAPS.assign(lap_time_s=1e300),
    "times below zero": LAPS.assign(lap_time_s=-90.0),
    "no time at all": LAPS.assign(lap_time_s=0.0),
    "one huge time": LAPS.assign(lap_time_s=LAPS["lap_time_s"].where(LAPS.index != 5, 1e12)),
    "fuel in grams": LAPS.assign(fuel_kg=LAPS["fuel_kg"] * 1000.0),
    "age below zero": LAPS.assign(age_laps=-5.0),
    "track on fire": LAPS.assign(track_c=1e6),
    "endless field laps": LAPS.assign(field_laps=1e300),
    "endless timing error": LAPS.assign(lap_time_se_s=math.inf),
    "every number missing": LAPS.assign(
        **dict.fromkeys(LAPS.select_dtypes("number").columns, math.nan)
    ),
    "words for numbers": LAPS.assign(lap_time_s="quick"),
    "nobody's laps": LAPS.assign(session=None, set_id=None, driver=None),
    "old tyres only": LAPS.assign(age_laps=LAPS["age_laps"] + 60.0),
}


def fitted(case):
    return LapTimeModel(CASES[case], BELIEFS, KINDS).fit()


def sound(fit, rows):
    """No NaN, no interval without width, every lap accounted for, saved and read again."""
    assert np.isfinite(fit.params).all() and np.isfinite(fit.cov.to_numpy()).all()
    limits = fit.conf_int()
    assert (limits["upper"] > limits["lower"]).all()
    for told in (
        fit.predict(WEEKEND.held_out), fit.predict(WEEKEND.held_out, new_lap=True),
        fit.stint_time(WEEKEND.held_out), fit.stint_loss([1.0, 2.0, 30.0]),
    ):  # fmt: skip
        assert np.isfinite(told[["mean", "lower", "upper"]].to_numpy()).all()
        assert (told["upper"] > told["lower"]).all()
    rng = np.random.default_rng(1)
    assert np.isfinite(fit.age_loss_s([0.0, 10.0, 80.0], 50, rng)).all()
    assert np.isfinite(fit.draws(20, rng).drop(columns="shape").to_numpy(dtype=float)).all()
    assert fit.rests_on["data_share"].between(0, 1).all()
    assert fit.notes and "nan" not in fit.summary().lower()
    assert LapTimeResults.from_json(fit.to_json()).to_json() == fit.to_json()
    assert len(fit.left_out) + fit.n_rows == rows
    assert (fit.left_out["reason"] != "").all()


@pytest.mark.parametrize("case", CASES)
def test_every_number_is_finite_and_every_interval_has_width(case):
    sound(fitted(case), len(CASES[case]))


RUNS = st.lists(
    st.tuples(
        st.sampled_from(["P1", "P2", "R1"]), st.sampled_from(["A", "B"]),
        st.sampled_from(["M", "N", ""]), st.integers(1, 6), st.sampled_from([0.0, 12.0, 60.0]),
        st.sampled_from([8.0, 30.0, math.nan]), st.sampled_from([0.0, 0.3, 30.0]),
    ),
    min_size=1, max_size=5,
)  # fmt: skip


def small_weekend(runs, seed):
    """A few short runs: session, set, driver, laps, age, fuel and scatter as asked for."""
    rng = np.random.default_rng(seed)
    rows = [
        {"run_id": f"{at}", "session": session, "driver": driver, "set_id": tyres, "lap": lap,
         "flying_lap": lap, "lap_time_s": 95.0 + scatter * rng.normal(), "lap_time_se_s": 0.0,
         "counts": True, "reason": "", "age_laps": age + lap, "fuel_kg": fuel - lap,
         "heat_cycles": 0.0, "track_c": 30.0, "field_laps": 100.0}
        for at, (session, tyres, driver, laps, age, fuel, scatter) in enumerate(runs)
        for lap in range(1, laps + 1)
    ]  # fmt: skip
    return pd.DataFrame(rows)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(RUNS, st.integers(0, 5))
def test_any_small_weekend_is_sound(runs, seed):
    laps = small_weekend(runs, seed)
    sound(LapTimeModel(laps, BELIEFS, KINDS).fit(), len(laps))


@pytest.mark.parametrize("case", ["no rows", "no table", "nothing counts", "no fuel"])
def test_without_laps_the_results_are_the_beliefs(case):
    fit = fitted(case)
    assert fit.n_rows == 0 and math.isinf(fit.df)
    assert "belief" in fit.notes[0]
    for name in ("fuel_effect_s_per_kg", "heat_cycle_s", "warm_up_1_s"):
        belief = BELIEFS[name]
        assert fit.estimate(name) == pytest.approx((belief.mean, belief.sd))
    assert (fit.rests_on["data_share"] < 1e-9).all()


@pytest.mark.parametrize(
    ("case", "name", "words"),
    [("one fuel load", "fuel_effect_s_per_kg", "fuel effect"),
     ("one age", "drop_off_s_per_lap", "drop-off"),
     ("constant temperature", "track_temperature_s_per_k", "track temperature"),
     ("one stint", "heat_cycle_s", "loss per heat cycle"),
     ("one stint", "race_s", "race pace")],
)  # fmt: skip
def test_parameters_that_are_belief_only_are_named(case, name, words):
    fit = fitted(case)
    assert fit.rests_on["data_share"][name] < 0.05
    assert any(note.startswith("Belief only") and words in note for note in fit.notes)


def test_one_stint_says_that_fuel_and_age_cannot_be_told_apart():
    note = next(n for n in fitted("one stint").notes if "burn-off" in n)
    assert "inside one stint fuel falls as age rises" in note.replace("Inside", "inside")
    share = float(note.split("%")[0].split()[-1])
    # closed form: belief's share = 1 - data's share
    fit = fitted("one stint")
    assert share == pytest.approx(100 - 100 * fit.rests_on["data_share"].iloc[1], abs=0.51)


def test_duplicates_change_nothing_and_are_told():
    once = LapTimeModel(LAPS, BELIEFS, KINDS).fit()
    twice = fitted("everything twice")
    assert np.allclose(once.params, twice.params[once.params.index])
    assert any("repeat a run and lap" in note for note in twice.notes)


def test_missing_conditions_are_filled_and_told():
    assert any(n.startswith("track_c is not known") for n in fitted("no temperature").notes)
    assert any(n.startswith("field_laps is not known") for n in fitted("no field laps").notes)
    some = LAPS.assign(track_c=LAPS["track_c"].where(LAPS["session"] != "P2"))
    fit = LapTimeModel(some, BELIEFS, KINDS).fit()
    assert any("(P2)" in note and "track_c" in note for note in fit.notes)


@pytest.mark.parametrize(
    ("case", "why"),
    [("times below zero", "lap_time_s"), ("age below zero", "age_laps"),
     ("fuel in grams", "fuel_kg"), ("huge times", "lap_time_s")],
)  # fmt: skip
def test_impossible_entries_stay_out_and_are_told(case, why):
    fit = fitted(case)
    reason = fit.left_out["reason"]
    assert reason.str.match(rf"{why} \S+ is not possible \(").sum() > 10
    told = f"{why} is not possible"
    assert any(told in note for note in fit.notes) and told in fit.summary()


def test_an_impossible_condition_counts_as_not_known():
    fit = fitted("track on fire")
    assert fit.n_rows > 50 and any(n.startswith("track_c is not known") for n in fit.notes)


def test_laps_that_scatter_more_than_believed_are_told():
    fit = fitted("wild lap times")
    assert any("scatter by" in note and "was believed" in note for note in fit.notes)


@pytest.mark.parametrize("sd", [0.0, -0.1, math.nan, math.inf])
def test_a_belief_without_spread_is_refused(sd):
    with pytest.raises(InputError, match="no spread"):
        Prior(0.05, sd, "invented")


def test_a_table_that_cannot_say_what_counts_is_refused():
    with pytest.raises(FitError, match="counts"):
        LapTimeModel(LAPS.assign(counts="perhaps"), BELIEFS, KINDS).fit()
