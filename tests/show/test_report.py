"""The terminal report of the hand-made answer."""

from io import StringIO

import pandas as pd
import pytest
from rich.console import Console

from tyrekit.show.report import MOST_LINES, check_renderable, report_renderable


def printed(part, width=100):
    console = Console(width=width, file=StringIO())
    console.print(part)
    return console.file.getvalue()


def test_the_decision_is_there(hand_answer):
    text = printed(report_renderable(hand_answer))
    for words in ("N5", "1.62 bar", "lowest allowed", "38.6 L", "28.8 kg", "1 in 200", "81 %"):
        assert words in text, words
    for words in ("N5 N6 N3 N4", "regulations", "gauge reads low", "R1"):
        assert words in text, words


def test_at_most_39_lines_however_much_there_is_to_say(hand_answer):
    hand_answer.notes = tuple(f"note {i} " + "words " * 30 for i in range(60))
    text = printed(report_renderable(hand_answer))
    assert len(text.splitlines()) <= MOST_LINES
    assert "more on the sheet" in text


def test_a_long_weekend_still_fits(hand_answer):
    plan = hand_answer.allocation.table
    more = [plan.replace({"session": {"Q": f"S{i}", "R1": f"T{i}"}}) for i in range(2)]
    hand_answer.allocation.table = pd.concat([plan, *more])
    text = printed(report_renderable(hand_answer))
    assert len(text.splitlines()) <= MOST_LINES


def test_no_laps_says_that_it_rests_on_beliefs(hand_answer):
    hand_answer.weekend.laps = hand_answer.weekend.laps.iloc[:0]
    assert "beliefs alone" in printed(report_renderable(hand_answer))


def test_an_impossible_plan_names_the_limits(hand_answer):
    hand_answer.allocation.status = "impossible"
    hand_answer.allocation.table = hand_answer.allocation.table.iloc[:0]
    hand_answer.allocation.blocked_by = ("at most 8 new tyres", "R1 starts on Q's tyres")
    hand_answer.next_session.table = hand_answer.next_session.table.iloc[:0]
    text = printed(report_renderable(hand_answer))
    assert "at most 8 new tyres" in text
    assert "38.6 L" in text


def test_an_impossible_fuel_load_says_why(hand_answer):
    load = hand_answer.fuel_loads["R1"]
    load.status, load.blocked_by = "impossible", ("R1 needs 80 L and the tank holds 70 L",)
    assert "the tank holds 70 L" in printed(report_renderable(hand_answer))


@pytest.mark.parametrize("markup", ["[bold]x", "[/]", "[link=http://a]"])
def test_typed_text_is_not_taken_for_markup(hand_answer, markup):
    hand_answer.notes = (f"note {markup} end",)
    assert f"note {markup} end" in printed(report_renderable(hand_answer))


def test_check_lists_doubts_and_notes(hand_answer):
    text = printed(check_renderable(hand_answer.weekend), width=300)
    assert "gauge reads low" in text and "book/pressures.csv row 4" in text
    assert "Check the gauge" in text and "lap line inferred" in text
