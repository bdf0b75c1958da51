"""Petrol and power in the demo: bounds and laws from outside the project."""

import numpy as np
import pandas as pd
import pytest

from tyrekit.demo import petrol
from tyrekit.demo.car import MASS_KG, Air, wheel_loads_n
from tyrekit.demo.tyre import hot_bar
from tyrekit.demo.weekend import drive_weekend

DENSITY_KG_PER_L = 0.745  # event.toml


def test_volume_correction_is_one_percent_per_fifteen_fahrenheit():
    # Published rule of thumb: California Energy Commission, 5 December 2008; petrol gains 1 % in
    # volume per 15 degF. From 60 to 75 degF.
    cold, warm = (petrol.density_kg_per_l((f - 32) / 1.8) for f in (60.0, 75.0))
    assert 1 - warm / cold == pytest.approx(0.01, abs=0.001)
    assert petrol.density_kg_per_l(15.0) == DENSITY_KG_PER_L


def test_power_against_air_temperature_is_the_handbook_s():
    # Published: Bosch Automotive Handbook, 5th ed., p. 415, as quoted: 100 to 80 degF gives
    # (560 / 540) ** 0.6 = 1.022.
    hot, mild = (Air((f - 32) / 1.8, 30.0, 1000.0).power for f in (100.0, 80.0))
    assert mild / hot == pytest.approx(1.022, abs=0.0005)


def test_gas_law_is_the_textbook_s():
    # Published: OpenStax College Physics, chapter 13 problem 22: 2.50e5 Pa gauge at 35 degC is
    # 1.64e5 Pa gauge at -40 degC.
    cold = hot_bar(2.50, 35.0, -40.0, Air(35.0, 35.0, 1013.25))
    assert cold == pytest.approx(1.64, abs=0.006)


def test_wheel_loads_sum_to_the_weight_and_mirror():
    # Closed form.
    lat, long = np.array([0.0, 9.0, -9.0, 6.0]), np.array([0.0, 0.0, 0.0, -7.0])
    loads = wheel_loads_n(lat, long, MASS_KG)
    assert loads.sum(axis=1) == pytest.approx(MASS_KG * 9.80665)
    assert loads[1, [0, 1, 2, 3]] == pytest.approx(loads[2, [1, 0, 3, 2]])
    assert loads[1, 0] > loads[1, 1]  # turning right loads the left
    assert loads[3, :2].sum() > loads[0, :2].sum()  # braking loads the front


def test_consumption_per_work_is_that_of_a_petrol_engine_at_race_load():
    # Quoted ranges (a calculator page, weak): 280 to 350 g/kWh in a race at full power; under
    # 240 over a whole lap means a wrong reading.
    for run in drive_weekend().runs:
        trace = run.trace
        step_s = np.diff(trace.elapsed_s)
        full = trace.throttle_pct > 98
        bsfc = 3.6e9 * trace.fuel_kg_per_s[full] / trace.power_w[full]
        assert 270 < np.median(bsfc) < 350
        whole = np.sum(trace.fuel_kg_per_s * step_s) / np.sum(trace.power_w * step_s) * 3.6e9
        assert 240 < whole < 400, run.plan.run_id
        # Efficiency cannot pass what the engine's own heat allows: 43 MJ/kg.
        assert np.sum(trace.power_w * step_s) < 0.40 * 43e6 * np.sum(trace.fuel_kg_per_s * step_s)


def test_work_done_covers_the_speed_gained(truth):
    # Energy: over a flying lap what the engine gives goes into drag, brakes and tyres; it cannot be
    # less than what drag alone takes. Mean drag power is taken at the lap's mean speed, a lower
    # bound because drag power is convex in speed.
    for run in drive_weekend().runs:
        trace = run.trace
        step_s = np.diff(trace.elapsed_s)
        mean_mps = np.sum(np.diff(trace.line_m)) / trace.elapsed_s[-1]
        given_w = np.sum(trace.power_w * step_s) / trace.elapsed_s[-1]
        assert given_w > 0.5 * 1.2 * 0.72 * mean_mps**3


def test_channel_reads_low_by_the_stated_factor_and_totals_agree(truth, logs):
    scale = truth["fuel"]["flow_scale"]
    assert 1.02 < scale < 1.06
    for run in truth["runs"]:
        log = logs[run["run_id"]]
        burnt = sum(lap["fuel_used_kg"] for lap in run["laps"])
        litres = np.trapezoid(log["Fuel Rate"], log.Elapsed) / 3600
        assert litres == pytest.approx(log["Fuel Total"].iloc[-1], rel=0.003)
        assert litres * scale * DENSITY_KG_PER_L == pytest.approx(burnt, rel=0.004)


def test_ledger_balances_with_what_was_burnt(truth, book):
    fuel = book["fuel"].assign(session=lambda f: f.run_id.str.split("-").str[0])
    mass = fuel.volume_l * [petrol.density_kg_per_l(c) for c in fuel.fuel_c]
    balance = (mass * np.where(fuel.kind == "fill", 1, -1)).groupby(fuel.session).sum()
    for session, left in balance.items():
        runs = [r for r in truth["runs"] if r["session"] == session]
        burnt = sum(lap["fuel_used_kg"] for run in runs for lap in run["laps"])
        assert left == pytest.approx(burnt, abs=0.35), session  # readings at 0.08 l each, 3.5 sd


def test_injectors_could_deliver_it(logs):
    for run_id, log in logs.items():
        assert log.Duty.between(0, 95).all(), run_id
        flat_out = log[log.Pedal > 95]
        # Flow follows duty and the root of rail pressure: the same lap after lap.
        per_duty = flat_out["Fuel Rate"] / flat_out.Duty / np.sqrt(flat_out.Rail)
        assert per_duty.std() / per_duty.mean() < 0.05, run_id


def test_car_is_never_light_nor_short_of_petrol(truth, book):
    driver_kg = {"Driver A": 82.0, "Driver B": 76.0}
    for run in truth["runs"]:
        last = run["laps"][-1]
        left = last["fuel_kg"] - last["fuel_used_kg"]
        if run["session"][0] == "R" and run["run_id"] != "R3-1":
            assert 1418 + 30 + driver_kg[run["driver"]] + left >= 1520
            assert left / DENSITY_KG_PER_L > 2.5 + 1.5  # pick-up and sample
        assert run["fuel_start_kg"] / DENSITY_KG_PER_L < 70


def test_fuel_effect_is_below_the_constant_power_bound(truth):
    # Closed form: from rest at constant power t = (9 m s^2 / (8 P)) ** (1/3), so dt/t = dm/(3 m).
    # Grip-limited parts of a lap lose less per kg.
    effect = truth["measured"]["fuel_effect_s_per_kg"]
    lap_s, mass_kg = truth["measured"]["base_lap_s"], MASS_KG + 30 + 82 + 20
    assert 0.05 < effect * mass_kg / lap_s < 1 / 3


def test_fuel_said_is_near_the_truth_but_not_it(truth, book):
    said = book["runs"].set_index("run_id").fuel_start_kg
    true = pd.Series({run["run_id"]: run["fuel_start_kg"] for run in truth["runs"]})
    off = said - true[said.index]
    assert 0.03 < off.abs().max() < 0.8
