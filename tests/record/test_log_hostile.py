"""Files that no logger wrote: each is answered by a `LogError` in bounded time and memory.

All of them are read in one process of their own that may hold `LIMIT` bytes of data.
"""

import gzip
import json
import os
import subprocess
import sys
import zlib

import numpy as np
import pyarrow as pa
import pyarrow.parquet as parquet
import pytest
from written_mdf import Writer, mdf_bytes, zip_block

from tyrekit.errors import LogError
from tyrekit.record.event import Log
from tyrekit.record.logs import read_log
from tyrekit.record.running import log_path

LIMIT = 900 << 20  # data of the whole process, the packages it loads and its threads included
SLOWEST_S = 60.0  # on a busy machine; alone the slowest takes about 4 s
READER = """
import json, resource, sys, time
from pathlib import Path
from tyrekit.errors import LogError
from tyrekit.record.event import Log
from tyrekit.record.logs import read_log
limit, names = int(sys.argv[1]), sys.argv[2:]
resource.setrlimit(resource.RLIMIT_DATA, (limit, limit))
log = Log.model_validate({"speed": {"column": "v"}})
said = {}
for name in names:
    begun = time.monotonic()
    try:
        words = f"rows {len(read_log(Path(name), log).channels)}"
    except LogError as error:
        words = str(error)
    said[Path(name).name] = (words, time.monotonic() - begun)
print(json.dumps(said))
"""
HEADER = b"time_s,v\n"


def zeros_5_gb():
    """One gzip member (RFC1952) of 5 GB of zeros, made from 16 MB packed once."""
    packer = zlib.compressobj(9, wbits=-15)
    piece = packer.compress(bytes(1 << 24)) + packer.flush(zlib.Z_FULL_FLUSH)
    return b"\x1f\x8b\x08" + bytes(7) + piece * 320


def lines_5_gb():
    """The same of a header and then lines of 1 KB that never end, 5 GB of them."""
    line = b"0.5," + b"1" * 1019 + b"\n"
    packer = zlib.compressobj(9, wbits=-15)
    first = packer.compress(HEADER) + packer.flush(zlib.Z_FULL_FLUSH)
    piece = packer.compress(line * (1 << 14)) + packer.flush(zlib.Z_FULL_FLUSH)
    return b"\x1f\x8b\x08" + bytes(7) + first + piece * 320


def rows_that_never_end(path):
    """A small Parquet file of 69 million rows: every page says "the same again"."""
    table = pa.table({"time_s": np.zeros(1 << 21), "v": np.zeros(1 << 21)})
    with parquet.ParquetWriter(path, table.schema, compression="zstd") as writer:
        for _ in range(33):
            writer.write_table(table)


def packed_mdf():
    """An MDF file whose 40 packed blocks unpack to 32 MB each."""
    data = mdf_bytes([(np.arange(40.0), {"v": (np.arange(40.0), "m/s")})], zipped=1)
    out = Writer()
    out.data = bytearray(data)
    block = zip_block(out, bytes(1 << 25))
    size = len(out.data) - block
    for i in range(40):
        if i:
            out.data += bytes(-len(out.data) % 8)
            start = len(out.data)
            out.data += out.data[block : block + size]
        out.link(data.index(b"##DL"), 1 + i, start if i else block)
    return bytes(out.data)


