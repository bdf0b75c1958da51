"""Official times read, matched to the runs, and counted; kinds of expected values beside them."""

from datetime import timedelta

import numpy as np
import pandas as pd
import pytest
from study_timing import CASES, Clocks, simulate, study

from tyrekit.errors import TimingError
from tyrekit.record.alignment import aligned, drift, pooled
from tyrekit.record.official import read_official
from tyrekit.record.timing_files import lap_seconds, read_timing
from tyrekit.record.weekend import Weekend

HEAD = "car;lap;lap time;passing time;pit"


@pytest.fixture
def timed_runs(track):
    """The true crossings of both runs of the test weekend, s since the car moved off."""
    # the first crossing is the car's as it leaves the pits
    return [np.array(track.practice_run(4, scale=s).crossed_s)[1:] - 15.0 for s in (1.0, 1.01)]


@pytest.fixture
def publish(edit, timed_runs):
    """Write timing/P1.csv: flying laps of both runs, the second marked by its in-lap."""

    def write(offset_s=7.3, name="timing/P1.csv", change=None, passing=True, in_laps=True):
        starts = [pd.Timestamp(f"2026-05-16T09:{m}:00") for m in ("02", "16")]
        rows, lap = [], 0
        for start, crossed in zip(starts, timed_runs, strict=True):
            for k in range(1, len(crossed)):
                lap += 1
                when = start + timedelta(seconds=float(crossed[k]) + offset_s)
                rows.append([7, lap, float(crossed[k] - crossed[k - 1]), when, ""])
            if in_laps:
                lap += 1
                rows.append([7, lap, 75.0, when + timedelta(seconds=75), "in"])
        for at, column, value in change or ():
            rows[at][column] = value
        lines = [HEAD]
        for car, number, seconds, when, pit in rows:
            text = f"{int(seconds // 60)}:{seconds % 60:06.3f}".replace(".", ",")
            clock = when.isoformat(timespec="milliseconds") if passing else ""
            lines.append(f"{car};{number};{text};{clock};{pit}")
        edit(name, whole="\n".join(lines) + "\n")

    return write


# ------------------------------------------------------------------------------ reading


@pytest.mark.parametrize(
    ("text", "seconds", "digits"),
    [("1:42.345", 102.345, 3), ("1:42,345", 102.345, 3), ("102.3", 102.3, 1), ("91", 91.0, 0),
     ("1:01:42.30", 3702.3, 2), ("2:00.0", 120.0, 1)],
)  # fmt: skip
def test_lap_times_as_people_write_them(text, seconds, digits):
    assert lap_seconds(text) == (seconds, digits)  # closed form: minutes are 60 s


@pytest.mark.parametrize("text", ["1:75.0", "abc", "0", "1:5.2", "-3.1", "1.234,5", "1e3"])
def test_what_is_no_lap_time_is_refused(text):
    with pytest.raises(ValueError, match="no lap time"):
        lap_seconds(text)


def write(tmp_path, name, data):
    path = tmp_path / "timing" / name
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return path


