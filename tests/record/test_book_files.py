"""book/*.csv: what is accepted, and that every bad cell is named with file, row and rule."""

import pytest

from tyrekit.errors import BookError
from tyrekit.record.intake import open_book
from tyrekit.record.spreadsheet import read_sheet
from tyrekit.record.tables import id_ranges
from tyrekit.record.text import number


def refused(folder, event):
    with pytest.raises(BookError) as caught:
        open_book(folder, event)
    assert not list(folder.glob("*.sqlite*"))
    return str(caught.value)


@pytest.mark.parametrize(
    ("name", "old", "new", "parts"),
    [
        ("runs", ",007,008", ",008,008", ("row 2", "'008' is on FL and FR", "one corner")),
        ("runs", ",007,", ",N9,", ("row 2", "tyre 'N9'", "N1..N4, 007..010", "Add it")),
        ("runs", "P1-1,P1,", "P1-1,P7,", ("row 2", "session 'P7'", "P1, Q, R1")),
        ("runs", ",P1,A,", ",P1,B,", ("row 2", "driver 'B'", "it has A")),
        ("runs", "P1-2,", "P1-1,", ("row 3", "'P1-1' is there twice", "book/runs.csv row 2")),
        ("runs", "T09:16", "T09:02", ("row 3", "overlap", "09:02")),
        ("runs", ",20.0,", ",twenty,", ("row 2", "fuel_start_kg is 'twenty'", "number")),
        ("runs", ",20.0,", ",,", ("row 2", "fuel_start_kg is empty")),
        ("runs", "2026-05-16T09:02:00", "16.5. 9:02", ("row 2", "start is", "2026-05-16T09:10")),
        ("runs", "2026-05-16T09:02:00", "2026-05-16", ("row 2", "start is", "date and time")),
        ("runs", "start,", "strt,", ("column start is missing", "Is 'strt' meant")),
        ("runs", "start,", "driver,", ("column 'driver' is there twice",)),
        ("runs", ",P1-1.csv", ",P1-1.csv,x,y", ("row 2", "14 cells", "12 columns")),
        ("tyres", "N2,", "N1,", ("row 3", "tyre_id 'N1' is there twice")),
        ("tyres", "N1,hard,1,1,0,", "N1,hard,1,1,4,", ("row 2", "new and has run 4 laps")),
        ("tyres", "N1,hard,1,", "N1,hard,maybe,", ("row 2", "new is 'maybe'", "1 or 0")),
        ("tyres", "front,left", "fore,left", ("row 6", "axle is 'fore'", "front, rear, any")),
        ("tyres", "12,30.0,2", "12,-30.0,2", ("row 6", "distance_km is '-30.0'", "at least 0")),
        ("tread", ",007,,4.1", ",17,,4.1", ("row 2", "tyre '17'", "the tyre list")),
        ("tread", ",P1-1,3.8", ",P1-9,3.8", ("row 3", "run 'P1-9'", "the runs", "P1-1, P1-2")),
        ("pressures", ",FL,", ",FX,", ("row 2", "corner is 'FX'", "FL, FR, RL, RR")),
        ("pressures", "P1-1,FL", "P5,FL", ("row 2", "run 'P5'")),
        ("weather", "dry", "sunny", ("row 2", "rain is 'sunny'", "dry, damp, wet")),
    ],
)
def test_a_bad_cell_is_named(folder, event, edit, name, old, new, parts):
    edit(f"book/{name}.csv", old, new)
    message = refused(folder, event)
    for part in (f"book/{name}.csv", *parts):
        assert part in message


def test_a_fill_needs_mass_or_volume(folder, event, edit):
    edit("book/fuel.csv", whole="taken_at,kind,mass_kg,volume_l\n2026-05-16T08:50,fill,,\n")
    assert "neither mass_kg nor volume_l" in refused(folder, event)


