"""A logger that lost power: time begins again in its file, and what was lost is said.

Expected: the driven laps' true times, and how much was cut out; both known from the drive.
"""

import numpy as np
import pandas as pd
import pytest

from tyrekit.record.laps import cut, split_at
from tyrekit.record.logs import LogData
from tyrekit.record.restarts import laid_out
from tyrekit.record.rising import begun_again
from tyrekit.record.weekend import Weekend

STEP_S = 0.1


def off(channels, at_s, for_s):
    """Take the rows of some seconds out; time begins at 0 again behind them."""
    kept = channels[(channels["time_s"] < at_s) | (channels["time_s"] >= at_s + for_s)].copy()
    late = kept["time_s"] >= at_s
    kept.loc[late, "time_s"] -= kept.loc[late, "time_s"].iloc[0]
    return kept.reset_index(drop=True)


def counter(channels, crossed_s):
    """Mark the laps by a counter instead of position."""
    laps = np.searchsorted(crossed_s, channels["time_s"].to_numpy()).astype(float)
    return channels.drop(columns=["latitude_deg", "longitude_deg"]).assign(lap=laps)


@pytest.fixture
def lost_power(folder, track):
    """Write P1-1's log with the logger off for some seconds of it."""

    def change(at_s, for_s):
        channels = off(track.practice_run(4).log(), at_s, for_s)
        (folder / "logs/P1-1.csv").write_text(track.logger_text(channels))
        weekend = Weekend.open(folder)
        laps = weekend.laps[weekend.laps["run_id"] == "P1-1"].reset_index(drop=True)
        return laps, weekend.doubts

    return change


@pytest.mark.parametrize("at_s", [60.0, 150.0, 171.0, 230.0, 300.0, 371.0])
@pytest.mark.parametrize("for_s", [3.0, 8.0, 25.0])
def test_laps_beside_the_gap_are_as_driven(lost_power, track, at_s, for_s):
    crossed = np.array(track.practice_run(4).crossed_s)
    laps, found = lost_power(at_s, for_s)
    assert len(laps) == len(crossed)  # the last ends in the pits, lap 1 begins in the lane
    whole = [n for n in range(1, len(crossed))
             if crossed[n] < at_s - 4 or crossed[n - 1] > at_s + for_s + 4]  # fmt: skip
    times = laps.set_index("lap")["lap_time_s"]
    for lap in whole:
        assert times[lap] == pytest.approx(crossed[lap] - crossed[lap - 1], abs=0.01)
    over = int(np.searchsorted(crossed, at_s))  # the first lap that the gap is on
    assert not laps.set_index("lap").loc[over, "counts"]
    assert np.isnan(laps.set_index("lap").loc[over, "fuel_used_l"])
    assert laps.loc[laps["lap"].isin(whole) & (laps["kind"] == "timed"), "counts"].all()
    (doubt,) = [d for d in found if d.where == "logs/P1-1.csv"]
    assert doubt.name == "log begun again" and f"on lap {over}" in doubt.evidence


def test_what_is_missing_is_what_was_cut_out(lost_power, track):
    _, found = lost_power(230.0, 8.0)
    speed = track.practice_run(4).log().set_index("time_s")["speed_mps"]
    lost_m = speed[(speed.index >= 229.9) & (speed.index < 238.0)].sum() * STEP_S
    (doubt,) = [d for d in found if d.where == "logs/P1-1.csv"]
    told_m = float(doubt.evidence.split(" m, are missing")[0].rsplit(" ", 1)[1])
    assert told_m == pytest.approx(lost_m, abs=15.0)  # a lap by the speed channel is as near


def test_a_time_typed_for_the_lap_of_the_gap_counts(lost_power, edit):
    edit("book/laps.csv", whole="run_id,lap,lap_time_s,fuel_used_l\nP1-1,3,66.25,0.9\n")
    laps, _ = lost_power(170.0, 8.0)
    lap = laps.set_index("lap").loc[3]
    assert lap["counts"] and lap["source"] == "typed"
    assert (lap["lap_time_s"], lap["fuel_used_l"]) == (66.25, 0.9)


