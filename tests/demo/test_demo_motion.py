"""What the demo's logs say must hang together as it does in a car."""

import numpy as np
import pytest

from tyrekit.demo import track

GRAVITY_MPS2 = 9.80665
LENGTH_M = 3240.0  # event.toml


def test_circuit_closes_and_turns_once():
    # Closed form: a closed curve without loops turns through 360 degrees.
    road = track.fenmoor()
    turned = np.sum(road.curvature_per_m) * LENGTH_M / len(road.curvature_per_m)
    assert turned == pytest.approx(2 * np.pi, abs=1e-9)
    at = np.linspace(0.0, LENGTH_M, 32401)
    east, north = track.position_m(at)
    steps = np.hypot(np.diff(east), np.diff(north))
    assert np.sum(steps) == pytest.approx(LENGTH_M, abs=0.01)
    assert np.max(np.abs(steps - 0.1)) < 0.0005  # no gap where the last node meets the first


def test_circuit_does_not_touch_itself():
    east, north = track.position_m(np.arange(0.0, LENGTH_M, 10.0))
    apart = np.hypot(east[:, None] - east, north[:, None] - north)
    steps = np.abs(np.arange(len(east))[:, None] - np.arange(len(east)))
    far = np.minimum(steps, len(east) - steps) > 12
    assert np.min(apart[far]) > 30.0


def laps(truth, kinds=("timed", "caution")):
    """Run id, log start and end of whole laps from line to line."""
    for run in truth["runs"]:
        whole = set(np.round(run["crossings_s"], 5).tolist())
        for lap in run["laps"]:
            if lap["kind"] in kinds and round(lap["start_s"], 5) in whole:
                yield run["run_id"], lap["start_s"], lap["end_s"]


def test_integrated_speed_is_the_circuit_s_length(truth, logs):
    found = []
    for run_id, start, end in laps(truth):
        log = logs[run_id]
        gone = np.concatenate([[0], np.cumsum(
            (log.Velocity[1:].to_numpy() + log.Velocity[:-1].to_numpy()) / 7.2
            * np.diff(log.Elapsed)
        )])  # fmt: skip
        found.append(np.diff(np.interp([start, end], log.Elapsed, gone))[0])
    assert len(found) > 60
    assert np.allclose(found, LENGTH_M, atol=1.0)


def test_position_crosses_the_stated_line_when_the_trigger_fires(logs):
    for run_id, log in logs.items():
        seen = log[log.Trigger == 1]
        north = np.radians(seen.Lat - 53.75) * 6371008.8
        east = np.radians(seen.Lon + 4.95) * 6371008.8 * np.cos(np.radians(53.75))
        heading = np.radians(83.0)
        past = east * np.sin(heading) + north * np.cos(heading)
        aside = east * np.cos(heading) - north * np.sin(heading)
        step_m = (seen.Velocity / 3.6 * np.median(np.diff(log.Elapsed))).to_numpy()
        # The first sample after the line, and a receiver good to a metre or two.
        assert (past > -3.0).all() and (past < step_m + 3.0).all(), run_id
        assert (aside.abs() < 3.0).all(), run_id


def test_receiver_errs_by_a_metre_and_slowly(truth, logs):
    errors = []
    for run_id, start, end in laps(truth):
        log = logs[run_id]
        if run_id[0] != "P":
            continue
        lap = log[(log.Elapsed > start) & (log.Elapsed < end)]
        north = (np.radians(lap.Lat - 53.75) * 6371008.8).to_numpy()
        east = np.radians(lap.Lon + 4.95).to_numpy() * 6371008.8 * np.cos(np.radians(53.75))
        x, y = track.position_m(np.arange(0.0, LENGTH_M, 0.5))
        errors.append(np.min(np.hypot(east[::40, None] - x, north[::40, None] - y), axis=1))
    off = np.concatenate(errors)
    assert 0.25 < np.sqrt(np.mean(off**2)) < 1.0
    assert np.max(off) < 3.5


def test_accelerations_are_those_of_the_speed_and_the_bend(truth, logs):
    for run_id, start, end in list(laps(truth))[::7]:
        log = logs[run_id]
        rate = 1 / np.median(np.diff(log.Elapsed))
        lap = log[(log.Elapsed > start) & (log.Elapsed < end)]
        slope = np.gradient(lap.Velocity.to_numpy() / 3.6) * rate / GRAVITY_MPS2
        assert np.std(slope - lap["Long Accel"]) < 0.06, run_id
        gone = np.cumsum(lap.Velocity.to_numpy() / 3.6) / rate
        road = track.fenmoor()
        bend = np.interp(gone, np.arange(len(road.x_m)) * 3.0, road.curvature_per_m)
        lateral = (lap.Velocity.to_numpy() / 3.6) ** 2 * bend / GRAVITY_MPS2
        assert np.std(lateral - lap["Lat Accel"]) < 0.12, run_id


def test_accelerations_stay_within_the_tyres(logs):
    # Common practice, no source: a saloon on semi-slick tyres reaches 1.2 to 1.4 g.
    for run_id, log in logs.items():
        used = np.hypot(log["Long Accel"], log["Lat Accel"])
        assert np.percentile(used, 99.9) < 1.40, run_id
        assert np.percentile(used, 99) > 1.15 or run_id == "R2", run_id


def test_engine_turns_with_the_wheels(logs):
    for run_id, log in logs.items():
        driven = log[(log.Gear >= 2) & (log.Velocity > 40)]
        ratio = driven["Engine Speed"] / driven.Velocity
        spread = ratio.groupby(driven.Gear).agg(lambda r: r.std() / r.mean())
        assert (spread < 0.01).all(), run_id
        assert log["Engine Speed"].between(850, 7400).all(), run_id


def test_pedals_are_not_pressed_together(logs):
    for run_id, log in logs.items():
        both = (log.Pedal > 30) & (log["Brake Line"] > 1500)
        assert both.mean() < 0.005, run_id


def test_sensor_pressures_rise_to_a_plateau_and_the_gauge_reads_a_little_less(logs, book):
    for run_id, log in logs.items():
        for corner in ("FL", "FR", "RL", "RR"):
            hot = log[f"Tyre {corner}"].iloc[-1] / 100
            read = book["pressures"].query("run_id == @run_id and corner == @corner").hot_bar
            assert -0.06 < hot - float(read.iloc[0]) < 0.13, (run_id, corner)
        early, late = (log["Tyre FL"].iloc[int(share * len(log))] for share in (0.1, 0.3))
        last, near = log["Tyre FL"].iloc[-1], log["Tyre FL"].iloc[int(0.8 * len(log))]
        assert late - early > abs(last - near) / 2, run_id