@pytest.mark.parametrize("coding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
def test_any_delimiter_and_encoding_below_a_title(tmp_path, event, coding, mark):
    rows = [["Résultats, officiels"], [], ["Car", "Lap", "Lap Time"], ["7", "1", "1:06.51"],
            ["08", "1", "66.7"], ["7", "2", ""]]  # fmt: skip
    text = "\r\n".join(mark.join(cells) for cells in rows)
    file = read_timing(write(tmp_path, "Q official.csv", text.encode(coding)), event)
    assert [(o.session, o.car, o.lap) for o in file.laps] == [
        ("Q", "7", 1), ("Q", "08", 1), ("Q", "7", 2)
    ]  # fmt: skip
    assert file.laps[0].lap_time_s == 66.51 and np.isnan(file.laps[2].lap_time_s)
    assert file.lap_time_step_s == 0.01


def test_clock_times_follow_the_zone_of_the_event(tmp_path, event):
    text = (
        "session,lap,lap_time_s,crossed_at\nQ,1,66.5,2026-05-16T12:03:04.5\n"
        "Q,2,66.5,12:04:11.0\nQ,3,66.5,2026-05-16T11:05:17.500Z\nQ,4,66.5,2026-05-16T13:06:24+02:00\n"
    )
    laps = read_timing(write(tmp_path, "any.csv", text), event).laps
    clock = [o.crossed_at.astimezone(event.meeting.zone).strftime("%H:%M:%S.%f%z") for o in laps]
    # ISO 8601 with the IANA time zone database: London is one hour ahead of UTC in May
    assert clock == ["12:03:04.500000+0100", "12:04:11.000000+0100", "12:05:17.500000+0100",
                     "12:06:24.000000+0100"]  # fmt: skip


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("R1.csv", "lap,lap_time_s\n1,66.5\nx,66.6\n", "timing/R1.csv row 3: lap is 'x'"),
        ("R1.csv", "lap,lap_time_s\n1,66.5\n2,1:99.0\n", "timing/R1.csv row 3: '1:99.0' is no lap"),
        ("R1.csv", "lap,sector\n1,22\n", "timing/R1.csv: no line names a column of lap times"),
        (
            "x.csv",
            "lap,lap_time_s\n1,66.5\n",
            "timing/x.csv row 2: no session is given; .* P1, Q, R1",
        ),
        ("x.csv", "session,lap,lap_time_s\nR9,1,66.5\n", "session 'R9' is not in event.toml"),
        ("R1.csv", "lap,lap_time_s,crossed_at\n1,66.5,half past\n", "crossed_at is 'half past'"),
        ("R1.csv", "lap,lap_time_s\n1,66,5\n", "row 2: there are 3 cells"),
        ("R1.csv", "car,lap,lap_time_s\n,1,66.5\n", "row 2: car is empty"),
        ("R1.csv", b"\x00\x01\x02lap,lap_time_s\x00", "timing/R1.csv: "),
    ],
)
def test_a_file_that_breaks_a_rule_is_an_error_with_its_row(folder, event, name, text, words):
    write(folder, name, text)
    with pytest.raises(TimingError, match=words):
        read_official(folder, event)
    with pytest.raises(TimingError):
        Weekend.open(folder)
    assert not (folder / "book.sqlite").exists()


def test_a_later_publication_supersedes_lap_by_lap_and_says_so(tmp_path, event):
    write(tmp_path, "R1.csv", "car,lap,lap_time_s\n7,1,70.1\n7,2,66.5\n7,3,66.6\n")
    write(tmp_path, "R1-corrected.csv", "car,lap,lap_time_s\n7,2,66.4\n")
    official = read_official(tmp_path, event)
    # by name R1-corrected.csv comes before R1.csv
    assert official.laps["lap_time_s"].tolist() == [70.1, 66.5, 66.6]
    write(tmp_path, "R1-corrected.csv",
          "car,lap,lap_time_s,published\n7,2,66.4,2026-05-17T12:00\n")  # fmt: skip
    official = read_official(tmp_path, event)
    assert official.laps["lap_time_s"].tolist() == [70.1, 66.4, 66.6]
    assert any("R1-corrected.csv supersedes timing/R1.csv for 1 laps: R1 lap 2 66.500 -> 66.400 s"
               in note for note in official.notes)  # fmt: skip


def test_a_lap_twice_in_one_file_is_said(tmp_path, event):
    write(tmp_path, "R1.csv", "lap,lap_time_s\n1,70.1\n2,66.5\n2,66.5\n3,66.6\n3,66.9\n")
    official = read_official(tmp_path, event)
    assert any("R1 lap 2 is twice in timing/R1.csv, rows 3 and 4" in n for n in official.notes)
    assert official.twice == ("timing/R1.csv row 6: R1 lap 3 is 66.900 s, in row 5 66.600 s",)
    assert any("names no cars" in note for note in official.notes)


def test_other_files_in_timing_are_passed_over_and_said(folder, event):
    write(folder, "R1.pdf", b"%PDF-1.4")
    assert any("timing/R1.pdf is not read" in n for n in Weekend.open(folder).notes)


def test_a_link_out_of_timing_is_refused(folder, tmp_path):
    (tmp_path / "outside.csv").write_text("lap,lap_time_s\n1,66\n")
    (folder / "timing").mkdir()
    (folder / "timing/R1.csv").symlink_to(tmp_path / "outside.csv")
    with pytest.raises(TimingError, match="link out of the folder"):
        Weekend.open(folder)


# ------------------------------------------------------------------------------ matching


