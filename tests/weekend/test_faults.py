"""Faulty weekends through the command line: a message and exit code 2, or a sensible answer.

A message names the file and the row or key, the rule, the value and the next step; nothing is
left half-way. Expected words are the contract's and the faults' own, not outside figures.
"""

import gzip
import shutil

import pandas as pd
import pytest
from demo_weekends import copy_of

from tyrekit.commands import main
from tyrekit.record.weekend import Weekend
from tyrekit.show.answer import answer


def swap(file, old, new):
    def change(folder):
        path = folder / file
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new, 1), encoding="utf-8")

    return change


def same_start(folder):
    path = folder / "book" / "runs.csv"
    runs = pd.read_csv(path, dtype=str, keep_default_na=False)
    runs.loc[1, "start"] = runs.loc[0, "start"]
    runs.to_csv(path, index=False)


def drop(*files):
    def change(folder):
        for file in files:
            (folder / file).unlink()

    return change


REFUSED = {
    "a missing key": (swap("event.toml", "tank_l = 70.0\n", ""), ["[fuel] tank_l", "missing"]),
    "a wrong value": (
        swap("event.toml", "tank_l = 70.0", "tank_l = -7"),
        ["[fuel] tank_l", "-7", "more than 0"],
    ),
    "a mistyped key": (
        swap("event.toml", "shortfall_risk", "shortfal_risk"),
        ["shortfal_risk", "Did you mean shortfall_risk?"],
    ),
    "an unknown tyre in a run": (
        swap("book/runs.csv", "U5", "N99"),
        ["book/runs.csv row", "'N99'", "it has N1", "correct the row"],
    ),
    "columns that do not match": (
        swap("event.toml", '"Velocity"', '"Speed9"'),
        ["logs/P1-1.csv.gz", "'Speed9'", "Velocity", "[log]"],
    ),
    "an unknown unit": (
        swap("event.toml", 'unit = "km/h"', 'unit = "furlong/h"'),
        ["[log] speed", "furlong/h", "km/h"],
    ),
    "runs that overlap": (same_start, ["book/runs.csv row 3", "P1-1 and P1-2 overlap"]),
    "a cell that is no number": (
        swap("book/tread.csv", "4.", "four."),
        ["book/tread.csv row 2", "four."],
    ),
    "no event.toml": (drop("event.toml"), ["no event.toml", "tyrekit new"]),
    "broken TOML": (swap("event.toml", "[fuel]", "[fuel"), ["event.toml", "line 42"]),
}


@pytest.mark.parametrize("command", ["report", "check"])
@pytest.mark.parametrize("fault", REFUSED)
def test_a_fault_is_named_and_nothing_is_written(fault, command, after_p3, capsys):
    change, words = REFUSED[fault]
    change(after_p3)
    before = sorted(p for p in after_p3.rglob("*"))
    assert main([command, str(after_p3)]) == 2
    said = capsys.readouterr().err
    assert all(word in said for word in words), said
    assert "Traceback" not in said
    assert sorted(p for p in after_p3.rglob("*")) == before


def answered(folder):
    return answer(Weekend.open(folder))


