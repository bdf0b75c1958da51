"""Valid files mutated at random and fed to the kit's readers: python tests/study_fuzz.py [cases]

Every case must end in a result or in the kit's own `InputError`. The cases run in child processes
whose memory is bounded; a watchdog ends a case that does not end by itself. A case is told by
target, seed and number, so that any can be made again: python tests/study_fuzz.py --show TARGET
SEED NUMBER writes it to standard output. 100,000 cases take about an hour on one quiet core.
"""

from __future__ import annotations

import contextlib
import gzip
import io
import json
import mmap
import os
import re
import resource
import shutil
import sqlite3
import struct
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
import zipfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.ipc as ipc
import pyarrow.parquet as parquet
from openpyxl import Workbook
from written_mdf import mdf_bytes

from tyrekit.errors import InputError
from tyrekit.fit.prior import beliefs
from tyrekit.record import intake, seals
from tyrekit.record.book import Book
from tyrekit.record.event import Event, load_event, parse_event
from tyrekit.record.event_text import event_text_from, template
from tyrekit.record.logs import read_log
from tyrekit.record.mapping import propose_mapping
from tyrekit.record.table_files import find_tables
from tyrekit.record.table_intake import check
from tyrekit.record.timing_files import read_timing
from tyrekit.record.weekend import Weekend

Rng = np.random.Generator
SEED = 1
MEMORY = 1200 << 20  # data of a child, packages and threads included
STUCK_S = 120.0  # of wall clock on a busy machine; processor time is bounded as well
CASES = 101_000
TOKENS = [
    b"", b"0", b"-1", b"1e308", b"-1e308", b"1e-320", b"nan", b"inf", b"-inf", b"9" * 400,
    b"9223372036854775808", b"2147483648", b"0x10", b"1_0", b"1,5", b"1.2.3", b"'", b'"', b'"""',
    b"\0", b"\n", b"\r", b"\r\n", b"\t", b";", b"|", b",", b"\xef\xbb\xbf", b"\xff\xfe", b"\xff",
    b"\xe2\x80\xae", b"\xed\xa0\x80", b"[", b"]", b"{", b"}", b"[" * 3000, b"{a=" * 500, b"=",
    b"=1+1", b"[[session]]", b"[car]", b"true", b"1979-05-27", b"0001-01-01T00:00:00",
    b"9999-12-31T23:59:59", b"2026-03-29T01:30:00", b"24:00:00", b"99:99", b"P1", b"R1", b"../..",
    b"%s%n", b"<script>", b"\\u0000", b"\\ud800", b"\\", b"#", b"A" * 5000, b"\x1b[2J", b"-",
    b"\xc2\xa0", b"\xd9\xa1", "½".encode(), "²".encode(), b"1e5", b"+5", b"00", b"1:00", b"NaN",
]  # fmt: skip
WORDS = re.compile(rb"[A-Za-z_]+|[-+]?[0-9][0-9.:eE+-]*|[^A-Za-z0-9\s]")
NUMBERS = (0, 1, 2, 3, 7, 8, 23, 24, 255, 65535, 2**31 - 1, 2**31, 2**32 - 1, 2**63 - 1, 2**63,
           2**64 - 1, 2**40, 1 << 20)  # fmt: skip

