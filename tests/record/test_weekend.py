"""A whole folder opened: what each lap carried, the tyres as they stand, what is inferred."""

import gzip
import shutil

import numpy as np
import pandas as pd
import pytest

from tyrekit.errors import BookError, InputError, LogError
from tyrekit.record.carried import LAP_COLUMNS
from tyrekit.record.weekend import Weekend

USED = ("007", "008", "009", "010")


@pytest.fixture
def weekend(folder) -> Weekend:
    return Weekend.open(folder)


def test_laps_have_every_column_and_no_gap_where_a_fit_reads(weekend):
    assert list(weekend.laps.columns) == list(LAP_COLUMNS)
    full = ["lap_time_s", "lap_time_se_s", "age_laps", "heat_cycles", "fuel_kg", "air_c",
            "track_c", "field_laps", "fuel_used_l", "fuel_start_kg"]  # fmt: skip
    assert weekend.laps[full].notna().all().all()
    assert weekend.laps["counts"].sum() == 8 and len(weekend.laps) == 12
    assert (weekend.laps["source"] == "log").all()


def test_a_clean_weekend_has_no_doubts(weekend):
    assert weekend.doubts == ()
    assert weekend.done == ("P1",) and weekend.next_session.id == "Q"


def test_ages_count_every_lap_from_the_tyre_list_on(weekend):
    laps = weekend.laps
    assert laps["age_fl_laps"].tolist() == [12, 13, 14, 15, 16, 17, 0, 1, 2, 3, 4, 5]
    assert laps["age_laps"].tolist()[:2] == [11.0, 12.0]
    assert laps["heat_cycles"].tolist() == [2.0] * 6 + [0.0] * 6
    assert laps["set_id"].iloc[0] == "007 008 009 010"
    tyres = weekend.tyres.set_index("tyre_id")
    assert tyres.loc["007", "age_laps"] == 18 and tyres.loc["N3", "age_laps"] == 6
    assert tyres.loc["007", "heat_cycles"] == 3 and tyres.loc["N1", "heat_cycles"] == 1
    assert tyres.loc["009", "last_corner"] == "RL" and tyres["used"].all()
    assert tyres.loc["007", "distance_km"] == pytest.approx(30 + 6 * 2.554, abs=0.01)


def test_a_set_run_again_goes_on_ageing(folder, edit):
    rows = (folder / "book/runs.csv").read_text()
    edit("book/runs.csv", whole=rows.replace(",N1,N2,N3,N4,", ",008,007,009,N4,"))
    weekend = Weekend.open(folder)
    second = weekend.laps[weekend.laps["run_id"] == "P1-2"].iloc[0]
    assert (second["age_fl_laps"], second["age_rl_laps"], second["age_rr_laps"]) == (18, 16, 0)
    assert second["heat_cycles"] == (3 + 3 + 3 + 0) / 4
    assert weekend.tyres.set_index("tyre_id").loc["007", "last_corner"] == "FR"


def test_tread_stands_at_the_latest_reading(weekend):
    tyres = weekend.tyres.set_index("tyre_id")
    assert tyres.loc["007", "tread_mm"] == pytest.approx(3.9)
    assert tyres.loc["007", "tread_min_mm"] == 3.8
    assert tyres.loc["N2", "tread_mm"] == 6.0 and np.isnan(tyres.loc["008", "tread_mm"])
    tread = weekend.tread
    assert tread["age_laps"].tolist() == [12, 18, 0]
    assert tread["corner"].tolist() == ["FL", "FL", "FL"]


def test_fuel_aboard_falls_by_the_flow_at_the_belief(weekend):
    first = weekend.laps[weekend.laps["run_id"] == "P1-1"]
    burnt = first["fuel_used_before_l"] * 0.75 * 1.02
    assert first["fuel_kg"].to_numpy() == pytest.approx((20.0 - burnt).to_numpy())
    assert first["fuel_kg"].iloc[0] == 20.0 and first["fuel_kg"].is_monotonic_decreasing


