"""Weekends with next to nothing in them, along every public surface: an answer or a clear error.

Never a traceback, never nan, inf or None where people read, never an interval without width.
Expected words are the contract's and the faults' own, not outside figures.
"""

import random

import numpy as np
import pytest
from degenerate_weekends import DEGENERATE, extreme
from hypothesis import given, settings
from hypothesis import strategies as st
from study_numbers import Route, faults_in, whole_route

SAID = {  # where: words that have to be there, so that nothing is wrong in silence
    "one lap": ("summaries", "All laps are from one session"),
    "one session": ("report", "No laps yet: planned from beliefs alone"),
    "all excluded": ("report", "No lap counts yet"),
    "all left out": ("report", "No lap counts yet"),
    "no logs": ("check", "run without laps"),
    "constant speed": ("check", "dead channel"),
    "constant fuel": ("check", "dead channel"),
    "constant pressure": ("check", "dead channel"),
    "constant everything": ("check", "dead channel"),
    "no practice": ("report", "No laps yet: planned from beliefs alone"),
    "smallest tank": ("report", "the tank holds 3.1 L"),
    "all run": ("report", "no session is left"),
    "clashing limits": ("report", "o plan meets every limit"),
    "no tyres": ("report", "o plan meets every limit"),
    "three tyres": ("report", "o plan meets every limit"),
    "worn out": ("report", "o plan meets every limit"),
    "no weather": ("report", "no weather written down"),
    "no readings": ("summaries", "tread wear is belief only"),
    "only runs": ("summaries", "tread wear is belief only"),
    "wet race": ("sheet.html", "R2 is wet: no tyres are planned for it here"),
}


def sound(route: Route) -> None:
    """No fault in what people read, and every fit with finite figures and widths."""
    assert faults_in(route) == []
    if route.refused:
        return
    assert route.answer is not None
    fits = route.answer.fits
    for fit in (fits.lap_time, fits.fuel_use, fits.tread, fits.pressure):
        assert np.isfinite(fit.params).all() and (fit.bse > 0).all()
        limits = fit.conf_int(0.9)
        assert np.isfinite(limits.to_numpy()).all() and (limits["upper"] > limits["lower"]).all()
        assert np.isfinite(fit.rests_on["data_share"]).all()
    for load in route.answer.fuel_loads.values():
        assert 0 < load.need_lower_kg < load.need_kg < load.need_upper_kg
        assert np.isfinite([load.start_kg, load.finish_mass_kg, load.shortfall_risk]).all()
    if route.answer.cold_pressures is not None:
        table = route.answer.cold_pressures.table
        floor = route.answer.weekend.event.tyres.cold_minimum_bar
        assert np.isfinite(table[["cold_bar", "lower_bar", "upper_bar"]].to_numpy()).all()
        assert (table["cold_bar"] >= floor).all()
        assert ((table["upper_bar"] > table["lower_bar"]) | table["limited"]).all()


@pytest.mark.parametrize("name", DEGENERATE)
def test_a_degenerate_weekend_is_answered_with_care(name, tmp_path):
    route = whole_route(DEGENERATE[name]().write(tmp_path))
    sound(route)
    assert not route.refused
    if name in SAID:
        place, words = SAID[name]
        assert words in " ".join(route.texts[place].split()), route.texts[place]


def test_the_pictures_of_a_weekend_that_is_over_say_nothing_that_never_was(tmp_path):
    sound(whole_route(DEGENERATE["one session run"]().write(tmp_path), pictures=True))


@settings(max_examples=4, derandomize=True)
@given(st.integers(0, 10_000))
def test_extreme_but_legal_weekends_are_answered(tmp_path_factory, chance):
    folder = tmp_path_factory.mktemp("extreme")
    sound(whole_route(extreme(random.Random(chance)).write(folder)))
