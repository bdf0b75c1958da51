"""The sheets of whole weekends: what is on them, and A4 when a Chromium prints them.

ISO 216: A4 is 210 x 297 mm, that is 595.3 x 841.9 points of 1/72 inch.
"""

import re
import shutil
import subprocess

import pytest
from demo_weekends import copy_of

from tyrekit.commands import _print_sheets, main
from tyrekit.errors import InputError
from tyrekit.record.earlier import as_it_stood
from tyrekit.record.weekend import Weekend
from tyrekit.show import printing
from tyrekit.show.answer import answer
from tyrekit.show.sheet import write_sheets
from tyrekit.show.sheet_plans import sheet_plans

A4_PT = (210 / 25.4 * 72, 297 / 25.4 * 72)


@pytest.fixture(scope="module")
def practice(tmp_path_factory):
    """A demo weekend whose next session is a practice."""
    folder = tmp_path_factory.mktemp("p2")
    whole = Weekend.open(copy_of("fenmoor-after-p3", tmp_path_factory.mktemp("w")))
    found = answer(as_it_stood(whole, "P2", folder))
    plans = sheet_plans(found)
    return found, plans, write_sheets(found, folder / "out", plans=plans)


@pytest.fixture(scope="module")
def text(practice):
    """The text of each sheet by its name."""
    return {path.stem: path.read_text(encoding="utf-8") for path in practice[2]}


def test_every_sheet_of_a_practice_weekend(text):
    assert list(text) == [
        "sheet", "tyre_sheet", "fuel_card", "run_plan", "race_card_R1", "race_card_R2",
        "race_card_R3",
    ]  # fmt: skip
    for stem in list(text)[1:]:
        page = re.search(r'<table class="sheet".*</table>', text[stem], flags=re.DOTALL)
        assert page is not None and page[0] in text["sheet"]
    assert len({re.search(r"inputs <code>(\w+)", t)[1] for t in text.values()}) == 1


def test_the_run_plan_is_the_practice_plan(practice, text):
    table = practice[1].practice.table
    assert text["run_plan"].count(" laps</td>") == len(table)
    for row in table.to_dict("records"):
        assert f"{row['fuel_kg']:.1f} kg" in text["run_plan"]
        assert row["set_id"] in text["run_plan"]


def test_the_tyre_sheet_has_every_session_corner_and_pressure(practice, text):
    found, plans, _ = practice
    for row in found.allocation.table.to_dict("records"):
        assert row["tyre_id"] in text["tyre_sheet"] and row["session"] in text["tyre_sheet"]
    for pressures in plans.pressures.values():
        for bar in pressures.table["cold_bar"]:
            assert f"{bar:.2f} bar" in text["tyre_sheet"]


def test_a_race_card_says_when_to_stop_and_what_must_be_left(practice, text):
    plan = practice[1].races["R3"]
    for words in (f"{plan.start_l:.1f} L", f"{plan.start_kg:.1f} kg", "at the end of",
                  f"{plan.fuel_left['least_kg'].iloc[-1]:.1f} kg",
                  "Race control and the flags come first"):  # fmt: skip
        assert words in text["race_card_R3"]
    assert "No stop is planned" in text["race_card_R1"]


def test_chromium_prints_every_page_on_a4_with_the_stamp(practice):
    """Page sizes from the PDF's own MediaBox entries; the texts by poppler where it is there."""
    pdf = printing.write_pdf(practice[2][0])
    boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", pdf.read_bytes())
    assert len(boxes) >= 8
    for width, height in boxes:
        assert (float(width), float(height)) == pytest.approx(A4_PT, abs=1.0)
    tool = shutil.which("pdftotext")
    if tool is not None:
        said = subprocess.run([tool, pdf, "-"], capture_output=True, text=True, check=True).stdout
        pages = said.rstrip("\f").split("\f")
        assert len(pages) == len(boxes)
        assert all("inputs" in page and "car 27" in page and "tyrekit" in page for page in pages)


def test_without_a_chromium_the_report_says_how_to_print(after_p3, monkeypatch, capsys):
    """Asked for, a PDF that cannot be made is an error; else the report is as good without."""
    monkeypatch.setenv("TYREKIT_BROWSER", "no-such-program")
    assert main(["report", "--pdf", str(after_p3)]) == 2
    said = capsys.readouterr()
    assert "no Chromium was found" in said.err and "any browser" in said.err
    assert "sheet.html" in said.out and (after_p3 / "out" / "fuel_card.html").is_file()
    assert not list((after_p3 / "out").glob("*.pdf"))
    assert _print_sheets([after_p3 / "out" / "sheet.html"], None) == 0
    assert capsys.readouterr() == ("", "")


def test_a_browser_that_fails_leaves_no_pdf_and_says_so(tmp_path):
    sheet = tmp_path / "sheet.html"
    sheet.write_text("<!doctype html><title>x</title>")
    with pytest.raises(InputError, match="the PDF was not made"):
        printing.write_pdf(sheet, shutil.which("false"))
    assert [p.name for p in tmp_path.iterdir()] == ["sheet.html"]
