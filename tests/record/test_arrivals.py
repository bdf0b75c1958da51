"""Logs that no run names: found, read as a session that has just ended, and tried before saving."""

import os
import shutil

import pytest

from tyrekit.errors import BookError
from tyrekit.record.arrivals import arrival, new_logs, session_of
from tyrekit.record.weekend import Weekend


@pytest.fixture
def before(folder) -> Weekend:
    """The weekend before its last run was checked in."""
    weekend = Weekend.open(folder)
    for sheet in ("tread", "pressures", "temperatures", "fuel", "runs"):
        table = weekend.book.read(sheet)
        name = "after_run" if sheet == "tread" else "run_id"
        for row_id in table.index[table[name] == "P1-2"]:
            weekend.book.remove(row_id, "Kim")
    return Weekend.open(folder)


def test_a_log_no_run_uses_is_new_and_the_last_written_comes_first(folder):
    weekend = Weekend.open(folder)
    used = {path.name for path in (folder / "logs").iterdir()}
    assert new_logs(folder, weekend.runs) == []
    assert set(new_logs(folder, weekend.runs.iloc[:0])) == used
    source = folder / "logs" / sorted(used)[0]
    for name in ("Q.csv", "later.csv"):
        shutil.copy(source, folder / "logs" / name)
        stamp = source.stat().st_mtime + (60 if name == "later.csv" else 30)
        os.utime(folder / "logs" / name, (stamp, stamp))
    assert new_logs(folder, weekend.runs) == ["later.csv", "Q.csv"]


def test_a_new_log_says_what_it_holds(before, folder):
    (name,) = new_logs(folder, before.runs)
    found = arrival(folder, before.book.event, name, before.event.session("P1"))
    complete = before.supposing("runs", [run_row(before)]).laps
    own = complete[complete["run_id"] == "P1-2"]
    assert (found.laps, found.timed_laps) == (6, (own["kind"] == "timed").sum())
    assert found.best_s == own.loc[own["kind"] == "timed", "lap_time_s"].min()
    assert found.problem == "" and found.duration_s > own["lap_time_s"].sum() - 1


def test_a_file_that_is_no_log_is_listed_with_its_problem(before, folder):
    (folder / "logs" / "notes.txt").write_text("call the hotel\n")
    found = arrival(folder, before.book.event, "notes.txt", before.event.session("P1"))
    assert found.laps == 0 and "logs/notes.txt" in found.problem


@pytest.mark.parametrize(
    ("name", "session"),
    [("Q.csv.gz", "Q"), ("q-2.txt", "Q"), ("P1-3.csv", "P1"), ("P12.csv", "Q"), ("x.mf4", "Q")],
)
def test_the_session_comes_from_the_name_else_the_one_to_come(before, name, session):
    assert session_of(name, before.event, before.event.session("Q")).id == session


def run_row(weekend, **other):
    fitted = {"fl": "N1", "fr": "N2", "rl": "N3", "rr": "N4"}
    row = {"run_id": "P1-2", "session": "P1", "driver": weekend.event.drivers[0].name,
           "start": "2026-05-16T09:25:00", "fuel_start_kg": 30.0, **fitted}  # fmt: skip
    return row | other


def test_a_run_supposed_is_seen_whole_and_not_on_disk(before, folder):
    supposed = before.supposing("runs", [run_row(before)])
    assert len(supposed.laps) == 12 and len(before.laps) == 6
    assert Weekend.open(folder).laps.equals(before.laps)
    assert before.book.latest_save() == Weekend.open(folder).book.latest_save()
    with pytest.raises(BookError, match="tyre 'N99' is not in the tyre list"):
        before.supposing("runs", [run_row(before, fl="N99")])
    with pytest.raises(BookError, match="overlap"):
        before.supposing("runs", [run_row(before, start="2026-05-16T09:04:00")])


def test_the_latest_save_rises_with_every_save(before):
    first = before.book.latest_save()
    row_id = before.book.append("runs", run_row(before), "Kim")
    assert before.book.latest_save() == first + 1
    assert before.book.entry(row_id)[0] == "runs"
    before.book.undo("Kim")
    assert before.book.latest_save() == first + 2
