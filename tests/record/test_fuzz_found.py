"""Inputs on which mutated files once made a reader fail, each now refused in words or read.

Found by `tests/study_fuzz.py` on its seeds 3, 4 and 7, and by the attacks of
`tests/planted_attacks.py`; cut down to what matters.
"""

import io
import sqlite3
import struct
import zipfile
from contextlib import closing

import numpy as np
import pytest
import study_fuzz as fuzz
from openpyxl import Workbook
from written_mdf import mdf_bytes

from tyrekit.errors import BookError, EventError, InputError, LogError, TimingError
from tyrekit.record import intake, seals
from tyrekit.record.drafts import Drafts
from tyrekit.record.event import Log, load_event, parse_event
from tyrekit.record.logs import read_log
from tyrekit.record.spreadsheet import read_sheet
from tyrekit.record.timing_files import read_timing
from tyrekit.record.workbook import read_workbook


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("x = " + "[" * 3000, "nested too deeply"),
        ("x = " + "{a=" * 500, "nested too deeply"),
        ("x = " + "9" * 5000, "not valid TOML"),
        ("a." * 3000 + "a = 1", "too many parts"),
        ("a.a.a.a.a.a.a.a.a.a = 1", "nested too deeply"),
    ],
    ids=["lists", "tables", "digits", "parts", "dots"],
)
def test_event_toml(text, words):
    with pytest.raises(EventError, match=words) as caught:
        parse_event(text)
    assert len(str(caught.value)) < 500


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("minutes = 30", "minutes = 1e308", "at most 3000"),
        ("2026-05-16T09:00:00", "9999-12-31T23:59:59", "1970 to 2200"),
        ("2026-05-16T09:00:00", "0001-01-01T00:00:00+14:00", "1970 to 2200"),
        ("laps = 12", "laps = " + "9" * 400, "at most 2000"),
        ("sd = 2.0", "sd = 1e-320", "at least 1e-09"),
    ],
)
def test_values_of_event_toml(old, new, words):
    assert old in fuzz.EVENT
    with pytest.raises(EventError, match=words):
        parse_event(fuzz.EVENT.replace(old, new))


@pytest.mark.parametrize("end", ["\r", "\n\r"])
def test_lone_carriage_returns_in_a_table(tmp_path, end):
    path = tmp_path / "weather.csv"
    path.write_bytes(f"taken_at,air_c{end}2026-05-16T09:00:00,1{end}".encode())
    assert [row["air_c"] for row in read_sheet(path, "weather.csv").rows.values()] == ["1"]


@pytest.mark.parametrize("reader", ["book", "timing"])
def test_a_field_larger_than_any(tmp_path, reader):
    """Python's csv refuses fields above 128 KB with an error of its own."""
    path = tmp_path / "laps.csv"
    path.write_text("lap,lap_time_s\n1," + "6" * 200_000 + "\n")
    with pytest.raises((BookError, TimingError), match="cannot be read as a table"):
        if reader == "book":
            read_sheet(path, "laps.csv")
        else:
            read_timing(path, parse_event(fuzz.EVENT))


def test_a_workbook_whose_packing_is_damaged(tmp_path):
    book, out = Workbook(), io.BytesIO()
    for row in range(50):
        book.active.append([row, f"text {row}"])
    book.save(out)
    data = bytearray(out.getvalue())
    with zipfile.ZipFile(out) as archive:
        part = archive.getinfo("xl/worksheets/sheet1.xml")
    start = part.header_offset + 30 + len(part.filename) + 20
    data[start : start + 40] = bytes(range(200, 240))
    (tmp_path / "a.xlsx").write_bytes(data)
    with pytest.raises(BookError, match="cannot be read as a workbook"):
        read_workbook(tmp_path / "a.xlsx")


FIELDS_AT = 24 + 8 * 8  # of a channel block with its eight links


@pytest.mark.parametrize(
    ("at", "value"),
    [(4, 1 << 30), (4, 0xFFFFFFFF), (8, 1 << 31), (8, 4096)],
    ids=["far offset", "last offset", "endless", "wide"],
)
@pytest.mark.parametrize("which", [0, 1], ids=["clock", "channel"])
def test_an_mdf_channel_beyond_its_record(tmp_path, at, value, which):
    """asammdf read other memory there, and the process died."""
    data = bytearray(mdf_bytes([(np.arange(9.0), {"v": (np.arange(9.0), "m/s")})]))
    channels = [i for i in range(0, len(data), 8) if data[i : i + 4] == b"##CN"]
    struct.pack_into("<I", data, channels[which] + FIELDS_AT + at, value)
    (tmp_path / "run.mf4").write_bytes(data)
    with pytest.raises(LogError, match="beyond its record"):
        read_log(tmp_path / "run.mf4", Log())


