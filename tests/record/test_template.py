"""A new weekend: valid as written, and usable once filled."""

import re

import pytest

from tyrekit.errors import InputError
from tyrekit.record.event import parse_event
from tyrekit.record.tables import TABLES
from tyrekit.record.template import new_weekend
from tyrekit.record.weekend import Weekend


def test_it_opens_as_written(tmp_path):
    folder = new_weekend(tmp_path / "new")
    weekend = Weekend.open(folder)
    assert weekend.next_session.id == "P1" and weekend.doubts == () and len(weekend.laps) == 0
    assert {p.name for p in folder.iterdir()} >= {"event.toml", "book", "logs"}


def test_every_optional_line_is_valid_when_its_mark_is_taken_away(tmp_path):
    text = (new_weekend(tmp_path / "new") / "event.toml").read_text()
    optional = re.compile(r"^# (?=\[\[?\w[\w.]*\]\]?$|[a-z_]+ = )", re.MULTILINE)
    event = parse_event(optional.sub("", text))
    assert {limit.kind for limit in event.limits} == {
        "minimum_tread", "new_tyres", "pool", "start_on", "longest_life", "same_side",
        "matched_axle", "scrubbed_before", "keep_spare", "lock",
    }  # fmt: skip
    assert event.session("R2").stops and event.session("R2").caution and event.session("R2").wet
    assert event.circuit.start_finish and event.circuit.lap_time_s and event.beliefs["lap_time"]
    assert event.fuel.effect_s_per_kg and event.fuel.flow_scale and event.fuel.use_l_per_lap
    assert {"time_s", "speed_mps", "lap", "beacon"} <= set(event.log.channels)


def test_the_tables_have_their_columns(tmp_path):
    folder = new_weekend(tmp_path / "new")
    for table, columns in TABLES.items():
        header = (folder / f"book/{table}.csv").read_text().strip()
        assert header == ",".join(column.name for column in columns)


def test_filled_in_after_a_first_look(tmp_path):
    folder = new_weekend(tmp_path / "new")
    Weekend.open(folder)
    with (folder / "book/tyres.csv").open("a") as file:
        file.writelines(f"N{i},hard,1,1,,,,,,,\n" for i in range(1, 9))
    weekend = Weekend.open(folder)
    assert len(weekend.tyres) == 8 and weekend.doubts == ()


def test_a_folder_with_something_in_it_is_left_alone(tmp_path):
    (tmp_path / "mine.txt").write_text("keep")
    with pytest.raises(InputError, match="not an empty folder"):
        new_weekend(tmp_path)
    with pytest.raises(InputError, match="not an empty folder"):
        new_weekend(tmp_path / "mine.txt")
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


def test_an_empty_folder_is_filled(tmp_path):
    assert new_weekend(tmp_path) == tmp_path and (tmp_path / "event.toml").exists()
