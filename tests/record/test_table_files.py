"""Weekends started from a spreadsheet, and rows taken from one into a book.

Files are written by openpyxl, a reference implementation of ECMA-376; every value is invented.
"""

from datetime import date, datetime, time

import openpyxl
import pytest

from tyrekit.commands import main
from tyrekit.errors import BookError, InputError
from tyrekit.record.event import load_event
from tyrekit.record.event_text import event_text_from, template
from tyrekit.record.spreadsheet import read_sheet, write_sheet
from tyrekit.record.table_files import find_tables
from tyrekit.record.template import new_weekend
from tyrekit.record.weekend import Weekend
from tyrekit.record.workbook_template import write_spreadsheet

TYRES = [
    ["Weekend list"],
    [],
    ["Tyre ID", "SPEC", "New", "Marked", "Age (laps)", "Distance km", "heat-cycles", "Tread mm",
     "DOT week"],
    ["007", "control", True, 1, 0, 0, 0, "6,8", "31/25"],
    ["U1", "control", "no", 1, 14, 45.4, "2", 4.5, "30/25"],
    *[[f"N{i}", "control", 1, 1, None, None, None, 7, None] for i in range(1, 5)],
]  # fmt: skip
RUNS = [
    ["run id", "Session", "driver", "Date", "Time", "FL", "FR", "RL", "RR", "Fuel start kg"],
    ["P1-1", "P1", "Driver A", date(2026, 5, 16), time(9, 12), "N1", "N2", "N3", "N4", "31,5"],
    ["Q-1", "Q", "Driver A", date(2026, 5, 16), "13:41", "N1", "N2", "N3", "N4", 12],
]
TREAD = [
    ["taken at", "tyre id", "inner mm", "centre mm", "outer mm"],
    [datetime(2026, 5, 16, 9, 50), "N1", 6.5, 6.6, 6.4],
]


def book_of(path, **sheets):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


@pytest.fixture
def file(tmp_path):
    return book_of(tmp_path / "list.xlsx", **{"Tyres ": TYRES, "Run": RUNS, "Tread": TREAD,
                                              "notes": [["buy tape"]]})  # fmt: skip


def started(folder, file):
    found = find_tables(file)
    text, _ = event_text_from(found, template())
    return Weekend.open(new_weekend(folder, event_text=text, found=found))


def test_a_weekend_starts_from_a_spreadsheet(tmp_path, file):
    """Ids as text, decimal commas, Excel dates, columns the book does not know."""
    weekend = started(tmp_path / "w", file)
    tyres = weekend.tyres.set_index("tyre_id")
    assert list(tyres.index) == ["007", "U1", "N1", "N2", "N3", "N4"]
    assert tyres.loc["007", "tread_mm"] == 6.8 and tyres.loc["U1", "age_laps"] == 14
    assert weekend.book.read("tyres")["DOT week"].iloc[1] == "30/25"
    runs = weekend.runs.set_index("run_id")
    assert runs.loc["P1-1", "start"].isoformat() == "2026-05-16T09:12:00+01:00"
    assert runs.loc["Q-1", "start"].isoformat() == "2026-05-16T13:41:00+01:00"
    assert runs.loc["P1-1", "fuel_start_kg"] == 31.5
    assert weekend.tread.loc[weekend.tread.index[0], "outer_mm"] == 6.4


def test_its_sessions_are_the_runs_and_that_is_said(tmp_path, file):
    found = find_tables(file)
    text, notes = event_text_from(found, template())
    assert len(notes) == 2 and "assumed" in notes[0] and "masses are assumed" in notes[1]
    assert f"# {notes[0].removeprefix('event.toml: ')}" in text
    folder = new_weekend(tmp_path / "w", event_text=text, found=found)
    event = load_event(folder / "event.toml")
    assert [(s.id, s.kind) for s in event.sessions] == [("P1", "practice"), ("Q", "qualifying")]
    assert [d.name for d in event.drivers] == ["Driver A"]
    assert found.notes == ("list.xlsx sheet 'notes' is not one of the book's tables and was left"
                           " out",)  # fmt: skip


