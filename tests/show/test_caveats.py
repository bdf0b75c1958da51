"""What the lap times leave open, on the hand-made weekend."""

from dataclasses import replace

import pandas as pd

from tyrekit.show import cards
from tyrekit.show.caveats import caveats_table


def test_scatter_and_what_is_only_expected_are_said_in_plain_words(hand_answer):
    table = caveats_table(hand_answer).set_index("name")
    scatter = table.loc["laps scatter"]
    assert "differ by 0.60 s" in scatter["words"] and "0.25 s was expected" in scatter["words"]
    assert (scatter["figure"], scatter["expected"]) == (0.6, 0.25)
    shares = table.loc["much is expected, not measured", "words"]
    assert "what a tyre loses with age 62 %, what a kilogram of fuel costs 7 %" in shares
    assert "No lap has told yet: what a heat cycle costs, race pace against practice." in shares
    words = " ".join(table["words"])
    assert not any(jargon in words for jargon in ("fit", "belief", "residual", "event.toml"))
    assert "laps scatter" in cards.doubts_card(hand_answer)


def test_laps_that_come_as_expected_are_no_caveat(hand_answer):
    hand_answer.lap_time = replace(hand_answer.lap_time, noise_s=0.3)
    assert "laps scatter" not in set(caveats_table(hand_answer)["name"])


def test_before_any_lap_all_is_expected(hand_answer):
    hand_answer.lap_time = replace(hand_answer.lap_time, n_rows=0)
    assert list(caveats_table(hand_answer)["name"]) == ["no lap counts yet"]


def test_the_run_that_is_furthest_off_is_named(hand_answer):
    """By hand: B's mean square is 0.82 against 0.01 of the others; a run of two laps never is."""
    off = {"A": [0.1, -0.1, 0.1], "B": [-1.0, 0.2, 1.2], "C": [3.0, -3.0]}
    rows = [(run, lap, s, True) for run, all_s in off.items() for lap, s in enumerate(all_s)]
    laps = pd.DataFrame(rows, columns=["run_id", "lap", "residual_s", "kept"])

    def words(table):
        hand_answer.lap_time = replace(hand_answer.lap_time, laps=table)
        return caveats_table(hand_answer).set_index("name").loc["laps scatter", "words"]

    two = laps[laps["run_id"] != "C"]
    said = "Look first at run B: its laps go from 1.00 s faster to 1.20 s slower than expected."
    assert words(two).endswith(said)
    assert "Look first" not in words(laps)  # C's laps are further off still
    assert "Look first" not in words(two.assign(residual_s=0.5))
    assert "Look first" not in words(two.assign(kept=two["run_id"] == "B"))
    turned = two.sort_values("lap", ascending=False, kind="stable")
    assert words(turned).endswith(said)
