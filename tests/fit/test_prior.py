"""Beliefs: defaults scaled by lap time and mass, overridden by event.toml, each with a source."""

import pytest

from tyrekit.errors import EventError, InputError
from tyrekit.fit.prior import (
    FUEL_USE,
    LAP_TIME,
    PRESSURE,
    TREAD,
    Prior,
    beliefs,
    carried,
)
from tyrekit.record.event import parse_event

EVENT = """
[event]
name = "Fenmoor Park, round 3"
timezone = "Europe/London"
[circuit]
length_m = 3330.0
pit_loss_s = 34.0
{circuit}
[car]
number = "27"
mass_kg = 1418.0
ballast_kg = 20.0
ballast_limit_kg = 90.0
minimum_mass_kg = 1520.0
wheelbase_m = 2.70
track_front_m = 1.58
track_rear_m = 1.56
centre_of_gravity_height_m = 0.48
front_mass_pct = 56.0
roll_stiffness_front_pct = 55.0
[[driver]]
name = "Driver A"
mass_kg = 82.0
[fuel]
tank_l = 70.0
unusable_l = 2.5
density_kg_per_l = 0.745
sample_l = 1.5
shortfall_risk = 0.005
{fuel}
[tyres]
minimum_tread_mm = 1.6
hot_target_bar = {{ front = 2.10, rear = 2.00 }}
cold_minimum_bar = 1.40
[[session]]
id = "P1"
kind = "practice"
start = "2026-05-16T09:10:00"
minutes = 20
value = 0.0
{more}
"""


def believed(circuit="", fuel="", more=""):
    return beliefs(parse_event(EVENT.format(circuit=circuit, fuel=fuel, more=more)))


def test_every_fit_has_all_its_beliefs_with_a_source():
    found = believed()
    assert set(found.lap_time) == {*LAP_TIME, "base_lap_s", "fuel_effect_s_per_kg"}
    assert set(found.fuel_use) == set(FUEL_USE) and set(found.tread) == set(TREAD)
    assert set(found.pressure) == set(PRESSURE)
    for fit in (found.lap_time, found.fuel_use, found.tread, found.pressure):
        assert all(prior.source and prior.sd > 0 for prior in fit.values())


def test_lap_time_comes_from_the_length_and_scales_the_rest():
    found = believed().lap_time
    assert found["base_lap_s"].mean == pytest.approx(100.0)  # 3330 m at 33.3 m/s, closed form
    assert found["drop_off_s_per_lap"].mean == pytest.approx(0.05)
    stated = believed(circuit="lap_time_s = { mean = 120.0, sd = 1.0 }").lap_time
    assert (stated["base_lap_s"].mean, stated["base_lap_s"].sd) == (120.0, 1.0)
    assert "lap_time_s" in stated["base_lap_s"].source
    assert stated["drop_off_s_per_lap"].mean == pytest.approx(0.06)
    assert stated["session_s"].sd == pytest.approx(0.24)


def test_fuel_effect_scales_with_lap_time_over_race_mass():
    # closed form: race mass is the larger of the minimum and car + ballast + driver = 1520
    assert believed().lap_time["fuel_effect_s_per_kg"].mean == pytest.approx(0.18 * 100 / 1520)


def test_default_fuel_effect_lies_below_the_physical_ceiling():
    """Constant power from rest, t = (9 m s²/(8 P))^(1/3), so dt/t = dm/(3m): closed form."""
    effect = believed().lap_time["fuel_effect_s_per_kg"]
    ceiling = 100.0 / (3 * 1520)
    assert 0 < effect.mean < ceiling
    assert effect.mean + 1.645 * effect.sd == pytest.approx(ceiling, rel=0.1)


def test_event_toml_overrides_and_is_named_as_source():
    found = believed(
        fuel="effect_s_per_kg = { mean = 0.018, sd = 0.006 }\n"
        "flow_scale = { mean = 1.02, sd = 0.01 }\nuse_l_per_lap = { mean = 2.1, sd = 0.2 }",
        more="[beliefs.lap_time]\nheat_cycle_s = { mean = 0.2, sd = 0.1 }\n"
        "[beliefs.tread]\nwear_mm_per_lap = { mean = 0.08, sd = 0.02 }",
    )
    assert found.lap_time["fuel_effect_s_per_kg"] == Prior(
        0.018, 0.006, "event.toml [fuel] effect_s_per_kg"
    )
    assert found.fuel_use["flow_scale"].mean == 1.02 and found.fuel_use["use_l_per_lap"].mean == 2.1
    assert found.lap_time["heat_cycle_s"].mean == 0.2
    assert "beliefs.lap_time.heat_cycle_s" in found.lap_time["heat_cycle_s"].source
    assert found.tread["wear_mm_per_lap"].mean == 0.08


def test_unknown_belief_names_the_nearest():
    with pytest.raises(EventError, match=r"heat_cycles_s.*Did you mean heat_cycle_s"):
        believed(more="[beliefs.lap_time]\nheat_cycles_s = { mean = 0.2, sd = 0.1 }")


@pytest.mark.parametrize(("mean", "sd"), [(1.0, 0.0), (1.0, -0.1), (1.0, float("nan")),
                                          (float("inf"), 1.0)])  # fmt: skip
def test_a_belief_without_a_spread_is_refused(mean, sd):
    with pytest.raises(InputError, match="belief"):
        Prior(mean, sd, "test")


def test_degrees_of_freedom_of_a_belief_about_a_spread():
    # closed form: a spread from n squares has relative error 1/sqrt(2 n)
    assert Prior(1.0, 1 / 12**0.5, "test").df == pytest.approx(6.0)


def test_what_an_event_found_is_carried_on_with_a_wider_spread():
    start = believed().lap_time
    found = carried(
        start,
        {"fuel_effect_s_per_kg": 0.016, "heat_cycle_s": 0.05, "base_lap_s": 97.0, "set_s:A": 0.1},
        {"fuel_effect_s_per_kg": 0.001, "heat_cycle_s": 0.06, "base_lap_s": 0.1, "set_s:A": 0.1},
        source="Fenmoor 2",
    )
    assert found["fuel_effect_s_per_kg"] == Prior(0.016, 0.002, "Fenmoor 2, spread x 2")
    assert found["heat_cycle_s"].sd == start["heat_cycle_s"].sd  # never wider than before
    assert found["base_lap_s"] == start["base_lap_s"] and set(found) == set(start)
    with pytest.raises(InputError, match="widen"):
        carried(start, {}, {}, source="x", widen=0.5)