def test_our_own_spreadsheet_filled_in_part_starts_a_weekend(tmp_path):
    """Its empty sheets of sessions and drivers leave both to the runs; its read-me is no table."""
    path = write_spreadsheet(tmp_path / "own.xlsx")
    book = openpyxl.load_workbook(path)
    tyre = {"spec": "dry", "new": 1, "marked": 1, "age_laps": 0, "distance_km": 0, "heat_cycles": 0}
    run = {
        "run_id": "P1-1",
        "session": "P1",
        "driver": "Kim",
        "start": "2026-05-16 09:12",
        "fuel_start_kg": 20,
    } | {c: f"N{i}" for i, c in enumerate(("fl", "fr", "rl", "rr"))}
    for sheet, rows in (
        ("tyres", [{"tyre_id": f"N{i}"} | tyre for i in range(4)]),
        ("runs", [run]),
    ):
        heads = [cell.value for cell in book[sheet][1]]
        for at, row in enumerate(rows, 2):
            for name, value in row.items():
                book[sheet].cell(at, heads.index(name) + 1, value)
    book.save(path)
    weekend = started(tmp_path / "w", path)
    assert find_tables(path).notes == ()
    assert [d.name for d in weekend.event.drivers] == ["Kim"]
    assert [s.id for s in weekend.event.sessions] == ["P1"] and list(weekend.runs["rr"]) == ["N3"]


def test_a_timetable_and_drivers_may_be_sheets(tmp_path):
    sessions = [["ID", "Kind", "Start", "Minutes", "Laps", "value"],
                ["P1", "Practice", datetime(2026, 5, 16, 9), 20, None, None],
                ["R1", "race", datetime(2026, 5, 17, 9), None, 14, "1,5"]]  # fmt: skip
    path = book_of(tmp_path / "l.xlsx", tyres=TYRES, sessions=sessions,
                   Drivers=[["Name", "mass kg"], ["Driver Z", "71,5"]])  # fmt: skip
    found = find_tables(path)
    text, notes = event_text_from(found, template())
    event = load_event(new_weekend(tmp_path / "w", event_text=text, found=found) / "event.toml")
    assert notes == () and event.drivers[0].mass_kg == 71.5
    assert [(s.minutes, s.laps, s.value) for s in event.sessions] == [
        (20, None, 0),
        (None, 14, 1.5),
    ]
    sessions[1][3] = "long"
    with pytest.raises(InputError, match=r"sheet 'sessions' row 2 column D \(Minutes\)"):
        event_text_from(find_tables(book_of(path, tyres=TYRES, sessions=sessions)), text)


def changed(rows, row, column, value):
    rows = [list(one) for one in rows]
    rows[row][column] = value
    return rows


@pytest.mark.parametrize(
    ("sheets", "words"),
    [
        ({"tyres": changed(TYRES, 4, 4, "many")}, r"'tyres' row 5 column E \(Age \(laps\)\): age"),
        ({"tyres": TYRES, "runs": changed(RUNS, 1, 5, "N9")}, r"sheet 'runs' row 2: tyre 'N9'"),
        ({"tyres": TYRES, "runs": changed(RUNS, 2, 4, "noon")}, r"'runs' row 3 column D \(Date\)"),
        ({"tyres": TYRES, "runs": changed(RUNS, 0, 9, "Petrol")}, r"column fuel_start_kg is miss"),
        ({"tyres": TYRES, "tyre": TYRES}, r"table tyres is there twice"),
        ({"tyres": [*TYRES, ["X"] * 10]}, r"row 10 column J: a cell stands under no column"),
        ({"tyres": changed(TYRES, 2, 8, "age laps")}, r"column age_laps is there twice"),
        ({"tyres": [*TYRES, [], ["carried over"]]},
         r"row 11: only tyre_id is filled, with 'carried over'; a row of tyres needs spec, new,"),
        ({"Sheet1": TYRES}, r"no table of the book was found among Sheet1"),
    ],
)  # fmt: skip
def test_errors_name_sheet_row_and_column_and_nothing_is_made(tmp_path, capsys, sheets, words):
    path = book_of(tmp_path / "bad.xlsx", **sheets)
    assert main(["new", "--yes", str(tmp_path / "w"), "--from", str(path)]) == 2
    said = capsys.readouterr().err
    with pytest.raises(AssertionError, match=words):
        raise AssertionError(said)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["bad.xlsx"]