def test_temperatures_lie_between_the_readings(weekend):
    lap = weekend.laps.iloc[0]
    # closed form: 9:00 15 and 20 degC, 9:30 18 and 26 degC
    share = (
        lap["started_at"] - pd.Timestamp("2026-05-16T09:00", tz="Europe/London")
    ).total_seconds() / 1800
    assert lap["air_c"] == pytest.approx(15 + 3 * share, abs=1e-3)
    assert lap["track_c"] == pytest.approx(20 + 6 * share, abs=1e-3)


def test_the_field_lays_rubber(weekend):
    # closed form: 20 cars, half of the session gone, 1800 s of the usual lap
    laps = weekend.laps
    typical = laps.loc[laps["kind"] == "timed", "lap_time_s"].median()
    at = (laps["started_at"].iloc[0] - weekend.event.session("P1").start).total_seconds()
    assert laps["field_laps"].iloc[0] == pytest.approx(20 * at / typical, rel=0.01)
    assert laps["field_laps"].is_monotonic_increasing


def test_clock_of_a_lap(weekend):
    first = weekend.laps.iloc[0]
    gap = first["started_at"] - pd.Timestamp("2026-05-16T09:02", tz="Europe/London")
    assert 0 <= gap.total_seconds() < 15
    assert weekend.laps["started_at"].dtype == "datetime64[us, Europe/London]"


def test_pressures_come_with_their_run(weekend):
    table = weekend.pressures
    assert table["session"].tolist() == ["P1", "P1"]
    assert table["cold_bar"].tolist() == [1.70, 1.75]
    assert table["tyre_id"].tolist() == ["007", "008"]
    assert table["after_laps"].tolist() == [6.0, 5.0]
    assert table["track_c"].between(20, 26).all()


def test_channels_of_a_run_are_ours(weekend):
    channels = weekend.channels("P1-2")
    assert {"time_s", "speed_mps", "fuel_flow_l_per_h", "latitude_deg"} <= set(channels)
    assert channels["speed_mps"].max() == pytest.approx(52 * 1.01, abs=0.5)
    with pytest.raises(BookError, match="'P9' is not in the runs; it has P1-1, P1-2"):
        weekend.channels("P9")


def test_inputs_name_every_file_it_rests_on(weekend, folder):
    assert set(weekend.inputs) == {"event.toml", "book.sqlite", "logs/P1-1.csv", "logs/P1-2.csv.gz"}
    assert Weekend.open(folder).inputs == weekend.inputs
    weekend.book.append(
        "weather", {"taken_at": "2026-05-16T10:00", "air_c": 19, "track_c": 27}, "K"
    )
    assert Weekend.open(folder).inputs["book.sqlite"] != weekend.inputs["book.sqlite"]


def test_opening_again_gives_the_same_laps(weekend, folder):
    pd.testing.assert_frame_equal(Weekend.open(folder).laps, weekend.laps)


def test_before_any_running(folder):
    shutil.rmtree(folder / "logs")
    for name in ("runs", "tread", "pressures"):
        (folder / f"book/{name}.csv").unlink()
    weekend = Weekend.open(folder)
    assert len(weekend.laps) == 0 and weekend.done == ()
    assert weekend.next_session.id == "P1"
    assert weekend.laps["started_at"].dtype == "datetime64[us, Europe/London]"
    assert weekend.laps["counts"].dtype == bool and weekend.laps["fuel_kg"].dtype == float
    assert list(weekend.laps.columns) == list(LAP_COLUMNS)
    assert not weekend.tyres["used"].any() and weekend.doubts == ()
    assert len(weekend.pressures) == 0 and "cold_bar" in weekend.pressures


