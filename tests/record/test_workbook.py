"""Spreadsheets read as a person left them, within bounds.

Reference: files are written by openpyxl, an independent implementation of ECMA-376 (XLSX), or by
hand as that standard's XML; expected texts are those typed. Serial day 25569 is 1970-01-01 in the
1900 system (ECMA-376 part 1, 18.17.4.1).
"""

import time
import zipfile
from datetime import date, datetime
from datetime import time as clock

import openpyxl
import pytest

from tyrekit.errors import BookError
from tyrekit.record import workbook
from tyrekit.record.workbook import letter, read_workbook

NS = 'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
REL = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE = "http://schemas.openxmlformats.org/package/2006"
PARTS = {
    "[Content_Types].xml": f'<Types xmlns="{PACKAGE}/content-types"><Default Extension="rels"'
    ' ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Default'
    ' Extension="xml" ContentType="application/xml"/><Override PartName="/xl/workbook.xml"'
    ' ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/>'
    '<Override PartName="/xl/worksheets/sheet1.xml" ContentType="application/vnd.openxmlformats-'
    'officedocument.spreadsheetml.worksheet+xml"/></Types>',
    "_rels/.rels": f'<Relationships xmlns="{PACKAGE}/relationships"><Relationship Id="rId1"'
    f' Type="{REL}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
    "xl/workbook.xml": f'<workbook {NS} xmlns:r="{REL}"><sheets><sheet name="tyres" sheetId="1"'
    ' r:id="rId1"/></sheets></workbook>',
    "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{PACKAGE}/relationships"><Relationship'
    f' Id="rId1" Type="{REL}/worksheet" Target="worksheets/sheet1.xml"/></Relationships>',
}  # fmt: skip


def by_hand(path, data="", head="", before=""):
    """Write a workbook of one sheet whose rows are given as XML."""
    sheet = f"{before}<worksheet {NS}>{head}<sheetData>{data}</sheetData></worksheet>"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in {**PARTS, "xl/worksheets/sheet1.xml": sheet}.items():
            archive.writestr(name, text)
    return path


def written(path, rows, **formats):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Tyres"
    for row in rows:
        sheet.append(row)
    for place, code in formats.items():
        sheet[place].number_format = code
    book.save(path)
    return path


def test_cells_are_what_a_person_typed(tmp_path):
    rows = [
        ["id", 7, "007", 7, 1.68, 12.0, True, None],
        [datetime(2026, 5, 16, 9, 10), date(2026, 5, 16), clock(9, 10), " 1,65 ", -0.5, 1e-3],
    ]
    grid = read_workbook(written(tmp_path / "w.xlsx", rows, D1="000"))["Tyres"]
    assert grid[1] == {1: "id", 2: "7", 3: "007", 4: "007", 5: "1.68", 6: "12", 7: "1"}
    assert list(grid[2].values()) == [
        "2026-05-16T09:10:00", "2026-05-16", "09:10:00", "1,65", "-0.5", "0.001",
    ]  # fmt: skip


def test_serial_dates_of_both_systems_and_ragged_seconds(tmp_path):
    """46158.381944444445 is 2026-05-16 09:10 (25569 is 1970-01-01; 1904 system: 1462 less)."""
    book = openpyxl.Workbook()
    for serial, epoch in ((46158.381944444445, None), (44696.381944444445, "1904")):
        book.active["A1"], book.active["A1"].number_format = serial, "yyyy-mm-dd hh:mm"
        if epoch:
            book.epoch = openpyxl.utils.datetime.CALENDAR_MAC_1904
        book.save(tmp_path / "d.xlsx")
        assert read_workbook(tmp_path / "d.xlsx")["Sheet"][1][1] == "2026-05-16T09:10:00"


def test_a_date_shown_without_a_time_is_no_midnight(tmp_path):
    rows = [[datetime(2026, 5, 16), datetime(2026, 5, 16), datetime(2026, 5, 16)]]
    file = written(tmp_path / "w.xlsx", rows, A1="dd/mm/yyyy", B1="dd.mm.yyyy hh:mm", C1="h:mm")
    midnight = "2026-05-16T00:00:00"
    assert list(read_workbook(file)["Tyres"][1].values()) == ["2026-05-16", midnight, midnight]


