"""Valid logs of every format damaged at random: never a traceback, never silently other laps.

What is held: a damaged file is refused with a `LogError`, or it is read and either something is
said of it (rows lost, passed over or out of order, a gap, a cut, another note, a unit that
disagrees), or every row it gives is a row of the whole file and every lap ended by a crossing has
the time it had, to 1 ms. What no reader can see is left out of the claim: a digit changed in a
value that stays a number (text), bytes changed within the values of a file without check sums
(Arrow, Parquet, MDF), and rows that are cut off exactly at a line's end.

`TYREKIT_DAMAGE=20000 pytest tests/record/test_log_damage.py` tries more, at random.
"""

import gzip
import io
import os

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.ipc as ipc
import pyarrow.parquet as parquet
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from written_mdf import mdf_bytes

from tyrekit.errors import LogError
from tyrekit.record.event import Log
from tyrekit.record.logs import read_log

MORE = int(os.environ.get("TYREKIT_DAMAGE", "0"))
LOG = Log.model_validate(
    {
        "time": {"column": "Clock", "unit": "s"},
        "speed": {"column": "v", "unit": "km/h"},
        "lap": {"column": "n"},
    }
)
ROWS, STEP_S, LAP_ROWS = 400, 0.1, 80
DATA = pd.DataFrame(
    {
        "Clock": np.round(np.arange(ROWS) * STEP_S, 2),
        "v": np.round(120 + 30 * np.sin(np.arange(ROWS) / 9), 2),
        "x": np.arange(ROWS) % 7 + 0.5,
        "n": np.arange(ROWS) // LAP_ROWS + 1,
    }
)


def text(sep=",", decimal="."):
    rows = DATA.to_csv(index=False, sep=sep, decimal=decimal, float_format="%.2f").split("\n", 1)
    units = sep.join(("s", "km/h", "", ""))
    return f"Made up\n\n{rows[0]}\n{units}\n{rows[1]}".encode()


def arrow(write):
    sink = pa.BufferOutputStream()
    table = pa.Table.from_pandas(DATA, preserve_index=False)
    write(table, sink)
    return sink.getvalue().to_pybytes()


def as_file(table, sink):
    with ipc.new_file(sink, table.schema) as writer:
        writer.write_table(table, max_chunksize=100)


def as_mdf(zipped):
    time_s = DATA["Clock"].to_numpy()
    names = {"v": "km/h", "x": "", "n": ""}
    columns = {name: (DATA[name].to_numpy(dtype=float), unit) for name, unit in names.items()}
    return mdf_bytes([(time_s, columns)], zipped=zipped)


FILES = {
    "comma": text(),
    "semicolon": text(";", ","),
    "tab": text("\t"),
    "utf-16": text("|").decode().encode("utf-16"),
    "gzip": gzip.compress(text(), mtime=0),
    "parquet": arrow(parquet.write_table),
    "arrow": arrow(as_file),
    "mdf": as_mdf(0),
    "packed mdf": as_mdf(100),
}
LINES = ("comma", "semicolon", "tab")

byte_damage = st.tuples(
    st.sampled_from(["cut", "drop", "byte", "insert", "double"]),
    st.floats(0, 1),
    st.binary(min_size=1, max_size=6),
)
line_damage = st.tuples(
    st.sampled_from(["remove", "repeat", "again", "swap marks", "swap rows", "words", "stamp"]),
    st.floats(0, 1),
    st.integers(1, 9),
)