def test_an_mdf_block_packed_in_another_way(tmp_path):
    """Deflate expands a thousandfold at most; other packings have no such bound."""
    data = bytearray(mdf_bytes([(np.arange(9.0), {"v": (np.arange(9.0), "m/s")})], zipped=9))
    data[data.index(b"##DZ") + 26] = 2
    (tmp_path / "run.mf4").write_bytes(data)
    with pytest.raises(LogError, match="packed in a way not read here"):
        read_log(tmp_path / "run.mf4", Log())


def test_a_book_whose_list_of_tables_is_changed(tmp_path):
    """Drafts listed as `dRafts` were there and never looked at."""
    fuzz.write_folder(tmp_path)
    event = load_event(tmp_path / "event.toml")
    book = intake.keep(intake.open_book(tmp_path, event), tmp_path)
    Drafts(book).keep("run", {"lap": "1"})
    path = tmp_path / "book.sqlite"
    data = path.read_bytes()
    listed = data.index(b"tabledraftsdrafts")
    for at, flipped in ((listed + 5, 0x20), (listed, 0x20), (listed + 12, 0x01)):
        changed = bytearray(data)
        changed[at] ^= flipped
        path.write_bytes(changed)
        with pytest.raises(BookError, match=r"not the kit's|damaged|malformed"):
            Drafts(intake.open_book(tmp_path, event)).of("run")
    path.write_bytes(data)
    assert Drafts(intake.open_book(tmp_path, event)).of("run") == {"run": {"lap": "1"}}


def test_a_stretch_of_more_laps_than_any_car_runs(tmp_path):
    target = next(one for one in fuzz.targets() if one.name == "weekend")
    fuzz.write_folder(tmp_path)
    place = (tmp_path, parse_event(fuzz.EVENT))
    assert fuzz.tried(target, fuzz.case(target, 1, 254), place) in ("read", "refused")


def test_an_mdf_group_that_says_it_has_no_rows(tmp_path):
    """asammdf never came to an end on one; what another group holds is read."""
    here, there = np.arange(9.0), np.arange(0.0, 9.0, 0.5)
    groups = [(here, {"v": (here, "m/s")}), (there, {"w": (there, "m/s")})]
    mapping = {"speed": {"column": "w", "unit": "m/s"}, "throttle": {"column": "v", "unit": "%"}}
    log = Log.model_validate(mapping)
    path = tmp_path / "run.mf4"
    for empty in (1, 2):
        data = bytearray(mdf_bytes(groups))
        blocks = [i for i in range(0, len(data), 8) if data[i : i + 4] == b"##CG"]
        for at in blocks[:empty]:
            links = struct.unpack_from("<Q", data, at + 16)[0]
            struct.pack_into("<Q", data, at + 24 + 8 * links + 8, 0)
        path.write_bytes(data)
        if empty == 2:
            with pytest.raises(LogError, match="no rows"):
                read_log(path, log)
            continue
        found = read_log(path, log)
        assert any("no rows of" in note for note in found.notes)


@pytest.mark.parametrize("cells", ['{"a": 1}', "[1]", "5", '{"a"', "", "[" * 9999, '{"a\0": "b"}'])
def test_an_entry_that_is_no_row(tmp_path, cells):
    """Changed by someone who sealed the book again."""
    fuzz.write_folder(tmp_path)
    event = load_event(tmp_path / "event.toml")
    intake.keep(intake.open_book(tmp_path, event), tmp_path)
    with closing(sqlite3.connect(tmp_path / "book.sqlite", isolation_level=None)) as connection:
        for name in ("entries_UPDATE", "seals_DELETE"):
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute("UPDATE entries SET cells = ? WHERE row_id = 1", (cells,))
        connection.execute("DELETE FROM seals")
        seals.seal_new(connection)
    with pytest.raises(InputError, match=r"cannot be read|missing|empty|cannot be seen"):
        intake.open_book(tmp_path, event)


@pytest.mark.parametrize(
    ("name", "number"),
    [("CSV log", 1978), ("Parquet log", 34), ("Arrow log", 20), ("Arrow log", 2725)],
)
def test_logs_whose_time_begins_again_with_nothing_after_it_or_with_endless_steps(
    name, number, tmp_path
):
    target = next(one for one in fuzz.targets() if one.name == name)
    fuzz.write_folder(tmp_path / "case")
    place = (tmp_path / "case", parse_event(fuzz.EVENT))
    assert fuzz.tried(target, fuzz.case(target, 1, number), place) == "read"