FILES = {
    "nothing.csv": (b"", "rows 0"),
    "nuls.csv": (bytes(1 << 20), "rows 0"),
    "nuls_inside.csv": (HEADER + b"0.0,1\n0.1,2\n" + bytes(1 << 20), "rows 2"),
    "nuls_between.csv": (HEADER + b"0.0,1\n" * 2000 + bytes(1 << 22) + b"\n0.1,2\n", "rows 2"),
    "bomb.csv.gz": (zeros_5_gb, "first 64 MB hold nothing"),
    "lines.csv.gz": (lines_5_gb, "too large"),
    "one_line.csv": (lambda: b"1," * (100 << 20), "first lines are too long"),
    "long_line.csv": (
        lambda: HEADER + b"0.0,1\n" * 10**5 + b"1," * (100 << 20), "line of the file is too long"
    ),
    "columns.csv": (
        lambda: b",".join(b"c%d" % i for i in range(10**6)) + b"\n" + b"1," * 10**6 + b"\n",
        "first lines are too long",
    ),
    "wide.csv": (
        lambda: (b",".join(b"c%d" % i for i in range(20000)) + b"\n" + b"1," * 19999 + b"1\n") * 9,
        "20000 columns|too long",
    ),
    "quotes.csv": (lambda: HEADER + b'"' * (1 << 20) + b"\n" + b'""""' * (1 << 20), "too long"),
    "nested.csv": (lambda: HEADER + (b'0.1,"a ""b ""c"" "" "' * 5 + b"\n") * 10**5, "rows 0"),
    "brackets.csv": (lambda: b"time_s," + b"(" * 10**5 + b"\n0.1,2\n0.2,3\n", "no column 'v'"),
    "wide.parquet": (
        lambda: parquet_bytes(pa.table({f"c{i}": [1.0] for i in range(10_001)})), "10001 columns"
    ),
    "absurd.parquet": (
        lambda: parquet_bytes(pa.table({"time_s": [0.0]}))[:-8] + b"\xff\xff\xff\x7fPAR1",
        "Parquet file cannot be read",
    ),
    "absurd.arrow": (b"ARROW1\0\0\xff\xff\xff\xff\xff\xff\xff\x7f" + bytes(99), "Arrow file"),
    "circle.mf4": (lambda: circle(), "runs in a circle"),
    "packed.mf4": (packed_mdf, "too large"),
    "words.csv": (b"Once upon a time\nthere was a car.\n" * 5000, "no table of numbers"),
    "picture.csv": (b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 900, "binary|no table"),
}  # fmt: skip


def parquet_bytes(table):
    sink = pa.BufferOutputStream()
    parquet.write_table(table, sink)
    return sink.getvalue().to_pybytes()


def circle():
    data = bytearray(mdf_bytes([(np.arange(9.0), {"v": (np.arange(9.0), "m/s")})]))
    group = data.index(b"##CN")
    data[group + 24 : group + 32] = group.to_bytes(8, "little")
    return bytes(data)


@pytest.fixture(scope="module")
def said(tmp_path_factory):
    """What reading each file said, and how long it took, s."""
    folder = tmp_path_factory.mktemp("hostile")
    for name, (data, _) in FILES.items():
        (folder / name).write_bytes(data() if callable(data) else data)
    rows_that_never_end(folder / "rows.parquet")
    os.mkfifo(folder / "pipe.csv")
    (folder / "folder.csv").mkdir()
    (folder / "device.csv").symlink_to("/dev/zero")
    names = [str(path) for path in sorted(folder.iterdir())]
    done = subprocess.run(
        [sys.executable, "-c", READER, str(LIMIT), *names],
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    return json.loads(done.stdout)


@pytest.mark.parametrize("name", FILES)
def test_a_hostile_file_is_answered(said, name):
    words, seconds = said[name]
    assert any(part in words for part in FILES[name][1].split("|")), words[:300]
    assert seconds < SLOWEST_S
    assert words.startswith("rows") or (f"logs/{name}: " in words and words.endswith("."))


@pytest.mark.parametrize("name", ["pipe.csv", "folder.csv", "device.csv"])
def test_what_is_no_file(said, name):
    assert said[name][0].startswith(f"logs/{name}: this is not a file. Put the log's file itself")


def test_more_rows_than_any_log_has(said):
    assert "the log is too large" in said["rows.parquet"][0]
    assert "134 million values" in said["rows.parquet"][0]


def test_a_link_out_of_the_folder(tmp_path):
    outside = tmp_path / "outside.csv"
    outside.write_bytes(HEADER + b"0.0,1\n")
    logs = tmp_path / "weekend" / "logs"
    logs.mkdir(parents=True)
    (logs / "link.csv").symlink_to(outside)
    (logs / "loop.csv").symlink_to(logs / "loop.csv")
    for name in ("link.csv", "../../outside.csv", str(outside)):
        with pytest.raises(LogError, match="not a link out of it"):
            log_path(tmp_path / "weekend", name)
    with pytest.raises(LogError):
        read_log(log_path(tmp_path / "weekend", "loop.csv"), Log())


def test_a_bomb_of_bombs_is_unpacked_once(tmp_path):
    inner = gzip.compress(bytes(1 << 20))
    (tmp_path / "twice.gz").write_bytes(gzip.compress(inner))
    with pytest.raises(LogError, match=r"no table|binary"):
        read_log(tmp_path / "twice.gz", Log())


def test_long_names_stay_out_of_the_message(tmp_path):
    (tmp_path / "names.csv").write_bytes(b"a" * 9999 + b",b\n0.1,2\n0.2,3\n")
    with pytest.raises(LogError, match="no column is time_s") as caught:
        read_log(tmp_path / "names.csv", Log())
    assert len(str(caught.value)) < 1000
