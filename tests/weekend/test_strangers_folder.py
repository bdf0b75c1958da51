"""A weekend folder from a stranger: every attack is refused in words, or does nothing.

The attacks are in `tests/planted_attacks.py`. All folders are opened by `tyrekit check`, each from
within itself, in one process that may hold `LIMIT` bytes of data. Nothing outside a folder may
change, no code of the folder may run. What a browser would run is looked for in the very pages,
and once in a real one (`test_strangers_lab.py`).
"""

import csv
import io
import json
import os
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd
import planted_attacks as attacks
import pytest
from demo_weekends import copy_of

from tyrekit.commands import main
from tyrekit.errors import InputError
from tyrekit.record.spreadsheet import guarded, read_sheet, unguarded
from tyrekit.record.weekend import Weekend

LIMIT = 1_200 << 20
SECRET = "secret words\n"
RUNNER = """
import contextlib, io, json, os, resource, sys, traceback
limit, *folders = sys.argv[1:]
resource.setrlimit(resource.RLIMIT_DATA, (int(limit), int(limit)))
from tyrekit.commands import main
for folder in folders:
    said = io.StringIO()
    os.chdir(folder)
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        try:
            code = main(["check", "."])
        except BaseException:
            code = traceback.format_exc()[-1500:]
    print(json.dumps([folder, code, said.getvalue()[-20000:]]), flush=True)
"""


def planted(base, plants):
    """A folder of a stranger beside a folder that nobody may touch."""
    base.mkdir()
    outside = base / "outside"
    outside.mkdir()
    (outside / "secret.csv").write_text(SECRET)
    folder = copy_of("fenmoor-after-p3", base)
    for plant in plants:
        plant(folder, outside)
    return folder


def checked(folders):
    """What `tyrekit check` answers for each folder, opened in one bounded process."""
    done = subprocess.run(
        [sys.executable, "-P", "-c", RUNNER, str(LIMIT), *map(str, folders)],
        capture_output=True, text=True, timeout=900, check=False,
    )  # fmt: skip
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert done.returncode == 0, (len(lines), done.stderr[-2000:])
    return {folder: (code, said) for folder, code, said in lines}


@pytest.fixture(scope="module")
def opened(tmp_path_factory):
    """Every attack's folder with what was said of it."""
    base = tmp_path_factory.mktemp("stranger")
    every = {name: plant for name, (plant, _) in attacks.REFUSED.items()} | attacks.HARMLESS
    folders = {
        name: planted(base / f"{i}", [plant]) for i, (name, plant) in enumerate(every.items())
    }
    answers = checked(folders.values())
    return {name: (folder, *answers[str(folder)]) for name, folder in folders.items()}


def untouched(folder):
    outside = folder.parent / "outside"
    assert [path.name for path in outside.iterdir()] == ["secret.csv"], "something outside was made"
    assert (outside / "secret.csv").read_text() == SECRET
    assert not (folder / "ran").exists()


@pytest.mark.parametrize("name", attacks.REFUSED)
def test_refused(opened, name):
    folder, code, said = opened[name]
    assert code == 2, (code, said)
    assert any(words in said for words in attacks.REFUSED[name][1].split("|")), said[:500]
    assert said.startswith("tyrekit: ") and "Traceback" not in said
    assert len(said) < 20_000 and all(c.isprintable() or c == "\n" for c in said)
    assert SECRET.strip() not in said
    untouched(folder)


@pytest.mark.parametrize("name", attacks.HARMLESS)
def test_harmless(opened, name):
    folder, code, said = opened[name]
    assert code == 0, (code, said)
    assert "P1, P2, P3" in said
    assert all(c.isprintable() or c == "\n" for c in said)
    untouched(folder)


TOGETHER = {
    "event.toml": ("race of a billion laps", "session of 1e308 minutes", "start in the year 1",
                   "belief of 1e308", "belief that is certain", "encoding that never ends"),
    "book/weather.csv": ("table a link out",),
    "book/tyres.csv": ("id that reads backwards", "number of 1e308"),
    f"logs/{attacks.RUN}": ("log a pipe",),
    "timing/R1.csv": ("timing that is no text",),
}  # fmt: skip


def test_all_at_once(tmp_path):
    """All that go together, planted at once: each is refused until it is taken away."""
    outside = tmp_path / "all/outside"
    plants = [*attacks.HARMLESS.values(), lambda folder, outside: attacks.renamed(folder)]
    folder = planted(tmp_path / "all", plants)
    good = {name: (folder / name).read_bytes() for name in TOGETHER if (folder / name).is_file()}
    for names in TOGETHER.values():
        for name in names:
            attacks.REFUSED[name][0](folder, outside)
    for place, names in TOGETHER.items():
        code, said = checked([folder])[str(folder)]
        assert (code, said[:9]) == (2, "tyrekit: "), said
        assert place in said.splitlines()[0], said
        for name in names:
            assert any(words in said for words in attacks.REFUSED[name][1].split("|")), (name, said)
        untouched(folder)
        (folder / place).unlink()
        if place in good:
            (folder / place).write_bytes(good[place])
    code, said = checked([folder])[str(folder)]
    assert code == 0 and "P1, P2, P3" in said, said
    untouched(folder)


