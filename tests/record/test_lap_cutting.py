"""Laps cut from logs of a small track with known crossings: simulated truth throughout."""

import numpy as np
import pandas as pd
import pytest

from tyrekit.record.laps import cut, litres, split_at


def timed(made):
    return made.laps[made.laps["kind"] == "timed"]


def errors_s(made, drive):
    """Logged less true time of every timed lap; the car stands for a run's first 15 s."""
    begun = np.array(drive.crossed_s)
    result = []
    for _, lap in timed(made).iterrows():
        start = 15.0 + lap["start_s"]
        k = int(np.argmin(np.abs(begun - start)))
        assert abs(begun[k] - start) < 2.0
        result.append(lap["lap_time_s"] - (begun[k + 1] - begun[k]))
    return np.array(result)


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


def gather(track, runs, rate_hz=10.0, **noise):
    """Errors and stated standard errors over several runs of eight flying laps."""
    drive = track.practice_run(8)
    errors, stated = [], []
    for seed in range(runs):
        channels = drive.log(rate_hz, np.random.default_rng(seed), **noise)
        made = cut(channels, track.circuit, track.session(), sample_s=1 / rate_hz)
        errors.append(errors_s(made, drive))
        stated.append(timed(made)["lap_time_se_s"].to_numpy())
    assert all(len(e) == 8 for e in errors), "a crossing was missed"
    return np.concatenate(errors), np.concatenate(stated)


def test_without_noise_the_crossing_is_between_the_samples(track):
    errors, _ = gather(track, 1)
    assert rms(errors) < 0.002


def test_white_noise_is_averaged_away(track):
    errors, _ = gather(track, 12, white_m=1.0)
    assert rms(errors) <= 0.006


def test_a_wandering_receiver_limits_what_can_be_known_and_that_is_stated(track):
    errors, stated = gather(track, 12, wander_m=0.9, white_m=0.45)
    assert rms(errors) <= 0.028
    assert 0.7 < rms(errors) / np.mean(stated) < 1.2


def test_position_alone_is_enough(track):
    errors, _ = gather(track, 8, white_m=1.0, speed=False)
    assert rms(errors) <= 0.012


def test_a_slow_receiver_in_a_fast_log_holds_its_values(track):
    drive = track.practice_run(8)
    channels = drive.log(20.0)
    for name in ("latitude_deg", "longitude_deg"):
        channels[name] = channels[name].where(np.arange(len(channels)) % 4 == 0).ffill()
    made = cut(channels, track.circuit, track.session(), sample_s=0.05)
    assert rms(errors_s(made, drive)) < 0.003


def with_counter(track, rate_hz, way):
    drive = track.practice_run(8)
    channels = drive.log(rate_hz).drop(columns=["latitude_deg", "longitude_deg"])
    passed = np.searchsorted(np.array(drive.crossed_s), channels["time_s"], side="right")
    channels[way] = passed if way == "lap" else np.diff(passed, prepend=0)
    return drive, cut(channels, track.circuit, track.session(), sample_s=1 / rate_hz)


@pytest.mark.parametrize("way", ["lap", "beacon"])
@pytest.mark.parametrize("rate_hz", [10.0, 20.0, 50.0])
def test_a_counter_or_beacon_times_to_its_sample_period_and_says_so(track, way, rate_hz):
    drive, made = with_counter(track, rate_hz, way)
    errors = errors_s(made, drive)
    # closed form: two ends, each spread evenly over a period: period / sqrt(6)
    assert made.way == way
    assert timed(made)["lap_time_se_s"].to_numpy() == pytest.approx(1 / rate_hz / np.sqrt(6))
    assert np.abs(errors).max() <= 1 / rate_hz and len(errors) == 8


