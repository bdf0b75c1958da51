"""Numbers in words. Expected texts are the definition of the format, worked out by hand."""

import math
from datetime import timedelta

import pandas as pd
import pytest

from tyrekit.show import words
from tyrekit.show.answer import conditions_now


@pytest.mark.parametrize(
    ("lap_time_s", "text"),
    [(103.2, "1:43.2"), (59.96, "1:00.0"), (5.0, "0:05.0"), (119.94, "1:59.9"), (119.96, "2:00.0"),
     (-62.0, "−1:02.0"), (math.nan, "–"), (None, "–")],
)  # fmt: skip
def test_clock_rounds_before_it_splits(lap_time_s, text):
    assert words.clock(lap_time_s) == text


@pytest.mark.parametrize(
    ("chance", "text"),
    [(0.005, "1 in 200"), (0.0048, "1 in 200"), (0.0051, "1 in 190"), (1 / 3, "1 in 3"),
     (0.5, "more likely than not"), (0.0001, "1 in 10 000"), (1e-9, "under 1 in 1 000 000"),
     (math.nan, "–")],
)  # fmt: skip
def test_one_in_never_flatters(chance, text):
    assert words.one_in(chance) == text


@pytest.mark.parametrize("chance", [0.4, 0.03, 0.0049, 0.00051, 0.0000123])
def test_one_in_says_at_least_the_chance(chance):
    times = float(words.one_in(chance).removeprefix("1 in ").replace(" ", ""))
    assert 1 / times >= chance * (1 - 1e-6)


@pytest.mark.parametrize(
    ("share", "text"), [(0.0, "under 1 %"), (0.01, "1 %"), (0.996, "over 99 %"), (1, "over 99 %")]
)
def test_percent_does_not_round_to_certainty(share, text):
    assert words.percent(share) == text


def test_number_has_no_minus_zero_and_a_dash_for_the_unknown():
    assert words.number(-0.04) == "0.0"
    assert words.number(-1.25, 2) == "−1.25"
    assert words.number(math.nan) == words.number(None) == "–"
    assert words.signed(0.31, 2) == "+0.31"


def test_html_escapes_what_a_person_typed():
    assert words.html('<b a="1">&') == "&lt;b a=&quot;1&quot;&gt;&amp;"


@pytest.mark.parametrize(
    "parts", [[4.3015, 21.5125, 13.4941, 39.038], [0.04, 0.04, 0.04], [-8.0, 9.96]]
)
def test_rounded_parts_add_up_to_the_rounded_sum(parts):
    shown = words.adding_up(parts)
    assert sum(shown) == pytest.approx(round(sum(parts), 1), abs=1e-9)
    assert all(abs(one - part) < 0.1 for one, part in zip(shown, parts, strict=True))


def test_remarks_become_sentences():
    assert words.sentences(["set cold", "", "Look. Twice."]) == "Set cold. Look. Twice."


@pytest.mark.parametrize(
    ("degrees_c", "text"),
    [(32.5, "32.5"), (19.04, "19"), (20.0, "20"), (-0.04, "0"), (-3.26, "−3.3")],
)
def test_temperatures_keep_their_tenth(degrees_c, text):
    assert words.celsius(degrees_c) == text


@pytest.mark.parametrize(("minutes", "again"), [(60, ""), (61, "1 h 01 min before Q"), (-5, "")])
def test_weather_is_old_after_an_hour(hand_answer, minutes, again):
    weekend = hand_answer.weekend
    taken_at = weekend.next_session.start - timedelta(minutes=minutes)
    weekend.weather = pd.DataFrame({"taken_at": [taken_at], "air_c": [19.5], "track_c": [32.5]})
    weekend.fuel = pd.DataFrame()
    said = conditions_now(weekend).again
    assert again in said and bool(again) == bool(said)
