"""The box for a number without a browser: what it refuses from this side, and giving it back."""

import ipywidgets as w
import pytest
import traitlets

from tyrekit.show.number_box import NumberBox
from tyrekit.show.panels import put_back


@pytest.mark.parametrize(("value", "odd"), [(7, 7.5), (7, 0), (7, True), (2.1, 4.5), (2.1, "2.2")])
def test_what_is_no_number_of_the_range_is_not_taken(value, odd):
    box = NumberBox("box", value, 1, 4 if value == 2.1 else 200, 1)
    with pytest.raises(traitlets.TraitError):
        box.value = odd
    assert box.value == value


def test_whole_numbers_stay_whole_and_others_not():
    laps, bar = NumberBox("laps", 7, 1, 200, 1), NumberBox("hot, bar", 2.1, 0.8, 4.0, 0.05)
    laps.value, bar.value = 8.0, 2
    assert (type(laps.value), type(bar.value)) == (int, float)


def test_a_value_of_the_weekend_outside_the_range_widens_it():
    box = NumberBox("track, °C", 74.0, -5.0, 70.0, 1.0)
    assert box.value == box.high == 74.0


def test_putting_back_takes_away_what_was_refused():
    box, choice = NumberBox("laps", 7, 1, 200, 1), w.Dropdown(options=[1, 2], value=1)
    box.refused = "300 is over 200: 7 counts"
    put_back([(box, 7), (choice, 2)])
    assert (box.value, box.refused, choice.value) == (7, "", 2)
