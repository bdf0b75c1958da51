"""Wear against driving: claims that hold, refusals where the data cannot tell."""

import numpy as np
import pandas as pd
import pytest
from study_style import MEASURES, SETTINGS, study, weekend

from tyrekit.errors import FitError
from tyrekit.fit.result import Record
from tyrekit.fit.style import WEAR, StyleModel


def test_claims_hold_on_simulated_weekends(figure):
    # Simulated truth; the full table is `python tests/study_style.py 300`. Wide bands for 30.
    names = ("none", "three", "none, 11 measures", "none, one driver")
    table = study(30, first=1000, names=names)
    figure(table.round(1).to_string())
    nothing = table.loc[[name for name in names if name.startswith("none")]]
    assert (table["cover_pct"] >= 82).all()
    assert (nothing["any_claim_pct"] <= 17).all()  # 8 % of 30: more than 5 in 1 of 40 runs
    assert table.loc["none", "plain_claim_pct"] > 2 * table.loc["none", "any_claim_pct"]
    assert table.loc["three", "right_sign_pct"] >= 90 and table.loc["three", "found_pct"] >= 3


def test_claims_may_ask_for_more_than_the_intervals_shown():
    table = weekend(np.random.default_rng(14), SETTINGS["three"])
    plain, strict = (StyleModel(table, MEASURES).fit(0.9, level) for level in (None, 0.9999))
    pd.testing.assert_frame_equal(
        plain.effects[["mean", "lower", "upper"]], strict.effects[["mean", "lower", "upper"]]
    )
    assert set(strict.found) < set(plain.found)


def rows(effect: str = "one", seed: int = 3) -> pd.DataFrame:
    return weekend(np.random.default_rng(seed), SETTINGS[effect])


def test_order_and_units_of_a_measure_change_nothing():
    table = rows()
    plain = StyleModel(table, MEASURES).fit().effects
    other = table.sample(frac=1.0, random_state=2)
    other["steering_work_deg"] = other["steering_work_deg"] * np.pi / 180
    found = StyleModel(other, MEASURES[::-1]).fit().effects.loc[list(MEASURES)]
    assert found["mean"].to_numpy() == pytest.approx(plain["mean"].to_numpy(), rel=1e-6, abs=1e-9)
    per_unit = found.loc["steering_work_deg", "per_unit"] * np.pi / 180
    assert per_unit == pytest.approx(plain.loc["steering_work_deg", "per_unit"], rel=1e-6)


def test_two_measures_that_move_together_are_not_told_apart():
    table = rows()
    table["twin_deg"] = table["steering_work_deg"] * 2 + 0.01 * np.arange(len(table))
    found = StyleModel(table, (*MEASURES, "twin_deg")).fit()
    assert len(found.together)
    assert "twin_deg" in found.effects.loc["steering_work_deg", "settle"]
    assert "change one alone" in found.effects.loc["steering_work_deg", "settle"]


def test_few_rows_are_belief_only_and_say_so():
    for count in (0, 1, 3):
        found = StyleModel(rows().head(count), MEASURES).fit()
        assert "belief" in " ".join(found.notes)
        assert not found.effects["found"].any()
        assert (found.effects["upper"] > found.effects["lower"]).all()
        assert (found.rests_on["data_share"] < 1e-6).all()


def test_a_constant_or_missing_measure_is_left_out_and_said():
    table = rows()
    table["coasting_pct"] = 9.0
    table.loc[2, "combined_mps2"] = np.nan
    found = StyleModel(table, MEASURES).fit()
    assert list(found.effects.index) == list(MEASURES[:3])
    assert "coasting_pct is the same" in found.notes[1] or "coasting_pct" in " ".join(found.notes)


def test_what_cannot_be_used_is_refused_by_name():
    with pytest.raises(FitError, match="wear_pct_se"):
        StyleModel(rows().drop(columns="wear_pct_se"), MEASURES)
    table = rows()
    table.loc[0, "wear_pct_se"] = 0.0
    with pytest.raises(FitError, match="above 0"):
        StyleModel(table, MEASURES)


def test_record_saves_and_reads_in_plain_words():
    found = StyleModel(rows("three"), MEASURES, WEAR).fit()
    again = Record.from_json(found.to_json())
    pd.testing.assert_frame_equal(
        again.effects, found.effects, check_index_type=False, check_names=False
    )
    text = found.summary()
    assert "driver-sessions" in text and "standard deviation" in text
    assert all(name in text for name in MEASURES)
