"""A [log] mapping proposed for unknown files: simulated truth, and the study in small."""

import gzip
import os
import subprocess
import sys

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
from tyrekit.record.weekend import Weekend
from tyrekit.units import known_unit


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


def test_degrees_given_by_their_sign_are_proposed_and_read_without_a_doubt(folder):
    for name in ("P1-1.csv", "P1-2.csv.gz"):
        raw = (folder / "logs" / name).read_bytes()
        text = (gzip.decompress(raw) if name.endswith("gz") else raw).decode()
        text = text.replace("ms,km/h,deg,deg,", "ms,km/h,°,°,")
        (folder / "logs" / name).write_bytes(
            gzip.compress(text.encode()) if name.endswith("gz") else text.encode()
        )
    before = Weekend.open(folder).laps
    toml = (folder / "event.toml").read_text("utf-8").split("\n")
    kept = [line for line in toml if not line.startswith(("latitude =", "longitude ="))]
    (folder / "event.toml").write_text("\n".join(kept), "utf-8")
    assert main(["map", str(folder), "--write"]) == 0
    written = (folder / "event.toml").read_text("utf-8")
    assert 'latitude = { column = "Lat", unit = "deg" }' in written
    weekend = Weekend.open(folder)
    assert not [d for d in weekend.doubts if "unit" in d.name]
    assert weekend.laps["lap_time_s"].to_numpy() == pytest.approx(before["lap_time_s"].to_numpy())


def test_the_step_of_a_fast_long_log_is_its_own(tmp_path):
    time_s = np.arange(90_000) / 50.0
    path = write(tmp_path / "x.csv", Time=np.round(time_s, 2), Other=np.sin(time_s))
    row = next(r for r in propose_mapping(path).rows() if r.channel == "time_s")
    assert "even steps of 0.02 s" in row.evidence


@pytest.mark.parametrize(
    ("spelling", "unit"),
    [("°", "deg"), ("[°]", "deg"), ("°C", "degC"), ("° F", "degF"), ("tr/min", "rpm"),
     ("1/min", "1/min"), ("U/min", "rpm"), ("", ""), ("-", "")],
)  # fmt: skip
def test_spellings_of_units(spelling, unit):
    assert known_unit(spelling) == unit


def test_a_reader_that_has_gone_ends_a_command_quietly(tmp_path):
    reader, writer = os.pipe()
    os.close(reader)
    command = [sys.executable, "-m", "tyrekit", "new", "--spreadsheet", str(tmp_path / "x.xlsx")]
    with os.fdopen(writer, "w") as out:
        ran = subprocess.run(command, stdout=out, stderr=subprocess.PIPE, text=True, check=False)
    assert (ran.returncode, ran.stderr) == (0, "")
