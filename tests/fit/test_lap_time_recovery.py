"""Forty simulated weekends: errors and coverage in wide bands; all expected values simulated truth.

The bands allow for forty weekends: a coverage of 90 % falls outside 77 to 100 % once in 200 times.
The full study is `python tests/study_lap_time.py`.
"""

import numpy as np
import pytest
from simulated_weekends import KINDS, default_beliefs
from study_lap_time import one_weekend, table

from tyrekit.fit.lap_time import LapTimeModel

WEEKENDS = 40


@pytest.fixture(scope="module")
def typical():
    return table(WEEKENDS, seed=21, plan="usual", setting="typical")


@pytest.fixture(scope="module")
def harsh():
    return table(WEEKENDS, seed=22, plan="usual", setting="harsh")


@pytest.fixture(scope="module")
def believed():
    return table(WEEKENDS, seed=23, plan="usual", setting="believed")


def test_typical_weekends(typical):
    assert typical["wear"] <= 13.0 and typical["fuel"] <= 4.5
    assert typical["wear"] <= 0.5 * typical["ols"]
    assert typical["level"] <= 0.35
    assert min(typical[k] for k in typical if k.endswith("_cover")) >= 77


def test_harsh_weekends(harsh):
    assert harsh["wear"] <= 17.0
    assert min(harsh[k] for k in ("wear_cover", "fuel_cover", "level_cover", "sum_cover")) >= 77


def test_intervals_hold_when_the_truth_is_drawn_from_the_beliefs(believed):
    assert min(believed[k] for k in ("wear_cover", "fuel_cover", "level_cover")) >= 77


def test_a_fuel_effect_1_6_spreads_off_leaves_the_slope_covered():
    found = table(WEEKENDS, seed=24, mass_power=0.34)
    assert found["wear_cover"] >= 77


def test_curves_are_found_and_straight_lines_left_alone():
    rng = np.random.default_rng(25)
    straight = [one_weekend(rng)["fit"].shape_weights["linear"] > 0.5 for _ in range(20)]
    curved = [one_weekend(rng, shape="cliff")["fit"].shape_weights["linear"] < 0.5
              for _ in range(20)]  # fmt: skip
    assert np.mean(straight) >= 0.65 and np.mean(curved) >= 0.75


def test_more_laps_narrow_the_answer():
    rng = np.random.default_rng(26)
    found = one_weekend(rng)
    laps = found["weekend"].laps
    truth = found["weekend"].truth
    early = LapTimeModel(laps[laps["session"].isin(["P1", "P2"])],
                         default_beliefs(truth.lap_s, truth.mass_kg), KINDS).fit()  # fmt: skip
    assert (found["fit"].bse[["drop_off_s_per_lap", "track_evolution_s"]]
            < early.bse[["drop_off_s_per_lap", "track_evolution_s"]]).all()  # fmt: skip
