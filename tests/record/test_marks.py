"""Marks of the line as loggers give them, and positions that drop out: simulated truth."""

import numpy as np
import pandas as pd
import pytest

from tyrekit.record.laps import cut
from tyrekit.record.pulses import marked


@pytest.fixture
def run(track):
    """Eight flying laps at 20 Hz, and the true crossings."""
    drive = track.practice_run(8)
    return drive, drive.log(20.0), np.array(drive.crossed_s)


def without_position(channels):
    return channels.drop(columns=["latitude_deg", "longitude_deg"])


def passed(channels, crossed):
    return np.searchsorted(crossed, channels["time_s"], side="right")


def pulses(channels, crossed, samples=1):
    start = np.diff(passed(channels, crossed), prepend=0)
    return pd.Series(start).rolling(samples, min_periods=1).max().to_numpy()


def timed_errors(made, crossed):
    timed = made.laps[made.laps["kind"] == "timed"]
    assert len(timed) == 8
    return timed["lap_time_s"].to_numpy() - np.diff(crossed)[1:9]


@pytest.mark.parametrize(
    "shape",
    {
        "five volts": lambda p: 5.0 * p,
        "on an offset, with noise": lambda p: 0.4 + 4.2 * p + 0.01 * np.sin(np.arange(len(p))),
        "resting high": lambda p: 12.0 * (1 - p),
        "negative": lambda p: -1.0 * p,
        "only pulses recorded": lambda p: np.where(p > 0, 1.0, np.nan),
    }.items(),
    ids=lambda item: item[0],
)
@pytest.mark.parametrize("samples", [1, 6])
def test_a_pulse_of_any_level_and_length(track, run, shape, samples):
    _, channels, crossed = run
    log = without_position(channels)
    log["beacon"] = shape[1](pulses(log, crossed, samples))
    made = cut(log, track.circuit, track.session(), sample_s=0.05)
    assert np.abs(timed_errors(made, crossed)).max() <= 0.05
    # closed form: two ends evenly spread over 50 ms
    timed = made.laps[made.laps["kind"] == "timed"]
    assert timed["lap_time_se_s"].to_numpy() == pytest.approx(0.05 / np.sqrt(6))


@pytest.mark.parametrize("sparse", [False, True])
def test_a_counter_refreshed_once_a_second_says_so(track, run, sparse):
    _, channels, crossed = run
    log = without_position(channels)
    slow = passed(log, crossed).astype(float)
    slow[np.arange(len(log)) % 20 != 0] = np.nan
    log["lap"] = slow if sparse else pd.Series(slow).ffill()
    made = cut(log, track.circuit, track.session(), sample_s=0.05)
    timed = made.laps[made.laps["kind"] == "timed"]
    # closed form: a second's even spread at both ends
    assert timed["lap_time_se_s"].to_numpy() == pytest.approx(1 / np.sqrt(6))
    assert np.abs(timed_errors(made, crossed)).max() <= 1.0
    assert sparse or any("refreshed every 1 s" in note for note in made.notes)


def test_a_quick_counter_is_not_taken_for_a_slow_one(run):
    _, channels, crossed = run
    for seed in range(40):
        shift = np.random.default_rng(seed).uniform(0, 0.05)
        log = channels.assign(lap=passed(channels, crossed + shift))
        assert marked(log, "lap").se_s == pytest.approx(0.05 / np.sqrt(12))


def test_a_counter_that_ticks_late_loses_nothing(track, run):
    _, channels, crossed = run
    log = without_position(channels)
    log["lap"] = passed(log, crossed + 0.8)
    made = cut(log, track.circuit, track.session(), sample_s=0.05)
    assert np.abs(timed_errors(made, crossed)).max() <= 0.05


CARRIED = {
    "the clock of the crossing, held": lambda t, c, n: np.concatenate([[0.0], c])[n],
    "the clock of the crossing, as a pulse": lambda t, c, n: np.where(
        np.diff(n, prepend=0) > 0, np.concatenate([[0.0], c])[n], 0.0
    ),
    "the time since the crossing": lambda t, c, n: t - np.concatenate([[0.0], c])[n],
    "the time of the lap that ended": lambda t, c, n: np.concatenate([[0.0, 0.0], np.diff(c)])[n],
}


