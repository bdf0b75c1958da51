"""A stint on a set written down wrongly stands out; expected values are simulated truth."""

import numpy as np
import pytest
from simulated_weekends import KINDS, default_beliefs, simulate

from tyrekit.fit.lap_steps import stint_steps
from tyrekit.fit.lap_time import LapTimeModel


def weekend(seed):
    found = simulate(np.random.default_rng(seed))
    return found, default_beliefs(found.truth.lap_s, found.truth.mass_kg)


def test_a_race_on_old_tyres_written_as_new_is_the_largest_step():
    found, beliefs = weekend(101)
    laps = found.laps.copy()
    race = laps["session"] == "R2"
    hidden = laps.loc[race, "age_laps"].min()
    laps.loc[race, "age_laps"] -= hidden
    laps.loc[race, "heat_cycles"] = 0.0
    laps.loc[race, "set_id"] = "X1 X2 X3 X4"
    steps = stint_steps(LapTimeModel(laps, beliefs, KINDS)).set_index("session")
    expected = float(found.truth.loss_s(hidden))
    assert steps["spreads"].idxmax() == "R2" and steps["spreads"]["R2"] > 3
    assert steps["step_s"]["R2"] == pytest.approx(expected, abs=2 * steps["sd_s"]["R2"])


def test_clean_weekends_raise_few_alarms():
    spreads = np.concatenate([
        stint_steps(LapTimeModel(found.laps, beliefs, KINDS))["spreads"]
        for found, beliefs in (weekend(seed) for seed in range(200, 204))
    ])  # fmt: skip
    # about 40 stints: 0.3 % lie beyond 3 spreads if the steps are calibrated; room for one
    assert (np.abs(spreads) > 3).sum() <= 1
    assert 0.5 < spreads.std() < 1.4


def test_one_stint_alone_has_nothing_to_be_compared_with():
    found, beliefs = weekend(101)
    one = found.laps[found.laps["run_id"] == "P1-0"]
    assert stint_steps(LapTimeModel(one, beliefs, KINDS)).empty
