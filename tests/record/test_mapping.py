"""A [log] mapping proposed for unknown files: simulated truth, and the study in small."""

import numpy as np
import pandas as pd
import pytest
import study_mapping
from written_mdf import mdf_bytes

from tyrekit.commands import main
from tyrekit.errors import EventError, LogError
from tyrekit.record.event import parse_event
from tyrekit.record.mapping import propose_mapping
from tyrekit.record.trade_words import likeness, parts_of


@pytest.fixture
def unknown(tmp_path):
    """A file with odd names, a units row and columns that are no channels."""
    return study_mapping.file_of(0, tmp_path)


def test_the_study_in_small():
    found = study_mapping.found(4)
    assert found.there > 60
    assert found.right >= 0.75 * found.there
    assert found.wrong == 0, found.wrongly


def test_the_evidence_is_told_and_nothing_is_written(unknown, tmp_path):
    path, truth = unknown
    before = sorted(p.name for p in tmp_path.iterdir())
    proposal = propose_mapping(path)
    assert sorted(p.name for p in tmp_path.iterdir()) == before
    rows = {row.channel: row for row in proposal.rows()}
    time = rows["time_s"]
    assert (time.column, time.unit) == truth["time_s"] and time.sure
    assert "rises in even steps of" in time.evidence
    assert list(proposal.table.columns) == [
        "channel", "column", "unit", "score", "sure", "evidence", "or_else",
    ]  # fmt: skip
    assert not set(proposal.unused) & {r.column for r in proposal.rows() if r.sure}


def write(path, **columns):
    pd.DataFrame(columns).to_csv(path, index=False)
    return path


def drive(track):
    return track.practice_run(4).log(10.0)


def test_two_columns_as_likely_are_told_apart_by_nobody(track, tmp_path):
    log = drive(track)
    path = write(
        tmp_path / "x.csv",
        Time=log["time_s"],
        **{"Speed A [km/h]": log["speed_mps"] * 3.6, "Speed B [km/h]": log["speed_mps"] * 3.6},
    )
    proposal = propose_mapping(path)
    row = next(r for r in proposal.rows() if r.channel == "speed_mps")
    assert not row.sure and row.or_else in ("Speed A [km/h]", "Speed B [km/h]")
    assert "# not sure: speed = " in proposal.toml()
    assert any("as likely" in note for note in proposal.notes)


def test_a_unit_is_found_from_position(track, tmp_path):
    log = drive(track)
    path = write(
        tmp_path / "x.csv", T=log["time_s"], Lat=log["latitude_deg"], Lon=log["longitude_deg"],
        Tempo=log["speed_mps"] / 0.44704,  # SP811: the mile per hour
    )  # fmt: skip
    row = next(r for r in propose_mapping(path).rows() if r.channel == "speed_mps")
    assert (row.column, row.unit, row.sure) == ("Tempo", "mph", True)
    assert "1.00 of the speed by position" in row.evidence


def test_without_position_miles_and_kilometres_are_not_guessed(track, tmp_path):
    log = drive(track)
    path = write(tmp_path / "x.csv", Time=log["time_s"], Speed=log["speed_mps"] / 0.44704)
    row = next(r for r in propose_mapping(path).rows() if r.channel == "speed_mps")
    assert not row.sure and "unit" in row.or_else


def test_a_distance_and_a_count_of_rows_are_not_time(track, tmp_path):
    log = drive(track)
    path = write(
        tmp_path / "x.csv", Row=np.arange(len(log)), Odo=log["speed_mps"].cumsum() / 10,
        Speed=log["speed_mps"],
    )  # fmt: skip
    proposal = propose_mapping(path)
    assert not any(r.sure and r.channel == "time_s" for r in proposal.rows())
    assert any("[log] time is needed" in note for note in proposal.notes)


def test_flow_and_counter_must_agree(track, tmp_path):
    log = drive(track)
    litres = (log["fuel_flow_l_per_h"] / 3600 * 0.1).cumsum()
    names = {"Time": log["time_s"], "Fuel Flow": log["fuel_flow_l_per_h"] / 60}
    path = write(tmp_path / "x.csv", **names, **{"Fuel Used": litres})
    rows = {r.channel: r for r in propose_mapping(path).rows()}
    assert (rows["fuel_flow_l_per_h"].unit, rows["fuel_used_l"].unit) == ("l/min", "l")
    assert "flow integrated is 1.00 of the counter" in rows["fuel_used_l"].evidence


