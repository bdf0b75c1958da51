"""What residuals and stints cast doubt on; faults are planted, expected values simulated truth."""

import numpy as np
import pytest
from simulated_weekends import KINDS, default_beliefs, simulate

from tyrekit.fit.lap_doubts import lap_doubts
from tyrekit.fit.lap_residuals import residual_spread
from tyrekit.fit.lap_time import LapTimeModel


def model(seed, change=None, setting="typical"):
    found = simulate(np.random.default_rng(seed), setting=setting)
    laps = found.laps if change is None else change(found.laps.copy())
    return LapTimeModel(laps, default_beliefs(found.truth.lap_s, found.truth.mass_kg), KINDS)


def wrong_set(laps):
    race = laps["session"] == "R2"
    laps.loc[race, "age_laps"] -= laps.loc[race, "age_laps"].min()
    laps.loc[race, "heat_cycles"] = 0.0
    laps.loc[race, "set_id"] = "X1 X2 X3 X4"
    return laps


def loose_clock(laps):
    race = (laps["session"] == "R1") & laps["counts"]
    laps.loc[race, "lap_time_s"] += np.random.default_rng(1).normal(0.0, 0.8, race.sum())
    return laps


def test_a_wrong_set_is_the_surest_doubt():
    doubts = lap_doubts(model(101, wrong_set))
    assert doubts[0].name == "stint does not fit the others" and "R2" in doubts[0].evidence
    assert "slower" in doubts[0].evidence and "runs.csv" in doubts[0].where
    assert 0 < doubts[0].sure <= 0.9


def test_a_session_that_scatters_is_named():
    doubts = lap_doubts(model(3, loose_clock))
    named = [d for d in doubts if d.name == "session scatters more than the others"]
    assert [d.where for d in named] == ["session R1"]


def test_clean_weekends_are_mostly_quiet():
    found = [len(lap_doubts(model(seed))) for seed in range(300, 306)]
    # about one weekend in ten has a stint beyond three spreads by chance; room for two
    assert np.count_nonzero(found) <= 2


def test_without_laps_there_is_nothing_to_doubt():
    empty = model(3)
    assert lap_doubts(LapTimeModel(empty.laps.iloc[:0], empty.beliefs)) == ()


def test_residual_table_is_what_the_residuals_are():
    fit = model(3).fit()
    table = residual_spread(fit).set_index("session")
    kept = fit.laps[fit.laps["kept"]]
    assert table["laps"].sum() == fit.n_rows == len(kept)
    own = kept[kept["session"] == "R1"]["residual_s"]
    # closed form: mean and population spread
    assert table.loc["R1", "mean_s"] == pytest.approx(own.mean())
    assert table.loc["R1", "spread_s"] == pytest.approx(own.std(ddof=0))
    assert table["chance"].between(0, 1).all()
    assert table["correlation"].dropna().between(-1, 1).all()
    # seven sessions that scatter alike: the smallest chance is seldom below 1 in 1000
    assert table["chance"].min() > 0.001