Place = tuple[Path, Event]
EVENT = """
[event]
name = "Fuzz"
timezone = "Europe/London"
[circuit]
length_m = 2000.0
pit_loss_s = 25.0
start_finish = { latitude_deg = 52.1, longitude_deg = -0.4, heading_deg = 60.0 }
lap_time_s = { mean = 70.0, sd = 2.0 }
[[circuit.split]]
distance_m = 700.0
[car]
number = "7"
mass_kg = 1100.0
ballast_kg = 10.0
ballast_limit_kg = 60.0
minimum_mass_kg = 1180.0
wheelbase_m = 2.6
track_front_m = 1.5
track_rear_m = 1.5
centre_of_gravity_height_m = 0.5
front_mass_pct = 60.0
roll_stiffness_front_pct = 55.0
[[driver]]
name = "A"
mass_kg = 80.0
[fuel]
tank_l = 50.0
unusable_l = 2.0
density_kg_per_l = 0.75
sample_l = 1.0
shortfall_risk = 0.005
effect_s_per_kg = { mean = 0.02, sd = 0.006 }
[tyres]
minimum_tread_mm = 1.6
hot_target_bar = { front = 2.1, rear = 2.0 }
cold_minimum_bar = 1.4
[[session]]
id = "P1"
kind = "practice"
start = "2026-05-16T09:00:00"
minutes = 30
planned_laps = 9
value = 0.0
[[session]]
id = "R1"
kind = "race"
start = "2026-05-17T10:00:00"
laps = 12
formation_laps = 1
cool_down_laps = 1
value = 1.0
[session.stops]
minimum = 1
first_lap = 3
last_lap = 9
stationary_s = 45.0
tyres = true
refuel = false
[session.caution]
chance_per_lap = 0.02
mean_laps = 3.0
lap_time_pct = 160.0
fuel_pct = 45.0
pit_loss_s = 18.0
[[limit]]
kind = "pool"
sessions = ["R1"]
most = 6
[[limit]]
kind = "minimum_tread"
mm = 1.6
confidence_pct = 90.0
[[limit]]
kind = "longest_life"
laps = 45
[log]
files = "*.csv"
time = { column = "Clock", unit = "s" }
speed = { column = "v", unit = "km/h" }
lap = { column = "n" }
"""
BELIEFS = """
[beliefs.lap_time]
drop_off_s_per_lap = { mean = 0.03, sd = 0.02 }
noise_s = { mean = 0.3, sd = 0.1 }
[beliefs.fuel_use]
use_l_per_lap = { mean = 1.4, sd = 0.2 }
[beliefs.tread]
reading_mm = { mean = 0.1, sd = 0.03 }
[beliefs.pressure]
"""
BOOK = {
    "tyres": "tyre_id,spec,new,marked,age_laps,distance_km,heat_cycles,tread_mm,axle,side,note\n"
    + "".join(f"N{i},control,1,1,,,,5.0,any,any,\n" for i in range(1, 6))
    + "U1,control,0,1,12,24.0,2,4.1,front,left,=cut?\n",
    "runs": "run_id,session,driver,start,fl,fr,rl,rr,fuel_start_kg,cold_fl_bar,log,note\n"
    'P1-1,P1,A,2026-05-16T09:01:00,N1,N2,N3,N4,12.5,1.6,run.csv,"a, b"\n',
    "laps": "run_id,lap,lap_time_s,kind,fuel_used_l,air_c,track_c,sector_1_s\n"
    "P1-1,1,80.1,out,,,,\nP1-1,2,70.42,timed,1.4,18,25,30.1\nP1-1,3,75.0,in,,,,\n",
    "tread": "taken_at,tyre_id,after_run,inner_mm,centre_mm,outer_mm\n"
    "2026-05-15T17:00:00,N1,,5.0,5.0,4.9\n2026-05-16T09:20:00,N1,P1-1,\"4,8\",4.9,4.8\n",
    "pressures": "taken_at,run_id,corner,hot_bar,after_laps\n2026-05-16T09:12:00,P1-1,FL,2.05,3\n",
    "temperatures": "taken_at,run_id,corner,inner_c,centre_c,outer_c\n"
    "2026-05-16T09:12:00,P1-1,FL,80,78,75\n",
    "fuel": "taken_at,run_id,kind,mass_kg,volume_l,fuel_c\n2026-05-16T08:30:00,P1-1,fill,,20.0,14\n"
    "2026-05-16T10:00:00,,drain,6.1,,15\n",
    "weather": "taken_at,air_c,track_c,pressure_hpa,humidity_pct,rain\n"
    "2026-05-16T09:00:00,14.0,20.0,1012,60,dry\n",
}  # fmt: skip
TIMING = (
    "Official laps\nsession,car,lap,lap_time_s,crossed_at,pit,flag,sector_1_s,published\n"
    + "".join(
        f"P1,7,{i},1:{9 + i % 3:02d}.{i}23,09:{2 + i:02d}:10.5,,green,30.{i},\n"
        for i in range(1, 5)
    )
).encode()