def test_typed_laps_stand_in_for_a_log(folder, edit):
    (folder / "logs/P1-2.csv.gz").unlink()
    rows = "".join(
        f"P1-2,{lap},{time},{kind}\n"
        for lap, time, kind in ((1, 85.2, ""), (2, 66.31, ""), (3, 66.5, "timed"), (4, 66.4, ""))
    )
    edit("book/laps.csv", whole="run_id,lap,lap_time_s,kind\n" + rows)
    weekend = Weekend.open(folder)
    typed = weekend.laps[weekend.laps["run_id"] == "P1-2"]
    assert typed["kind"].tolist() == ["out", "timed", "timed", "timed"]
    assert set(typed["source"]) == {"typed"} and typed["counts"].sum() == 3
    # closed form: a time to a tenth or hundredth is spread evenly over it
    assert typed["lap_time_se_s"].tolist()[:2] == pytest.approx([0.1 / 12**0.5, 0.01 / 12**0.5])
    assert typed["fuel_kg"].is_monotonic_decreasing and typed["fuel_used_l"].isna().all()
    assert any("4 laps have no logged fuel" in note for note in weekend.notes)
    assert weekend.tyres.set_index("tyre_id").loc["N1", "age_laps"] == 4


def test_a_typed_kind_counts_more_than_a_guess(folder, edit):
    edit("book/laps.csv", whole="run_id,lap,lap_time_s,kind\nP1-1,3,66.0,caution\n")
    weekend = Weekend.open(folder)
    third = weekend.laps.iloc[2]
    assert third["kind"] == "caution" and not third["counts"] and third["source"] == "log"


def test_laps_without_any_fuel_or_weather_say_what_is_assumed(folder, edit):
    for name in ("P1-1.csv", "P1-2.csv.gz"):
        (folder / "logs" / name).unlink()
    (folder / "book/weather.csv").unlink()
    edit(
        "book/laps.csv", whole="run_id,lap,lap_time_s\nP1-1,1,80\nP1-1,2,66\nP1-2,1,80\nP1-2,2,66\n"
    )
    weekend = Weekend.open(folder)
    assert weekend.laps[["fuel_kg", "air_c", "track_c"]].notna().all().all()
    notes = " ".join(weekend.notes)
    assert "air_c 20 is assumed" in notes and "L/km" in notes


def test_a_run_without_evidence_still_ages_its_tyres(folder):
    (folder / "logs/P1-2.csv.gz").unlink()
    weekend = Weekend.open(folder)
    # 9 laps are planned in P1; 6 are in the other run
    assert weekend.tyres.set_index("tyre_id").loc["N1", ["age_laps", "heat_cycles"]].tolist() == [
        3,
        1,
    ]
    assert "taken to have run 3 laps: P1 planned_laps" in weekend.doubts[0].evidence
    assert len(weekend.laps) == 6


def test_two_runs_in_one_log_are_told_apart(folder, edit, track):
    one = track.practice_run(2)
    there = one.time_s
    one.stand(200).run_m = 4 * track.length_m - 220.0
    one.to(4 * track.length_m - 70, speed_mps=track.pit_mps)
    for lap in range(5, 8):
        one.to(lap * track.length_m - 20)
    one.to(8 * track.length_m - 370).to(8 * track.length_m - 220, speed_mps=track.pit_mps).stand(5)
    edit("logs/P1-1.csv", whole=track.logger_text(one.log()))
    minutes = 2 + (there + 185) / 60
    clock = f"2026-05-16T09:{int(minutes):02d}:{int(minutes % 1 * 60):02d}"
    rows = (folder / "book/runs.csv").read_text().replace("2026-05-16T09:16:00", clock)
    edit("book/runs.csv", whole=rows.replace("P1-2.csv.gz", "P1-1.csv"))
    (folder / "logs/P1-2.csv.gz").unlink()
    laps = Weekend.open(folder).laps
    kinds = laps.groupby("run_id")["kind"].agg(list)
    assert kinds["P1-1"] == ["out", "timed", "timed", "in"]
    assert kinds["P1-2"] == ["out", "timed", "timed", "in"]


def test_a_log_found_by_its_run_is_said(folder, edit):
    edit("book/runs.csv", ",P1-1.csv", ",")
    weekend = Weekend.open(folder)
    assert len(weekend.laps) == 12
    assert any("found by the run's id (P1-1)" in note for note in weekend.notes)


