"""Figures beyond what the data have seen say so, at every place where they stand.

Expected words are the kit's own; what lies beyond is known from how the weekend was written.
"""

import html
import re

import pandas as pd
import pytest
from plain_weekends import plain
from study_numbers import whole_route

from tyrekit.plan import beyond
from tyrekit.plan.problem import Seen
from tyrekit.record.weekend import Weekend
from tyrekit.show.answer import answer
from tyrekit.show.plan_cards import cost_card
from tyrekit.show.sheet_plans import sheet_plans


def flat(page: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", page)).split())


@pytest.fixture(scope="module")
def route(tmp_path_factory):
    """Two practices on tyres up to 13 laps old; a hotter track; a third practice and races."""
    one = plain(sessions=("P1", "P2", "P3", "Q", "R1", "R2"))
    one.sessions[-1]["laps"] = 20
    for row in one.book["weather"][2:]:
        row.update(air_c=28.0, track_c=45.0)
    return whole_route(one.write(tmp_path_factory.mktemp("beyond")))


OLDER = "no tyre has been timed here beyond 11 laps"
PLACES = {
    "the report": ("report", OLDER),
    "the sheet of all pages": ("sheet.html", OLDER),
    "the tyre sheet": ("tyre_sheet.html", OLDER),
    "wear, on the tyre sheet": ("tyre_sheet.html", "or measured beyond 13"),
    "a hotter track for pressures, on the tyre sheet": (
        "tyre_sheet.html", "track 45 °C is hotter than any pressure was read in",
    ),
    "hotter air for pressures, on the tyre sheet": (
        "tyre_sheet.html", "air 28 °C is hotter than any pressure was read in",
    ),
    "a hotter track for lap times": (
        "sheet.html", "track 45 °C is hotter than any lap was run on (21 to 23 °C)",
    ),
    "more fuel, on the fuel card": ("fuel_card.html", "more fuel than any lap here was run with"),
    "more fuel, on a race card": ("race_card_R2.html", "more fuel than any lap here was run with"),
    "a longer stint, on a race card": (
        "race_card_R2.html", "a stint of 20 laps is longer than any run here (5 timed laps)",
    ),
    "older tyres, on a race card": ("race_card_R2.html", "older than any timed here (11 laps)"),
    "older tyres, on the run plan": ("run_plan.html", "older than any timed here (11 laps)"),
}  # fmt: skip


@pytest.mark.parametrize("place", PLACES)
def test_it_is_said_where_the_figure_stands(place, route):
    name, words = PLACES[place]
    assert words.lower() in flat(route.texts[name]).lower(), flat(route.texts[name])[-3000:]


def test_it_is_said_beside_the_plan_and_in_the_ranking(route):
    found = route.answer
    assert OLDER in flat(cost_card(found)).lower()
    assert any("older at the end than any tyre timed here" in n for n in found.next_session.notes)
    assert any("hotter than any lap was run on" in note for note in found.notes)


def test_the_review_says_which_forecasts_went_beyond(tmp_path):
    route = whole_route(plain(run=("P1", "P2", "Q", "R1")).write(tmp_path))
    said = flat(route.texts["review.html"])
    assert re.search(r"\d+ of \d+ forecasts went beyond what had been seen by then", said)


def test_a_corner_without_readings_is_named(tmp_path):
    one = plain()
    on_rr = {run["rr"] for run in one.book["runs"]}
    one.book["tread"] = [r for r in one.book["tread"] if r["tyre_id"] not in on_rr]
    one.book["pressures"] = [r for r in one.book["pressures"] if r["corner"] != "RR"]
    said = whole_route(one.write(tmp_path)).texts
    assert "RR: no wear measured yet; other corners and belief stand in" in flat(said["sheet.html"])
    assert "RR: no hot pressure yet; the other corners stand in" in flat(said["sheet.html"])


def table(**columns) -> pd.DataFrame:
    return pd.DataFrame({"session": ["Q"], "tyre_id": ["N1"], "corner": ["FL"],
                         "age_end_laps": [11],
                         "tread_end_low_mm": [3.0], **columns})  # fmt: skip


def test_nothing_is_said_within_what_was_seen():
    """The last of 11 laps is run at an age of 10."""
    assert beyond.of_tyres(table(), Seen(10.0, 11.0)) == ()
    assert beyond.of_choices(table(rank=[1]), Seen(10.0)) == ()
    (both,) = beyond.of_tyres(table(), Seen(9.0, 10.0))
    assert both == (
        "no tyre has been timed here beyond 9 laps or measured beyond 10; Q fronts to 11 (formation"
        " and cool-down laps counted): what they lose and wear from there is expected, not seen"
    )
    (wear,) = beyond.of_tyres(table(), Seen(10.0, 10.0))
    assert (
        "no tyre has been measured here beyond 10 laps; Q" in wear
        and "what they wear" in wear
        and "timed here" not in wear
    )
    (loss,) = beyond.of_tyres(table(), Seen(9.0, 11.0))
    assert (
        "timed here beyond 9 laps; Q" in loss
        and "what they lose from" in loss
        and "measured" not in loss
    )


def test_conditions_within_those_seen_are_passed_over(tmp_path):
    one = plain()
    for row in one.book["weather"]:
        row.update(air_c=15.0, track_c=22.0)
    found = answer(Weekend.open(one.write(tmp_path)))
    notes = (*found.notes, *found.cold_pressures.notes)
    assert not [note for note in notes if "hotter" in note or "colder" in note]
    races = sheet_plans(found).races
    assert any("longer than any run here" in note for note in races["R1"].notes)