def test_laps_are_checked_against_runs_and_each_other(folder, event, edit):
    rows = "run_id,lap,lap_time_s,sector_1_s\nP1-1,1,1:20,x\nP1-1,1,81,20.1\nP9,1.5,80,20\n"
    edit("book/laps.csv", whole=rows)
    message = refused(folder, event)
    assert "row 2: lap_time_s is '1:20'; it must be seconds" in message
    assert "row 2: sector_1_s is 'x'" in message and "row 4: lap is '1.5'" in message
    edit("book/laps.csv", whole=rows.replace("1:20", "80").replace("x", "20.0").replace("1.5", "1"))
    message = refused(folder, event)
    assert "row 3: run_id 'P1-1' lap 1 is there twice" in message and "run 'P9'" in message


def test_a_lock_on_an_unknown_tyre_is_an_error(folder, event_text, edit):
    from tyrekit.record.event import parse_event

    lock = '[[limit]]\nkind = "lock"\nsession = "Q"\ntyres = { FL = "X1" }\n'
    message = refused(folder, parse_event(event_text + lock))
    assert "[[limit]] #1 (lock) tyres" in message and "'X1'" in message


def test_every_problem_of_every_file_is_said_at_once(folder, event, edit):
    edit("book/runs.csv", ",20.0,", ",twenty,")
    edit("book/tread.csv", "4.1,", "deep,")
    assert refused(folder, event).count("\n") == 1


def test_missing_files_are_empty_tables(folder, event):
    for path in (folder / "book").glob("*.csv"):
        path.unlink()
    assert all(len(table) == 0 for table in open_book(folder, event).tables().values())


def test_an_empty_file_is_an_empty_table(folder, event, edit):
    edit("book/pressures.csv", whole="")
    assert len(open_book(folder, event).read("pressures")) == 0


def test_unknown_columns_are_kept(folder, event, edit):
    edit("book/weather.csv", whole="taken_at,air_c,track_c,wind\n2026-05-16T09:00,15,20,NW 3\n")
    assert list(open_book(folder, event).read("weather")["wind"]) == ["NW 3"]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_delimiters_and_encodings(tmp_path, delimiter, encoding):
    text = "tyre_id,note,tread_mm\r\n007,größer,6.1\r\n".replace(",", delimiter)
    path = tmp_path / "t.csv"
    path.write_bytes(text.encode(encoding))
    sheet = read_sheet(path, "t.csv")
    assert sheet.rows == {2: {"tyre_id": "007", "note": "größer", "tread_mm": "6.1"}}


def test_quoting_of_rfc4180(tmp_path):
    # RFC4180 section 2: quotes around a comma or a line break, a doubled quote for one
    path = tmp_path / "t.csv"
    path.write_bytes(b'aaa,bbb,ccc\r\n"b CRLF\r\nbb","c,c","d""d"\r\n\r\nzzz,yyy,xxx\r\n')
    sheet = read_sheet(path, "t.csv")
    assert sheet.rows == {
        2: {"aaa": "b CRLF\nbb", "bbb": "c,c", "ccc": 'd"d'},
        5: {"aaa": "zzz", "bbb": "yyy", "ccc": "xxx"},
    }


@pytest.mark.parametrize(("text", "value"), [("1.5", 1.5), ("1,5", 1.5), (" -0,25 ", -0.25)])
def test_numbers_with_point_or_comma(text, value):
    assert number(text) == value


@pytest.mark.parametrize("text", ["1.234,5", "1,234.5", "nan", "inf", "1_000", "12 bar", ""])
def test_what_is_no_number(text):
    with pytest.raises(ValueError):
        number(text)


def test_ids_are_listed_in_short():
    assert id_ranges(["N1", "N2", "N3", "U8", "U9", "U10", "S"]) == "N1..N3, U8..U10, S"
    assert id_ranges(["007", "008", "009", "12"]) == "007..009, 12"
    assert id_ranges([]) == "nothing"