def test_the_surest_way_counts(track):
    drive = track.practice_run(8)
    channels = drive.log(10.0)
    channels["lap"] = np.searchsorted(np.array(drive.crossed_s), channels["time_s"], side="right")
    made = cut(channels, track.circuit, track.session(), sample_s=0.1)
    assert made.way == "position"
    channels["lap"] = 0
    channels.loc[100:, ["latitude_deg", "longitude_deg"]] = np.nan
    channels["beacon"] = np.diff(
        np.searchsorted(np.array(drive.crossed_s), channels["time_s"], side="right"), prepend=0
    )
    made = cut(channels, track.circuit, track.session(), sample_s=0.1)
    assert made.way == "beacon" and any("crossings of the line differ" in n for n in made.notes)


def test_a_run_from_the_pits_has_an_out_and_an_in_lap(track):
    made = cut(track.practice_run(4).log(), track.circuit, track.session(), sample_s=0.1)
    assert list(made.laps["kind"]) == ["out", *["timed"] * 4, "in"]
    assert list(made.laps["lap"]) == [1, 2, 3, 4, 5, 6]
    assert made.laps["run_m"].iloc[1:-1].to_numpy() == pytest.approx(track.length_m, abs=2.0)


def test_a_box_before_the_line_gives_the_same_laps(track):
    drive = track.drive(box_m=-60.0).stand(15).to(100, speed_mps=track.pit_mps)
    for lap in range(1, 4):
        drive.to(lap * track.length_m + 100)
    drive.to(4 * track.length_m - 300).to(4 * track.length_m - 60, speed_mps=track.pit_mps)
    made = cut(drive.stand(10).log(), track.circuit, track.session(), sample_s=0.1)
    # pits, over the line in the lane, three laps of which the first is the out-lap, in
    assert list(made.laps["kind"]) == ["out", "timed", "timed", "in"]


def test_a_box_after_the_line_ends_the_in_lap_in_the_lane(track):
    drive = track.drive(box_m=80.0).stand(15).to(250, speed_mps=track.pit_mps)
    for lap in range(1, 4):
        drive.to(lap * track.length_m + 200)
    drive.to(4 * track.length_m - 200).to(4 * track.length_m + 80, speed_mps=track.pit_mps)
    made = cut(drive.stand(10).log(), track.circuit, track.session(), sample_s=0.1)
    assert list(made.laps["kind"]) == ["out", "timed", "timed", "in"]


def race(track, laps=6, formation=True):
    length = track.length_m
    drive = track.drive(box_m=-70.0).stand(60)
    start = 0
    if formation:
        drive.to(length - 70, 0.55).stand(35)
        start = 1
    for lap in range(1, laps + 1):
        drive.to((start + lap) * length - 20, 1 - 0.002 * lap)
    end = (start + laps + 1) * length
    return drive.to(end - 400, 0.7).to(end - 220, speed_mps=track.pit_mps).stand(30)


def test_a_race_from_the_grid(track):
    rules = {"laps": 6, "formation_laps": 1, "cool_down_laps": 1}
    session = track.session("race", **rules)
    made = cut(race(track).log(), track.circuit, session, sample_s=0.1)
    assert list(made.laps["kind"]) == ["formation", *["timed"] * 6, "cool_down"]
    assert "from the grid" in made.laps["reason"].iloc[1]


def test_a_race_without_formation_lap(track):
    session = track.session("race", laps=6)
    made = cut(race(track, formation=False).log(), track.circuit, session, sample_s=0.1)
    assert list(made.laps["kind"]) == [*["timed"] * 6, "cool_down"]


def test_a_race_to_time_ends_with_the_lap_in_which_time_runs_out(track):
    # laps of about 66 s: time is up on the fourth
    session = track.session("race", minutes=3.6, formation_laps=1)
    made = cut(race(track).log(), track.circuit, session, sample_s=0.1)
    assert list(made.laps["kind"]) == ["formation", *["timed"] * 4, *["cool_down"] * 3]


def test_a_lap_from_the_pits_to_the_grid(track):
    length = track.length_m
    drive = track.drive(box_m=-500.0).stand(10).to(-300, speed_mps=track.pit_mps)
    drive.to(length - 70, 0.8).stand(180).to(2 * length - 70, 0.6).stand(30)
    for lap in range(3, 6):
        drive.to(lap * length + 30)
    session = track.session("race", laps=6, formation_laps=1)
    made = cut(drive.log(), track.circuit, session, sample_s=0.1)
    assert list(made.laps["kind"])[:4] == ["out", "formation", "timed", "timed"]