class Target(NamedTuple):
    """Valid files, how one is mutated, how it is read, and its share of all cases."""

    name: str
    share: float
    files: Sequence[bytes]
    read: Callable[[bytes, Place], object]
    mutate: Callable[[bytes, Sequence[bytes], Rng], bytes]


def by_bytes(data: bytes, others: Sequence[bytes], rng: Rng) -> bytes:
    """Flip, set, cut, drop, double, insert, splice with another file: one to eight times."""
    out = bytearray(data)
    for _ in range(int(rng.choice([1, 1, 2, 3, 8]))):
        at = int(rng.integers(0, max(len(out), 1)))
        how = int(rng.integers(0, 9))
        size = int(rng.choice([1, 2, 4, 8, 40, 300]))
        if how == 0 and out:
            out[at] ^= 1 << int(rng.integers(8))
        elif how == 1 and out:
            out[at] = int(rng.integers(256))
        elif how == 2:
            del out[at : None if rng.random() < 0.3 else at + size]
        elif how == 3:
            out[at:at] = out[at : at + size] * int(rng.choice([1, 2, 50]))
        elif how == 4:
            out[at:at] = TOKENS[int(rng.integers(len(TOKENS)))]
        elif how == 5:
            other = others[int(rng.integers(len(others)))]
            begin = int(rng.integers(0, len(other)))
            out[at : at + size] = other[begin : begin + size]
        elif how == 6:
            out[at : at + size] = bytes(size)
        else:
            form, value = (
                str(rng.choice(["<I", "<Q", "<H", ">I"])),
                NUMBERS[int(rng.integers(len(NUMBERS)))],
            )
            width = struct.calcsize(form)
            at -= at % width if rng.random() < 0.8 else 0
            if at + width <= len(out):
                struct.pack_into(form, out, at, value & (256**width - 1))
    return bytes(out[: 1 << 20])


def by_words(data: bytes, others: Sequence[bytes], rng: Rng) -> bytes:
    """Exchange, drop, repeat words and lines, put in nasty ones; now and then bytes as well."""
    if rng.random() < 0.25:
        return by_bytes(data, others, rng)
    for _ in range(int(rng.choice([1, 1, 1, 2, 4]))):
        spans = [m.span() for m in WORDS.finditer(data)] or [(0, len(data))]
        begin, end = spans[int(rng.integers(len(spans)))]
        how = int(rng.integers(0, 9))
        token = TOKENS[int(rng.integers(len(TOKENS)))]
        if how > 6 and data[begin:end].isdigit():
            data = data[:begin] + b"%d" % rng.integers(0, 10 ** min(end - begin, 18)) + data[end:]
        elif how <= 2 or how > 6:
            data = data[:begin] + token + data[end:]
        elif how == 3:
            a, b = spans[int(rng.integers(len(spans)))]
            data = data[:begin] + data[a:b] + data[end:]
        else:
            lines = data.split(b"\n")
            at, other = (int(i) for i in rng.integers(0, len(lines), 2))
            if how == 4:
                del lines[at]
            elif how == 5:
                lines[at:at] = [lines[other]] * int(rng.choice([1, 1, 300]))
            else:
                lines[at], lines[other] = lines[other], lines[at]
            data = b"\n".join(lines)
    return data[: 1 << 20]


def in_beliefs(data: bytes, others: Sequence[bytes], rng: Rng) -> bytes:
    """Mutate what is said of beliefs and lap times, the rest as it is."""
    at = data.index(b"[beliefs")
    return data[:at] + by_words(data[at:], [data[at:]], rng)


