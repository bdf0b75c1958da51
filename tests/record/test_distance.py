"""Channels against distance, checked against closed forms and simulated truth."""

import numpy as np
import pandas as pd
import pytest

from tyrekit.errors import InputError
from tyrekit.record.distance import aligned
from tyrekit.record.laps import cut
from tyrekit.record.weekend import Weekend


def lap_table(*spans):
    """Laps as (start since the first movement, lap time)."""
    return pd.DataFrame(
        [(i, a, b) for i, (a, b) in enumerate(spans, start=1)],
        columns=["lap", "start_s", "lap_time_s"],
    )


def steady(track, speed_mps, seconds, **more):
    t = np.arange(0, seconds + 1e-9, 0.1)
    return pd.DataFrame({"time_s": t, "speed_mps": np.full(len(t), speed_mps), **more})


def test_a_ramp_in_time_is_a_ramp_in_distance_at_steady_speed(track):
    # closed form: at v the distance s is passed at s / v; a ramp of time is s / v
    lap_s = track.length_m / 40.0
    log = steady(track, 40.0, 2 * lap_s + 5)
    log["throttle_pct"] = log["time_s"]
    made = aligned(log, lap_table((0, lap_s), (lap_s, lap_s)), track.circuit, step_m=10)
    assert made.scales["scale"].to_numpy() == pytest.approx(1.0, abs=1e-6)
    assert list(made.scales["basis"]) == ["speed", "speed"]
    one = made.table[made.table["lap"] == 1]
    assert one["throttle_pct"].to_numpy() == pytest.approx(one["distance_m"].to_numpy() / 40)
    two = made.table[made.table["lap"] == 2]
    assert two["time_s"].to_numpy() == pytest.approx(two["distance_m"].to_numpy() / 40, abs=1e-9)


def test_a_speed_in_error_is_scaled_to_the_circuit(track):
    lap_s = track.length_m / 40.0
    made = aligned(steady(track, 44.0, lap_s + 5), lap_table((0, lap_s)), track.circuit, step_m=10)
    # closed form: 10 % too fast a speed runs 10 % too far
    assert made.scales["scale"].iloc[0] == pytest.approx(1 / 1.1, rel=1e-6)
    assert made.scales["run_m"].iloc[0] == pytest.approx(1.1 * track.length_m, rel=1e-6)
    assert made.table["speed_mps"].to_numpy() == pytest.approx(44.0)


def test_speed_that_grows_steadily(track):
    # closed form: v = a t, s = a t^2 / 2, so v = sqrt(2 a s)
    a = 0.5
    lap_s = float(np.sqrt(2 * track.length_m / a))
    t = np.arange(-1.0, lap_s + 0.05, 0.01)
    log = pd.DataFrame({"time_s": t, "speed_mps": np.maximum(a * t, 0.0)})
    begun = 2.0 / a  # it counts as moving from 2 m/s
    made = aligned(log, lap_table((-begun, lap_s)), track.circuit, step_m=10)
    rows = made.table[made.table["distance_m"] > 50]
    assert rows["speed_mps"].to_numpy() == pytest.approx(
        np.sqrt(2 * a * rows["distance_m"].to_numpy()), rel=2e-3
    )


def test_position_corrects_a_speed_that_is_wrong_in_places(track):
    drive = track.practice_run(4)
    log = drive.log(20.0, np.random.default_rng(2), white_m=0.5)
    truth = log["speed_mps"].to_numpy().copy()
    t = log["time_s"].to_numpy()
    lap3 = (t > drive.crossed_s[3]) & (t < drive.crossed_s[3] + 30)
    log.loc[lap3, "speed_mps"] *= 1.03  # wheel spin over half of one lap
    laps = cut(log, track.circuit, track.session(), sample_s=0.05).laps
    timed = laps[laps["kind"] == "timed"]
    log["right_mps"] = truth
    errors = {}
    for by_position in (False, True):
        made = aligned(
            log, timed, track.circuit, names=["right_mps"], by_position=by_position, step_m=5
        )
        per = made.table.pivot(index="distance_m", columns="lap", values="right_mps")
        usual = per[[timed["lap"].iloc[0], timed["lap"].iloc[1]]].mean(axis=1)
        ratio = per[timed["lap"].iloc[2]] / usual
        errors[by_position] = float((ratio - ratio.median()).abs().max())
    assert set(made.scales["basis"]) == {"position"}
    assert errors[True] < 0.6 * errors[False]


def test_what_was_not_recorded_is_nan(track):
    lap_s = track.length_m / 40.0
    log = steady(track, 40.0, lap_s + 5)
    log["brake_bar"] = np.nan
    log["gear"] = 3.0
    log.loc[(log["time_s"] > 10) & (log["time_s"] < 20), "gear"] = np.nan
    made = aligned(log, lap_table((0, lap_s)), track.circuit, step_m=10).table
    assert made["brake_bar"].isna().all()
    gap = (made["time_s"] > 10.2) & (made["time_s"] < 19.8)
    assert made.loc[gap, "gear"].isna().all() and made.loc[~gap, "gear"].notna().sum() > 100


def test_chosen_channels_in_one_tidy_table(track):
    log = track.practice_run(3).log()
    laps = cut(log, track.circuit, track.session(), sample_s=0.1).laps
    made = aligned(log, laps, track.circuit, names=["speed_mps"], step_m=20)
    assert list(made.table.columns) == ["lap", "distance_m", "time_s", "speed_mps"]
    assert len(made.table) == len(laps) * (int(track.length_m // 20) + 1)
    assert not made.table.duplicated(["lap", "distance_m"]).any()


def test_what_cannot_be(track):
    log = steady(track, 40.0, 100)
    laps = lap_table((0, 60.0))
    with pytest.raises(InputError, match="step_m"):
        aligned(log, laps, track.circuit, step_m=0)
    with pytest.raises(InputError, match="not in the log"):
        aligned(log, laps, track.circuit, names=["gear"])
    with pytest.raises(InputError, match="tells the distance"):
        aligned(log[["time_s"]], laps, track.circuit)


def test_a_weekend_gives_its_runs_against_distance(folder):
    weekend = Weekend.open(folder)
    made = weekend.aligned("P1-1", step_m=20, names=["speed_mps"])
    own = weekend.laps[weekend.laps["run_id"] == "P1-1"]
    assert list(made.scales["lap"]) == list(own["lap"])
    counts = own.loc[own["counts"], "lap"]
    speed = made.table.pivot(index="distance_m", columns="lap", values="speed_mps")[counts]
    # simulated truth: one car at nearly one pace, 52 m/s on the straights and 27 in the bends
    assert speed.max().to_numpy() == pytest.approx(52, rel=0.02)
    assert float(speed.loc[40:2500].std(axis=1).max()) < 1.0  # they slow before the in-lap
