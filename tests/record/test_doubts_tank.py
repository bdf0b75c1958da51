"""Fuel that contradicts itself where no logger counts it; on weekends told in full."""

import pytest
from plain_weekends import plain

from tyrekit.record.weekend import Weekend

DENSITY = 0.745  # of `plain`, kg/l
CAN_KG = 7.0  # an invented can, weighed with what was drained


def untold(seed=1, believed=True, **more):
    """A weekend without litres on any lap: fills, drains and run sheets are all there is."""
    one = plain(seed, run=("P1", "P2", "Q"), **more)
    for row in one.rows("laps"):
        row["fuel_used_l"] = ""
    if not believed:
        del one.event["fuel"]["use_l_per_lap"]
    return one


def doubts(one, folder):
    return Weekend.open(one.write(folder)).doubts


def drains(one):
    return [row for row in one.rows("fuel") if row["kind"] == "drain"]


@pytest.mark.parametrize("believed", [True, False])
@pytest.mark.parametrize("seed", range(1, 6))
def test_fuel_that_balances_raises_no_doubt(tmp_path, seed, believed):
    assert doubts(untold(seed, believed), tmp_path) == ()


@pytest.mark.parametrize("use_l", [1.0, 2.6])
def test_another_use_than_the_kit_would_guess_raises_none(tmp_path, use_l):
    """0.33 and 0.87 l/km, inside what cars of this kind burn; nothing is believed of it."""
    assert doubts(untold(1, False, use_l=use_l), tmp_path) == ()


@pytest.mark.parametrize("believed", [True, False])
def test_drains_weighed_with_the_can(tmp_path, believed):
    one = untold(1, believed)
    for row in drains(one):
        kg = row["volume_l"] * DENSITY + 3 * CAN_KG
        row |= {"mass_kg": round(kg, 2), "volume_l": ""}
    found = [d for d in doubts(one, tmp_path) if d.name == "more drained than was left"]
    assert [d.where for d in found] == [f"book/fuel.csv row {n}" for n in (3, 5, 7)]
    assert all(d.sure > 0.9 and "can" in d.evidence for d in found)
    start_kg = one.rows("runs")[0]["fuel_start_kg"]
    assert f"run P1-1 starts with {start_kg:.1f} kg and its 7 laps" in found[0].evidence


def test_a_drain_with_ten_litres_too_many(tmp_path):
    one = untold()
    drains(one)[1]["volume_l"] += 10
    found = doubts(one, tmp_path)
    assert {d.where for d in found} == {"book/fuel.csv row 5"}
    assert f"({drains(one)[1]['volume_l']:.1f} L)" in found[0].evidence


@pytest.mark.parametrize("litres", [7.0, -7.0])
def test_a_balance_unlike_the_others_is_named(tmp_path, litres):
    """Possible by itself, 1 l a lap off: the other runs say otherwise."""
    one = untold(1, False)
    if litres > 0:
        drains(one)[1]["volume_l"] += litres
    else:  # filled and started with more, never drained
        next(r for r in one.rows("fuel") if r["run_id"] == "P2-1")["volume_l"] -= litres
        one.rows("runs")[1]["fuel_start_kg"] -= litres * DENSITY
    found = [d for d in doubts(one, tmp_path) if d.name == "fuel per lap"]
    assert [d.where for d in found] == ["book/fuel.csv row 5"]
    assert "runs P2-1:" in found[0].evidence and "the other runs say 1.3" in found[0].evidence
    assert ("drain too large" in found[0].evidence) == (litres > 0)


def test_use_beyond_belief_is_named(tmp_path):
    """All balances alike, 0.7 l a lap where 1.8 +- 0.1 is believed."""
    one = untold(1, use_l=0.7)
    one.event["fuel"]["use_l_per_lap"] = {"mean": 1.8, "sd": 0.1}
    found = [d for d in doubts(one, tmp_path) if d.name == "fuel per lap"]
    assert len(found) == 3 and "[fuel] use_l_per_lap has 1.12 to 1.56 kg" in found[0].evidence


def test_more_aboard_than_was_left(tmp_path):
    """P2 starts 12 kg above what was filled: a fill nobody wrote down, P1 was not drained."""
    one = untold()
    one.book["fuel"] = [
        r for r in one.rows("fuel") if r["run_id"] == "P1-1" and r["kind"] == "fill"
    ]
    one.rows("runs")[1]["fuel_start_kg"] = 25.0
    found = [d for d in doubts(one, tmp_path) if d.name == "more aboard than was left"]
    assert found and found[0].where == "book/runs.csv row 3" and "P2-1" in found[0].evidence


def test_litres_typed_as_start_kg_are_named_once(tmp_path):
    """Density: 0.745 kg/l, so every start is 1 / 0.745 of what was filled."""
    one = untold()
    for row in one.rows("runs"):
        row["fuel_start_kg"] = round(row["fuel_start_kg"] / DENSITY, 1)
    found = doubts(one, tmp_path)
    assert [d.name for d in found] == ["start fuel in litres"]
    assert found[0].sure >= 0.95 and "litres written as kg" in found[0].evidence
    assert "x 0.745" in found[0].next_step and found[0].where == "book/runs.csv row 2"


def test_a_fill_not_written_down_is_not_called_litres(tmp_path):
    one = untold()
    one.rows("runs")[1]["fuel_start_kg"] += 15.0
    found = [d for d in doubts(one, tmp_path) if d.name.startswith("start fuel")]
    assert [d.name for d in found] == ["start fuel"] and "a fill not written" in found[0].evidence