def test_formulas_count_by_their_value_and_one_without_is_named(tmp_path):
    row = '<row r="2"><c r="B2"><f>1+1</f><v>2</v></c></row>'
    assert read_workbook(by_hand(tmp_path / "v.xlsx", row))["tyres"][2] == {2: "2"}
    row = '<row r="3"><c r="C3"><f>HYPERLINK("http://x")</f></c></row>'
    with pytest.raises(BookError, match=r"v\.xlsx sheet 'tyres' row 3 column C: a formula"):
        read_workbook(by_hand(tmp_path / "v.xlsx", row))


def test_errors_in_cells_stay_readable(tmp_path):
    row = '<row r="1"><c r="A1" t="e"><v>#N/A</v></c></row>'
    assert read_workbook(by_hand(tmp_path / "e.xlsx", row))["tyres"][1] == {1: "#N/A"}


@pytest.mark.parametrize(
    ("name", "make"),
    [
        ("text", lambda p: p.write_text("tyre_id,spec\nN1,soft\n")),
        ("old or with a password", lambda p: p.write_bytes(workbook.OLD_FORMAT + b"\0" * 600)),
        ("cut off", lambda p: p.write_bytes(by_hand(p).read_bytes()[:300])),
        ("no parts", lambda p: zipfile.ZipFile(p, "w").close()),
        ("entities", lambda p: by_hand(p, before='<!DOCTYPE a [<!ENTITY b "c">]>')),
        ("no XML", lambda p: by_hand(p, "<row <row")),
    ],
)
def test_what_is_no_workbook_is_refused_in_words(tmp_path, name, make):
    path = tmp_path / "f.xlsx"
    make(path)
    with pytest.raises(BookError, match=r"f\.xlsx: .*XLSX"):
        read_workbook(path)


@pytest.mark.parametrize(
    ("name", "make"),
    [
        ("a burst of zeros", lambda p: by_hand(p, " " * 300_000_000)),
        ("many cells", lambda p: by_hand(p, '<row r="1">' + "<c/>" * 600_000 + "</row>")),
        ("a far column", lambda p: by_hand(p, '<row><c r="GS1" s="0"><v>1</v></c></row>')),
        ("many rows", lambda p: by_hand(p, "<row><c><v>1</v></c></row>" * 6_000)),
        ("a large style part", lambda p: zip_more(p, "xl/styles.xml", b" " * 5_000_000)),
        ("many parts", lambda p: zip_more(p, *[(f"a{i}", b"") for i in range(2_000)])),
    ],
)
def test_a_file_made_to_burst_is_refused_quickly(tmp_path, name, make):
    path = tmp_path / "b.xlsx"
    make(path)
    before = time.process_time()
    with pytest.raises(BookError, match="at most"):
        read_workbook(path)
    assert time.process_time() - before < 5.0


def zip_more(path, *more):
    by_hand(path)
    pairs = [more] if isinstance(more[0], str) else more
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as archive:
        for name, data in pairs:
            archive.writestr(name, data)


def test_what_a_sheet_claims_of_its_size_is_not_believed(tmp_path):
    """A claim of 17 thousand million cells, a far row and a far column cost nothing."""
    head = '<dimension ref="A1:XFD1048576"/>'
    rows = '<row r="1"><c r="A1"><v>1</v></c><c r="XFD1" s="0"/></row>'
    rows += '<row r="1048576"><c r="A1048576"><v>3</v></c></row>'
    rows += '<row r="99999999999"><c><v>4</v></c></row>'
    before = time.process_time()
    grid = read_workbook(by_hand(tmp_path / "c.xlsx", rows, head))["tyres"]
    assert grid == {1: {1: "1"}, 1048576: {1: "3"}}
    assert time.process_time() - before < 5.0


def test_columns_have_letters():
    """As openpyxl names them: reference package."""
    for column in (1, 26, 27, 52, 702, 703, 16384):
        assert letter(column) == openpyxl.utils.get_column_letter(column)