def test_write_keeps_the_file_and_never_changes_an_entry(unknown, tmp_path, event_text):
    path, truth = unknown
    toml = tmp_path / "event.toml"
    toml.write_text(event_text.replace("[log]", "[log]   # ours\n# a comment"), "utf-8")
    before = toml.read_text("utf-8")
    added = propose_mapping(path).write(toml)
    after = toml.read_text("utf-8")
    kept = [line for line in after.split("\n") if line not in added]
    assert kept == before.split("\n") and added
    event = parse_event(after)
    assert event.log.channels["speed_mps"].column == "Velocity"  # the entry that was there
    assert event.log.channels["engine_rpm"].column == truth["engine_rpm"][0]
    assert propose_mapping(path).write(toml) == ()


def test_write_makes_the_table_where_there_is_none(unknown, tmp_path, event_text):
    path, _ = unknown
    toml = tmp_path / "event.toml"
    toml.write_bytes(event_text.split("[log]")[0].replace("\n", "\r\n").encode())
    assert propose_mapping(path).write(toml)
    assert b"\r\n[log]\r\n" in toml.read_bytes()
    assert parse_event(toml.read_text("utf-8")).log.channels["time_s"]


def test_a_broken_event_is_left_alone(unknown, tmp_path):
    toml = tmp_path / "event.toml"
    toml.write_text("[event\n", "utf-8")
    with pytest.raises(EventError):
        propose_mapping(unknown[0]).write(toml)
    assert toml.read_text("utf-8") == "[event\n"


def test_the_command_prints_and_writes_only_when_told(folder, unknown, capsys):
    logs = folder / "logs"
    for old in logs.iterdir():
        old.unlink()
    (logs / "a.csv").write_bytes(unknown[0].read_bytes())
    before = (folder / "event.toml").read_bytes()
    assert main(["map", str(folder)]) == 0
    assert "[log]\n" in capsys.readouterr().out
    assert (folder / "event.toml").read_bytes() == before
    assert main(["map", str(logs / "a.csv"), "--write"]) == 0
    assert "lines added to" in capsys.readouterr().out
    assert (folder / "event.toml").read_bytes() != before


def test_the_command_says_what_is_not_there(tmp_path, capsys):
    assert main(["map", str(tmp_path / "none.csv")]) == 2
    assert main(["map", str(tmp_path)]) == 2
    assert "there is no log here" in capsys.readouterr().err


def test_a_file_that_is_no_log(tmp_path):
    (tmp_path / "x.csv").write_text("hello\n", "utf-8")
    with pytest.raises(LogError):
        propose_mapping(tmp_path / "x.csv")


@pytest.mark.parametrize(
    "channel,name,like",
    [
        ("oil_c", "Öltemperatur", True),
        ("oil_c", "ÖLTEMPERATUR", True),
        ("tyre_pressure_fl_bar", "TyrePresFL", True),
        ("tyre_pressure_fl_bar", "Reifendruck vorn links", True),
        ("tyre_pressure_fl_bar", "TyrePresFR", False),
        ("latitude_deg", "Lattitude", True),
        ("latitude_deg", "Lat Accel", False),
        ("speed_mps", "Wheel Speed FL", False),
        ("time_s", "Lap Time", False),
    ],
)
def test_names(channel, name, like):
    assert (likeness(channel, name) > 0.9) is like


def test_parts_of_a_name():
    assert parts_of("GPS_LatAcc2 [g]") == ["gps", "lat", "acc", "2", "g"]


def renamed(track):
    log = track.practice_run(3).log(10.0)
    return {
        "Vitesse": (log["speed_mps"].to_numpy() * 3.6, "km/h"),
        "Breitengrad": (log["latitude_deg"].to_numpy(), "deg"),
        "Longitud": (log["longitude_deg"].to_numpy(), "deg"),
    }, log["time_s"].to_numpy()


@pytest.mark.parametrize("kind", ["csv", "parquet", "mf4"])
def test_the_same_proposal_from_any_format(track, tmp_path, kind):
    columns, time_s = renamed(track)
    path = tmp_path / f"x.{kind}"
    if kind == "mf4":
        path.write_bytes(mdf_bytes([(time_s, columns)]))
    else:
        shown = {f"{name} [{unit}]": values for name, (values, unit) in columns.items()}
        table = pd.DataFrame({"Zeit [s]": time_s, **shown})
        table.to_csv(path, index=False) if kind == "csv" else table.to_parquet(path)
    sure = {
        r.channel: (r.column.split(" [")[0], r.unit) for r in propose_mapping(path).rows() if r.sure
    }
    assert sure["speed_mps"] == ("Vitesse", "km/h")
    assert sure["latitude_deg"] == ("Breitengrad", "deg")
    assert sure["longitude_deg"] == ("Longitud", "deg")
    assert "time_s" in sure
