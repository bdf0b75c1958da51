"""How sure the choice is and what would tip it; every expected figure is worked out by hand."""

import pandas as pd
import pytest

from tyrekit.show.plan_tables import cost_parts_table
from tyrekit.show.verdict import against, verdict


def rival(**changes):
    return pd.Series(
        {"expected_s": -0.3, "lower_s": -0.59, "upper_s": -0.05, "weekend_cost_s": 0.24} | changes
    )


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "0.30 s faster in Q (0.05 to 0.59), but 0.24 s dearer over the weekend"),
        (
            {"expected_s": 0.31, "lower_s": -0.12, "upper_s": 0.74},
            "0.31 s slower in Q (0.12 faster to 0.74 slower), 0.24 s dearer over the weekend",
        ),
        (
            {"expected_s": 0.001, "weekend_cost_s": 0.01},
            "as fast in Q, level over the weekend",
        ),
    ],
)
def test_a_rival_is_told_by_seconds_here_and_over_the_weekend(changes, words):
    assert against(rival(**changes), "Q") == words


def test_a_close_call_says_what_would_tip_it(hand_answer):
    """0.5 s gained in Q at 1 a second, 1.25 s lost later: level when a second counts 2.5."""
    table = hand_answer.next_session.table
    table.loc[:1, "chance_best"] = [0.5, 0.5]
    table.loc[1, ["expected_s", "later_cost_s", "weekend_cost_s"]] = [-0.5, 1.25, 0.75]
    found = verdict(hand_answer)
    assert found.word == "close call"
    assert "gains 0.50 s in Q (0.50 s, counted 1 times) and costs 1.25 s later" in found.tips
    assert "counts 2.5 or more, not 1" in found.tips


def test_a_clear_choice_and_one_without_a_trade_say_nothing_of_tipping(hand_answer):
    table = hand_answer.next_session.table
    table.loc[0, "chance_best"] = 0.95
    assert verdict(hand_answer).tips == ""
    table.loc[0, "chance_best"] = 0.5
    table.loc[1, ["expected_s", "later_cost_s"]] = [0.5, 0.2]
    assert verdict(hand_answer).tips == ""


def test_what_the_choice_costs_in_the_session_is_told_per_session(hand_answer):
    """Four corners at 0.4 s each; the second choice made 0.31 s faster; one race comes after."""
    table = hand_answer.next_session.table
    assert verdict(hand_answer).costs == (
        "Costs 1.60 s in Q against four new; no other choice listed is faster there"
    )
    table.loc[1, "expected_s"] = -0.31
    assert verdict(hand_answer).costs == (
        "Costs 1.60 s in Q against four new, 0.31 s against the fastest listed (N5 N6 N3 N4);"
        " saved for R1"
    )
    hand_answer.allocation.table["expected_loss_s"] = 0.0
    assert verdict(hand_answer).costs == "As fast in Q as four new"


def test_what_it_costs_agrees_with_the_weekend_plan(hand_answer):
    parts = cost_parts_table(hand_answer).set_index("session")
    assert f"Costs {parts['expected_loss_s']['Q']:.2f} s in Q" in verdict(hand_answer).costs


def test_the_chance_says_of_how_many_choices_it_is_the_best(hand_answer):
    """As it stands by hand: three choices, the first the best in 81 of 100."""
    assert verdict(hand_answer).basis == "81 % to be the best of 3"
