"""Sector times from split lines: closed forms and simulated truth."""

import numpy as np
import pytest

from tyrekit.errors import EventError
from tyrekit.record.event import Split, parse_event
from tyrekit.record.laps import cut
from tyrekit.record.weekend import Weekend

# on the first straight 250 m past the line, and on the other straight, driven the other way;
# places on the small track of conftest: 120 m bends, headings 60 and 240 degrees
FAR_M = 900 - 550 + np.pi * 120 + 400  # past the line along the track: 400 m down the second


def on_track(track, along, right):
    """A point in degrees from metres along and right of the line's heading."""
    line, turn = track.circuit.start_finish, np.radians(60.0)
    north = along * np.cos(turn) - right * np.sin(turn)
    east = along * np.sin(turn) + right * np.cos(turn)
    per_deg = 111_195.0
    return {
        "latitude_deg": line.latitude_deg + north / per_deg,
        "longitude_deg": line.longitude_deg
        + east / per_deg / np.cos(np.radians(line.latitude_deg)),
    }


@pytest.fixture
def splits(track):
    one = {"name": "A", "heading_deg": 60.0, "distance_m": 250.0, **on_track(track, 250.0, 0.0)}
    two = {"name": "B", "heading_deg": 240.0, "distance_m": FAR_M, **on_track(track, -50.0, 240.0)}
    return [Split(**one), Split(**two)]


def with_splits(track, splits):
    return track.circuit.model_copy(update={"splits": tuple(splits)})


def truth(drive, distance_m, length_m):
    """True times at which a distance past the line is passed, lap by lap."""
    t, run = np.concatenate(drive.times), np.concatenate(drive.runs)
    laps = np.arange(0, int(run[-1] // length_m) + 1)
    return np.interp(laps * length_m + distance_m, run, t)


def sectors(made):
    return made.laps[[c for c in made.laps.columns if c.startswith("sector_")]]


@pytest.mark.parametrize("by", ["position", "distance"])
def test_sectors_are_right_and_add_up(track, splits, by):
    drive = track.practice_run(4)
    channels = drive.log(20.0)
    if by == "distance":
        splits = [Split(name=s.name, distance_m=s.distance_m) for s in splits]
    made = cut(channels, with_splits(track, splits), track.session(), sample_s=0.05)
    timed = made.laps[made.laps["kind"] == "timed"]
    found = sectors(made).loc[timed.index].to_numpy()
    line = np.array(drive.crossed_s)
    one, two = (truth(drive, s.distance_m, track.length_m) for s in splits)
    expected = np.array([[one[k] - line[k], two[k] - one[k], line[k + 1] - two[k]]
                         for k in range(1, 5)])  # fmt: skip
    assert found == pytest.approx(expected, abs=0.03 if by == "distance" else 0.01)
    assert found.sum(axis=1) == pytest.approx(timed["lap_time_s"].to_numpy(), abs=1e-9)
    assert sectors(made).iloc[-1].isna().all()  # the in-lap has no line at its end
    assert any(f"A is timed by {by}" == n for n in made.notes)


def test_a_missed_split_says_so_and_spoils_only_its_neighbours(track, splits):
    drive = track.practice_run(4)
    channels = drive.log(20.0)
    two = truth(drive, splits[1].distance_m, track.length_m)
    gone = np.abs(channels["time_s"] - two[2]) < 12
    channels.loc[gone, ["latitude_deg", "longitude_deg"]] = np.nan
    made = cut(channels, with_splits(track, splits), track.session(), sample_s=0.05)
    row = sectors(made).iloc[2]
    assert row.isna().tolist() == [False, True, True]
    assert sectors(made).iloc[1:5].isna().sum().sum() == 2
    assert "B was not crossed on lap 3" in made.notes


def test_a_wrong_heading_is_never_crossed(track, splits):
    turned = splits[1].model_copy(update={"heading_deg": 60.0})
    made = cut(
        track.practice_run(3).log(), with_splits(track, [splits[0], turned]), track.session(),
        sample_s=0.1,
    )  # fmt: skip
    assert sectors(made)["sector_1_s"].notna().sum() >= 3
    assert sectors(made)["sector_3_s"].isna().all()


def test_no_splits_no_columns(track):
    made = cut(track.practice_run(2).log(), track.circuit, track.session(), sample_s=0.1)
    assert not len(sectors(made).columns)


SPLIT = '[[circuit.split]]\nname = "A"\ndistance_m = 250.0\n[[circuit.split]]\ndistance_m = 900.0\n'


def test_splits_stand_in_event_toml_and_reach_the_laps_table(folder, edit):
    edit("event.toml", "[car]", SPLIT + "[car]")
    laps = Weekend.open(folder).laps
    timed = laps[laps["counts"]]
    names = ["sector_1_s", "sector_2_s", "sector_3_s"]
    assert list(laps.columns[-3:]) == names
    assert timed[names].sum(axis=1).to_numpy() == pytest.approx(timed["lap_time_s"].to_numpy())


@pytest.mark.parametrize(
    "text,words",
    [
        ('[[circuit.split]]\nname = "A"\n', "a split needs distance_m, or a line, or both"),
        ("[[circuit.split]]\nlatitude_deg = 52.0\n", "latitude_deg, longitude_deg and heading_deg"),
        ("[[circuit.split]]\ndistance_m = 99000.0\n", "must rise, and end before length_m"),
        ("[[circuit.split]]\ndistance = 99.0\n", "key 'distance' is not known"),
    ],
)
def test_a_split_that_cannot_be(event_text, text, words):
    with pytest.raises(EventError, match=words):
        parse_event(event_text.replace("[car]", text + "[car]"))


def test_typed_sectors_are_kept(folder, edit):
    header = "run_id,lap,lap_time_s,sector_1_s,sector_2_s\n"
    runs = "P1-3,P1,A,2026-05-16T09:25:00,N1,N2,N3,N4,14.0,,,\n"
    text = (folder / "book/runs.csv").read_text("utf-8")
    edit("book/runs.csv", whole=text + runs)
    edit("book/laps.csv", whole=header + "P1-3,1,70.5,30.2,40.3\n")
    laps = Weekend.open(folder).laps
    own = laps[laps["run_id"] == "P1-3"].iloc[0]
    assert own["sector_1_s"] == pytest.approx(30.2) and own["sector_2_s"] == pytest.approx(40.3)
    assert own["rule"] != ""
