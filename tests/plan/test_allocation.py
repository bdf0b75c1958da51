"""The tyre plan from an event, its tyres and stand-in fits: what it says and how it says it.

Expected numbers are closed forms of the stand-ins' straight lines.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from stand_ins import RATE_MM, StraightLoss, StraightWear, make_event, make_tyres

from tyrekit.errors import EventError
from tyrekit.plan.allocation import allocate
from tyrekit.record.event import Lock

CORNERS = ["FL", "FR", "RL", "RR"]


def plan(event, tyres, **named):
    named = {"rng": np.random.default_rng(1), "alternatives": 0} | named
    return allocate(event, tyres, StraightLoss(), StraightWear(), **named)


def on(found, session, stint=1):
    rows = found.table[(found.table["session"] == session) & (found.table["stint"] == stint)]
    return dict(zip(rows["corner"], rows["tyre_id"], strict=True))


def test_every_session_has_four_tyres_and_ages_add_up():
    found = plan(make_event(), make_tyres())
    assert found.status == "optimal" and found.gap_s == 0 and found.bound_s == found.cost_s
    assert list(found.table["session"].unique()) == ["P1", "Q", "R1", "R2"]
    age = dict(zip(make_tyres()["tyre_id"], make_tyres()["age_laps"], strict=True))
    laps = {"P1": 9, "Q": 5, "R1": 16, "R2": 21}  # formation and cool-down laps count
    for session, rows in found.table.groupby("session", sort=False):
        assert list(rows["corner"]) == CORNERS and rows["tyre_id"].nunique() == 4
        for _, row in rows.iterrows():
            assert row["age_laps"] == age[row["tyre_id"]]
            age[row["tyre_id"]] += laps[session]
            assert row["age_end_laps"] == age[row["tyre_id"]]


def test_cost_is_the_weighted_sum_of_losses_from_the_definition():
    found = plan(make_event(), make_tyres())
    first = {"P1": 0, "R1": 1, "R2": 1}
    counted = {"P1": 9, "R1": 14, "R2": 20}
    value = {"P1": 0.0, "Q": 2.0, "R1": 1.0, "R2": 1.5}
    rates = np.array(list(RATE_MM.values()))
    share = dict(zip(CORNERS, 0.25 / 4 + 0.75 * rates / rates.sum(), strict=True))
    total = 0.0
    for _, row in found.table.iterrows():
        laps = (1, 2)  # qualifying: mean of the first two timed laps
        if row["session"] != "Q":
            start = first[row["session"]]
            laps = range(start, start + counted[row["session"]])
        lost = sum(0.05 * (row["age_laps"] + lap) + 0.04 * row["heat_cycles"] for lap in laps)
        lost *= share[row["corner"]] / (2 if row["session"] == "Q" else 1)
        assert row["expected_loss_s"] == pytest.approx(lost, abs=1e-9)
        total += value[row["session"]] * lost
    assert found.cost_s == pytest.approx(total, abs=1e-3)


def test_corner_shares_follow_wear_as_far_as_believed():
    rates = np.array(list(RATE_MM.values()))
    text = "[beliefs.tyre_plan.%s]\nmean = %s\nsd = 0.2\n"
    for mean in (0.0, 0.4, 1.0):
        found = plan(make_event(text % ("loss_follows_wear", mean)), make_tyres())
        share = (1 - mean) / 4 + mean * rates / rates.sum()
        assert found.problem.corner_share == pytest.approx(share)
        assert any(f"FL {100 * share[0]:.0f} %" in note for note in found.notes)
    with pytest.raises(EventError, match="loss_follows_wear"):
        plan(make_event(text % ("follows_wear", 0.5)), make_tyres())
    with pytest.raises(EventError, match=r"cannot be 1\.5"):
        plan(make_event(text % ("loss_follows_wear", 1.5)), make_tyres())


def test_tread_goes_down_by_the_wear_of_the_corners_run():
    found = plan(make_event(), make_tyres())
    first = found.table[found.table["session"] == "P1"].iloc[0]
    new = first["tyre_id"].startswith("N")
    worn = RATE_MM[first["corner"]] * 9 + 0.1 * new
    assert first["tread_start_mm"] == (6.0 if new else 5.0)
    assert first["tread_end_mm"] == pytest.approx(first["tread_start_mm"] - worn)
    low = (5.9 if new else 4.8) - worn * (1 + 0.1 * 1.2815515655446004)  # normal, 90 %
    assert first["tread_end_low_mm"] == pytest.approx(low)


def test_the_order_of_rows_in_the_tyre_list_changes_nothing():
    tyres = make_tyres()
    one, two = plan(make_event(), tyres), plan(make_event(), tyres.sample(frac=1, random_state=3))
    pd.testing.assert_frame_equal(one.table, two.table)


def test_a_weekend_partly_driven_goes_on_from_where_it_stands():
    limits = """
