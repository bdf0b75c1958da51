"""Beliefs in force as a table, and what an event found handed to the next as text."""

import numpy as np
import pytest
from study_fuel_use import EVENT, fit, make_event, simulate
from study_tread import fit as fit_tread
from study_tread import simulate as simulate_tread

from tyrekit.errors import InputError
from tyrekit.fit.handover import beliefs_table, found_in, handover_text
from tyrekit.fit.prior import beliefs
from tyrekit.record.event import parse_event


@pytest.fixture(scope="module")
def results():
    rng, event = np.random.default_rng(3), make_event()
    return {
        "fuel_use": fit(simulate(rng), event),
        "tread": fit_tread(simulate_tread(rng), event),
    }


def test_every_belief_stands_in_the_table_with_its_source(results):
    believed = beliefs(make_event())
    table = beliefs_table(believed, results)
    count = sum(
        len(getattr(believed, fit)) for fit in ("lap_time", "fuel_use", "tread", "pressure")
    )
    assert len(table) == count and (table["source"] != "").all() and (table["sd"] > 0).all()
    row = table.set_index(["fit", "name"]).loc[("fuel_use", "flow_scale")]
    assert row["data_share"] > 0.9 and row["found_sd"] < row["sd"]
    assert table.set_index(["fit", "name"]).loc["pressure", "found"].isna().all()
    assert beliefs_table(believed)["found"].isna().all()


def test_what_was_found_comes_back_as_the_next_events_belief(results):
    event = make_event()
    believed = beliefs(event)
    text = handover_text(believed, results, event)
    after = beliefs(make_event(text))
    for fit_name, names in {
        "fuel_use": ("flow_scale", "use_l_per_lap", "out_share"),
        "tread": ("wear_mm_per_lap", "first_laps_mm", "new_tread_mm"),
    }.items():
        found, old = found_in(results[fit_name]), getattr(believed, fit_name)
        for name in names:
            new = getattr(after, fit_name)[name]
            assert new.mean == pytest.approx(found[name].found, rel=1e-5)
            wide = min(2 * found[name].found_sd, old[name].sd)
            assert new.sd == pytest.approx(wide, rel=1e-5)
            assert f"beliefs.{fit_name}.{name}" in new.source
    assert after.pressure == believed.pressure  # nothing was found, nothing is carried
    assert "race_shift_pct" not in text  # no race was run: the data left it as it was


def test_another_circuit_gets_what_goes_with_its_length(results):
    event, longer = make_event(), parse_event(
        make_text().replace("length_m = 3240.0", "length_m = 4860.0")
    )  # fmt: skip
    here, there = (handover_text(beliefs(event), results, event, to=to) for to in (event, longer))
    same, scaled = beliefs(make_event(here)), beliefs(make_event(there))
    # closed form: half as long again
    for name in ("use_l_per_lap", "flow_scale"):
        ratio = 1.5 if name == "use_l_per_lap" else 1.0
        assert scaled.fuel_use[name].mean / same.fuel_use[name].mean == pytest.approx(ratio, 1e-5)
    assert scaled.tread["wear_mm_per_lap"].mean == pytest.approx(
        1.5 * same.tread["wear_mm_per_lap"].mean, rel=1e-5
    )


def make_text():
    return (
        EVENT + '[[session]]\nid = "P1"\nkind = "practice"\nstart = "2026-05-16T09:00:00"\n'
        "minutes = 20\nvalue = 0.0\n"
    )


def test_beliefs_are_never_carried_on_more_surely_than_found(results):
    event = make_event()
    with pytest.raises(InputError, match="widen"):
        handover_text(beliefs(event), results, event, widen=0.5)
