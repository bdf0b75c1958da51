"""Fuel written down by hand: what is refused, what is in the book, what is kept and undone."""

import pytest
from demo_weekends import copy_of

from tyrekit.errors import BookError
from tyrekit.record.weekend import Weekend
from tyrekit.show.fuel_box import FuelBox, fuel_row
from tyrekit.show.panel_next_session import NextSessionPanel

GOOD = {
    "kind": "drain", "run_id": "P3-2", "taken_at": "15.05", "mass_kg": "7,4", "volume_l": "",
    "fuel_c": "26",
}  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return copy_of("fenmoor-after-p3", tmp_path_factory.mktemp("fuel"))


@pytest.fixture(scope="module")
def weekend(folder):
    return Weekend.open(folder)


def test_a_comma_and_a_clock_time_are_read_on_the_day_of_the_run(weekend):
    row = fuel_row(GOOD, weekend)
    assert (row["mass_kg"], row["fuel_c"]) == (7.4, 26.0) and "volume_l" not in row
    assert f"{row['taken_at']:%Y-%m-%d %H:%M}" == "2026-05-16 15:05"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"mass_kg": "-3"}, "fuel, kg is -3, not from 0 to 54.8"),
        ({"mass_kg": "x"}, "fuel, kg 'x' is not a number"),
        ({"mass_kg": ""}, "neither kg nor litres"),
        ({"volume_l": "740"}, "or litres is 740, not from"),
        ({"fuel_c": "90"}, "petrol, °C is 90"),
        ({"taken_at": ""}, "is not a time"),
        ({"taken_at": "26:10"}, "is not a time"),
        ({"run_id": ""}, "no run is chosen"),
        ({"kind": ""}, "what was done is not chosen"),
    ],
)
def test_what_cannot_be_is_refused_in_words(weekend, change, words):
    """A tank of 70 L at 0.745 kg a litre holds 52.15 kg, 5 % more of cold petrol is 54.8."""
    with pytest.raises(BookError, match=words):
        fuel_row(GOOD | change, weekend)


def test_a_drain_is_saved_once_kept_when_half_typed_and_undone(folder):
    panel = NextSessionPanel(folder)
    box, before = panel.fuel_box, len(panel.state.weekend.fuel)
    box.ask.value = True
    assert box.boxes["run_id"].value == "P3-2" and "In the book for P3-2" in box.words.value
    box.save.click()
    assert "neither kg nor litres" in panel.problem.value
    for name, text in GOOD.items():
        box.boxes[name].value = text
    again = FuelBox(panel.attempt, lambda said: None)  # another window, before it is saved
    again.show(Weekend.open(folder))
    assert again.texts == GOOD
    box.save.click()
    box.save.click()  # pressed twice
    assert panel.problem.value == "" and "fuel: drain P3-2 saved" in panel.said.value
    assert len(panel.state.weekend.fuel) == before + 1
    assert "drain Sat 15:05, 7.4 kg" in box.words.value
    assert box.texts["mass_kg"] == "" and box.texts["run_id"] == "P3-2"
    panel.undo.click()
    assert "taken back: fuel P3-2" in panel.said.value
    assert len(Weekend.open(folder).fuel) == before
