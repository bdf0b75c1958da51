"""Fuel load: the stated risk against drawn races, tank, minimum mass, temperature.

Races are driven lap by lap (`driven`), which shares nothing with the closed form but the fitted
use per kind of lap. Kinds of expected value are said test by test.
"""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from tyrekit.fit.fuel_result import normal_plus_t
from tyrekit.fit.fuel_use import FuelUseModel
from tyrekit.fit.prior import beliefs
from tyrekit.model.petrol import density_kg_per_l
from tyrekit.plan.fuel_load import fuel_load, session_need

LAP_S = (95.6, 0.4)
NO_FUEL_BOOK = pd.DataFrame(
    columns=["taken_at", "run_id", "kind", "mass_kg", "volume_l", "fuel_c"]
)  # fmt: skip
NO_RUNS = pd.DataFrame(columns=["run_id", "session", "start", "fuel_start_kg"])


def driven(session, races, rng, lap_s=LAP_S):
    """Return laps and caution laps of each race, driven lap by lap until it is over."""
    caution = session.caution
    mean_s = rng.normal(*lap_s, size=races)
    limit_s = np.inf if session.minutes is None else 60.0 * session.minutes
    most = session.laps or 200
    laps, under = np.zeros(races, dtype=int), np.zeros(races, dtype=int)
    elapsed, now = np.zeros(races), np.zeros(races, dtype=bool)
    running = np.ones(races, dtype=bool)
    begins = caution.chance_per_lap if caution else 0.0
    goes_on = 1 - 1 / caution.mean_laps if caution else 0.0
    slow = caution.lap_time_pct / 100 if caution else 1.0
    while running.any():
        now = rng.random(races) < np.where(now, goes_on, begins)
        elapsed += mean_s * np.where(now, slow, 1.0)
        laps += running
        under += running & now
        running &= (elapsed < limit_s) & (laps < most)
    return laps, under