@pytest.mark.parametrize("passing", [True, False])
def test_official_times_count_and_the_loggers_stay_readable(folder, publish, timed_runs, passing):
    publish(passing=passing)
    weekend = Weekend.open(folder)
    for (_, laps), crossed in zip(weekend.laps.groupby("run_id"), timed_runs, strict=True):
        flying = laps[laps["kind"] == "timed"]
        # simulated truth, published to a thousandth
        assert flying["lap_time_s"].to_numpy() == pytest.approx(np.diff(crossed), abs=0.00051)
        assert set(flying["source"]) == {"timing"}
        # closed form: evenly spread over the last digit
        assert flying["lap_time_se_s"].to_numpy() == pytest.approx(0.001 / 12**0.5)
        assert (flying["logger_time_s"] - flying["lap_time_s"]).abs().max() < 0.1
        assert (flying["logger_time_s"] != flying["lap_time_s"]).all()
        ends = laps[laps["kind"].isin(["out", "in"])]
        assert set(ends["source"]) == {"log"} and ends["fuel_used_l"].notna().all()
    clocks = weekend.clocks.set_index("run_id")
    assert clocks["matched_laps"].tolist() == [4, 4] and (clocks["sure"] > 0.999).all()
    assert weekend.timing["run_lap"].tolist() == [2, 3, 4, 5, 6] * 2
    assert weekend.doubts == () and not len(weekend.disagreements)
    assert "timing/P1.csv" in weekend.inputs
    if passing:  # the car moves off when the log says so; the sheet says the minute
        assert clocks["offset_s"].to_numpy() == pytest.approx([7.3, 7.3], abs=0.4)
        assert any("P1: 8 lap times are official" in note for note in weekend.notes)


def test_a_disagreement_is_listed_and_the_official_time_counts(folder, publish, edit):
    publish(change=[(2, 2, 66.0)])
    edit("book/laps.csv", whole="run_id,lap,lap_time_s\nP1-1,3,70.25\nP1-1,4,66.0\n")
    weekend = Weekend.open(folder)
    lap = weekend.laps[weekend.laps["run_id"] == "P1-1"].set_index("lap").loc[4]
    assert lap["lap_time_s"] == lap["official_time_s"] == 66.0 and lap["typed_time_s"] == 66.0
    table = weekend.disagreements
    assert table[["run_id", "lap"]].to_numpy().tolist() == [["P1-1", 4], ["P1-1", 3]]
    assert table["gap_s"].iloc[0] == pytest.approx(lap["logger_time_s"] - 66.0)
    found = {doubt.name: doubt for doubt in weekend.doubts}
    assert "lap 4" in found["official times disagree"].evidence
    assert table["source"].tolist() == ["log", "typed"]


def test_without_official_times_drift_is_said_to_be_out_of_sight(folder):
    notes = Weekend.open(folder).notes
    assert any("drift of the logger's clock cannot be detected" in note for note in notes)


@pytest.mark.parametrize("passing", [True, False])
def test_a_run_without_log_takes_its_laps_from_the_timing(folder, publish, passing):
    publish(passing=passing)
    (folder / "logs/P1-2.csv.gz").unlink()
    weekend = Weekend.open(folder)
    laps = weekend.laps[weekend.laps["run_id"] == "P1-2"]
    assert laps["kind"].tolist() == ["out", "timed", "timed", "timed", "timed", "in"]
    assert laps["source"].tolist() == ["assumed", *["timing"] * 5]
    assert "not timed" in laps["reason"].iloc[0] and laps["counts"].sum() == 4
    assert weekend.tyres.set_index("tyre_id").loc["N1", "age_laps"] == 6
    assert laps["fuel_kg"].is_monotonic_decreasing


