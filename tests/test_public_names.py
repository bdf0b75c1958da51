"""The public names are those listed, and each is there."""

import tyrekit

PUBLIC = (
    "Answer BookError Event EventError FitError FuelUseModel InputError LapTimeModel LogError"
    " PressureModel TimingError TreadModel TyrekitError Weekend allocate answer beliefs"
    " cold_pressures fuel_load load_event new_weekend next_practice race_plan rank_next"
    " write_sheet"
)


def test_public_names_are_the_listed_ones_and_load():
    assert dir(tyrekit) == sorted([*PUBLIC.split(), "__version__"])
    assert tyrekit.__all__ == PUBLIC.split()
    for name in PUBLIC.split():
        assert getattr(tyrekit, name).__name__ == name


def test_an_unknown_name_is_an_attribute_error():
    assert not hasattr(tyrekit, "no_such_name")
