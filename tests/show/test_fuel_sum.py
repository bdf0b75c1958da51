"""The start fuel as a sum and the ballast in words; every expected figure is worked out by hand."""

from types import SimpleNamespace

import pytest

from tyrekit.show.fuel_sum import ballast_short, ballast_words, fuel_sum_table

LOAD = {
    "session": "R1", "start_l": 20.0, "start_kg": 15.0, "need_kg": 12.0, "unusable_kg": 1.5,
    "sample_kg": 0.75, "refuel_kg": 0.0, "ballast_kg": 24.1, "ballast_change_kg": -5.9,
    "finish_fuel_kg": 1.9, "finish_mass_kg": 1520.0, "minimum_mass_kg": 1520.0,
    "driver": "Driver <B>",
}  # fmt: skip


def load(**changes):
    return SimpleNamespace(**LOAD | changes)


def test_the_parts_add_up_in_kilograms_and_litres():
    """12 + 0.75 spare + 1.5 + 0.75 = 15 kg; at 0.75 kg/l 16 + 1 + 2 + 1 = 20 l."""
    table = fuel_sum_table(load()).set_index("part")
    assert table["mass_kg"].tolist() == pytest.approx([12.0, 0.8, 1.5, 0.7, 15.0])
    assert table["volume_l"].tolist() == pytest.approx([16.0, 1.0, 2.0, 1.0, 20.0])


@pytest.mark.parametrize("need_kg", [11.93, 12.04, 12.555, 12.349])
def test_rounded_parts_add_up_to_what_is_shown(need_kg):
    for name in ("volume_l", "mass_kg"):
        parts = fuel_sum_table(load(need_kg=need_kg))[name]
        shown = [round(value, 1) for value in parts]
        assert sum(shown[:-1]) == pytest.approx(shown[-1], abs=1e-9)
        assert shown[-1] == pytest.approx(20.0 if name == "volume_l" else 15.0, abs=1e-9)


def test_fuel_added_at_stops_is_taken_off():
    table = fuel_sum_table(load(need_kg=20.0, refuel_kg=8.0)).set_index("part")
    assert table.loc["added at stops", "mass_kg"] == -8.0
    assert table.loc["in the tank", "mass_kg"] == pytest.approx(15.0)


def test_ballast_says_why_against_what_and_on_which_fuel():
    said = ballast_words(load())
    assert "5.9 kg may come off (30.0 kg is entered for the car), then it is 24.1 kg" in said
    assert "1.9 kg of fuel left and the sample taken" in said
    assert "the least allowed is 1520 kg" in said and "just reaches" in said
    assert ballast_short(load()) == "24.1 kg, 5.9 kg less than the 30.0 now"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"ballast_change_kg": 0.0}, "stays at 24.1 kg"),
        ({"ballast_change_kg": 4.1}, "add 4.1 kg (20.0 kg is entered for the car)"),
        ({"finish_mass_kg": 1531.0, "ballast_kg": 0.0}, "Even so the car weighs 1531 kg"),
        ({"finish_mass_kg": 1511.0}, "that is all that is allowed"),
    ],
)
def test_ballast_in_every_case(changes, words):
    assert words in ballast_words(load(**changes))
    assert "as it is" in ballast_short(load(ballast_change_kg=0.0))