def test_laps_after_the_end_of_a_log_are_the_timings(folder, publish):
    publish()
    text = (folder / "logs/P1-1.csv").read_text()
    (folder / "logs/P1-1.csv").write_text(text[: len(text) * 6 // 10 + 17])
    weekend = Weekend.open(folder)
    laps = weekend.laps[weekend.laps["run_id"] == "P1-1"]
    assert laps["official_time_s"].notna().sum() >= 4
    assert weekend.tyres.set_index("tyre_id").loc["007", "age_laps"] in (18, 19)


def test_times_of_another_car_are_a_doubt(folder, publish):
    publish()
    text = (folder / "timing/P1.csv").read_text().replace("\n7;", "\n07;")
    (folder / "timing/P1.csv").write_text(text)
    weekend = Weekend.open(folder)
    found = [d for d in weekend.doubts if d.name == "car not in the timing"]
    assert "has no car '7'; it has 07" in found[0].evidence
    assert (weekend.laps["source"] == "log").all()


def test_times_that_fit_no_run_are_not_used(folder, publish):
    publish(change=[(i, 2, 60.0 + 3.1 * (i % 4)) for i in range(10)], passing=False)
    weekend = Weekend.open(folder)
    assert (weekend.laps["source"] == "log").all()
    assert {d.name for d in weekend.doubts} >= {"official times unmatched"}


def test_laps_of_the_field_are_counted(folder, publish):
    publish()
    path = folder / "timing/P1.csv"
    ours = path.read_text().splitlines()
    others = [row.replace("7;", f"{car};", 1) for car in ("8", "9") for row in ours[1:]]
    path.write_text("\n".join([*ours, *others]) + "\n")
    weekend = Weekend.open(folder)
    laps = weekend.laps[weekend.laps["run_id"] == "P1-2"]
    # closed form: three cars, five laps each before this run; then three at each crossing of ours,
    # which the logger knows to 20 ms
    assert laps["field_laps"].tolist() == pytest.approx([15, 15, 18, 21, 24, 27], abs=3)
    assert any("counted from the official times of 3 cars" in note for note in weekend.notes)


# ------------------------------------------------------------------------------ clocks


def test_equal_laps_can_be_told_in_more_ways_than_one():
    time_s = np.array([90.0, 90.0, 90.0, 90.0])
    found = aligned(time_s, np.full(4, 0.02), np.full(6, 90.0), 0.0003)
    assert not found.found and found.sure < 0.5
    apart = np.arange(6) * 90.0 - np.arange(4)[:, None] * 90.0 + 4.0
    assert aligned(time_s, np.full(4, 0.02), np.full(6, 90.0), 0.0003, apart).numbers[0] == 1


def test_drift_is_the_theil_sen_slope():
    from scipy.stats import theilslopes  # another package

    rng = np.random.default_rng(4)
    official = np.cumsum(rng.normal(90, 0.5, 14))
    ours = 1.0005 * official + rng.normal(0, 0.02, 14)
    ours[[3, 9]] += 2.0
    line = drift(ours, official, np.zeros(14, dtype=np.int64), 0.02, 0.0003)
    assert line.ppm == pytest.approx(1e6 * (theilslopes(ours, official).slope - 1), abs=1e-6)
    assert line.ppm == pytest.approx(500, abs=4 * line.se_ppm) and line.points == 14


def test_drifts_of_one_clock_are_weighed():
    # closed form: weights 1 and 1/4
    ppm, se = pooled(np.array([100.0, 110.0, np.nan]), np.array([10.0, 20.0, np.nan]))
    assert ppm == pytest.approx(102.0) and se == pytest.approx((1 / (1 / 100 + 1 / 400)) ** 0.5)
    assert np.isnan(pooled(np.array([np.nan]), np.array([np.nan]))[0])


@pytest.mark.parametrize("name", ["clean, passing times", "a lap lacks on each side"])
def test_simulated_weekends_are_matched(name):
    # simulated truth, wide bands; at length: python tests/study_timing.py
    found = study(CASES[name], 12, 5)
    assert found["laps_wrong_pct"] == 0 and found["laps_used_pct"] > 75
    assert found["offset_rms_ms"] < 25 and found["offset_held_pct"] > 75
    assert found["drift_raised_pct"] == 0


@pytest.mark.parametrize("ppm", [500.0, -500.0])
def test_a_drift_of_500_ppm_is_found(ppm):
    found = study(Clocks(ppm), 12, 6)
    assert found["drift_raised_pct"] == 100 and found["drift_rms_ppm"] < 120


def test_a_missed_crossing_is_split_by_the_official_laps(tmp_path):
    found = simulate(Clocks(logger_misses=1), np.random.default_rng(2), tmp_path)
    laps = found.timed.ran[-1].laps
    assert any("of the logger's laps are 2 by the official times" in n for n in found.timed.notes)
    assert laps["lap"].tolist() == list(range(1, len(laps) + 1))
    assert laps["fuel_used_l"].sum() == pytest.approx(1.4 * (len(laps) - 1))
    assert laps.loc[laps["kind"] == "timed", "lap_time_s"].max() < 200
