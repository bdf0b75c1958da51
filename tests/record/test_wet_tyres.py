"""Wets stand apart from dry tyres, scrapped tyres are not planned with; on weekends with truth."""

import numpy as np
import pandas as pd
import pytest
from plain_weekends import CORNERS, plain

from tyrekit.fit.pressure_readings import hot_readings
from tyrekit.fit.prior import beliefs
from tyrekit.record.weekend import Weekend
from tyrekit.record.wet_tyres import is_wet_spec, wet_tyres
from tyrekit.show.answer import answer, tread_fit
from tyrekit.show.review import review

WEAR = {"FL": 0.05, "FR": 0.05, "RL": 0.04, "RR": 0.04}  # of `plain`, mm per lap
NEW_WET_MM = 7.5  # invented; a new slick of `plain` has 5.0


def wet_weekend(spec="wet", wet="", more=2):
    """A plain weekend whose P1 was run on wets, with `more` wets unused; measured correctly."""
    one, rng = plain(3, sets=2), np.random.default_rng(4)
    names = {f"U{i}": f"W{i}" for i in range(1, 5)}
    for row in one.book["tyres"]:
        row["wet"] = ""
        if row["tyre_id"] in names:
            row |= {"tyre_id": names[row["tyre_id"]], "spec": spec, "new": 1, "age_laps": 0,
                    "distance_km": 0.0, "heat_cycles": 0, "wet": wet}  # fmt: skip
    for row in one.book["runs"]:
        row |= {corner: names.get(row[corner], row[corner]) for corner in CORNERS}
    for row in one.book["tread"]:
        if row["tyre_id"] in names:
            row["tyre_id"] = names[row["tyre_id"]]
            laps = 8 if row["after_run"] else 0
            for place in ("inner_mm", "centre_mm", "outer_mm"):
                row[place] = round(NEW_WET_MM - 0.02 * laps + 0.03 * float(rng.normal()), 2)
    one.sessions[0]["wet"] = True
    return one


@pytest.mark.parametrize(
    "spec",
    ["wet", "W-2 Wet", "FullWet", "RAIN", "Intermediate", "inter 3", "Regen", "Regenreifen", "Naß",
     "Pluie", "pneu intermédiaire", "Bagnato", "pioggia", "Lluvia", "mojado", "regn", "Våt",
     "opony deszczowe", "chuva", "雨"],
)  # fmt: skip
def test_words_of_the_trade_for_a_wet_track(spec):
    assert is_wet_spec(spec)


@pytest.mark.parametrize(
    "spec", ["slick", "winter", "terrain", "sprinter", "international", "train", "semi", "", "Soft"]
)
def test_parts_of_other_words_do_not_make_a_wet(spec):
    assert not is_wet_spec(spec)


def test_the_tyre_list_has_the_last_word():
    tyres = pd.DataFrame({"spec": ["X9", "X9", "wet", "wet"], "wet": ["yes", "", "no", ""]})
    assert wet_tyres(tyres).tolist() == [True, False, False, True]


@pytest.mark.parametrize(("spec", "wet"), [("wet", ""), ("Regen", ""), ("X9", "1")])
def test_wets_raise_no_doubt_and_leave_the_dry_wear_alone(tmp_path, spec, wet):
    """Simulated truth: correct readings of slicks and wets; wear within its interval."""
    weekend = Weekend.open(wet_weekend(spec, wet).write(tmp_path))
    assert weekend.doubts == ()
    assert any("W1..W4 are taken as wet" in note for note in weekend.notes)
    found = tread_fit(weekend, beliefs(weekend.event))
    assert set(found.tyres) == {"N1", "N2", "N3", "N4"}
    assert found.left_out["reason"].str.contains("wet tyre").sum() == 8
    for corner, mm in WEAR.items():
        mean, sd = found.wear_mm_per_lap(corner)
        assert abs(mean - mm) < 2 * sd < 0.05


def test_laps_and_pressures_on_wets_stay_out_of_the_dry_fits(tmp_path):
    one = wet_weekend()
    one.sessions[0]["wet"] = False  # and the track was dry: the tyres alone say it
    weekend = Weekend.open(one.write(tmp_path))
    on_wets = weekend.laps["session"] == "P1"
    assert not weekend.laps.loc[on_wets, "counts"].any()
    assert set(weekend.laps.loc[on_wets & (weekend.laps["kind"] == "timed"), "reason"]) == {
        "on wet tyres"
    }
    found = answer(weekend, plan_only=True)
    assert found.pressure.left_out["reason"].str.contains("wet tyre").sum() == 4
    wets = weekend.tyres.loc[weekend.tyres["wet"], "tyre_id"]
    hot = hot_readings(weekend.pressures, weekend.laps, weekend.runs, weekend.weather, wets)
    assert hot.groupby("session")["wet"].all().to_dict() == {"P1": True, "P2": False}


