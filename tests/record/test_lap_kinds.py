"""What each lap was and the rule that said so, on simulated runs: simulated truth throughout."""

import numpy as np
import pandas as pd
import pytest

from tyrekit.record.counting import counted
from tyrekit.record.laps import cut


@pytest.fixture
def judged(track, event):
    """Cut a log, then judge its laps as the weekend does; P1 stands for a practice."""

    def judge(drive, session, first_run=True, drop=(), noise=0.0, **more):
        rng = np.random.default_rng(1)
        channels = drive.log(10.0, rng, white_m=noise).drop(columns=list(drop))
        made = cut(
            channels, track.circuit, session, sample_s=0.1, first_run=first_run, **more
        )  # fmt: skip
        name = "R1" if session.kind == "race" else "P1"
        laps = made.laps.assign(run_id="run", session=name)
        rain = pd.Series("", index=laps.index, dtype="str")
        return made, counted(laps, event, rain)

    return judge


def leave(track, box_m=-220.0, stand_s=15):
    return track.drive(box_m=box_m).stand(stand_s).to(box_m + 150, speed_mps=track.pit_mps)


def fly(drive, track, first, last, scale=1.0):
    for lap in range(first, last + 1):
        drive.to(lap * track.length_m - 20, scale)
    return drive


def come_in(drive, track, lap, box_m=-220.0, stand_s=20):
    end = lap * track.length_m + box_m
    return drive.to(end - 150, 0.9).to(end, speed_mps=track.pit_mps).stand(stand_s)


def kinds(laps):
    return list(laps["kind"])


def test_every_lap_has_a_rule(track, judged):
    drive = come_in(fly(leave(track), track, 1, 5), track, 6)
    _, laps = judged(drive, track.session())
    assert kinds(laps) == ["out", *["timed"] * 4, "in"]
    assert (laps["rule"] != "").all()
    assert "line to line, 1.00 of a lap in" in laps["rule"][1]


def test_a_caution_without_flags_is_told_by_its_laps(track, judged):
    session = track.session("race", laps=14)
    drive = fly(track.drive(box_m=-40.0).stand(20), track, 1, 4)
    drive.to(4.4 * track.length_m).to(6.7 * track.length_m, 0.62)  # invented: 62 % of the pace
    _, laps = judged(fly(drive, track, 7, 12), session)
    # laps 5 and 7 hold its beginning and its end, lap 6 is slow throughout
    assert kinds(laps)[:9] == [*["timed"] * 4, *["caution"] * 3, *["timed"] * 2]
    assert laps["rule"][5].startswith("caution: 3 laps at up to 1.6")
    assert not laps["counts"][4:7].any() and laps["counts"][7:11].all()


@pytest.mark.parametrize("scale", [0.6, 0.75])
def test_one_lap_lifted_is_no_caution(track, judged, scale):
    session = track.session("race", laps=14)
    drive = fly(track.drive(box_m=-40.0).stand(20), track, 1, 5)
    drive.to(6 * track.length_m - 20, scale)
    _, laps = judged(fly(drive, track, 7, 12), session)
    assert "caution" not in kinds(laps) and kinds(laps)[5] == "timed"
    assert not laps["counts"][5] and laps["counts"][[4, 7]].all()
    words = "aborted: far below" if scale == 0.6 else "slow:"
    assert laps["reason"][5].startswith(words)


def test_a_red_flag_ends_the_lap_in_the_pits(track, judged):
    drive = fly(leave(track), track, 1, 5).to(5.3 * track.length_m)
    drive.to(6 * track.length_m - 370, 0.5)
    drive.to(6 * track.length_m - 220, speed_mps=track.pit_mps).stand(60)
    _, laps = judged(drive, track.session())
    assert kinds(laps) == ["out", *["timed"] * 4, "in"]
    assert "aborted: far below the usual speed" in laps["rule"].iloc[-1]


def test_an_ordinary_in_lap_is_not_called_aborted(track, judged):
    _, laps = judged(come_in(fly(leave(track), track, 1, 5), track, 6), track.session())
    assert "aborted" not in laps["rule"].iloc[-1]


def test_a_stop_on_the_track_aborts_the_lap(track, judged):
    drive = fly(leave(track), track, 1, 3).to(3.5 * track.length_m).stand(40)
    drive = come_in(fly(drive, track, 4, 6), track, 7)
    _, laps = judged(drive, track.session())
    assert kinds(laps) == ["out", *["timed"] * 5, "in"]
    assert laps["reason"][3] == "aborted: the car stood for 40 s"
    assert list(laps["counts"]) == [False, True, True, False, True, True, False]


