"""Which laps count, on small tables made by hand."""

import numpy as np
import pandas as pd
import pytest

from tyrekit.record.counting import counted, usual_laps_s
from tyrekit.record.event import Belief


def table(times, session="R1", kinds=None, run="run"):
    return pd.DataFrame(
        {
            "run_id": run,
            "session": session,
            "lap": np.arange(1, len(times) + 1),
            "kind": kinds or ["timed"] * len(times),
            "reason": "",
            "rule": "",
            "lap_time_s": np.array(times, dtype=float),
        }
    )


def judge(laps, event, rain=""):
    return counted(laps, event, pd.Series(rain, index=laps.index, dtype="str"))


def test_clean_laps_count_and_fly(event):
    laps = judge(table([80, 70, 70.2, 70.1, 90], kinds=["out", *["timed"] * 3, "in"]), event)
    assert laps["counts"].tolist() == [False, True, True, True, False]
    assert laps["flying_lap"].tolist() == [0, 1, 2, 3, 3]
    assert (laps["reason"] == "").equals(laps["counts"])


def test_a_slow_lap_is_left_out_with_its_seconds(event):
    laps = judge(table([70, 70.4, 76.0, 70.2, 70.6]), event)
    assert laps["counts"].tolist() == [True, True, False, True, True]
    assert laps.loc[2, "reason"] == "slow: 5.7 s over the run's usual lap"
    assert laps.loc[2, "kind"] == "timed"


def test_a_lap_within_seven_percent_is_left_to_the_fit(event):
    assert judge(table([70, 70, 70, 74.8]), event)["counts"].all()


def test_two_slow_laps_in_a_row_are_a_caution_and_its_neighbours_do_not_count(event):
    laps = judge(table([70, 70, 78, 112, 110, 84, 70, 70]), event)
    assert laps["kind"].tolist() == [*["timed"] * 3, "caution", "caution", *["timed"] * 3]
    assert laps["counts"].tolist() == [True, True, False, False, False, False, True, True]
    assert "1.60 times" in laps.loc[3, "reason"]
    assert laps.loc[2, "reason"] == laps.loc[5, "reason"] == "a caution began or ended on it"


def test_one_very_slow_lap_is_no_caution(event):
    laps = judge(table([70, 70, 110, 70, 70]), event)
    assert set(laps["kind"]) == {"timed"} and not laps.loc[2, "counts"]


def test_a_race_run_mostly_under_caution_is_judged_by_the_weekend(event):
    race = table([112, 113, 112, 111, 70.5, 112])
    practice = table([70, 70, 70.2, 70.3], session="P1", run="p")
    laps = judge(pd.concat([practice, race], ignore_index=True), event)
    assert laps["kind"].tolist()[4:8] == ["caution"] * 4


def test_a_crossing_too_many_or_missed_is_seen_by_lap_time(event):
    laps = judge(table([70, 70.2, 44.0, 26.0, 70.1, 140.5, 70.2, 70]), event)
    assert "short" in laps.loc[2, "reason"] and "short" in laps.loc[3, "reason"]
    assert "missed" in laps.loc[5, "reason"]
    assert laps["counts"].sum() == 5


@pytest.mark.parametrize(
    ("rain", "counts"), [("", True), ("dry", True), ("damp", False), ("wet", False)]
)
def test_wet_laps_do_not_count(event, rain, counts):
    laps = judge(table([70, 70, 70]), event, rain)
    assert laps["counts"].all() == counts and laps["counts"].any() == counts


def test_a_wet_session_counts_only_where_it_was_dry(event):
    wet = event.session("R1").model_copy(update={"wet": True})
    event = event.model_copy(update={"sessions": (*event.sessions[:2], wet)})
    assert not judge(table([70, 70, 70]), event)["counts"].any()
    assert judge(table([70, 70, 70]), event, "dry")["counts"].all()


def test_a_short_run_is_judged_by_its_session(event):
    long = table([70, 70.1, 70.2, 70.1], session="P1", run="a")
    short = table([76.0, 70.3], session="P1", run="b")
    laps = judge(pd.concat([long, short], ignore_index=True), event)
    assert laps["counts"].tolist() == [True] * 4 + [False, True]


def test_worn_tyres_are_no_reason(event):
    worn = table(list(70 + 0.12 * np.arange(25)))
    assert judge(worn, event)["counts"].all()


def test_a_reason_given_before_stands(event):
    laps = table([99, 70, 70, 70])
    laps.loc[0, "reason"] = "the race's first lap, from the grid"
    judged = judge(laps, event)
    assert judged.loc[0, "reason"] == "the race's first lap, from the grid"
    assert judged["counts"].tolist() == [False, True, True, True]


def test_without_laps_the_belief_stands_in(event):
    circuit = event.circuit.model_copy(update={"lap_time_s": Belief(71.0, 1.0)})
    believed = event.model_copy(update={"circuit": circuit})
    assert usual_laps_s(table([]), believed)["Q"] == 71.0
    assert np.isnan(usual_laps_s(table([]), event)["Q"])


def test_no_laps_at_all(event):
    laps = judge(table([]), event)
    assert len(laps) == 0 and laps["flying_lap"].dtype == "int64"
