"""Tables drawn from the hand-made answer; expected numbers are its closed forms."""

import numpy as np
import pandas as pd
import pytest

from tyrekit.show import tables


def test_next_tyres_join_state_pressures_and_plan(hand_answer):
    table = tables.next_tyres_table(hand_answer).set_index("corner")
    assert list(table["tyre_id"]) == ["N5", "N6", "N7", "N8"]
    assert table.loc["FR", "cold_bar"] == 1.64
    assert table.loc["RR", "limited"]
    assert table.loc["FL", "tread_end_low_mm"] == 6.9
    assert np.isnan(table.loc["FL", "tread_min_mm"])


def test_next_tyres_fall_back_on_the_plan(hand_answer):
    hand_answer.next_session.table = hand_answer.next_session.table.iloc[:0]
    assert list(tables.next_tyres_table(hand_answer)["tyre_id"]) == ["N5", "N6", "N7", "N8"]


def test_nothing_left_gives_an_empty_table(hand_answer):
    hand_answer.weekend.next_session = None
    hand_answer.next_session = None
    assert tables.next_tyres_table(hand_answer).empty
    assert tables.choices_table(hand_answer).empty


def test_lap_times_number_timed_laps_and_carry_the_fit(hand_answer):
    table = tables.lap_times_table(hand_answer)
    assert list(table["lap_count"]) == list(range(1, 8))
    laps = hand_answer.laps.query("kind == 'timed'")
    assert table["mean"].to_numpy() == pytest.approx(95 + 0.05 * laps["age_laps"].to_numpy())
    assert (table["upper"] - table["lower"]).to_numpy() == pytest.approx(1.0)
    assert list(table.loc[~table["counts"].astype(bool), "reason"]) == ["traffic"]


def test_drop_off_marks_ages_seen_and_reaches_past_the_plan(hand_answer):
    table = tables.drop_off_table(hand_answer)
    oldest = hand_answer.laps.query("counts")["age_laps"].max()
    assert table.loc[table["seen"], "age_laps"].max() == oldest
    assert table["age_laps"].max() >= hand_answer.allocation.table["age_laps"].max() + 5
    assert table["mean"].to_numpy() == pytest.approx(0.05 * table["age_laps"].to_numpy())
    # the hand-made draws are spread evenly over 0.03 to 0.07 s a lap: 5 % in from either end
    at_10 = table.set_index("age_laps").loc[10.0]
    assert at_10["lower"] == pytest.approx(10 * (0.03 + 0.05 * 0.04), abs=1e-3)
    assert at_10["upper"] == pytest.approx(10 * (0.07 - 0.05 * 0.04), abs=1e-3)


def test_drop_off_is_drawn_before_any_lap(hand_answer):
    hand_answer.laps = hand_answer.laps.iloc[:0]
    table = tables.drop_off_table(hand_answer)
    assert len(table) > 5
    assert not table["seen"].iloc[1:].any()
    assert tables.lap_times_table(hand_answer).empty


def test_tread_has_readings_and_the_forecast_of_the_next_tyres(hand_answer):
    table = tables.tread_table(hand_answer)
    measured = table[~table["forecast"]]
    assert measured.set_index("tyre_id")["tread_mm"].to_dict() == pytest.approx(
        {"N1": 5.2, "N2": 5.3, "N3": 5.4, "N4": 5.5}
    )
    forecast = table[table["forecast"]]
    assert set(forecast["tyre_id"]) == {"N6", "N7", "N8"}  # N5 was never measured
    last = forecast[forecast["tyre_id"] == "N6"].iloc[-1]
    assert last["tread_mm"] == pytest.approx(7.9 - 0.05 * last["age_laps"])
    assert last["age_laps"] == 23  # to the end of R1
    assert (forecast["lower"] <= forecast["upper"]).all()


def test_a_tread_forecast_ends_where_the_tyre_leaves_the_corner(hand_answer):
    """N6 runs 6 laps in Q at the front right; in R1 it goes to the rear left."""
    plan = hand_answer.allocation.table
    moved = (plan["session"] == "R1") & plan["tyre_id"].isin(["N6", "N3"])
    plan.loc[moved, "tyre_id"] = ["N3", "N6"]
    table = tables.tread_table(hand_answer)
    assert table.loc[table["forecast"] & (table["tyre_id"] == "N6"), "age_laps"].max() == 6


def test_plan_is_wide_and_in_the_order_of_the_event(hand_answer):
    plan = tables.plan_table(hand_answer)
    assert list(plan.columns) == ["session", "label", "FL", "FR", "RL", "RR"]
    assert list(plan["session"]) == ["Q", "R1"]
    assert list(plan.iloc[1][["FL", "RL"]]) == ["N5", "N3"]


def second_stint(answer, **tyres):
    """Add a second stint to R1 with some tyres changed."""
    plan = answer.allocation.table
    more = plan[plan["session"] == "R1"].assign(stint=2, age_end_laps=40.0, tread_end_low_mm=3.3)
    more["tyre_id"] = [
        tyres.get(c, t) for c, t in zip(more["corner"], more["tyre_id"], strict=True)
    ]
    answer.allocation.table = pd.concat([plan, more], ignore_index=True)


def test_stints_on_the_same_tyres_are_one_fitting(hand_answer):
    second_stint(hand_answer)
    assert list(tables.plan_table(hand_answer)["label"]) == ["Q", "R1"]
    cell = tables.plan_cells(hand_answer).query("session == 'R1' and corner == 'FL'").iloc[0]
    assert (cell["age_laps"], cell["age_end_laps"], cell["tread_end_low_mm"]) == (6.0, 40.0, 3.3)


def test_a_change_at_a_stop_is_a_fitting_of_its_own(hand_answer):
    second_stint(hand_answer, FL="N1")
    plan = tables.plan_table(hand_answer).set_index("label")
    assert list(plan.index) == ["Q", "R1", "R1, stint 2"]
    assert list(plan["FL"]) == ["N5", "N5", "N1"]


def test_tyre_use_tells_done_next_and_planned_apart(hand_answer):
    use = tables.tyre_use_table(hand_answer)
    states = use.groupby("session")["state"].agg(set).to_dict()
    assert states == {"P1": {"run"}, "Q": {"next"}, "R1": {"planned"}}
    assert list(dict.fromkeys(use["tyre_id"])) == [f"N{i}" for i in range(1, 9)]


def test_fuel_tables(hand_answer):
    loads = tables.fuel_table(hand_answer)
    assert list(loads["session"]) == ["Q", "R1"]
    risks = tables.fuel_risk_table(hand_answer, "R1")
    assert risks["chosen"].sum() == 1
    assert risks.loc[risks["chosen"], "start_l"].item() == pytest.approx(38.6)


def test_notes_come_once_each_and_doubts_surest_first(hand_answer):
    said = tables.notes(hand_answer)
    assert len(said) == len(set(said))
    assert "P1-1: lap line inferred" in said
    assert list(tables.doubts_table(hand_answer)["sure"]) == [0.7]


def test_the_stricter_tread_limit_counts(hand_event):
    assert tables.tread_limit_mm(hand_event) == 1.6
