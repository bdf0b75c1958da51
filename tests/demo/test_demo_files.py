"""The demo's files: the same every time, small, and as the contract of the weekend folder says."""

import shutil
from pathlib import Path

import pandas as pd

import tyrekit
from tyrekit.demo.__main__ import main
from tyrekit.demo.export import FOLDERS, differing, write
from tyrekit.record.event import load_event

DATA = Path(__file__).parents[2] / "data"
PACKAGE = Path(tyrekit.__file__).parent

# The data contract's table of book columns, brackets (optional) included.
COLUMNS = {
    "tyres": "tyre_id spec new marked age_laps distance_km heat_cycles tread_mm axle side note",
    "runs": "run_id session driver start fl fr rl rr fuel_start_kg cold_fl_bar cold_fr_bar "
    "cold_rl_bar cold_rr_bar log note",
    "laps": "run_id lap lap_time_s kind fuel_used_l air_c track_c",
    "tread": "taken_at tyre_id after_run inner_mm centre_mm outer_mm",
    "pressures": "taken_at run_id corner hot_bar after_laps",
    "temperatures": "taken_at run_id corner inner_c centre_c outer_c",
    "fuel": "taken_at run_id kind mass_kg volume_l fuel_c",
    "weather": "taken_at air_c track_c pressure_hpa humidity_pct rain",
}


def test_the_generator_makes_what_is_stored():
    assert differing(DATA) == []


def test_check_names_what_differs_and_fails(tmp_path, capsys):
    write(tmp_path)
    assert main(["--check", "--out", str(tmp_path)]) == 0
    fuel = tmp_path / "fenmoor-complete" / "book" / "fuel.csv"
    fuel.write_text(fuel.read_text(encoding="utf-8").replace("59.9", "59.8"), encoding="utf-8")
    (tmp_path / "fenmoor-after-p3" / "logs" / "P2-1.csv.gz").unlink()
    shutil.copy(fuel, tmp_path / "fenmoor-after-p3" / "book" / "petrol.csv")
    (tmp_path / "fenmoor-after-p3" / "out").mkdir()
    (tmp_path / "fenmoor-after-p3" / "out" / "sheet.html").write_text("", encoding="utf-8")
    capsys.readouterr()
    assert main(["--check", "--out", str(tmp_path)]) == 1
    assert capsys.readouterr().out.splitlines() == [
        "fenmoor-after-p3/logs/P2-1.csv.gz: missing",
        "fenmoor-complete/book/fuel.csv: differs",
        "fenmoor-after-p3/book/petrol.csv: not made by the demo",
    ]


def test_files_are_small_and_carry_no_time_or_name():
    files = [p for folder in FOLDERS for p in (DATA / folder).rglob("*") if p.is_file()]
    ours = [p for p in files if not {"out", "notebooks"} & set(p.parts) and "sqlite" not in p.name]
    assert max(p.stat().st_size for p in ours) < 1_000_000
    assert sum(p.stat().st_size for p in ours) < 8_000_000
    for path in ours:
        if path.suffix == ".gz":
            # RFC 1952 section 2.3: flags (byte 3) and modification time (bytes 4 to 7).
            assert path.read_bytes()[3:8] == bytes(5), path


def test_book_has_the_contract_s_columns():
    for folder in FOLDERS:
        for table, names in COLUMNS.items():
            found = pd.read_csv(DATA / folder / "book" / f"{table}.csv")
            assert list(found.columns) == names.split(), (folder, table)


def test_event_is_read_and_knows_every_kind_of_limit_but_the_lock():
    event = load_event(DATA / "fenmoor-after-p3" / "event.toml")
    assert [s.id for s in event.sessions] == ["P1", "P2", "P3", "Q", "R1", "R2", "R3"]
    assert {limit.kind for limit in event.limits} == {
        "new_tyres", "pool", "start_on", "minimum_tread", "longest_life", "same_side",
        "matched_axle", "scrubbed_before", "keep_spare",
    }  # fmt: skip
    assert event.circuit.start_finish is not None


def test_both_weekends_agree_up_to_p3():
    for path in sorted((DATA / "fenmoor-after-p3").rglob("*.gz")):
        twin = DATA / "fenmoor-complete" / "logs" / path.name
        assert path.read_bytes() == twin.read_bytes()
    for table in COLUMNS:
        name = f"book/{table}.csv"
        early = (DATA / "fenmoor-after-p3" / name).read_text(encoding="utf-8").splitlines()
        late = (DATA / "fenmoor-complete" / name).read_text(encoding="utf-8").splitlines()
        assert late[: len(early)] == early, table


def test_no_room_of_the_kit_reads_the_truth():
    readers = [
        path
        for path in PACKAGE.rglob("*.py")
        if "demo" not in path.parts and "truth.json" in path.read_text(encoding="utf-8")
    ]
    assert readers == []