def burnt_kg(need, laps, under, rng):
    """Draw what each race burns, by the fitted distribution for its laps."""
    part = need.components
    place = {(n, c): i for i, (n, c) in enumerate(zip(part.laps, part.caution_laps, strict=True))}
    key = laps * 1000 + under
    known, which = np.unique(key, return_inverse=True)
    index = np.array([place.get((k // 1000, k % 1000), 0) for k in known])[which]
    centre, sd, df = (part[n].to_numpy(float)[index] for n in ("log_kg", "log_sd", "df"))
    return np.exp(centre + sd * rng.standard_t(df))


@pytest.mark.parametrize("name", ["R1", "R2"])
def test_stated_risk_is_met_by_two_million_races(event, fuel_use, name):
    # simulated truth: two million races; its standard error is 0.00005
    session = event.session(name)
    need = session_need(session, fuel_use, LAP_S)
    load_kg = need.quantile(1 - 0.005)
    rng = np.random.default_rng(20)
    short = 0
    for _ in range(8):
        laps, under = driven(session, 250_000, rng)
        short += int((burnt_kg(need, laps, under, rng) > load_kg).sum())
    assert abs(short / 2_000_000 - 0.005) < 0.0002


def test_one_matched_normal_would_be_kilograms_off(event, fuel_use):
    # why the need is a mixture: with cautions and time the normal of the same mean and spread
    # asks for far more (closed form; planners' note, of the same order as 4 to 12 kg there)
    need = session_need(event.session("R2"), fuel_use, LAP_S)
    assert need.mean + 2.5758 * need.sd - need.quantile(0.995) > 1.0


def test_whole_model_drawn_from_its_parameters_runs_short_as_stated(event, fuel_use):
    # simulated truth: parameters, session, race shift and every lap drawn; 400,000 races.
    # Student t by matched degrees of freedom is an approximation, hence the wider band
    session = event.session("R1")
    need = session_need(session, fuel_use, LAP_S)
    rng = np.random.default_rng(21)
    races = 400_000
    laps, under = driven(session, races, rng)
    p, cov = fuel_use.params, fuel_use.cov
    drawn = p.to_numpy() + rng.multivariate_normal(np.zeros(len(p)), cov.to_numpy(), races)
    at = {name: drawn[:, i] for i, name in enumerate(p.index)}
    spreads = fuel_use.spreads
    spread = 1 + 1 / spreads.sessions
    change = np.sqrt(spread) * spreads.session_pct / 100
    change = change * rng.standard_t(spreads.session_df, races) / np.sqrt(spread)
    base = at["use_kg_per_lap"] * np.exp(change + at["race_shift_pct"] / 100)
    lap_sd = spreads.lap_pct / 100
    kg = base * ((laps - under) + lap_sd * np.sqrt(laps - under) * rng.standard_normal(races))
    share = at["caution_share"]
    kg += base * share * (under + 6 * lap_sd * np.sqrt(under) * rng.standard_normal(races))
    for kind in ("formation_share", "cool_down_share"):
        kg += base * at[kind] * (1 + 4 * lap_sd * rng.standard_normal(races))
    assert 0.002 < (kg > need.quantile(0.995)).mean() < 0.0075


def test_load_is_the_least_tenth_within_the_risk(event, fuel_use, lap_time):
    # closed form: a tenth of a litre less breaks the accepted risk
    load = fuel_load(event, event.session("R1"), fuel_use, lap_time)
    need = session_need(event.session("R1"), fuel_use, LAP_S)
    less = (load.start_l - 0.1) * 0.745 - load.unusable_kg - load.sample_kg
    assert load.status == "optimal"
    assert load.shortfall_risk <= load.accepted_risk < float(need.exceedance(less))
    assert load.start_l == pytest.approx(round(load.start_l, 1))
    assert load.start_kg == pytest.approx(load.start_l * 0.745)
    assert load.need_lower_kg < load.need_kg < load.need_upper_kg
    assert load.joint_risk <= load.accepted_risk + 1e-12


def test_cold_petrol_takes_fewer_litres_for_the_same_mass(event, fuel_use, lap_time):
    # other source: the density ratio, itself tested against API54B in tests/published
    cold, warm = (
        fuel_load(event, event.session("R1"), fuel_use, lap_time, bowser_c=c) for c in (5.0, 30.0)
    )
    assert cold.start_l < warm.start_l
    ratio = density_kg_per_l(0.745, 30.0) / density_kg_per_l(0.745, 5.0)
    assert cold.start_l / warm.start_l == pytest.approx(ratio, abs=0.004)
    assert cold.need_kg == pytest.approx(warm.need_kg)


def test_risk_table_falls_and_its_chosen_row_costs_nothing(event, fuel_use, lap_time):
    load = fuel_load(event, event.session("R2"), fuel_use, lap_time)
    risk = load.table["shortfall_risk"].to_numpy()
    assert (np.diff(risk) < 0).all()
    row = load.table.iloc[(load.table["start_l"] - load.start_l).abs().argmin()]
    assert row["time_lost_s"] == pytest.approx(0.0, abs=1e-9)
    assert row["shortfall_risk"] == pytest.approx(load.shortfall_risk, rel=1e-6)
    litre = load.table.set_index(load.table["start_l"].round(1))["time_lost_s"]
    gain = litre[round(load.start_l + 0.5, 1)] / 0.5
    assert gain == pytest.approx(load.seconds_per_litre)


def test_time_per_litre_is_effect_times_density_times_laps(event, fuel_use, lap_time):
    # closed form
    load = fuel_load(event, event.session("R1"), fuel_use, lap_time)
    effect = lap_time.fuel_effect_s_per_kg[0]
    assert load.seconds_per_litre == pytest.approx(effect * 0.745 * 24)


def test_ballast_makes_the_minimum_mass_on_what_may_be_left(event, fuel_use, lap_time):
    # closed form: 1400 + 72 (lightest driver) + 2.5 l unusable + ballast = 1520
    load = fuel_load(event, event.session("R1"), fuel_use, lap_time)
    left = load.start_kg - load.sample_kg - (load.start_kg - load.unusable_kg - load.sample_kg)
    assert load.driver == "Driver B"
    assert load.finish_fuel_kg == pytest.approx(left, abs=0.08)
    assert load.ballast_kg == pytest.approx(1520 - 1400 - 72 - load.finish_fuel_kg)
    assert load.ballast_change_kg == pytest.approx(load.ballast_kg - 10.0)
    assert load.finish_mass_kg == pytest.approx(1520.0)


def test_heavy_car_needs_no_ballast(make_event, fuel_use, lap_time):
    event = make_event(("mass_kg = 1400.0", "mass_kg = 1500.0"))
    load = fuel_load(event, event.session("R1"), fuel_use, lap_time)
    assert load.ballast_kg == 0.0
    assert load.finish_mass_kg > 1520.0


def test_at_the_ballast_limit_fuel_makes_up_the_mass(make_event, fuel_use, lap_time):
    usual = fuel_load(make_event(), make_event().session("R1"), fuel_use, lap_time)
    event = make_event(("ballast_limit_kg = 90.0", "ballast_limit_kg = 40.0"))
    load = fuel_load(event, event.session("R1"), fuel_use, lap_time)
    missing = usual.ballast_kg - 40.0
    assert load.status == "optimal"
    assert load.ballast_kg == pytest.approx(40.0, abs=0.1)
    assert load.start_kg - usual.start_kg == pytest.approx(missing, abs=0.15)
    assert load.finish_mass_kg == pytest.approx(1520.0, abs=0.1)
    assert load.joint_risk <= load.accepted_risk + 1e-12
    assert any("ballast limit" in note for note in load.notes)


def test_too_light_whatever_is_done_is_impossible(make_event, fuel_use, lap_time):
    event = make_event(("minimum_mass_kg = 1520.0", "minimum_mass_kg = 1620.0"))
    load = fuel_load(event, event.session("R1"), fuel_use, lap_time)
    assert load.status == "impossible"
    assert "minimum mass of 1620" in load.blocked_by[0]
    assert load.finish_mass_kg < 1620.0


def test_what_is_told_of_several_sessions_together_names_its_own(make_event, fuel_use, lap_time):
    light = make_event(("minimum_mass_kg = 1520.0", "minimum_mass_kg = 1620.0"))
    limited = make_event(("ballast_limit_kg = 90.0", "ballast_limit_kg = 40.0"))
    for name in ("R1", "R3"):
        load = fuel_load(light, light.session(name), fuel_use, lap_time)
        assert any(words.startswith(f"{name}: the car may finish") for words in load.blocked_by)
        load = fuel_load(limited, limited.session(name), fuel_use, lap_time)
        assert [n for n in load.notes if n.startswith(f"{name}: ") and "than the laps need" in n]


def test_a_small_tank_is_impossible_and_named(make_event, fuel_use, lap_time):
    event = make_event(("tank_l = 70.0", "tank_l = 30.0"))
    load = fuel_load(event, event.session("R1"), fuel_use, lap_time)
    assert load.status == "impossible"
    assert "30.0 L" in load.blocked_by[0]
    assert load.shortfall_risk > 0.9


def test_a_small_tank_with_refuelling_says_how_much_to_add(make_event, fuel_use, lap_time):
    event = make_event(("tank_l = 70.0", "tank_l = 40.0"), ("refuel = false", "refuel = true"))
    whole = fuel_load(make_event(), make_event().session("R3"), fuel_use, lap_time)
    load = fuel_load(event, event.session("R3"), fuel_use, lap_time)
    assert load.status == "optimal"
    assert load.start_l == pytest.approx(40.0)
    assert load.start_kg + load.refuel_kg == pytest.approx(whole.start_kg)
    assert any("must be added" in note for note in load.notes)


def test_practice_counts_its_out_and_in_laps(event, fuel_use, lap_time):
    # closed form: 10 timed laps and two slow ones for twelve planned laps
    load = fuel_load(event, event.session("P1"), fuel_use, lap_time)
    use = fuel_use.use_by_kind()["mean"]
    assert load.laps == 12.0
    assert load.need_kg == pytest.approx(10 * use["timed"] + use["out"] + use["in"], rel=2e-3)


def test_a_longer_race_and_less_risk_both_take_more(make_event, fuel_use, lap_time):
    base = fuel_load(make_event(), make_event().session("R1"), fuel_use, lap_time).start_l
    longer = make_event(("laps = 24", "laps = 25"))
    safer = make_event(("shortfall_risk = 0.005", "shortfall_risk = 0.001"))
    bigger = make_event(("sample_l = 1.5", "sample_l = 3.0"))
    for event in (longer, safer, bigger):
        assert fuel_load(event, event.session("R1"), fuel_use, lap_time).start_l > base


def test_it_says_what_it_rests_on_and_counts_on(event, fuel_use, lap_time):
    load = fuel_load(event, event.session("R2"), fuel_use, lap_time)
    said = " ".join(load.notes)
    assert "race to time" in said and "leader" in said
    assert any("use per lap" in line and "% from data" in line for line in load.rests_on)
    assert any("belief only" in note for note in load.notes)


def test_a_quicker_leader_means_more_laps(event, fuel_use, lap_time):
    own = fuel_load(event, event.session("R2"), fuel_use, lap_time, lap_s=(96.0, 0.3))
    led = fuel_load(event, event.session("R2"), fuel_use, lap_time, lap_s=(92.0, 0.3))
    assert led.laps > own.laps
    assert led.start_l > own.start_l


def test_beliefs_alone_take_far_more(event, fuel_use, lap_time, laps):
    believed = FuelUseModel(
        laps.iloc[:0], NO_FUEL_BOOK, NO_RUNS, event, beliefs(event).fuel_use
    ).fit()
    known = fuel_load(event, event.session("R1"), fuel_use, lap_time)
    guessed = fuel_load(event, event.session("R1"), believed, lap_time)
    wide = guessed.need_upper_kg - guessed.need_lower_kg
    assert wide > 3 * (known.need_upper_kg - known.need_lower_kg)
    assert guessed.start_kg > guessed.need_kg
    assert any("0 % from data" in line for line in guessed.rests_on)


def test_what_the_event_says_of_cautions_is_believed(make_event):
    # the contract's caution fuel_pct, 45 % in this event
    believed = beliefs(make_event()).fuel_use["caution_share"]
    assert believed.mean == pytest.approx(0.45)
    assert "fuel_pct" in believed.source


@pytest.mark.parametrize(
    ("variance", "squared_scale", "df"), [(4.0, 1.0, 8.0), (1.4, 1.5, 8.0), (0.5, 1.5, 6.0)]
)
def test_normal_plus_student_t_keeps_the_tail(variance, squared_scale, df):
    # simulated truth: four million sums; the match errs to the careful side, under a tenth
    rng = np.random.default_rng(12)
    n = 4_000_000
    total = np.sqrt(variance) * rng.standard_normal(n)
    total += np.sqrt(squared_scale) * rng.standard_t(df, n)
    scale, matched = normal_plus_t(np.array([variance]), np.array([squared_scale]), df)
    risk = (total > scale[0] * stats.t.ppf(0.995, matched[0])).mean()
    assert 0.0044 < risk < 0.0051


def test_normal_plus_student_t_alone_is_the_student_t():
    # closed form
    scale, matched = normal_plus_t(np.array([0.0]), np.array([2.25]), 7.0)
    assert scale[0] == pytest.approx(1.5)
    assert matched[0] == pytest.approx(7.0)
    scale, matched = normal_plus_t(np.array([1.0]), np.array([3.0]), 3.0)
    assert (scale[0], matched[0]) == (2.0, 3.0)