def test_one_log_of_a_race_with_a_stop_is_split_at_the_standstill(track):
    length = track.length_m
    drive = track.drive(box_m=-70.0).stand(30)
    for lap in range(1, 4):
        drive.to(lap * length - 20)
    drive.to(4 * length - 400).to(4 * length - 220, speed_mps=track.pit_mps)
    stopped = drive.time_s
    drive.stand(45).to(4 * length + 100, speed_mps=track.pit_mps)
    for lap in range(5, 8):
        drive.to(lap * length + 40)
    pieces = split_at(drive.log(), [stopped + 45 - 30 + 20.0])
    assert pieces[0]["time_s"].iloc[-1] == pytest.approx(stopped + 45, abs=0.5)
    session = track.session("race", laps=20)
    one = cut(pieces[0], track.circuit, session, sample_s=0.1)
    two = cut(
        pieces[1],
        track.circuit,
        session,
        sample_s=0.1,
        first_run=False,
        race_laps_run=len(one.laps),
    )
    assert list(one.laps["kind"]) == ["timed", "timed", "timed", "in"][: len(one.laps)]
    assert list(two.laps["kind"]) == ["out", "timed", "timed"]


def test_a_missed_beacon_is_split_by_distance_and_does_not_count(track):
    drive = track.practice_run(8)
    channels = drive.log(20.0).drop(columns=["latitude_deg", "longitude_deg"])
    seen = np.delete(np.array(drive.crossed_s), 4)
    passed = np.searchsorted(seen, channels["time_s"], side="right")
    channels["beacon"] = np.diff(passed, prepend=0)
    made = cut(channels, track.circuit, track.session(), sample_s=0.05)
    assert len(timed(made)) == 8
    missed = made.laps[made.laps["reason"].str.contains("missed")]
    assert list(missed["lap"]) == [4, 5]
    truth = np.diff(drive.crossed_s)[3:5]
    assert missed["lap_time_s"].to_numpy() == pytest.approx(truth, abs=0.1)


def test_a_beacon_too_many_is_joined_and_said(track):
    drive = track.practice_run(8)
    channels = drive.log(20.0).drop(columns=["latitude_deg", "longitude_deg"])
    extra = np.sort([*drive.crossed_s, drive.crossed_s[4] + 40.0])
    passed = np.searchsorted(extra, channels["time_s"], side="right")
    channels["beacon"] = np.diff(passed, prepend=0)
    made = cut(channels, track.circuit, track.session(), sample_s=0.05)
    assert len(timed(made)) == 8 and np.abs(errors_s(made, drive)).max() < 0.06
    assert any("one too many" in note or "too many" in note for note in made.notes)


def test_a_double_trigger_is_shut_out(track):
    drive = track.practice_run(8)
    channels = drive.log(20.0).drop(columns=["latitude_deg", "longitude_deg"])
    twice = np.sort([*drive.crossed_s, drive.crossed_s[4] + 1.0])
    passed = np.searchsorted(twice, channels["time_s"], side="right")
    channels["beacon"] = np.diff(passed, prepend=0)
    made = cut(channels, track.circuit, track.session(), sample_s=0.05)
    assert len(timed(made)) == 8 and any("too many" in note for note in made.notes)


def test_the_wrong_way_over_the_line_is_no_crossing(track):
    line = track.circuit.start_finish.model_copy(update={"heading_deg": 240.0})
    turned = track.circuit.model_copy(update={"start_finish": line})
    made = cut(track.practice_run(4).log(), turned, track.session(), sample_s=0.1)
    assert len(timed(made)) == 0
    assert made.notes == ("the line is only crossed against heading_deg = 240",)


def test_a_line_that_is_elsewhere_says_how_far(track):
    # 0.001 deg of latitude is 111 m (WGS 84)
    line = track.circuit.start_finish.model_copy(update={"latitude_deg": 52.101})
    moved = track.circuit.model_copy(update={"start_finish": line})
    made = cut(track.practice_run(4).log(), moved, track.session(), sample_s=0.1)
    assert "never crossed; the car comes" in made.notes[0]
    assert 50 < float(made.notes[0].split("comes ")[1].split(" m")[0]) < 112


