"""Clocks that were set, run at a wrong rate or are of another day: each is named, once."""

import numpy as np
import pytest

from tyrekit.record.weekend import Weekend


def doubts(folder):
    return {doubt.name: doubt for doubt in Weekend.open(folder).doubts}


@pytest.fixture
def clock(folder, track):
    """Write P1-1's log with its clock changed: a function from seconds to seconds."""

    def change(wrong):
        channels = track.practice_run(4).log()
        channels["time_s"] = wrong(channels["time_s"].to_numpy())
        (folder / "logs/P1-1.csv").write_text(track.logger_text(channels))

    return change


def logged(folder):
    laps = Weekend.open(folder).laps
    return laps[laps["run_id"] == "P1-1"]


def test_a_clock_set_forward_is_found_and_its_lap_does_not_count(folder, clock):
    before = logged(folder)
    clock(lambda t: np.where(t > 200.0, t + 20.0, t))
    found = doubts(folder)
    doubt = found["clock set"]
    assert "goes 20.0 s forward" in doubt.evidence and "position shows" in doubt.evidence
    assert doubt.sure > 0.9 and doubt.where == "logs/P1-1.csv"
    after = logged(folder)
    spoilt = (after["lap_time_s"].to_numpy() - before["lap_time_s"].to_numpy()) > 1.0
    assert spoilt.sum() == 1 and not after["counts"].to_numpy()[spoilt].any()
    others = after["lap_time_s"].to_numpy()[~spoilt]
    assert others == pytest.approx(before["lap_time_s"].to_numpy()[~spoilt], abs=0.001)


def test_a_clock_set_back_is_found(folder, clock):
    clock(lambda t: np.where(t > 200.0, t - 15.0, t))
    found = doubts(folder)
    assert "goes 15." in found["clock set"].evidence and "back" in found["clock set"].evidence
    laps = logged(folder)
    late = laps[laps["reason"].str.contains("clock was set")]
    assert len(late) == 1 and not late["counts"].any()


def test_samples_that_lack_are_no_clock_that_was_set(folder, track):
    channels = track.practice_run(4).log()
    gone = (channels["time_s"] > 200.0) & (channels["time_s"] < 206.0)
    (folder / "logs/P1-1.csv").write_text(track.logger_text(channels[~gone]))
    assert "clock set" not in doubts(folder)


def test_a_log_with_dates_of_another_day_is_found(folder, clock):
    # ISO 8601: 2026-05-16T09:02 in London is 08:02 UTC, 1778918520 s after the start of 1970
    clock(lambda t: t - 15.0 + 1778918520.0)
    assert "log of another time" not in doubts(folder)
    clock(lambda t: t - 15.0 + 1778918520.0 + 3600.0)  # local time written without its offset
    assert "log of another time" not in doubts(folder)
    clock(lambda t: t - 15.0 + 1778918520.0 - 3 * 86400.0)
    doubt = doubts(folder)["log of another time"]
    assert "-3.0 days" in doubt.evidence and "2026-05-13 08:02 UTC" in doubt.evidence
    clock(lambda t: t - 15.0 + 1778918520.0 + 5 * 3600.0)
    assert "+5.0 hours" in doubts(folder)["log of another time"].evidence


@pytest.mark.parametrize(("ppm", "raised"), [(0.0, False), (1200.0, True), (-1200.0, True)])
def test_a_drift_against_official_times(folder, track, edit, ppm, raised):
    """Position to a metre over four laps tells 1200 ppm; at length: tests/study_timing.py."""
    rows = ["lap,lap_time_s"]
    for scale in (1.0, 1.01):
        crossed = np.array(track.practice_run(4, scale=scale).crossed_s)[1:]
        # the officials' clock is right: the logger counts more seconds when it is fast
        rows += [
            f"{len(rows) + i},{s:.3f}" for i, s in enumerate(np.diff(crossed) / (1 + ppm * 1e-6))
        ]
    edit("timing/P1.csv", whole="\n".join(rows) + "\n")
    weekend = Weekend.open(folder)
    assert (weekend.clocks["drift_ppm"] - ppm).abs().max() < 3 * weekend.clocks[
        "drift_se_ppm"
    ].max()
    found = [d for d in weekend.doubts if d.name == "clock drift"]
    assert bool(found) is raised
    if raised:
        assert ("fast" if ppm > 0 else "slow") in found[0].evidence and found[0].sure > 0.9
        assert not len(weekend.disagreements)


def test_runs_that_the_book_lacks_are_named(folder, edit):
    edit("timing/Q.csv", whole="lap,lap_time_s\n1,66.1\n2,66.2\n")
    assert (
        "Q: 2 official laps, no run in the book"
        in doubts(folder)["official laps of no run"].evidence
    )