def test_a_folder_of_csv_files_does_as_well(tmp_path):
    folder = tmp_path / "lists"
    folder.mkdir()
    (folder / "Tyres.csv").write_text(
        "Tyre ID;Spec;New;Marked;Age laps;Distance km;Heat cycles;Tread mm\nN1;c;1;1;0;0;0;6,9\n",
        encoding="utf-16",
    )
    weekend = started(tmp_path / "w", folder)
    assert weekend.tyres["tread_mm"].tolist() == [6.9]
    (folder / "Tyres.csv").write_text(
        "Tyre ID,Spec,New,Marked,Age laps,Distance km,Heat cycles\nN1,c,1,1,x,0,0\n"
    )
    with pytest.raises(BookError, match=r"Tyres\.csv row 2 column E"):
        started(tmp_path / "w2", folder)


def test_rows_are_taken_into_a_book_once(tmp_path, file, capsys):
    """What the book held before is passed over, though it was corrected since."""
    folder = started(tmp_path / "w", file).folder
    assert main(["import", str(folder), str(file)]) == 0
    assert "adds" not in capsys.readouterr().out
    more = [*TREAD, [datetime(2026, 5, 16, 9, 50), "N2", "6,1", 6.2, 6.3]]
    book_of(file, tread=more)
    assert main(["import", str(folder), str(file)]) == 0
    assert "sheet 'tread' row 3: adds a row of tread" in capsys.readouterr().out
    weekend = Weekend.open(folder)
    row = weekend.tread.index[weekend.tread["tyre_id"] == "N2"][0]
    weekend.book.correct(int(row), {"inner_mm": 5.9}, "me")
    assert main(["import", str(folder), str(file)]) == 0
    assert Weekend.open(folder).tread.set_index("tyre_id").loc["N2", "inner_mm"] == 5.9
    book_of(file, tread=[*TREAD, [datetime(2026, 5, 16, 9, 51), "N77", 6, 6, 6]])
    capsys.readouterr()
    assert main(["import", str(folder), str(file)]) == 2
    assert "sheet 'tread' row 3: tyre 'N77'" in capsys.readouterr().err
    assert len(Weekend.open(folder).tread) == 2


def test_the_empty_spreadsheet_reads_back_and_keeps_ids(tmp_path):
    path = write_spreadsheet(tmp_path / "empty.xlsx")
    book = openpyxl.load_workbook(path)
    assert {"tyres", "runs", "tread", "pressures", "fuel", "weather"} <= set(book.sheetnames)
    found = find_tables(path)
    assert not [one for one in found.tables.values() if one.sheet.rows]
    sheet = book["tyres"]
    for column, value in enumerate(["007", "control", 1, 0, 0, 0, 0], 1):
        sheet.cell(2, column).value = value
        kept = sheet.cell(2, column).number_format
        assert kept == ("@" if column < 3 else "General")
    book.save(path)
    assert started(tmp_path / "w", path).tyres["tyre_id"].tolist() == ["007"]
    with pytest.raises(InputError, match="already"):
        write_spreadsheet(path)


@pytest.mark.parametrize(
    "text", ["=1+1", "+x", "-", "@a", "'=1", "''@b", "\t=1", "-1,5", "N1", "'a"]
)
def test_no_text_we_write_runs_as_a_formula(tmp_path, text):
    """Common practice: an apostrophe before =, +, - or @; numbers and other text as they are."""
    write_sheet(tmp_path / "s.csv", ["tyre_id", "note"], [{"tyre_id": "N1", "note": text}])
    cell = (tmp_path / "s.csv").read_text().splitlines()[1].split(",", 1)[1].strip('"')
    assert cell[0] not in "=+@\t" and (cell[0] != "-" or cell == "-1,5")
    assert read_sheet(tmp_path / "s.csv", "s").rows[2]["note"] == text
