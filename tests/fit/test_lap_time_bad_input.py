"""Thin and broken tables: never NaN, never zero width, belief-only parameters are named."""

import math

import numpy as np
import pandas as pd
import pytest
from simulated_weekends import KINDS, default_beliefs, simulate

from tyrekit.fit.lap_time import LapTimeModel, LapTimeResults

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
    "old tyres only": LAPS.assign(age_laps=LAPS["age_laps"] + 60.0),
}


def fitted(case):
    return LapTimeModel(CASES[case], BELIEFS, KINDS).fit()


@pytest.mark.parametrize("case", CASES)
def test_every_number_is_finite_and_every_interval_has_width(case):
    fit = fitted(case)
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
    assert len(fit.left_out) + fit.n_rows == len(CASES[case])


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
