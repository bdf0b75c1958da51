"""Forty simulated weekends: errors and coverage in wide bands; all expected values simulated truth.

The bands allow for forty weekends: a coverage of 90 % falls outside 77 to 100 % once in 200 times.
The full study is `python tests/study_lap_time.py`.
"""

import numpy as np
import pytest
from simulated_weekends import KINDS, default_beliefs
from study_lap_time import Row, accuracy, one_weekend, shape_table, weekends

from tyrekit.fit.lap_time import LapTimeModel

WEEKENDS = 40


@pytest.fixture(scope="module")
def typical_weekends():
    return weekends(Row(), WEEKENDS, seed=21)


@pytest.fixture(scope="module")
def typical(typical_weekends):
    return accuracy(typical_weekends)


@pytest.fixture(scope="module")
def harsh():
    return accuracy(weekends(Row(setting="harsh"), WEEKENDS, seed=22))


@pytest.fixture(scope="module")
def believed():
    return accuracy(weekends(Row(setting="believed", shape="believed"), WEEKENDS, seed=23))


def test_typical_weekends(typical):
    assert typical["wear"] <= 13.0 and typical["fuel"] <= 4.5
    assert typical["wear"] <= 0.5 * typical["wear_ols"]
    assert typical["level"] <= 0.35
    assert min(typical[k] for k in typical if k.endswith("_cover")) >= 77


def test_harsh_weekends(harsh):
    assert harsh["wear"] <= 17.0
    assert min(harsh[k] for k in ("wear_cover", "fuel_cover", "level_cover", "sum_cover")) >= 77


def test_intervals_hold_when_the_truth_is_drawn_from_the_beliefs(believed):
    assert min(believed[k] for k in ("wear_cover", "fuel_cover", "level_cover")) >= 77


def test_a_fuel_effect_1_6_spreads_off_leaves_the_slope_covered():
    found = accuracy(weekends(Row(mass_power=0.34), WEEKENDS, seed=24))
    assert found["wear_cover"] >= 77
    assert found["told"] >= 15  # the conflict is told as far as the laps know of it


def test_curves_are_found_and_straight_lines_left_alone(typical_weekends):
    straight = shape_table(typical_weekends)
    cliff = shape_table(weekends(Row(shape="cliff"), 20, seed=25))
    assert straight["curved"] <= 30 and cliff["curved"] >= 75
    assert cliff["far_error"] <= 4.5 and cliff["far_cover"] >= 70


def test_more_laps_narrow_the_answer():
    rng = np.random.default_rng(26)
    found = one_weekend(rng)
    laps = found["weekend"].laps
    truth = found["weekend"].truth
    early = LapTimeModel(laps[laps["session"].isin(["P1", "P2"])],
                         default_beliefs(truth.lap_s, truth.mass_kg), KINDS).fit()  # fmt: skip
    assert (found["fit"].bse[["drop_off_s_per_lap", "track_evolution_s"]]
            < early.bse[["drop_off_s_per_lap", "track_evolution_s"]]).all()  # fmt: skip