def test_the_review_shows_a_wets_own_wear_and_claims_no_life_for_it(tmp_path):
    found = review(Weekend.open(wet_weekend().write(tmp_path)))
    tyres = found.tyres.set_index("tyre_id")
    assert (tyres.loc[["W1", "W2", "W3", "W4"], "state"] == "a wet tyre").all()
    assert tyres.loc["W1", "wear_mm_per_lap"] == pytest.approx(0.02, abs=0.01)
    assert np.isnan(tyres.loc["W1", "laps_left"]) and tyres.loc["N1", "laps_left"] > 0
    told = found.outcome[found.outcome["session"] == "P1"]
    assert not told["what"].isin(["tread after", "hot pressure"]).any()


def scrapped(one, tyre_id, word="yes"):
    for row in one.book["tyres"]:
        row["scrapped"] = word if row["tyre_id"] == tyre_id else ""
        row["note"] = "flat spot" if row["tyre_id"] == tyre_id else ""
    return one


def test_a_scrapped_tyre_is_never_planned_with_and_its_history_counts(tmp_path):
    weekend = Weekend.open(scrapped(plain(5, sets=3), "N1", "1").write(tmp_path))
    assert weekend.tyres.set_index("tyre_id").loc["N1", "scrapped"]
    assert any(note.startswith("N1: scrapped") for note in weekend.notes)
    found = answer(weekend)
    assert found.allocation.status == "optimal"
    assert len(found.allocation.table) and "N1" not in set(found.allocation.table["tyre_id"])
    assert "N1" in found.tread.tyres
    assert "N1" in set(answer(Weekend.open(plain(5, sets=3).write(tmp_path / "2"))).allocation
                       .table["tyre_id"])  # fmt: skip


def test_a_scrapped_tyre_counts_in_the_pool_it_was_used_in(tmp_path):
    """Four tyres in all for Q and R1: with one of Q's scrapped, a fifth is one too many."""
    one = plain(6, sets=3, sessions=("Q", "R1"), run=("Q",))
    one.limits.append({"kind": "pool", "sessions": ["Q", "R1"], "most": 4})
    assert answer(Weekend.open(one.write(tmp_path / "1"))).allocation.status == "optimal"
    found = answer(Weekend.open(scrapped(one, "U1").write(tmp_path / "2")))
    assert found.allocation.status == "impossible"


def test_a_lock_on_a_scrapped_tyre_says_so(tmp_path):
    one = scrapped(plain(5, sets=3), "N1")
    one.limits.append({"kind": "lock", "session": "Q", "tyres": {"FL": "N1"}})
    found = answer(Weekend.open(one.write(tmp_path))).allocation
    assert any("N1 is scrapped" in words for words in found.blocked_by)


def test_scrapped_wants_yes_or_no(tmp_path):
    with pytest.raises(Exception, match=r"scrapped is 'maybe'.*yes, no"):
        Weekend.open(scrapped(plain(5), "N1", "maybe").write(tmp_path))


def test_a_column_added_in_a_spreadsheet_changes_only_the_rows_it_says_something_of(tmp_path):
    """`tyrekit import` of the tyre list with a new column; what a panel typed meanwhile stands."""
    folder = plain(5, sets=3).write(tmp_path)
    weekend = Weekend.open(folder)
    row_id = int(weekend.book.read("tyres").query("tyre_id == 'N2'").index[0])
    weekend.book.correct(row_id, {"note": "typed in a panel"}, "panel")
    scrapped(one := plain(5, sets=3), "N1")
    one.write(folder)
    said = Weekend.open(folder).import_csv("engineer")
    assert len(said) == 1 and said[0].startswith("book/tyres.csv row 6: corrects")
    tyres = Weekend.open(folder).tyres.set_index("tyre_id")
    assert tyres.loc["N1", "scrapped"] and tyres["scrapped"].sum() == 1
    assert tyres.loc["N2", "note"] == "typed in a panel"