def test_a_practice_start_from_the_grid(track, judged):
    drive = fly(leave(track), track, 1, 3)
    drive.to(4 * track.length_m - 60, 0.8).stand(12)  # on the grid, before the line
    v = np.sqrt(2 * 5.0 * np.arange(1, 121))  # closed form: 5 m/s2 from a stand, m by m
    for metre, speed in enumerate(v, start=1):
        drive.to(4 * track.length_m - 60 + metre, speed_mps=float(speed))
    _, laps = judged(come_in(fly(drive, track, 5, 6), track, 7), track.session())
    assert kinds(laps) == ["out", *["timed"] * 5, "in"]
    assert laps["reason"][3] == "aborted: the car stood for 12 s"
    assert laps["reason"][4] == "standing start: the car stood just before the line"
    assert list(laps["counts"][5:6]) == [True]


@pytest.mark.parametrize("noise", [0.0, 1.0])
def test_the_pit_lane_driven_through(track, judged, noise):
    drive = fly(track.drive(box_m=-40.0).stand(20), track, 1, 4)
    drive.to(5 * track.length_m - 250).to(5 * track.length_m + 150, speed_mps=track.pit_mps)
    made, laps = judged(
        fly(drive, track, 6, 9), track.session("race", laps=14), noise=noise
    )  # fmt: skip
    assert kinds(laps)[:8] == [*["timed"] * 4, "in", "out", "timed", "timed"]
    assert any("drove through the pits after lap 5" in n for n in made.notes)


@pytest.mark.parametrize("box_m", [-120.0, 120.0])
def test_two_stints_in_one_log(track, judged, box_m):
    length = track.length_m
    drive = fly(leave(track), track, 1, 5)
    drive.to(6 * length - 300).to(6 * length + box_m, speed_mps=track.pit_mps).stand(60)
    drive.to(6 * length + 300, speed_mps=track.pit_mps)
    made, laps = judged(come_in(fly(drive, track, 7, 10), track, 11), track.session())
    assert kinds(laps) == ["out", *["timed"] * 4, "in", "out", *["timed"] * 3, "in"]
    assert any("stopped for 60 s in the pits after lap 6" in n for n in made.notes)
    assert any("a run of their own" in n for n in made.notes)


def test_a_log_that_starts_and_ends_on_the_track(track, judged):
    drive = track.drive(box_m=0.4 * track.length_m)
    drive = fly(drive, track, 1, 5).to(5.6 * track.length_m)
    _, laps = judged(drive, track.session())
    assert kinds(laps) == ["out", *["timed"] * 4, "in"]
    assert laps["rule"][0].startswith("out-lap: the log begins on it: 0.60 of a lap is in the log")
    assert laps["rule"][5].startswith("in-lap: the log ends on the track: 0.60 of a lap")


def test_formation_and_cool_down_say_their_rule(track, judged):
    length = track.length_m
    drive = track.drive(box_m=-70.0).stand(60).to(length - 70, 0.55).stand(35)
    drive = fly(drive, track, 2, 7).to(8 * length - 400, 0.7)
    drive.to(8 * length - 220, speed_mps=track.pit_mps).stand(30)
    rules = {"laps": 6, "formation_laps": 1, "cool_down_laps": 1}
    _, laps = judged(drive, track.session("race", **rules))
    assert kinds(laps) == ["formation", *["timed"] * 6, "cool_down"]
    assert laps["rule"][0] == "before the start: formation_laps = 1 in event.toml"
    assert laps["rule"][7] == "after the finish: the race's laps or minutes are run"


@pytest.mark.parametrize("way", ["beacon", "lap"])
def test_the_kinds_are_the_same_without_position(track, judged, way):
    length = track.length_m
    drive = fly(leave(track), track, 1, 4)
    drive.to(5 * length - 300).to(5 * length + 120, speed_mps=track.pit_mps).stand(60)
    drive.to(5 * length + 300, speed_mps=track.pit_mps)
    drive = come_in(fly(drive, track, 6, 8), track, 9)
    channels = drive.log(20.0).drop(columns=["latitude_deg", "longitude_deg"])
    passed = np.searchsorted(np.array(drive.crossed_s), channels["time_s"], side="right")
    channels[way] = passed if way == "lap" else np.diff(passed, prepend=0)
    made = cut(channels, track.circuit, track.session(), sample_s=0.05)
    expected = ["out", *["timed"] * 3, "in", "out", *["timed"] * 2, "in"]
    assert list(made.laps["kind"]) == expected
    # the beacon may stand where the pit lane does not pass it
    passed = np.searchsorted(np.delete(drive.crossed_s, 5), channels["time_s"], side="right")
    channels[way] = passed if way == "lap" else np.diff(passed, prepend=0)
    made = cut(channels, track.circuit, track.session(), sample_s=0.05)
    assert list(made.laps["kind"]) == expected