@pytest.mark.parametrize("form", CARRIED)
@pytest.mark.parametrize("channel", ["crossing_s", "beacon"])
def test_a_channel_that_carries_the_time(track, run, form, channel):
    _, channels, crossed = run
    log = without_position(channels)
    values = CARRIED[form](log["time_s"].to_numpy(), crossed, passed(log, crossed))
    log[channel] = np.round(values, 3)
    made = cut(log, track.circuit, track.session(), sample_s=0.05)
    errors = timed_errors(made, crossed)
    assert np.sqrt(np.mean(errors**2)) < 0.001 and any("carries" in n for n in made.notes)
    assert made.laps["lap_time_se_s"].iloc[2] <= 0.01
    assert made.way == ("time" if channel == "crossing_s" else "beacon")


def test_a_channel_of_times_that_fits_nothing_is_not_used(track, run):
    _, channels, crossed = run
    log = without_position(channels)
    log["lap"] = passed(log, crossed)
    log["crossing_s"] = np.round(17 * passed(log, crossed) ** 1.5, 2)
    made = cut(log, track.circuit, track.session(), sample_s=0.05)
    assert made.way == "lap" and len(made.laps) == 10


@pytest.mark.parametrize("gap_s", [1.0, 3.0, 6.0])
def test_a_drop_out_over_the_line_is_bridged_by_speed(track, run, gap_s):
    drive, _, crossed = run
    channels = drive.log(10.0, np.random.default_rng(4), white_m=0.5)
    for c in crossed[[3, 6]]:
        gone = np.abs(channels["time_s"] - c - 0.2) < gap_s / 2
        channels.loc[gone, ["latitude_deg", "longitude_deg"]] = np.nan
    made = cut(channels, track.circuit, track.session(), sample_s=0.1)
    errors = timed_errors(made, crossed)
    timed = made.laps[made.laps["kind"] == "timed"]
    assert (timed["reason"] == "").all()
    assert np.abs(errors / timed["lap_time_se_s"].to_numpy()).max() < 3.5
    assert np.abs(errors).max() < 0.03
    assert any("bridged by speed, up to" in n for n in made.notes) is (gap_s > 2)


def test_a_drop_out_beyond_the_stated_length_is_no_crossing_but_split_by_distance(track, run):
    drive, _, crossed = run
    channels = drive.log(10.0)
    gone = np.abs(channels["time_s"] - crossed[4]) < 8
    channels.loc[gone, ["latitude_deg", "longitude_deg"]] = np.nan
    made = cut(channels, track.circuit, track.session(), sample_s=0.1)
    assert np.abs(timed_errors(made, crossed)).max() < 0.5
    split = made.laps[made.laps["reason"].str.contains("missed")]
    assert len(split) == 2 and (split["lap_time_se_s"] >= 0.5).all()


def test_what_one_way_missed_another_fills_in(track, run):
    _, channels, crossed = run
    log = channels.copy()
    gone = np.abs(log["time_s"] - crossed[4]) < 30  # the receiver lost for a lap
    log.loc[gone, ["latitude_deg", "longitude_deg"]] = np.nan
    log["lap"] = passed(log, crossed + 0.4)  # the counter ticks late
    made = cut(log, track.circuit, track.session(), sample_s=0.05)
    assert made.way == "position"
    errors = timed_errors(made, crossed)
    timed = made.laps[made.laps["kind"] == "timed"]
    assert (timed["reason"] == "").all() and np.abs(errors).max() < 0.06
    assert timed["lap_time_se_s"].iloc[3] > 3 * timed["lap_time_se_s"].iloc[0]
    assert any("1 crossings that position missed are taken from lap" in n for n in made.notes)


def test_a_dead_speed_channel_leaves_position_to_tell(track, run):
    drive, _, crossed = run
    log = drive.log(10.0, np.random.default_rng(1), white_m=0.3)
    log["speed_mps"] = 0.0
    made = cut(log, track.circuit, track.session(), sample_s=0.1)
    assert np.abs(timed_errors(made, crossed)).max() < 0.03