def test_overlapping_runs_are_refused(folder, edit):
    edit("book/runs.csv", "2026-05-16T09:16:00", "2026-05-16T09:05:00")
    with pytest.raises(BookError) as caught:
        Weekend.open(folder)
    assert "book/runs.csv row 3: runs P1-1 and P1-2 overlap: P1-1 is driven until" in str(
        caught.value
    )
    assert not list(folder.glob("*.sqlite*"))


def test_start_times_to_the_minute_do_not_overlap(folder, edit, weekend):
    end = weekend.laps[weekend.laps["run_id"] == "P1-1"].iloc[-1]
    over = end["started_at"] + pd.Timedelta(seconds=end["lap_time_s"] - 30)
    (folder / "book.sqlite").unlink()
    edit("book/runs.csv", "2026-05-16T09:16:00", f"{over:%Y-%m-%dT%H:%M:%S}")
    assert len(Weekend.open(folder).laps) == 12


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("event.toml", "tank_l = 50.0", "tank_l = -1.0"),
        ("book/runs.csv", ",007,", ",X9,"),
        ("event.toml", '"Velocity"', '"Velo"'),
        ("book/runs.csv", "P1-1.csv", "../P1-1.csv"),
    ],
)
def test_nothing_is_written_when_something_is_wrong(folder, edit, name, old, new):
    before = sorted(p.relative_to(folder) for p in folder.rglob("*"))
    edit(name, old, new)
    with pytest.raises(InputError):
        Weekend.open(folder)
    assert sorted(p.relative_to(folder) for p in folder.rglob("*")) == before


def test_the_same_error_in_every_log_is_said_once(folder, edit):
    edit("event.toml", '"Velocity"', '"Velo"')
    with pytest.raises(LogError, match="The same in 1 more log") as caught:
        Weekend.open(folder)
    assert str(caught.value).count("\n") == 0


def test_a_link_out_of_the_folder_is_not_followed(folder, tmp_path, edit):
    (tmp_path / "elsewhere.csv").write_text("time_s,lap\n0,1\n1,1\n")
    (folder / "logs/link.csv").symlink_to(tmp_path / "elsewhere.csv")
    edit("book/runs.csv", "P1-1.csv", "link.csv")
    with pytest.raises(LogError, match="not in logs/"):
        Weekend.open(folder)


def test_no_folder_and_no_event(tmp_path):
    with pytest.raises(InputError, match=r"no such folder.*tyrekit new"):
        Weekend.open(tmp_path / "nowhere")
    with pytest.raises(InputError, match=r"no event.toml.*tyrekit new"):
        Weekend.open(tmp_path)


def test_sensor_pressures_enter_the_laps(folder, edit):
    text = gzip.decompress((folder / "logs/P1-2.csv.gz").read_bytes()).decode().split("\n")
    text[3] += ",TP FL"
    text[4] += ",psi"
    rows = [line + ",29.0" if line else line for line in text[5:]]
    edit("logs/P1-1.csv", whole="\n".join([*text[:5], *rows]))
    edit("event.toml", "[log]\n", '[log]\ntyre_pressure_fl = { column = "TP FL" }\n')
    (folder / "logs/P1-2.csv.gz").unlink()
    edit("book/runs.csv", "P1-2.csv.gz", "")
    laps = Weekend.open(folder).laps
    # NIST SP 811: 1 psi = 0.06894757 bar
    assert laps["hot_fl_bar"].to_numpy() == pytest.approx(np.full(6, 29 * 0.06894757), abs=1e-6)


def test_a_session_passed_over_is_said(folder, edit):
    edit("book/runs.csv", "P1-2,P1,A,2026-05-16T09:16", "P1-2,R1,A,2026-05-17T10:01")
    weekend = Weekend.open(folder)
    assert weekend.done == ("P1", "R1") and weekend.next_session is None
    assert "no run is in the book for Q: taken as not run" in weekend.notes
