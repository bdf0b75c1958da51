"""Logs that begin or end with the car at speed. Expected: the drive's own laps and times."""

import gzip

import numpy as np
import pytest

from tyrekit.record.laps import cut
from tyrekit.record.weekend import Weekend


def both(folder):
    weekend = Weekend.open(folder)
    found = {doubt.name: doubt for doubt in weekend.doubts if doubt.where == "logs/P1-1.csv"}
    return weekend.laps[weekend.laps["run_id"] == "P1-1"].reset_index(drop=True), found


@pytest.fixture
def part(folder, track):
    """Write P1-1's log from some second on, or to one."""

    def write(from_s=0.0, to_s=np.inf):
        log = track.practice_run(4).log()
        kept = log[(log["time_s"] >= from_s) & (log["time_s"] < to_s)]
        (folder / "logs/P1-1.csv").write_text(track.logger_text(kept))

    return write


@pytest.fixture
def typed(track, edit):
    """Type all laps of P1-1, to a hundredth."""
    drive = track.practice_run(4)
    times = np.diff([*drive.crossed_s, drive.time_s - 20.0])
    rows = [f"P1-1,{n},{t:.2f}" for n, t in enumerate(times, start=1)]
    edit("book/laps.csv", whole="\n".join(["run_id,lap,lap_time_s", *rows]) + "\n")
    return times


@pytest.mark.parametrize("from_s", [120.0, 150.0])  # the lap under way is mostly in it, or hardly
def test_a_log_begun_late_says_so_and_its_first_whole_lap_is_no_out_lap(part, folder, from_s):
    part(from_s=from_s)
    laps, found = both(folder)
    assert list(found) == ["log begins on the track"]
    doubt = found["log begins on the track"]
    assert "km/h" in doubt.evidence and "laps.csv" in doubt.next_step
    assert "by its clock" not in doubt.evidence  # its clock counts from switching on
    assert laps["kind"].tolist() == ["out"] * (from_s < 130) + ["timed"] * 3 + ["in"]
    assert laps["counts"].sum() == 3


def test_a_clock_of_the_day_says_how_late(part, folder, track):
    log = track.practice_run(4).log()
    log = log[log["time_s"] >= 120.0].assign(time_s=lambda t: t["time_s"] - 15.0 + 9 * 3600 + 120)
    (folder / "logs/P1-1.csv").write_text(track.logger_text(log))
    _, found = both(folder)  # the run is down for 09:02:00, the car moved off 15 s into the log
    assert "by its clock 105 s after the run's start" in found["log begins on the track"].evidence


@pytest.mark.parametrize("from_s", [120.0, 150.0])
def test_laps_typed_in_full_number_those_of_a_log_begun_late(part, typed, folder, from_s):
    part(from_s=from_s)
    laps, found = both(folder)
    assert found == {} and laps["lap"].tolist() == [1, 2, 3, 4, 5, 6]
    logged = 3 if from_s > 130 else 2
    assert laps["source"].tolist() == ["typed"] * (logged - 1) + ["log"] * (7 - logged)
    assert laps["kind"].tolist()[-4:] == ["timed"] * 3 + ["in"]
    assert laps["lap_time_s"].to_numpy()[2:5] == pytest.approx(typed[2:5], abs=0.02)
    begun = (laps["started_at"] - laps["started_at"].iloc[0]).dt.total_seconds().to_numpy()
    assert begun[2:] == pytest.approx(np.cumsum(typed)[1:-1], abs=0.1)
    assert laps["age_laps"].tolist() == [11, 12, 13, 14, 15, 16]
    assert np.all(np.diff(laps["fuel_kg"]) < 0)


def test_typed_times_of_another_run_number_nothing(part, folder, edit):
    rows = [f"P1-1,{n},{80 + n}.00" for n in range(1, 7)]
    edit("book/laps.csv", whole="\n".join(["run_id,lap,lap_time_s", *rows]) + "\n")
    part(from_s=120.0)
    _, found = both(folder)
    assert "log begins on the track" in found


def test_a_log_that_ends_at_speed_says_so(part, folder):
    part(to_s=300.0)
    laps, found = both(folder)
    assert list(found) == ["log ends on the track"] and len(laps) == 4
    assert "laps after its 4 are not in it" in found["log ends on the track"].evidence


def test_fuel_of_a_part_of_a_run_is_none_of_the_run(track):
    log = track.practice_run(4).log()
    for part, known in ((log, True), (log[log["time_s"] > 120], False),
                        (log[log["time_s"] < 300], False)):  # fmt: skip
        channels = part.reset_index(drop=True)
        made = cut(channels, track.circuit, track.session(), sample_s=0.1)
        assert np.isfinite(made.fuel_l) == known


def test_a_logger_that_starts_itself_in_the_pit_lane_is_no_part(folder, track):
    log = track.practice_run(4).log()
    moving = log["speed_mps"] > 0.9 * track.pit_mps
    kept = log[moving.cummax() & moving[::-1].cummax()[::-1]]
    packed = gzip.compress(track.logger_text(kept).encode())
    (folder / "logs/P1-2.csv.gz").write_bytes(packed)
    weekend = Weekend.open(folder)
    assert not [d for d in weekend.doubts if "track" in d.name]
