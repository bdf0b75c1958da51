"""The next session wet: the sheets, the panel and the terminal say so and give no dry advice."""

import io
from html import unescape

import pandas as pd
import pytest
from plain_weekends import plain
from rich.console import Console

from tyrekit.record.weekend import Weekend
from tyrekit.show.answer import answer, conditions_at, conditions_now
from tyrekit.show.cards import conditions_line, tyres_card
from tyrekit.show.check_in import _advised
from tyrekit.show.report import report_renderable
from tyrekit.show.review import review
from tyrekit.show.review_tables import tyre_rows
from tyrekit.show.sheet_plans import sheet_plans
from tyrekit.show.sheet_tyres import tyre_page
from tyrekit.show.verdict import musts
from tyrekit.show.wet_session import has_run
from tyrekit.show.what_if import WhatIf, with_pressures


def printed(found):
    console = Console(width=100, file=io.StringIO(), force_terminal=False)
    console.print(report_renderable(found))
    return console.file.getvalue()


def with_wets(wet=True):
    one = plain(2, sets=2)
    for i in range(1, 5):
        one.book["tyres"].append(one.book["tyres"][-1] | {"tyre_id": f"W{i}", "spec": "Regen"})
        row = next(r for r in one.rows("tread") if r["tyre_id"] == "N1")
        one.book["tread"].append(row | {"tyre_id": f"W{i}", "inner_mm": 7.3, "centre_mm": 7.4,
                                        "outer_mm": 7.5})  # fmt: skip
    one.sessions[2]["wet"] = wet
    return one


@pytest.fixture(scope="module")
def wet(tmp_path_factory):
    return answer(Weekend.open(with_wets().write(tmp_path_factory.mktemp("wet"))))


def test_no_dry_pressure_and_no_bleeding_limit(wet):
    assert wet.cold_pressures is None and musts(wet) == [] and conditions_line(wet) == ""
    plans = sheet_plans(wet)
    assert set(plans.pressures) == {"R1", "R2"}
    page = " ".join(tyre_page(wet, plans).sections)
    for text in (page, tyres_card(wet), printed(wet)):
        words = " ".join(unescape(text).split())
        assert words.index("supplier's advice comes first") < words.index("Q is declared wet")
        assert "does not choose among wet tyres" in words and "No session is left" not in words
        assert all(tyre in words for tyre in ("W1", "W4", "7.3 mm", "Regen"))
        assert "bleed a hot tyre" not in words
    assert 'class="now"' not in page  # the plan's first row is R1, not what comes next


def test_the_run_sheet_asks_for_tyres_and_pressures(wet):
    weekend = wet.weekend
    texts, words = _advised(wet, weekend.next_session, weekend)
    assert set(texts) == {"fuel_start_kg"} and "tyres and pressures to be typed" in words


def test_without_wets_it_says_so(tmp_path):
    one = with_wets()
    one.book["tyres"], one.book["tread"] = (
        [row for row in one.rows(table) if row["tyre_id"][0] != "W"] for table in ("tyres", "tread")
    )
    assert "No wet tyre is in the tyre list" in printed(answer(Weekend.open(one.write(tmp_path))))


def test_a_dry_session_has_its_pressures(tmp_path):
    found = answer(Weekend.open(with_wets(wet=False).write(tmp_path)))
    assert found.cold_pressures is not None and "declared wet" not in printed(found)
    supposed = with_pressures(found, found.fits, WhatIf(wet={"Q": True}))
    assert supposed.cold_pressures is None and "Q is declared wet" in tyres_card(supposed)


def weather(weekend, *rows):
    taken = [weekend.event.session(s).start + pd.Timedelta(minutes=m) for s, m, _ in rows]
    temps = [c for _, _, c in rows]
    weekend.__dict__["weather"] = pd.DataFrame(
        {"taken_at": taken, "air_c": temps, "track_c": [c + 10 for c in temps]}
    )
    return weekend


@pytest.fixture
def before_q(tmp_path) -> Weekend:
    return Weekend.open(plain(2).write(tmp_path))


def test_weather_is_that_nearest_the_session_before_or_after(before_q):
    now = conditions_now(weather(before_q, ("P1", 0, 11.0), ("Q", 0, 15.0), ("Q", 180, 23.0)))
    assert (now.air_c, now.track_c, now.again) == (15.0, 25.0, "")
    assert conditions_now(weather(before_q, ("Q", -50, 12.0), ("Q", 20, 14.0))).air_c == 14.0
    later = before_q.event.session("R2")
    weather(before_q, ("Q", 0, 15.0), ("R2", 30, 35.0))
    assert conditions_at(before_q, later).air_c == 35.0 and conditions_now(before_q).air_c == 15.0


@pytest.mark.parametrize(
    ("minutes", "said"),
    [(130, "2 h 10 min after Q:"), (-130, "2 h 10 min before Q:"),
     (24 * 60, "24 h 00 min after Q, of another day:")],
)  # fmt: skip
def test_weather_of_another_time_is_a_must(before_q, minutes, said):
    weekend = weather(before_q, ("Q", minutes, 35.0))
    found = answer(weekend)
    assert said in musts(found)[0] and "measure again" in musts(found)[0]
    assert said in " ".join(printed(found).split())
    assert said in " ".join(tyre_page(found, sheet_plans(found)).sections)


def test_a_scrapped_tyre_is_marked_in_the_review(tmp_path):
    one = plain(5, sets=3)
    for row in one.rows("tyres"):
        row["scrapped"] = "yes" if row["tyre_id"] == "N1" else ""
    found = review(Weekend.open(one.write(tmp_path)))
    assert found.tyres.set_index("tyre_id")["scrapped"].to_dict()["N1"]
    _, rows = tyre_rows(found)
    assert sum("SCRAPPED" in str(row) for row in rows) == 1


def test_what_a_wet_has_run_is_said_in_words():
    row = {"state": "has run", "age_laps": 1.0, "heat_cycles": 1.0}
    assert has_run(pd.Series(row)) == "has run, 1 lap, 1 heat cycle"
    assert has_run(pd.Series(row | {"age_laps": 12.0})) == "has run, 12 laps, 1 heat cycle"
