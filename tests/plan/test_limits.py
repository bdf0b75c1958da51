"""Each kind of limit: its words, what it forbids, whether it binds, how it eases.

What a limit forbids is checked on the plan itself, from the wording of the contract.
"""

from __future__ import annotations

import numpy as np
import pytest
from stand_ins import StraightLoss, StraightWear, make_event, make_tyres

from tyrekit.plan.allocation import allocate
from tyrekit.plan.limits import KINDS, plan_limits
from tyrekit.record import event as records
from tyrekit.record.limit import Limit

ONE_OF_EACH = {
    "new_tyres": ("most = 2", "at most 2 new tyres over the event"),
    "pool": (
        'sessions = ["Q", "R1"]\nmost = 5\nmarked_only = true',
        "at most 5 different tyres over Q, R1, marked tyres only",
    ),
    "start_on": ('session = "R1"\nsame_as = "Q"', "R1 starts on the tyres used in Q"),
    "minimum_tread": (
        "mm = 3.9\nconfidence_pct = 90.0",
        "at least 3.9 mm of tread at the end of every session (90 % confidence)",
    ),
    "longest_life": (
        "laps = 31\nheat_cycles = 4\nkm = 100.0",
        "no tyre past 31 laps or 4 heat cycles or 100 km",
    ),
    "same_side": ("", "tyres stay on the side they first ran on"),
    "matched_axle": ("laps = 3", "left and right of an axle within 3 laps of age"),
    "scrubbed_before": ('sessions = ["R2"]', "only tyres scrubbed before R2"),
    "keep_spare": ('session = "R2"\nper = "corner"', "a usable spare per corner for R2"),
    "lock": ('session = "Q"\ntyres = { FL = "U1", RR = "N2" }', "the lock of Q to FL U1, RR N2"),
}


def plan(*kinds, tyres=None, **named):
    text = "".join(f'[[limit]]\nkind = "{kind}"\n{ONE_OF_EACH[kind][0]}\n' for kind in kinds)
    tyres = make_tyres(new=4, used=6) if tyres is None else tyres
    named = {"alternatives": 0, "rng": np.random.default_rng(1)} | named
    return allocate(make_event(text), tyres, StraightLoss(), StraightWear(), **named)


def limit_of(found):
    return found.problem.limits[0]


def tyres_in(found, *sessions):
    return set(found.table.loc[found.table["session"].isin(sessions), "tyre_id"])


def test_every_kind_of_the_contract_has_its_object():
    union = Limit.__origin__.__args__ if hasattr(Limit, "__origin__") else ()
    assert set(KINDS) == set(union)
    assert set(ONE_OF_EACH) == {kind.model_fields["kind"].annotation.__args__[0] for kind in KINDS}


@pytest.mark.parametrize("kind", ONE_OF_EACH)
def test_it_states_itself_in_words(kind):
    assert limit_of(plan(kind)).words() == ONE_OF_EACH[kind][1]


def test_new_tyres_counts_first_uses_and_binds():
    free, held = plan(), plan("new_tyres")
    assert sum(t.startswith("N") for t in tyres_in(free, "P1", "Q", "R1", "R2")) > 2
    assert sum(t.startswith("N") for t in tyres_in(held, "P1", "Q", "R1", "R2")) == 2
    assert limit_of(held).binds(held.table, held.problem)


def test_pool_counts_different_tyres_and_asks_for_marks():
    tyres = make_tyres(new=4, used=6)
    tyres.loc[tyres["tyre_id"].isin(["N1", "N2"]), "marked"] = False
    held = plan("pool", tyres=tyres)
    inside = tyres_in(held, "Q", "R1")
    assert len(inside) <= 5 and inside.isdisjoint({"N1", "N2"})
    assert limit_of(held).binds(held.table, held.problem) == (len(inside) == 5)


def test_start_on_takes_the_very_tyres():
    held = plan("start_on")
    assert tyres_in(held, "R1") == tyres_in(held, "Q")
    assert tyres_in(plan(), "R1") != tyres_in(plan(), "Q")


def test_minimum_tread_holds_at_the_stated_confidence():
    held = plan("minimum_tread")
    assert held.table["tread_end_low_mm"].min() >= 3.9
    assert plan().table["tread_end_low_mm"].min() < 3.9
    near = held.table["tread_end_low_mm"].min() - 3.9 < 0.06
    assert limit_of(held).binds(held.table, held.problem) == near


def test_longest_life_holds_in_each_measure():
    held = plan("longest_life")
    assert held.table["age_end_laps"].max() <= 31
    assert held.table["heat_cycles"].max() + 1 <= 4
    assert held.table["distance_km"].max() <= 100.0
    assert plan().table["distance_km"].max() > 100.0
    assert limit_of(held).binds(held.table, held.problem)


def test_same_side_keeps_left_left():
    held = plan("same_side")
    sides = held.table.groupby("tyre_id")["corner"].agg(lambda c: len({name[1] for name in c}))
    assert (sides == 1).all()


def test_matched_axle_holds_at_every_start():
    held = plan("matched_axle")
    ages = held.table.pivot(index="session", columns="corner", values="age_laps")
    apart = np.maximum((ages["FL"] - ages["FR"]).abs(), (ages["RL"] - ages["RR"]).abs())
    assert apart.max() <= 3
    assert limit_of(held).binds(held.table, held.problem) == (apart.max() == 3)