def cut_off(folder):
    path = folder / "logs" / "P2-1.csv.gz"
    text = gzip.decompress(path.read_bytes())
    path.write_bytes(gzip.compress(text[: len(text) // 2 - 7]))


def test_a_log_cut_off_in_mid_line_is_used_as_far_as_it_goes(after_p3):
    cut_off(after_p3)
    weekend = Weekend.open(after_p3)
    said = " ".join(f"{d.where} {d.evidence}" for d in weekend.doubts)
    assert "P2-1.csv.gz" in said and " s" in said
    laps = weekend.laps[weekend.laps["run_id"] == "P2-1"]
    assert 2 <= len(laps) < 7


def test_without_the_log_of_p2_the_answer_is_less_sure(after_p3, answers):
    drop("logs/P2-1.csv.gz", "logs/P2-2.csv.gz")(after_p3)
    found, whole = answered(after_p3), answers("fenmoor-after-p3")
    assert any("P2-1" in d.where + d.evidence for d in found.weekend.doubts)
    assert found.lap_time.n_rows < whole.lap_time.n_rows
    fewer, every = (
        a.lap_time.conf_int(0.9).loc["drop_off_s_per_lap"].diff().iloc[-1] for a in (found, whole)
    )
    assert fewer > every
    assert found.allocation.status == "optimal"
    # the tyres aged all the same: the runs are in the book
    assert list(found.weekend.tyres["age_laps"]) != [0.0] * 16


def test_a_fuel_channel_in_gallons_is_seen_through(after_p3, answers):
    swap("event.toml", '"Fuel Rate", unit = "l/h"', '"Fuel Rate", unit = "gal/h"')(after_p3)
    found, whole = answered(after_p3), answers("fenmoor-after-p3")
    assert any("gal" in f"{d.name} {d.evidence}" for d in found.weekend.doubts)
    # fills and drains overrule the channel: the load stays within a tenth
    loads = (a.fuel_loads["R1"].start_kg for a in (found, whole))
    assert next(loads) == pytest.approx(next(loads), rel=0.10)


def test_without_pressures_the_cold_pressures_are_believed_and_wider(after_p3, answers):
    drop("book/pressures.csv")(after_p3)
    path = after_p3 / "event.toml"
    kept = [t for t in path.read_text(encoding="utf-8").splitlines() if "tyre_pressure" not in t]
    path.write_text("\n".join(kept), encoding="utf-8")
    found, whole = (
        a.cold_pressures.table for a in (answered(after_p3), answers("fenmoor-after-p3"))
    )
    wide, narrow = (t["upper_bar"] - t["lower_bar"] for t in (found, whole))
    assert (wide > 1.5 * narrow).all()
    assert ((found["cold_bar"] > 1.4) & (found["cold_bar"] < found["hot_target_bar"])).all()


def before_running(folder):
    shutil.rmtree(folder / "logs")
    (folder / "logs").mkdir()
    for name in ("runs", "tread", "pressures", "temperatures", "fuel", "weather"):
        path = folder / "book" / f"{name}.csv"
        path.write_text(path.read_text(encoding="utf-8").splitlines()[0] + "\n", encoding="utf-8")


def test_a_weekend_before_any_running_is_planned_from_beliefs(after_p3, capsys):
    before_running(after_p3)
    assert main(["report", str(after_p3)]) == 0
    said = capsys.readouterr().out
    assert "No laps yet: planned from beliefs alone" in said
    assert "P1" in said and "set cold" in said and "planned on expected wear" in said
    assert (after_p3 / "out" / "sheet.html").is_file()


def test_an_empty_session_is_passed_over_and_said(after_p3):
    for name in ("runs", "tread", "pressures", "temperatures", "fuel"):
        path = after_p3 / "book" / f"{name}.csv"
        rows = [r for r in path.read_text(encoding="utf-8").splitlines() if "P2-" not in r]
        path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    weekend = Weekend.open(after_p3)
    assert "P2" in " ".join(weekend.notes) + " ".join(d.evidence for d in weekend.doubts)
    assert weekend.next_session.id == "Q"


def test_the_report_is_at_most_forty_lines(tmp_path, capsys):
    folder = copy_of("fenmoor-complete", tmp_path)
    assert main(["report", str(folder)]) == 0
    assert len(capsys.readouterr().out.splitlines()) <= 40


def test_a_new_weekend_is_accepted_as_made(tmp_path, capsys):
    assert main(["new", str(tmp_path / "w")]) == 0
    assert main(["report", str(tmp_path / "w")]) == 0
    assert len(capsys.readouterr().out.splitlines()) <= 45


def test_rows_added_to_a_csv_later_are_told_and_taken_in(after_p3, capsys):
    assert main(["check", str(after_p3)]) == 0
    path = after_p3 / "book" / "weather.csv"
    last = path.read_text(encoding="utf-8").splitlines()[-1].split(",")
    added = ",".join(["2026-05-16T15:50:00", "17.5", "24.5", *last[3:]])
    with path.open("a", encoding="utf-8") as file:
        file.write(added + "\n")
    capsys.readouterr()
    assert main(["check", str(after_p3)]) == 0
    assert "tyrekit import" in " ".join(capsys.readouterr().out.split())
    assert main(["import", str(after_p3)]) == 0
    weekend = Weekend.open(after_p3)
    assert weekend.weather["air_c"].iloc[-1] == 17.5
    assert not [d for d in weekend.doubts if d.name == "book changed outside"]