def in_parts(data: bytes, others: Sequence[bytes], rng: Rng) -> bytes:
    """Mutate a part of an archive, a text as words; at times the archive's own bytes."""
    if rng.random() < 0.3:
        return by_bytes(data, others, rng)
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        names = old.namelist()
        chosen = names[int(rng.integers(len(names)))]
        for name in names:
            part = old.read(name)
            new.writestr(name, by_words(part, [part], rng) if name == chosen else part)
    return out.getvalue()


def in_cells(data: bytes, others: Sequence[bytes], rng: Rng) -> bytes:
    """Mutate a book by SQL: cells, numbers of rows and saves; at times the file's own bytes."""
    if rng.random() < 0.5:
        return by_bytes(data, others, rng)
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        connection.deserialize(data)
        for (name,) in connection.execute(
            "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        ).fetchall():
            connection.execute(f'DROP TRIGGER "{name}"')
        connection.execute("PRAGMA ignore_check_constraints = ON")
        table = str(rng.choice(["entries", "entries", "entries", "saves", "files"]))
        columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
        rows = connection.execute(f"SELECT rowid, * FROM {table}").fetchall()
        if rows:
            row, at = rows[int(rng.integers(len(rows)))], int(rng.integers(len(columns)))
            value: object = row[at + 1]
            token = TOKENS[int(rng.integers(len(TOKENS)))]
            choice = int(rng.integers(6))
            if choice <= 2 and isinstance(value, str):
                value = by_words(value.encode(), [value.encode()], rng).decode("utf-8", "replace")
            elif choice == 3:
                value = token
            elif choice == 4:
                value = (None, -1, 2**62, 0.5, "x", '{"a": 1}', "[1]", "[" * 9999)[
                    int(rng.integers(8))
                ]
            else:
                value = rows[int(rng.integers(len(rows)))][int(rng.integers(len(columns))) + 1]
            with contextlib.suppress(sqlite3.Error):
                connection.execute(
                    f"UPDATE {table} SET {columns[at]} = ? WHERE rowid = ?", (value, row[0])
                )
            if rng.random() < 0.7:  # an attacker seals it again
                connection.execute("DELETE FROM seals")
                with contextlib.suppress(Exception):
                    seals.seal_new(connection)
        return bytes(connection.serialize())


def log_bytes() -> dict[str, list[bytes]]:
    """Return small valid logs by format."""
    rows = 120
    data = pd.DataFrame({
        "Clock": np.round(np.arange(rows) * 0.5, 2),
        "v": np.round(120 + 30 * np.sin(np.arange(rows) / 9), 2),
        "n": np.arange(rows) // 30 + 1, "t_fl (bar)": 1.7 + np.arange(rows) / 500,
    })  # fmt: skip
    table = pa.Table.from_pandas(data, preserve_index=False)
    text = data.to_csv(index=False)
    units = text.replace("\n", "\ns,km/h,,bar\n", 1)

    def arrow(write: Callable[[Any], None]) -> bytes:
        sink = pa.BufferOutputStream()
        write(sink)
        return bytes(sink.getvalue().to_pybytes())

    def as_file(sink: Any) -> None:
        with ipc.new_file(sink, table.schema) as writer:
            writer.write_table(table, max_chunksize=50)

    def as_feather(sink: Any) -> None:
        options = ipc.IpcWriteOptions(compression="lz4")
        with ipc.new_stream(sink, table.schema, options=options) as writer:
            writer.write_table(table)

    time_s = data["Clock"].to_numpy()
    columns = {n: (data[n].to_numpy(dtype=float), u) for n, u in (("v", "km/h"), ("n", ""))}
    slow = {"t": (np.arange(20.0), "bar")}
    groups = [(time_s, columns), (np.arange(20.0) * 3, slow)]
    summed: dict[str, Any] = {
        "compression": "zstd", "row_group_size": 50, "write_page_checksum": True
    }  # fmt: skip
    return {
        "csv": [text.encode(), units.replace(",", ";").encode(), units.encode("utf-16"),
                gzip.compress(text.encode(), mtime=0)],
        "parquet": [arrow(lambda s: parquet.write_table(table, s)),
                    arrow(lambda s: parquet.write_table(table, s, **summed))],
        "arrow": [arrow(as_file), arrow(as_feather)],
        "mdf": [mdf_bytes(groups), mdf_bytes(groups, zipped=40),
                mdf_bytes(groups, unfinished=True)],
    }  # fmt: skip


def workbook_bytes() -> bytes:
    """Return a start table as people keep it: titles, dates as numbers, a formula."""
    book = Workbook()
    book.remove(book.active)
    for name in ("tyres", "runs", "fuel"):
        sheet = book.create_sheet(name)
        for line in BOOK[name].replace('"a, b"', "a").replace("=cut", "cut").splitlines():
            sheet.append([float(c) if c.replace(".", "").isdigit() else c for c in line.split(",")])
    book.create_sheet("sessions").append(["id", "kind", "start", "minutes"])
    book["sessions"].append(
        ["P1", "practice", pd.Timestamp("2026-05-16T09:00").to_pydatetime(), 20]
    )
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def book_bytes() -> bytes:
    """Return the image of a book with typed rows, a correction and an undo in it."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_folder(folder)
        event = load_event(folder / "event.toml")
        book = intake.keep(intake.open_book(folder, event), folder)
        row = book.append(
            "weather", {"taken_at": "2026-05-16T09:30:00", "air_c": 15, "track_c": 22}, "A"
        )
        book.correct(row, {"air_c": 16}, "B")
        book.append("left_out", {"run_id": "P1-1", "lap": 2, "reason": "traffic"}, "A")
        book.undo("A")
        return (folder / intake.FILE_NAME).read_bytes()


def write_folder(folder: Path) -> None:
    """Write the small weekend's files anew."""
    (folder / "book").mkdir(parents=True, exist_ok=True)
    (folder / "logs").mkdir(exist_ok=True)
    (folder / "event.toml").write_text(EVENT, encoding="utf-8")
    for table, text in BOOK.items():
        (folder / "book" / f"{table}.csv").write_text(text, encoding="utf-8")


def _put(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(data)
    return path


def read_event(data: bytes, place: Place) -> object:
    return load_event(_put(place[0], "event.toml", data))


def read_beliefs(data: bytes, place: Place) -> object:
    return beliefs(load_event(_put(place[0], "event.toml", data)))


def read_timing_file(data: bytes, place: Place) -> object:
    return read_timing(_put(place[0], "timing/laps.csv", data), place[1])


def read_any_log(data: bytes, place: Place) -> object:
    path = _put(place[0], "logs/run.csv", data)
    if len(data) % 8 == 0:
        propose_mapping(path).toml()
    return read_log(path, place[1].log)


def read_tables(data: bytes, place: Place) -> object:
    tables = data.split(b"\f")  # one file for each table
    for name, text in zip(BOOK, tables, strict=False):
        _put(place[0], f"book/{name}.csv", text)
    return intake.open_book(place[0], place[1]).tables()


def read_workbook_file(data: bytes, place: Place) -> object:
    found = find_tables(_put(place[0], "start.xlsx", data))
    text, _ = event_text_from(found, template())
    return check(found, parse_event(text))


def read_book(data: bytes, place: Place) -> object:
    folder, event = place
    path = _put(folder, intake.FILE_NAME, data)
    book = intake.open_book(folder, event)
    book.tables(), book.digest(), book.last_typed()
    if isinstance(book.source, Path):
        for row in book.read("weather").index:
            book.history(int(row))
        Book(path, event).append(
            "weather", {"taken_at": "2026-05-16T11:00:00", "air_c": 9, "track_c": 9}, "F"
        )
        book.undo("F")
        book.export_csv(folder / "exported")
    return book


def read_weekend(data: bytes, place: Place) -> object:
    folder = place[0]
    event, *rest = data.split(b"\f")
    _put(folder, "event.toml", event)
    for name, text in zip(
        (*(f"book/{n}.csv" for n in BOOK), "timing/P1.csv", "logs/run.csv"), rest, strict=False
    ):
        _put(folder, name, text)
    return Weekend.open(folder)


def targets() -> list[Target]:
    """Return what is fuzzed, the cheap ones with more cases."""
    logs = log_bytes()
    event = EVENT.encode()
    tables = "\f".join(BOOK.values()).encode()
    with_beliefs = event + BELIEFS.encode()
    return [
        Target("event.toml", 0.11, [event, template().encode()], read_event, by_words),
        Target("beliefs", 0.04, [with_beliefs], read_beliefs, in_beliefs),
        Target("timing CSV", 0.22, [TIMING, TIMING.replace(b",", b";")], read_timing_file,
               by_words),
        Target("CSV log", 0.18, logs["csv"], read_any_log, by_words),
        Target("Parquet log", 0.17, logs["parquet"], read_any_log, by_bytes),
        Target("Arrow log", 0.17, logs["arrow"], read_any_log, by_bytes),
        Target("MDF log", 0.05, logs["mdf"], read_any_log, by_bytes),
        Target("book CSV", 0.02, [tables], read_tables, by_words),
        Target("book.sqlite", 0.02, [book_bytes()], read_book, in_cells),
        Target("XLSX", 0.015, [workbook_bytes()], read_workbook_file, in_parts),
        Target("weekend", 0.005, [b"\f".join([event, tables, TIMING, logs["csv"][0]])],
               read_weekend, by_words),
    ]  # fmt: skip


def case(target: Target, seed: int, number: int) -> bytes:
    """Return the file of one case."""
    rng = np.random.default_rng([seed, sum(target.name.encode()), number])
    return target.mutate(target.files[int(rng.integers(len(target.files)))], target.files, rng)


def tried(target: Target, data: bytes, place: Place) -> str:
    """Return "read", "refused", or what else came of it."""
    try:
        target.read(data, place)
    except InputError as error:
        return "refused" if str(error).strip() else "an error without words"
    except MemoryError:
        return "MemoryError"
    except BaseException as error:
        frames = [f for f in traceback.extract_tb(error.__traceback__) if "tyrekit" in f.filename]
        where = f"{Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else "?"
        return f"{type(error).__name__} at {where}: {str(error)[:150]}"
    return "read"


def child(name: str, seed: int, first: int, last: int, folder: Path) -> None:
    """Run cases of one target, each number written down before it is tried."""
    resource.setrlimit(resource.RLIMIT_DATA, (MEMORY, MEMORY))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    pa.set_cpu_count(1)
    warnings.simplefilter("ignore")
    target = next(t for t in targets() if t.name == name)
    counts = {"read": 0, "refused": 0}
    with (folder / "at").open("r+b") as file, mmap.mmap(file.fileno(), 8) as at:
        for number in range(first, last):
            struct.pack_into("<Q", at, 0, number)
            spot = folder / "w"
            if number == first or target.read in (read_tables, read_weekend, read_book):
                shutil.rmtree(spot, ignore_errors=True)
                write_folder(spot)
                event = parse_event(EVENT)
            said = tried(target, case(target, seed, number), (spot, event))
            if said in counts:
                counts[said] += 1
            else:
                print(json.dumps([number, said]), flush=True)
            if (number - first) % 50 == 49 or number == last - 1:
                print(json.dumps([counts["read"], counts["refused"], "so far"]), flush=True)
                counts = {"read": 0, "refused": 0}
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    print(json.dumps([peak, "peak"]), flush=True)


class Row(NamedTuple):
    """What came of one target's cases; `found` holds those that were neither read nor refused."""

    target: str
    cases: int
    read: int
    refused: int
    found: tuple[tuple[int, str], ...]
    peak_mb: int


def run(target: Target, cases: int, seed: int = SEED) -> Row:
    """Run a target's cases in children, going on behind a case that ended or stopped one."""
    read = refused = peak = 0
    found: list[tuple[int, str]] = []
    first = 0
    with tempfile.TemporaryDirectory(dir="/dev/shm" if os.path.isdir("/dev/shm") else None) as name:
        folder = Path(name)
        while first < cases:
            (folder / "at").write_bytes(struct.pack("<Q", first))
            with (folder / "said").open("w") as out, (folder / "errors").open("w") as errors:
                command = [
                    sys.executable,
                    __file__,
                    "--child",
                    target.name,
                    str(seed),
                    str(first),
                    str(cases),
                    name,
                ]
                code = _watched(subprocess.Popen(command, stdout=out, stderr=errors), folder / "at")
            for line in (folder / "said").read_text().splitlines():
                try:
                    words = json.loads(line)
                except ValueError:  # a library's own words, or a line that a crash cut off
                    continue
                if words[-1] == "so far":
                    read, refused = read + words[0], refused + words[1]
                elif words[-1] == "peak":
                    peak = max(peak, words[0])
                else:
                    found.append((words[0], words[1]))
            if code == 0:
                break
            at = struct.unpack("<Q", (folder / "at").read_bytes())[0]
            last = (folder / "errors").read_text().strip().splitlines()[-1:]
            found.append(
                (
                    at,
                    f"did not end in {STUCK_S:.0f} s"
                    if code is None
                    else f"child ended with {code} {last}",
                )
            )
            first = at + 1
    return Row(target.name, cases, read, refused, tuple(found), peak)


def _watched(process: subprocess.Popen[bytes], at: Path) -> int | None:
    """Wait for a child; end it and return None when it stays at one case for too long."""
    before, since = b"", time.monotonic()
    while True:
        try:
            return process.wait(1.0)
        except subprocess.TimeoutExpired:
            now = at.read_bytes()
            if now != before:
                before, since = now, time.monotonic()
            elif time.monotonic() - since > STUCK_S:
                process.kill()
                process.wait()
                return None


def rows(cases: int = CASES, seed: int = SEED, only: str = "") -> list[Row]:
    """Return a row of figures for each target."""
    chosen = [t for t in targets() if only in t.name]
    total = sum(t.share for t in chosen)
    done = []
    for target in chosen:
        done.append(run(target, max(1, round(cases * target.share / total)), seed))
        print(line(done[-1]), flush=True)
    return done


def line(row: Row) -> str:
    """Return a row for the table, and below it what was found."""
    text = f"{row.target:12} {row.cases:8,} {row.refused:9,} {row.read:8,}"
    text += f" {len(row.found):6} {row.peak_mb:6}"
    return "\n".join([text, *(f"    {number}: {words}" for number, words in row.found[:40])])


def main(arguments: Sequence[str]) -> int:
    if arguments[:1] == ["--child"]:
        child(arguments[1], *(int(n) for n in arguments[2:5]), folder=Path(arguments[5]))  # type: ignore[misc]
        return 0
    if arguments[:1] == ["--show"]:
        target = next(t for t in targets() if t.name == arguments[1])
        sys.stdout.buffer.write(case(target, int(arguments[2]), int(arguments[3])))
        return 0
    cases = int(arguments[0]) if arguments else CASES
    print(
        f"{'target':12} {'cases':>8} {'refused':>9} {'read':>8} {'other':>6} {'MB':>6}", flush=True
    )
    done = rows(cases, int(arguments[1]) if len(arguments) > 1 else SEED, *arguments[2:3])
    print(f"{'all':12} {sum(r.cases for r in done):8,} {sum(r.refused for r in done):9,}"
          f" {sum(r.read for r in done):8,} {sum(len(r.found) for r in done):6}")  # fmt: skip
    return int(any(row.found for row in done))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