def test_scrubbed_before_wants_a_heat_cycle():
    new = make_tyres(new=8, used=0)
    held = plan("scrubbed_before", tyres=new)
    assert (held.table.loc[held.table["session"] == "R2", "heat_cycles"] >= 1).all()
    free = plan(tyres=new)
    assert (free.table.loc[free.table["session"] == "R2", "heat_cycles"] == 0).any()


def test_keep_spare_leaves_usable_tyres_in_hand():
    held = plan("keep_spare", tyres=make_tyres(new=4, used=4))
    assert sorted(held.spares["corners"]) == ["FL", "FR", "RL", "RR"]
    spare, runs = set(held.spares["tyre_id"]), tyres_in(held, "R2")
    assert len(spare) == 4 and spare.isdisjoint(runs)


def test_a_worn_out_tyre_is_no_spare():
    worn = [{"tyre_id": f"X{i}", "age_laps": 30, "distance_km": 90.0} for i in range(6)]
    tyres = make_tyres(*worn, new=4, used=4)
    held = plan("keep_spare", "longest_life", tyres=tyres)
    assert set(held.spares["tyre_id"]).isdisjoint({f"X{i}" for i in range(6)})


def test_axle_and_side_of_the_tyre_list_are_obeyed():
    tyres = make_tyres(new=4, used=4)
    tyres["axle"] = ["front", "front", "rear", "rear"] * 2
    tyres["side"] = ["left", "right"] * 4
    table = plan(tyres=tyres).table
    at = dict(zip(tyres["tyre_id"], zip(tyres["axle"], tyres["side"], strict=True), strict=True))
    for corner, tyre in zip(table["corner"], table["tyre_id"], strict=True):
        axle, side = at[tyre]
        assert (corner[0] == "F") == (axle == "front") and (corner[1] == "L") == (side == "left")


@pytest.mark.parametrize(
    ("kind", "way", "words"),
    [
        ("new_tyres", 0, "at most 5 new tyres over the event"),
        ("pool", 0, "at most 8 different tyres over Q, R1, marked tyres only"),
        ("minimum_tread", 0, ONE_OF_EACH["minimum_tread"][1].replace("3.9", "3.6")),
        ("longest_life", 0, "no tyre past 34 laps or 4 heat cycles or 100 km"),
        ("longest_life", 1, "no tyre past 31 laps or 7 heat cycles or 100 km"),
        ("longest_life", 2, "no tyre past 31 laps or 4 heat cycles or 103 km"),
        ("matched_axle", 0, "left and right of an axle within 6 laps of age"),
    ],
)  # fmt: skip
def test_it_eases_by_whole_steps(kind, way, words):
    eased = limit_of(plan(kind)).easings()[way](3)
    assert eased is not None and eased.words() == words


def test_easings_end():
    pool, spare = (limit_of(plan(kind)) for kind in ("pool", "keep_spare"))
    unmarked = pool.easings()[1]
    assert unmarked(1).words() == "at most 5 different tyres over Q, R1" and unmarked(2) is None
    assert spare.easings()[0](1).words() == "a usable spare per axle for R2"
    tread = limit_of(plan("minimum_tread")).easings()[0]
    assert tread(39).rule.mm == 0 and tread(40) is None
    for kind in ("same_side", "start_on", "scrubbed_before", "lock"):
        assert limit_of(plan(kind)).easings() == ()


def test_records_of_the_event_become_limits_in_their_order():
    rules = (
        records.SameSide(kind="same_side"),
        records.NewTyres(kind="new_tyres", most=3),
    )
    assert [limit.rule for limit in plan_limits(rules)] == list(rules)


@pytest.mark.parametrize(
    ("least", "asked", "held"),
    [(1.6, [], [1.6]), (1.6, [1.0], [1.0, 1.6]), (1.6, [2.0], [2.0]), (0.0, [], [])],
)
def test_the_least_tread_stated_for_the_tyres_is_a_limit(least, asked, held):
    """The contract: a stated least tread is not broken because no [[limit]] repeats it."""
    limits = "".join(f'[[limit]]\nkind = "minimum_tread"\nmm = {mm}\n' for mm in asked)
    event = make_event(limits)
    tyres = event.tyres.model_copy(update={"minimum_tread_mm": least})
    event = event.model_copy(update={"tyres": tyres})
    found = [rule for rule in event.rules if isinstance(rule, records.MinimumTread)]
    assert [rule.mm for rule in found] == held
    assert all(rule.confidence_pct == 90.0 for rule in found)


def test_tyres_at_the_least_tread_stated_are_planned_for_nothing():
    worn = make_tyres(new=4, used=6)
    worn.loc[worn["tyre_id"].str.startswith("U"), ["tread_mm", "tread_min_mm"]] = 1.7
    found = plan(tyres=worn)
    assert found.status == "optimal"
    assert not tyres_in(found, *found.table["session"]) & {f"U{i}" for i in range(1, 7)}
    assert any("1.6 mm of tread" in words for words in plan(tyres=worn.iloc[4:]).blocked_by)
