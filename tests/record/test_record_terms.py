"""Every column the room hands out stands in the glossary, with the unit its name ends in."""

import pytest

from tyrekit.record.assembly import PRESSURE_COLUMNS
from tyrekit.record.carried import LAP_COLUMNS
from tyrekit.record.channels import CHANNELS, own_name, unit_of
from tyrekit.record.tables import TABLES
from tyrekit.terms import CORNERS, TERMS
from tyrekit.units import known_unit


def glossary():
    return {
        name.replace("{corner}", corner)
        for name in TERMS
        for corner in (CORNERS if "{corner}" in name else ("",))
    }


def test_columns_are_in_the_glossary():
    book = {column.name for columns in TABLES.values() for column in columns}
    handed_out = {*LAP_COLUMNS, *PRESSURE_COLUMNS, *CHANNELS, *book}
    assert not handed_out - glossary()


@pytest.mark.parametrize("channel", [c for c in CHANNELS if unit_of(c)])
def test_a_channel_has_a_unit_that_can_be_converted(channel):
    assert known_unit(unit_of(channel)) == unit_of(channel)


def test_log_names_may_leave_the_unit_out():
    assert own_name("speed") == own_name("speed_mps") == "speed_mps"
    assert own_name("tyre_pressure_rl") == "tyre_pressure_rl_bar"
    assert own_name("fuel") is None and own_name("sped") is None
