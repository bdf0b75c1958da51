"""Parquet, Arrow and Feather: written by pyarrow, their reference library."""

import gzip

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.feather as feather
import pyarrow.ipc as ipc
import pyarrow.parquet as parquet
import pytest

from tyrekit.errors import LogError
from tyrekit.record.event import Log
from tyrekit.record.logs import read_log

ROWS, STEP_S = 1000, 0.05
TIME_S = np.arange(ROWS) * STEP_S
LOG = {"time": {"column": "Time"}, "speed": {"column": "v", "unit": "km/h"}}


def table(time=TIME_S, **columns):
    return pa.table({"Time": time, "v": 100.0 + np.arange(ROWS), **columns})


def as_parquet(data, sink, **kwargs):
    parquet.write_table(data, sink, row_group_size=250, **kwargs)


def as_file(data, sink, **kwargs):
    with ipc.new_file(sink, data.schema, **kwargs) as writer:
        writer.write_table(data, max_chunksize=250)


def as_stream(data, sink, **kwargs):
    with ipc.new_stream(sink, data.schema, **kwargs) as writer:
        writer.write_table(data, max_chunksize=250)


def as_feather(data, sink, **kwargs):
    feather.write_feather(data, sink, compression="zstd", **kwargs)


WRITERS = {"Parquet": as_parquet, "Arrow": as_file, "stream": as_stream, "Feather": as_feather}


def written(write, data, **kwargs):
    sink = pa.BufferOutputStream()
    write(data, sink, **kwargs)
    return sink.getvalue().to_pybytes()


@pytest.fixture
def read(tmp_path):
    def from_bytes(data, wanted=None, **mapping):
        (tmp_path / "log.csv").write_bytes(data)
        log = Log.model_validate({**LOG, **mapping})
        return read_log(tmp_path / "log.csv", log, *([wanted] if wanted else []))

    return from_bytes


def assert_whole(log, rows=ROWS):
    # closed form: km/h / 3.6
    assert log.channels["time_s"].to_numpy() == pytest.approx(TIME_S[:rows], abs=1e-6)
    assert log.channels["speed_mps"].to_numpy() == pytest.approx((100 + np.arange(rows)) / 3.6)


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize("kind", WRITERS)
def test_every_kind_by_its_content(read, kind, packed):
    data = written(WRITERS[kind], table())
    log = read(gzip.compress(data) if packed else data)
    assert_whole(log)
    assert log.notes[0] == f"log read as {'Parquet' if kind == 'Parquet' else 'Arrow'}" + (
        ", gzipped" if packed else ""
    )
    assert not log.cut_off and log.lost_rows == 0


@pytest.mark.parametrize("kind", WRITERS)
@pytest.mark.parametrize(
    ("time", "first_s"),
    [
        (pd.to_datetime("2026-05-16T09:00:00Z") + pd.to_timedelta(TIME_S, unit="s"), 1778922000.0),
        (pd.to_timedelta(TIME_S, unit="s"), 0.0),
        (pa.array(np.round(TIME_S * 1e3).astype(np.int64)).cast(pa.duration("ms")), 0.0),
        (pa.array(np.round(TIME_S * 1e3 + 3.6e6).astype(np.int32)).cast(pa.time32("ms")), 3600.0),
        (
            pa.array(np.round(TIME_S * 1e6).astype(np.int64)).cast(pa.timestamp("us")),
            0.0,
        ),
    ],
    ids=["timestamps", "durations", "duration ms", "time of day", "us"],
)
def test_clock_columns_are_seconds(read, kind, time, first_s):
    # from memory: 2026-05-16T09:00:00Z is 1778922000 s after 1970; checked against datetime
    log = read(
        written(WRITERS[kind], table(time)), time={"column": "Time", "unit": "ms"}
    )  # a unit means nothing for a clock
    assert log.channels["time_s"].to_numpy() == pytest.approx(first_s + TIME_S, abs=1e-5)
    assert any("the unit 'ms' given for it is not used" in note for note in log.notes)


def test_milliseconds_by_the_unit_given(read):
    whole = np.round(TIME_S * 1000).astype(np.int64)
    assert_whole(read(written(as_parquet, table(whole)), time={"column": "Time", "unit": "ms"}))
    renamed = table(whole).rename_columns(["Time [ms]", "v"])
    assert_whole(read(written(as_parquet, renamed)))


@pytest.mark.parametrize(
    "values",
    [
        pa.array((100 + np.arange(ROWS)).astype(np.int16)),
        pa.array((100 + np.arange(ROWS)).astype(np.float32)),
        pa.array([str(100 + i) for i in range(ROWS)]),
        pa.array([str(100 + i) for i in range(ROWS)]).dictionary_encode(),
        pa.array(range(100, 100 + ROWS)).cast(pa.decimal128(30, 2)),
        pa.array([str(100 + i) for i in range(ROWS)], pa.large_string()),
    ],
    ids=["int16", "float32", "text", "dictionary", "decimal", "large text"],
)
@pytest.mark.parametrize("kind", WRITERS)
def test_numbers_of_every_type(read, kind, values):
    assert_whole(read(written(WRITERS[kind], table().set_column(1, "v", values))))


def test_nothing_is_nan_and_truth_is_one(read):
    data = table(beacon=pa.array([True, False] * 500), lap=pa.array([1, None] * 500))
    log = read(written(as_file, data))
    assert log.channels["beacon"].tolist() == [1.0, 0.0] * 500
    assert log.channels["lap"].isna().sum() == 500


def test_lists_hold_no_numbers(read):
    data = table(lap=pa.array([[1.0]] * ROWS))
    with pytest.raises(LogError, match="holds no numbers"):
        read(written(as_parquet, data))


def test_only_the_wanted_columns_are_read(read):
    data = table(other=pa.array([[1.0]] * ROWS))  # would be refused
    assert_whole(read(written(as_parquet, data)))


@pytest.mark.parametrize("kind", ["Arrow", "stream"])
def test_complete_batches_of_a_cut_file(read, kind):
    data = written(WRITERS[kind], table())
    for share in (0.3, 0.6, 0.9):
        log = read(data[: int(share * len(data))])
        rows = len(log.channels)
        assert rows % 250 == 0 and log.cut_off
        assert_whole(log, rows)
        if rows:
            assert any("of up to 250 rows, 12.50 s" in n for n in log.notes)


def test_a_cut_parquet_file_has_lost_its_index(read):
    data = written(as_parquet, table())
    for end in (len(data) - 1, len(data) // 2, 5):
        with pytest.raises(LogError, match="the Parquet file cannot be read") as caught:
            read(data[:end])
        assert "Copy the file from the logger again" in str(caught.value)
    with pytest.raises(LogError, match="gzip stream ends too early, and Parquet needs all of it"):
        read(gzip.compress(data)[:-900])


def test_a_page_whose_check_sum_is_wrong(read):
    data = bytearray(written(as_parquet, table(), write_page_checksum=True, compression="none"))
    data[3000] ^= 1
    with pytest.raises(LogError, match="Parquet file is damaged"):
        read(bytes(data))


def test_feather_of_version_1_is_named(read):
    with pytest.raises(LogError, match="this is a Feather file of version 1"):
        read(b"FEA1" + bytes(100))