[[limit]]
kind = "start_on"
session = "R1"
same_as = "Q"
[[limit]]
kind = "new_tyres"
most = 4
[[limit]]
kind = "same_side"
"""
    tyres = make_tyres(new=6).set_index("tyre_id")
    ran = ["N1", "N2", "U1", "U2"]
    tyres.loc[ran, "used"] = True
    tyres.loc[ran, "age_laps"] += 5
    tyres.loc[ran, "heat_cycles"] += 1
    fitted = pd.DataFrame({"session": "Q", "corner": CORNERS, "tyre_id": ran})
    found = plan(make_event(limits), tyres.reset_index(), done=("P1", "Q"), fitted=fitted)
    assert set(on(found, "R1").values()) == set(ran)
    assert list(found.table["session"].unique()) == ["R1", "R2"]
    sides = {"N1": "L", "U1": "L", "N2": "R", "U2": "R"}
    for corner, tyre in on(found, "R1").items():
        assert corner[1] == sides[tyre]
    new = {t for t in found.table["tyre_id"] if t.startswith("N")} | {"N1", "N2"}
    assert len(new) <= 4


def test_locks_are_kept_and_marked():
    lock = Lock(kind="lock", session="Q", tyres={"FL": "U3", "RR": "N4"})
    found = plan(make_event(), make_tyres(), locks=(lock,))
    assert on(found, "Q")["FL"] == "U3" and on(found, "Q")["RR"] == "N4"
    locked = found.table[found.table["locked"]]
    assert list(zip(locked["session"], locked["corner"], strict=True)) == [("Q", "FL"), ("Q", "RR")]
    assert found.cost_s >= plan(make_event(), make_tyres()).cost_s


def test_a_lock_names_a_tyre_that_is_not_there():
    lock = Lock(kind="lock", session="Q", tyres={"FL": "N9"})
    with pytest.raises(EventError, match=r"'N9' is not among the dry tyres.*N1, N2") as caught:
        plan(make_event(), make_tyres(), locks=(lock,))
    assert "lock of Q, FL" in str(caught.value)


def test_a_lock_of_a_session_that_is_over_is_left_out_and_said():
    lock = Lock(kind="lock", session="P1", tyres={"FL": "U3"})
    found = plan(make_event(), make_tyres(), locks=(lock,), done=("P1",))
    assert any("lock of P1 is left out" in note for note in found.notes)


def test_wet_sessions_wet_tyres_and_sessions_without_laps_are_left_out_and_said():
    event = make_event(
        P1='kind = "practice"\nminutes = 30\nplanned_laps = 0\nvalue = 0.0',
        R1='kind = "race"\nlaps = 14\nvalue = 1.0\nwet = true',
    )
    wet = [{"tyre_id": f"W{i}", "spec": "rain", "age_laps": 0} for i in range(4)]
    found = plan(event, make_tyres(*wet))
    assert list(found.table["session"].unique()) == ["Q", "R2"]
    assert not any(tyre.startswith("W") for tyre in found.table["tyre_id"])
    said = " ".join(found.notes)
    assert "R1 is wet" in said and "P1 has planned_laps = 0" in said and "kept out" in said


def test_laps_from_minutes_are_said():
    event = make_event(R2='kind = "race"\nminutes = 40\nvalue = 1.5')
    found = plan(event, make_tyres())
    assert any("R2: 26 laps" in note for note in found.notes)  # 2400 s at 95 s, the last finished
    rows = found.table[found.table["session"] == "R2"]
    assert (rows["age_end_laps"] - rows["age_laps"] == 26).all()


def test_laps_from_minutes_are_those_of_the_race_plan():
    # closed form: 2400 s less the stop, at 95 s + 0.4 s of age + 0.04 s of a heat cycle
    text = 'kind = "race"\nminutes = 40\nvalue = 1.5\n' + STOP
    event = make_event(R2=text)
    stop_s = event.circuit.pit_loss_s + 40.0
    expected = int(np.ceil((2400.0 - stop_s) / 95.44))
    assert expected < 26  # without the stop it would be
    assert any(f"R2: {expected} laps" in note for note in plan(event, make_tyres()).notes)


STOP = (
    "stops = { minimum = 1, first_lap = 12, last_lap = 18, stationary_s = 40.0, tyres = true,"
    " refuel = false }"
)


def test_a_race_with_a_stop_is_two_stints_split_within_the_window():
    event = make_event(R2=f'kind = "race"\nlaps = 20\nformation_laps = 1\nvalue = 1.5\n{STOP}')
    found = plan(event, make_tyres(new=8))
    rows = found.table[found.table["session"] == "R2"]
    assert list(rows["stint"].unique()) == [1, 2]
    assert list((rows["age_end_laps"] - rows["age_laps"]).groupby(rows["stint"]).max()) == [13, 8]
    assert any("12 + 8 laps" in note for note in found.notes)
    given = plan(event, make_tyres(new=8), stint_laps={"R2": (14, 6)})
    rows = given.table[given.table["session"] == "R2"]
    assert list((rows["age_end_laps"] - rows["age_laps"]).groupby(rows["stint"]).max()) == [15, 6]


def test_a_race_too_short_for_its_stops_is_planned_as_one_stint_and_said():
    event = make_event(R2=f'kind = "race"\nlaps = 20\nvalue = 1.5\n{STOP}')
    short = event.model_copy(
        update={
            "sessions": tuple(
                s.model_copy(update={"laps": 5}) if s.id == "R2" else s for s in event.sessions
            )
        }
    )
    found = plan(short, make_tyres(new=8))
    assert found.status == "optimal"
    assert any("R2: its stops do not fit into 5 laps" in note for note in found.notes)


def test_tyres_that_stay_on_over_a_stop_have_no_other_heat_cycle():
    event = make_event(P1="", Q="", R1="", R2=f'kind = "race"\nlaps = 20\nvalue = 1.0\n{STOP}')
    found = plan(event, make_tyres(new=4, used=0))
    assert on(found, "R2", 1) == on(found, "R2", 2)
    assert (found.table["heat_cycles"] == 0).all()


def test_unknown_tread_is_estimated_and_said():
    tyres = make_tyres()
    tyres.loc[tyres["tyre_id"].isin(["N4", "U4"]), ["tread_mm", "tread_min_mm"]] = np.nan
    state = {t.tyre_id: t for t in plan(make_event(), tyres).problem.tyres}
    assert state["N4"].tread_mm == 6.0 and state["N4"].tread_low_mm == 5.9
    assert state["U4"].tread_mm == pytest.approx(6.0 - 10 * np.mean(list(RATE_MM.values())))
    assert state["U4"].tread_low_mm < state["U4"].tread_mm
    tyres[["tread_mm", "tread_min_mm"]] = np.nan
    found = plan(make_event(), tyres)
    assert any("belief about a new tyre" in note for note in found.notes)
    assert np.isfinite(found.table["tread_end_low_mm"]).all()


def test_alternatives_differ_in_ages_and_say_so():
    found = plan(make_event(), make_tyres(new=3, used=6), alternatives=3)
    costs = [found.cost_s, *(other.cost_s for other in found.alternatives)]
    assert len(costs) == 4 and costs == sorted(costs)
    for other in found.alternatives:
        assert other.difference_s == pytest.approx(other.cost_s - found.cost_s)
        assert "instead of" in other.differs
    assert 0 <= found.chance_best <= 1 and 0 <= found.chance_tie <= 1 - found.chance_best


def test_nothing_left_and_no_tyres():
    over = plan(make_event(), make_tyres(), done=("P1", "Q", "R1", "R2"))
    assert over.status == "optimal" and not len(over.table) and "no dry session" in over.notes[-1]
    none = plan(make_event(), make_tyres(new=0, used=0))
    assert none.status == "impossible" and "the tyre list" in none.blocked_by[0]
    three = plan(make_event(), make_tyres(new=3, used=0))
    assert three.blocked_by == (
        "the tyre list: 4 tyres are needed for FL, FR, RL, RR, it has N1, N2, N3",
    )


def test_a_spare_is_named():
    limits = '[[limit]]\nkind = "keep_spare"\nsession = "R2"\nper = "axle"\n'
    found = plan(make_event(limits), make_tyres())
    assert list(found.spares["session"]) == ["R2", "R2"]
    assert set(found.spares["tyre_id"]).isdisjoint(on(found, "R2").values())


def test_the_same_generator_gives_the_same_answer():
    one, two = (plan(make_event(), make_tyres(new=3), alternatives=1) for _ in range(2))
    assert one.chance_best == two.chance_best
    pd.testing.assert_frame_equal(one.table, two.table)


def test_a_limit_already_broken_by_what_ran_is_said_and_leaves_no_room():
    tyres = make_tyres(new=5).set_index("tyre_id")
    tyres.loc[["N1", "N2"], "used"] = True
    limits = '[[limit]]\nkind = "new_tyres"\nmost = 1\n'
    found = plan(make_event(limits), tyres.reset_index())
    assert any("2 new tyres have run and the limit is 1" in note for note in found.notes)
    assert set(found.table["tyre_id"]).isdisjoint({"N3", "N4", "N5"})