def by_bytes(data, how, share, extra):
    at = int(share * (len(data) - 1))
    if how == "cut":
        return data[:at]
    if how == "drop":
        return data[:at] + data[at + 40 :]
    if how == "byte":
        return data[:at] + extra[:1] + data[at + 1 :]
    if how == "insert":
        return data[:at] + extra + data[at:]
    return data[:at] + data[at // 2 :]


def by_lines(data, how, share, size):
    lines = data.split(b"\n")
    at = 4 + int(share * (len(lines) - 6))
    some = lines[at : at + size]
    mark = next(m for m in (b";", b"\t", b",") if m in lines[2])
    if how == "remove":
        del lines[at : at + size]
    elif how == "repeat":
        lines[at:at] = some
    elif how == "again":  # header and units once more, as some loggers write them
        lines[at:at] = lines[2:4]
    elif how == "swap marks":
        lines[at] = lines[at].replace(mark, b"|", size)
    elif how == "swap rows":
        lines[at : at + size] = some[::-1]
    elif how == "words":
        lines[at] = lines[at].replace(b"1", b"one", 1)
    else:
        cell, found, rest = lines[at].partition(mark)
        lines[at] = b"9" * (size % 3 + 1) + cell[size % 3 :] + found + rest
    return b"\n".join(lines)


def examples(few):
    return settings(
        max_examples=max(few, MORE), deadline=None, derandomize=not MORE,
        suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
    )  # fmt: skip


@pytest.fixture
def read(tmp_path):
    def from_bytes(data):
        (tmp_path / "run.log").write_bytes(data)
        return read_log(tmp_path / "run.log", LOG)

    return from_bytes


def crossings_s(log):
    """Times of the first sample of each lap, by the counter."""
    lap = log.channels["lap"].to_numpy()
    return log.channels["time_s"].to_numpy()[1:][np.diff(lap) > 0]


WHOLE_S = np.arange(LAP_ROWS, ROWS, LAP_ROWS) * STEP_S


def said(log):
    notes = [note for note in log.notes[1:] if not note.startswith("time is a clock")]
    return bool(log.lost_rows or log.backward_rows or log.cut_off or notes or log.disagreements)


def assert_sound(log):
    time_s = log.channels["time_s"].to_numpy()
    assert np.all(np.diff(time_s) > 0) and np.isfinite(time_s).all()
    assert not any(np.isinf(log.channels[name]).any() for name in log.channels)


def assert_not_silent(log):
    assert_sound(log)
    if said(log) or not len(log.channels):
        return
    found = crossings_s(log)
    assert found == pytest.approx(WHOLE_S[: len(found)], abs=1e-3)
    kept = np.round(log.channels["time_s"].to_numpy() / STEP_S).astype(int)
    expected = DATA["v"].to_numpy()[kept] / 3.6
    assert log.channels["speed_mps"].to_numpy() == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("name", FILES)
def test_the_whole_file_says_nothing(read, name):
    log = read(FILES[name])
    assert len(log.channels) == ROWS and not said(log)
    assert_not_silent(log)
    assert crossings_s(log) == pytest.approx(WHOLE_S)


@pytest.mark.parametrize("name", FILES)
def test_any_damage_is_answered(tmp_path, read, name):
    @examples(25)
    @given(st.lists(byte_damage, min_size=1, max_size=4))
    def tried(steps):
        data = FILES[name]
        for step in steps:
            data = by_bytes(data, *step)
        try:
            log = read(data)
        except LogError as error:
            assert str(error).startswith("logs/run.log: ") and error.next_step
            return
        assert_sound(log)

    tried()


@pytest.mark.parametrize("name", LINES)
def test_damaged_lines_are_never_silent(read, name):
    @examples(40)
    @given(st.lists(line_damage, min_size=1, max_size=3))
    def tried(steps):
        data = FILES[name]
        for step in steps:
            data = by_lines(data, *step)
        try:
            log = read(data)
        except LogError:
            return
        assert_not_silent(log)

    tried()


@pytest.mark.parametrize("name", FILES)
def test_a_cut_anywhere_is_never_silent(read, name):
    data = FILES[name]

    @examples(25)
    @given(st.integers(1, len(data) - 1))
    def tried(end):
        try:
            log = read(data[:end])
        except LogError:
            return
        at_line_end = name in LINES and data[end - 1 : end + 1].find(b"\n") >= 0
        assert said(log) or at_line_end or len(log.channels) == 0 or name == "utf-16"
        assert_not_silent(log)

    tried()


@pytest.mark.parametrize("name", ["gzip", "packed mdf"])
def test_a_changed_byte_under_a_check_sum_is_never_silent(read, name):
    data = FILES[name]
    start = 12 if name == "gzip" else data.index(b"##DZ")

    @examples(40)
    @given(st.integers(start, len(data) - 1), st.integers(1, 255))
    def tried(at, change):
        changed = bytearray(data)
        changed[at] ^= change
        try:
            log = read(bytes(changed))
        except LogError:
            return
        assert_not_silent(log)

    tried()


def test_a_changed_digit_of_a_time_stamp_is_never_silent(read):
    lines = text().split(b"\n")

    @examples(60)
    @given(st.integers(4, len(lines) - 2), st.integers(0, 4), st.sampled_from(b"0123456789.-e"))
    def tried(row, place, new):
        changed = list(lines)
        cell, rest = changed[row].split(b",", 1)
        place = min(place, len(cell) - 1)
        if cell[place] == new:
            return
        changed[row] = cell[:place] + bytes([new]) + cell[place + 1 :] + b"," + rest
        log = read(b"\n".join(changed))
        assert_sound(log)
        found = crossings_s(log)
        same = len(found) == len(WHOLE_S) and np.abs(found - WHOLE_S).max() < 1e-3
        assert same or said(log)

    tried()


def test_a_cut_keeps_every_complete_row_and_no_other(read):
    data = text()
    for end in range(60, len(data), 137):
        log = read(data[:end])
        whole = max(0, data[:end].count(b"\n") - 4)
        rows = len(log.channels)
        # the last row may have all its cells and lack only the line's end
        assert rows in (whole, whole + 1)
        speed = DATA["v"].to_numpy()[:rows] / 3.6 if rows else []
        assert log.channels.get("speed_mps", pd.Series(dtype=float)).to_numpy() == pytest.approx(
            speed
        )
        assert log.cut_off == (data[end - 1] != 10 and rows == whole) or rows == 0


def test_pandas_reads_the_same_values(read):
    # other package: pandas.read_csv on what it can be told about each variant
    for name, sep, decimal in (("comma", ",", "."), ("semicolon", ";", ","), ("tab", "\t", ".")):
        frame = pd.read_csv(io.BytesIO(FILES[name]), sep=sep, decimal=decimal, skiprows=[0, 1, 3])
        log = read(FILES[name])
        assert log.channels["time_s"].to_numpy() == pytest.approx(frame["Clock"], abs=0)
        assert log.channels["lap"].to_numpy() == pytest.approx(frame["n"], abs=0)
        assert log.channels["speed_mps"].to_numpy() == pytest.approx(frame["v"] / 3.6, rel=1e-15)