# ------------------------------------------------------------------ programs in the folder


@pytest.mark.parametrize("way", ["tyrekit", "python -m tyrekit"])
def test_programs_in_the_folder_are_not_run(tmp_path, way):
    """`python -m` looks for the package itself in the folder at hand, for nothing else.

    That the package itself is taken from there is Python's doing, before any line of the kit
    runs: the README names the command `tyrekit`, which has no such habit.
    """
    folder = planted(tmp_path / "w", [attacks.deadly])
    program = [str(Path(sys.executable).with_name("tyrekit"))]
    if way != "tyrekit":
        (folder / "tyrekit.py").unlink()
        program = [sys.executable, "-m", "tyrekit"]
    env = {k: v for k, v in os.environ.items() if k != "PYTHONSAFEPATH"}
    done = subprocess.run(
        [*program, "check", "."], cwd=folder, env=env, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr[-2000:]
    untouched(folder)


def test_a_browser_in_the_folder_prints_nothing(tmp_path, monkeypatch):
    from tyrekit.show.printing import find_browser

    folder = planted(tmp_path / "w", [attacks.deadly])
    monkeypatch.chdir(folder)
    monkeypatch.setenv("PATH", f".{os.pathsep}{folder}")  # Windows looks here without being told
    monkeypatch.delenv("TYREKIT_BROWSER", raising=False)
    assert find_browser() is None


# ------------------------------------------------------------------ what the kit writes


@pytest.fixture(scope="module")
def named(tmp_path_factory):
    """A weekend whose names would run in a page, with its sheets and its review written."""
    base = tmp_path_factory.mktemp("named")
    folder = planted(base / "w", [lambda folder, outside: attacks.renamed(folder)])
    assert main(["report", str(folder), "--no-pdf"]) == 0
    assert main(["review", str(folder)]) == 0
    untouched(folder)
    return folder


class Page(HTMLParser):
    """What in a page would run or lead elsewhere, and its text."""

    def __init__(self, text):
        super().__init__()
        self.found, self.text, self.style = [], "", False
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        if tag in (
            "script",
            "iframe",
            "object",
            "embed",
            "base",
            "form",
            "img",
            "link",
            "foreignobject",
        ):
            self.found.append(tag)
        for name, value in attrs:
            away = name in ("href", "src", "xlink:href") and not (value or "").startswith("#")
            runs = name.startswith("on") or "javascript:" in (value or "")
            if away or (runs and name not in ("aria-label", "title")):
                self.found.append(f"{tag} {name}={value}")

    def handle_data(self, data):
        self.text += data


def test_names_in_sheets_stay_text(named):
    pages = sorted((named / "out").glob("*.html"))
    assert {"sheet.html", "tyre_sheet.html", "review.html"} <= {p.name for p in pages}
    for path in pages:
        page = Page(path.read_text("utf-8"))
        assert not page.found, (path.name, page.found[:5])
    page = Page((named / "out/sheet.html").read_text("utf-8"))
    assert sum(name in page.text for name in attacks.NAMES) >= 4, "the names are not shown"


def test_names_in_panels_stay_text(named):
    import ipywidgets as w

    from tyrekit.show.panel_next_session import NextSessionPanel
    from tyrekit.show.panel_weekend_plan import WeekendPlanPanel

    texts = []
    for make in (NextSessionPanel, WeekendPlanPanel):
        panel = make(named, "")
        assert not panel.problem.value
        texts += [box.value for box in boxes(panel) if isinstance(box, w.HTML)]
    assert len(texts) > 20 and any("globalThis" in text for text in texts)
    for text in texts:
        found = [one for one in Page(text).found if not one.startswith("a href=/files/out/")]
        assert not found, (found[:5], text[:300])


def boxes(panel):
    """Every widget of a panel."""
    waiting, seen = [panel.box if hasattr(panel, "box") else panel], []
    while waiting:
        one = waiting.pop()
        seen.append(one)
        waiting += list(getattr(one, "children", ()))
    return seen


def test_names_in_the_handover_stay_text(named):
    import tomllib

    text = (named / "out/beliefs_next.toml").read_text("utf-8")
    assert set(tomllib.loads(text)) <= {"beliefs"}


@pytest.fixture(scope="module")
def exported(tmp_path_factory):
    """A book whose notes would run in a spreadsheet program, and its export as CSV."""
    base = tmp_path_factory.mktemp("exported")
    folder = planted(base / "w", [])
    weekend = Weekend.open(folder)
    rows = [{"taken_at": f"2026-05-16T18:{i:02d}:00", "air_c": 15, "track_c": 20, "note": text}
            for i, text in enumerate(attacks.formulas())]  # fmt: skip
    weekend.book.append_all("weather", rows, "A")
    weekend.book.export_csv(base / "exported")
    written = (base / "exported/weather.csv").read_text("utf-8")
    return written, read_sheet(base / "exported/weather.csv", "weather.csv")


@pytest.mark.parametrize("text", attacks.formulas())
def test_formulas_are_text_in_exports_and_come_back(exported, text):
    assert text.strip() in [row["note"] for row in exported[1].rows.values()]
    assert unguarded(guarded(text)) == text


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
def test_no_cell_of_an_export_runs(exported, mark):
    """Where another mark than the comma is usual, quotes within a line are text."""
    lines = exported[0].splitlines()
    rows = list(csv.reader(io.StringIO(exported[0]))) if mark == "," else [
        line.split(mark) for line in lines]  # fmt: skip
    for cell in (cell.strip('"') for row in rows for cell in row):
        number = cell.replace(",", ".", 1).lstrip("+-").replace(".", "", 1).isdigit()
        assert number or not cell.startswith(("=", "+", "-", "@", "\t", "\r", "\uff1d")), cell


def test_exports_of_a_stranger_come_back_whole(named, tmp_path):
    weekend = Weekend.open(named)
    weekend.book.export_csv(tmp_path / "book")
    (tmp_path / "event.toml").write_bytes((named / "event.toml").read_bytes())
    (tmp_path / "logs").symlink_to(named / "logs")
    with pytest.raises(InputError, match="link out"):
        Weekend.open(tmp_path)
    (tmp_path / "logs").unlink()
    again = Weekend.open(tmp_path).book
    for table in ("tyres", "runs", "tread", "fuel"):
        pd.testing.assert_frame_equal(
            again.read(table).reset_index(drop=True),
            weekend.book.read(table).reset_index(drop=True), check_like=True,
        )  # fmt: skip


@pytest.mark.parametrize(
    "name", ["out", "out/sheet.html", "out/parts", "out/file", "out/sheet folder"]
)
def test_sheets_are_written_into_the_folder_only(tmp_path, named, name, capsys):
    folder = planted(tmp_path / "w", [])
    outside = tmp_path / "w/outside"
    out = folder / "out"
    refused = name in ("out", "out/file", "out/sheet folder")
    if name == "out":
        out.symlink_to(outside)
    elif name == "out/file":
        out.write_text("x")
    else:
        out.mkdir()
    if name == "out/sheet.html":
        (out / "sheet.html").symlink_to(outside / "secret.csv")
        (out / "sheet.pdf").symlink_to(outside / "secret.csv")
    if name == "out/sheet folder":
        (out / "sheet.html").mkdir()
    if name == "out/parts":
        for page in ("sheet.html", "tyre_sheet.html"):
            (out / f".{page}.{os.getpid()}.part").symlink_to(outside / "secret.csv")
    assert main(["report", str(folder), "--no-pdf"]) == (2 if refused else 0)
    said = capsys.readouterr().err
    assert not refused or ("/out" in said and "tyrekit: " in said)
    untouched(folder)
    if not refused:
        assert (out / "sheet.html").is_file() and not (out / "sheet.html").is_symlink()


@pytest.mark.parametrize("name", attacks.WORKBOOKS)
def test_spreadsheets_are_refused(tmp_path, capsys, name):
    make, words = attacks.WORKBOOKS[name]
    (tmp_path / "start.xlsx").write_bytes(make())
    assert main(["new", str(tmp_path / "w"), "--from", str(tmp_path / "start.xlsx"), "--yes"]) == 2
    assert words in capsys.readouterr().err
    assert not (tmp_path / "w").exists()


def test_macros_and_outside_links_of_a_spreadsheet_are_not_looked_at(tmp_path, capsys):
    import zipfile

    path = tmp_path / "weather.xlsm"
    path.write_bytes(attacks.workbook())
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr("xl/vbaProject.bin", b"\xd0\xcf\x11\xe0" + bytes(999))
        archive.writestr("xl/externalLinks/externalLink1.xml", "<externalLink/>")
        archive.writestr("../../../outside.txt", "climbed")
        archive.writestr("/tmp/absolute.txt", "climbed")
    folder = planted(tmp_path / "w", [])
    assert main(["import", str(folder), str(path)]) == 0
    assert "adds a row of weather" in capsys.readouterr().out
    untouched(folder)
    assert not (tmp_path.parent / "outside.txt").exists()


def test_formulas_of_an_mdf_file_are_never_worked_out(tmp_path, monkeypatch):
    """asammdf would hand them to numexpr, and on failure to sympy, which runs them as code."""
    from asammdf.blocks import v4_blocks

    from tyrekit.errors import LogError
    from tyrekit.record.event import Log
    from tyrekit.record.logs import read_log

    asked = []
    monkeypatch.setattr(v4_blocks, "evaluate", lambda text, *a, **k: asked.append(text))
    monkeypatch.setattr(v4_blocks, "lambdify", lambda *a, **k: asked.append(a))
    (tmp_path / "run.mf4").write_bytes(attacks.formula_mdf("X1 * 2"))
    with pytest.raises(LogError, match="no column 'v'"):
        read_log(tmp_path / "run.mf4", Log.model_validate({"speed": {"column": "v"}}))
    log = read_log(tmp_path / "run.mf4", Log())
    assert "formulas in a file are not run: 'v'" in " ".join(log.notes)
    assert not asked