def test_a_lap_counter_that_begins_again_is_counted_on(track):
    drive = track.practice_run(6)
    crossed = np.array(drive.crossed_s)
    channels = off(counter(drive.log(), crossed), 230.0, 8.0)
    again = int(np.flatnonzero(np.diff(channels["time_s"]) < 0)[0]) + 1
    channels.loc[again:, "lap"] -= channels.loc[again, "lap"] - 1
    time_s = channels["time_s"].to_numpy().copy()
    time_s[again:] += time_s[again - 1] + STEP_S
    log = LogData("x", "", channels.assign(time_s=time_s), restarts=(float(time_s[again]),))
    log = laid_out(log, track.circuit)
    made = cut(log.channels, track.circuit, track.session(), sample_s=STEP_S,
               restarts=log.restarts)  # fmt: skip
    assert len(made.laps) == len(crossed) and np.isnan(made.fuel_l)
    assert [gap.laps for gap in made.gaps] == [((crossed > 230.0).argmax(),)]
    late = made.laps["lap_time_s"].to_numpy()[-3:-1]
    assert late == pytest.approx(np.diff(crossed)[-2:], abs=2 * STEP_S)


def test_two_runs_written_into_one_file_are_split_where_time_begins_again(folder, track, edit):
    apart = Weekend.open(folder).laps
    (folder / "book.sqlite").unlink()
    runs = [track.practice_run(4, scale=scale).log() for scale in (1.0, 1.01)]
    (folder / "logs/both.csv").write_text(track.logger_text(pd.concat(runs)))
    for name in ("P1-1.csv", "P1-2.csv.gz"):
        (folder / "logs" / name).unlink()
        edit("book/runs.csv", name, "both.csv")
    weekend = Weekend.open(folder)
    assert not [d for d in weekend.doubts if "laps" in d.name or "log" in d.name]
    for name in ("run_id", "lap", "kind", "counts"):
        assert weekend.laps[name].tolist() == apart[name].tolist()
    assert weekend.laps["lap_time_s"].to_numpy() == pytest.approx(apart["lap_time_s"].to_numpy())


def test_cuts_are_where_the_car_stood_over_a_restart(track):
    log = track.practice_run(2).log()
    later = log.assign(time_s=log["time_s"] + log["time_s"].iloc[-1] + STEP_S)
    both = pd.concat([log, later], ignore_index=True)
    begun = float(later["time_s"].iloc[0])
    one, two = split_at(both, [2000.0], [begun])
    assert (len(one), two["time_s"].iloc[0]) == (len(log), begun)


CLOCK_S = np.arange(2000) / 10


def rows(time_s):
    return {"time_s": time_s, "speed_mps": np.random.default_rng(4).normal(40, 9, len(time_s))}


def test_time_that_begins_again_is_another_piece():
    assert begun_again(rows(np.concatenate([CLOCK_S, CLOCK_S[:300], CLOCK_S]))) == [2000, 2300]
    assert begun_again(rows(np.concatenate([CLOCK_S + 7.3, CLOCK_S]))) == [2000]


@pytest.mark.parametrize("glitch", [1, 5, 40, 80])
def test_a_few_stamps_that_fall_back_are_none(glitch):
    time_s = CLOCK_S.copy()
    time_s[900 : 900 + glitch] = CLOCK_S[:glitch]
    assert begun_again(rows(time_s)) == []


def test_one_stamp_too_high_begins_nothing():
    time_s = CLOCK_S.copy()
    time_s[[0, 50, 600]] = 910.0, 9050.0, 9e9
    assert begun_again(rows(time_s)) == []


def test_rows_written_twice_are_no_other_piece():
    once = rows(CLOCK_S)
    assert begun_again({name: np.tile(values, 2) for name, values in once.items()}) == []
    part = {name: np.append(values, values[:700]) for name, values in once.items()}
    assert begun_again(part) == []