def test_a_beacon_recorded_slower_than_the_log(track):
    drive = track.practice_run(8)
    channels = drive.log(20.0).drop(columns=["latitude_deg", "longitude_deg"])
    passed = np.searchsorted(np.array(drive.crossed_s), channels["time_s"], side="right")
    pulse = pd.Series(np.diff(passed, prepend=0)).rolling(4, min_periods=1).max()
    channels["beacon"] = pulse.where(np.arange(len(pulse)) % 4 == 0)
    made = cut(channels, track.circuit, track.session(), sample_s=0.05)
    assert len(timed(made)) == 8 and np.abs(errors_s(made, drive)).max() < 0.2


def test_a_receiver_without_a_fix_gives_no_crossing(track):
    channels = track.practice_run(2).log()
    channels[["latitude_deg", "longitude_deg"]] = 0.0
    made = cut(channels, track.circuit, track.session(), sample_s=0.1)
    assert len(timed(made)) == 0


def test_standing_on_the_line_with_a_noisy_receiver_is_no_lap(track):
    drive = track.drive(box_m=0.5).stand(300)
    channels = drive.log(10.0, np.random.default_rng(3), white_m=1.5)
    made = cut(channels, track.circuit, track.session(), sample_s=0.1)
    assert len(made.laps) == 0


def test_fuel_of_the_laps_is_the_integral_of_the_flow(track):
    drive = track.practice_run(4)
    made = cut(drive.log(), track.circuit, track.session(), sample_s=0.1)
    # closed form: 6 l/h and 1.2 l/h per m/s: (6 t + 1.2 s) / 3600
    lap = timed(made).iloc[1]
    assert lap["fuel_used_l"] == pytest.approx(
        (6 * lap["lap_time_s"] + 1.2 * track.length_m) / 3600, rel=2e-4
    )
    run_m = 6 * track.length_m
    whole = (6 * drive.time_s + 1.2 * run_m) / 3600
    assert made.fuel_l == pytest.approx(whole, rel=1e-3)
    assert made.laps["fuel_used_l"].sum() == pytest.approx(made.fuel_l, rel=1e-6)
    before = made.laps["fuel_used_before_l"].to_numpy()
    assert before[0] == 0 and before[1:] == pytest.approx(
        made.laps["fuel_used_l"].cumsum().to_numpy()[:-1], rel=1e-6
    )


def test_a_counter_of_fuel_survives_its_reset():
    channels = pd.DataFrame({"time_s": np.arange(6.0), "fuel_used_l": [1.0, 2, 3, 0, 1, 2]})
    assert litres(channels).tolist() == [0, 1, 2, 2, 3, 4]


def test_hot_pressure_is_that_of_the_last_seconds(track):
    channels = track.practice_run(2).log()
    channels["tyre_pressure_fl_bar"] = 1.7 + 0.001 * channels["time_s"]
    made = cut(channels, track.circuit, track.session(), sample_s=0.1)
    ends = 15 + made.laps["start_s"] + made.laps["lap_time_s"]
    # closed form: the mean of a ramp over its last 10 s is its value 5 s before the end
    assert made.laps["hot_fl_bar"].to_numpy() == pytest.approx(
        (1.7 + 0.001 * (ends - 5)).to_numpy(), abs=2e-4
    )
    assert made.laps["hot_fr_bar"].isna().all()


def test_a_log_without_a_way_to_laps_says_so(track):
    channels = track.practice_run(1).log().drop(columns=["latitude_deg", "longitude_deg"])
    made = cut(channels, track.circuit, track.session(), sample_s=0.1)
    assert any("no way to find laps" in note for note in made.notes)


def test_a_log_of_nothing(track):
    empty = pd.DataFrame({"time_s": np.empty(0)})
    assert len(cut(empty, track.circuit, track.session(), sample_s=float("nan")).laps) == 0
