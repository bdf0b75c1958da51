"""ASAM MDF 4: written by asammdf (the reference package) and byte by byte, read back by channel."""

import gzip
import io
import sys

import numpy as np
import pytest
from asammdf import MDF, Signal
from asammdf.blocks.conversion_utils import from_dict
from written_mdf import Writer, block, mdf_bytes, zip_block

from tyrekit.errors import LogError
from tyrekit.record.event import Log
from tyrekit.record.logs import read_log

MAPPING = {
    "time": {"column": "Zeit", "unit": "ms"},  # of another export of the same logger
    "speed": {"column": "Velocity"},
    "air_c": {"column": "Ambient"},
    "gear": {"column": "Gear"},
    "lap": {"column": "Lap"},
    "latitude": {"column": "Lat"},
}


def mapped(*keys):
    return Log.model_validate({key: MAPPING[key] for key in ("time", *keys)})


LOG = mapped(*MAPPING)
FEW = mapped("speed", "lap", "air_c")
FAST_S, SLOW_S = np.arange(2000) / 50, np.arange(400) / 10


def fast():
    """Speed 90 + t km/h and a gear that changes every 8 s, at 50 Hz."""
    return [
        Signal(90 + FAST_S, FAST_S, name="Velocity", unit="km/h"),
        Signal((FAST_S // 8).astype(np.uint8), FAST_S, name="Gear"),
        Signal(np.full(2000, 9.0), FAST_S, name="Other", unit="V"),
    ]


def slow(offset_s=0.0):
    """Position, a lap counter and air 20 + t / 10 degF, at 10 Hz on a clock of their own."""
    time_s = SLOW_S + offset_s
    return [
        Signal(52 + time_s / 1000, time_s, name="Lat", unit="deg"),
        Signal((time_s // 10).astype(np.int16), time_s, name="Lap"),
        Signal(68 + time_s / 10, time_s, name="Ambient", unit="degF"),
    ]


@pytest.fixture
def write(tmp_path):
    def as_log(groups, name="run.mf4", version="4.10", compression=0, packed=False, **kwargs):
        file = MDF(version=version)
        for group in groups:
            file.append(group, **kwargs)
        stream = io.BytesIO()
        file.save(stream, compression=compression)
        file.close()
        data = stream.getvalue()
        (tmp_path / name).write_bytes(gzip.compress(data) if packed else data)
        return tmp_path / name

    return as_log


def assert_both_clocks(log):
    # closed form: km/h / 3.6, (degF - 32) / 1.8; the base is the 50 Hz clock
    channels = log.channels
    time_s = channels["time_s"].to_numpy()
    assert time_s == pytest.approx(FAST_S, abs=1e-12)
    assert channels["speed_mps"].to_numpy() == pytest.approx((90 + FAST_S) / 3.6)
    assert channels["gear"].to_numpy() == pytest.approx(FAST_S // 8)
    inside = time_s <= SLOW_S[-1]
    air = channels["air_c"].to_numpy()
    assert air[inside] == pytest.approx((36 + time_s[inside] / 10) / 1.8)
    assert np.isnan(air[~inside]).all()  # nothing is known after its last sample
    given = np.isin(np.round(time_s, 6), np.round(SLOW_S, 6))
    assert channels["lap"].notna().to_numpy().tolist() == given.tolist()
    assert channels["latitude_deg"][given].to_numpy() == pytest.approx(52 + SLOW_S / 1000)


@pytest.mark.parametrize("version", ["4.00", "4.10", "4.20"])
@pytest.mark.parametrize("compression", [0, 1, 2])
def test_two_clocks_on_one_time_base(write, version, compression):
    log = read_log(write([fast(), slow()], version=version, compression=compression), LOG)
    assert_both_clocks(log)
    assert log.notes[0] == f"log read as ASAM MDF {version}"
    assert any("fastest channel's clock" in note for note in log.notes)
    assert any("unit 'ms' given for it is not used" in note for note in log.notes)
    assert not log.cut_off and log.lost_rows == 0


@pytest.mark.parametrize("name", ["run.csv", "run", "run.mf4.gz"])
def test_told_by_content_and_gzipped(write, name):
    log = read_log(write([fast(), slow()], name=name, packed=True), LOG)
    assert_both_clocks(log)
    assert "gzipped" in log.notes[0]


def test_the_slow_group_first_changes_nothing(write):
    assert_both_clocks(read_log(write([slow(), fast()]), LOG))


def test_stamps_between_those_of_the_base_are_kept_for_positions(write):
    log = read_log(write([fast(), slow(0.007)]), LOG)
    given = log.channels["latitude_deg"].notna()
    assert log.channels["time_s"][given].to_numpy() == pytest.approx(SLOW_S + 0.007)
    assert given.sum() == 400 and len(log.channels) == 2400
    assert log.channels["speed_mps"].to_numpy()[1:-1] == pytest.approx(
        (90 + log.channels["time_s"].to_numpy()[1:-1]) / 3.6
    )


def test_only_wanted_channels_set_the_base(write):
    log = read_log(write([fast(), slow()]), LOG, wanted=("lap", "latitude_deg"))
    assert log.channels["time_s"].to_numpy() == pytest.approx(SLOW_S)
    assert list(log.channels) == ["time_s", "lap", "latitude_deg"]


def test_a_conversion_of_the_file_is_applied(write):
    raw = Signal(
        np.round(100 * FAST_S).astype(np.int32), FAST_S, name="Velocity", unit="m/s",
        conversion=from_dict({"a": 0.01, "b": 5.0}),
    )  # fmt: skip
    log = read_log(write([[raw]]), mapped("speed"))
    assert log.channels["speed_mps"].to_numpy() == pytest.approx(5 + FAST_S)


def test_a_state_with_words_keeps_its_number(write):
    states = from_dict({"val_0": 0, "text_0": "neutral", "val_1": 1, "text_1": "first"})
    gear = Signal((FAST_S // 20).astype(np.uint8), FAST_S, name="Gear", conversion=states)
    log = read_log(write([[gear]]), mapped("gear"))
    assert log.channels["gear"].to_numpy() == pytest.approx(FAST_S // 20)


def test_samples_marked_invalid_are_gaps(write):
    bits = (FAST_S > 10) & (FAST_S < 12)
    signal = Signal(90 + FAST_S, FAST_S, name="Velocity", unit="km/h", invalidation_bits=bits)
    log = read_log(write([[signal, fast()[2]]]), mapped("speed"))
    assert log.channels["speed_mps"].isna().to_numpy().tolist() == bits.tolist()


def test_a_name_that_occurs_twice_is_said(write):
    other = [Signal(np.zeros(400), SLOW_S, name="Velocity", unit="km/h")]
    log = read_log(write([other, fast()]), mapped("speed"))
    assert log.channels["speed_mps"].to_numpy() == pytest.approx((90 + FAST_S) / 3.6)
    assert any("'Velocity' occurs 2 times" in note for note in log.notes)


def test_text_and_columns_that_are_not_there(write):
    words = Signal(np.array([b"ab"] * 2000), FAST_S, name="Words", encoding="utf-8")
    path = write([[*fast(), words]])
    with pytest.raises(LogError, match="no column 'Words' for oil_c"):
        read_log(path, Log.model_validate({"oil_c": {"column": "Words"}}))


GROUPS = [
    (FAST_S, {"Velocity": (90 + FAST_S, "km/h")}),
    (SLOW_S, {"Lap": (SLOW_S // 10, ""), "Ambient": (20 + SLOW_S / 10, "degC")}),
]


@pytest.fixture
def read(tmp_path):
    def written(data, log=FEW):
        (tmp_path / "run.mf4").write_bytes(data)
        return read_log(tmp_path / "run.mf4", log)

    return written


def test_our_writer_and_asammdf_agree(read):
    # other package: the file our test writer makes is one that asammdf reads
    data = mdf_bytes(GROUPS)
    file = MDF(io.BytesIO(data))
    assert file.get("Velocity").samples == pytest.approx(90 + FAST_S)
    assert file.get("Lap").timestamps == pytest.approx(SLOW_S)
    assert len(read(data).channels) == 2000


@pytest.mark.parametrize("zipped", [0, 100])
def test_cut_off_within_the_data(read, zipped):
    whole = mdf_bytes(GROUPS[:1], zipped=zipped)
    log = read(whole[: len(whole) * 3 // 4], mapped("speed"))
    rows = len(log.channels)
    assert log.cut_off and log.lost_rows == 2000 - rows and rows > 1000
    assert zipped == 0 or rows % zipped == 0
    assert log.lost_s == pytest.approx((2000 - rows) / 50)
    words = f"{2000 - rows} row(s), {(2000 - rows) / 50:.2f} s, are lost"
    assert any(words in note for note in log.notes)
    assert log.channels["speed_mps"].to_numpy() == pytest.approx((90 + FAST_S[:rows]) / 3.6)


def test_a_cut_in_the_slow_group_is_counted_on_the_base(read):
    log = read(mdf_bytes(GROUPS)[: -24 * 50])  # 50 rows of three numbers at 10 Hz
    assert log.cut_off and log.lost_rows == 250 and log.lost_s == pytest.approx(5.0)
    assert np.nanmax(log.channels["time_s"][log.channels["lap"].notna()]) == pytest.approx(34.9)


@pytest.mark.parametrize("cut", [0, 7])
def test_an_unfinished_file_is_read_to_its_end(read, cut):
    data = mdf_bytes(GROUPS[:1], unfinished=True)
    log = read(data[: len(data) - cut], mapped("speed"))
    assert len(log.channels) == 2000 - bool(cut)
    assert log.cut_off and log.lost_rows == bool(cut)
    assert any("never finished" in note for note in log.notes)


def test_every_cut_is_answered(read):
    data = mdf_bytes(GROUPS, zipped=150)
    rows = []
    for end in range(80, len(data), 61):
        try:
            log = read(data[:end])
        except LogError as error:
            assert "MDF" in str(error)
            continue
        assert log.cut_off
        rows.append(len(log.channels))
    assert rows == sorted(rows) and rows[-1] == 2000


def test_an_index_behind_the_data_is_lost_with_the_end(write):
    path = write([fast(), slow()])
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    with pytest.raises(LogError, match="index lies beyond its end") as caught:
        read_log(path, LOG)
    assert "Copy the file from the logger again" in str(caught.value)


def test_an_index_in_a_circle(read):
    data = bytearray(mdf_bytes(GROUPS))
    first = int.from_bytes(data[64 + 24 : 64 + 32], "little")
    data[first + 24 : first + 32] = first.to_bytes(8, "little")  # the data group after itself
    with pytest.raises(LogError, match="runs in a circle"):
        read(bytes(data))


def test_rows_that_are_not_there(read):
    log = read(mdf_bytes(GROUPS[:1], rows=2500), mapped("speed"))
    assert len(log.channels) == 2000 and log.lost_rows == 500 and log.cut_off
    log = read(mdf_bytes(GROUPS[:1], rows=10**12), mapped("speed"))
    assert len(log.channels) == 2000 and log.cut_off
    assert any("1000000000000 rows, which no log has" in note for note in log.notes)


@pytest.mark.parametrize("claims", [10, 1 << 40, 1 << 22])
def test_a_packed_block_that_is_not_what_it_says(read, claims):
    data = mdf_bytes(GROUPS[:1], zipped=2000)
    out = Writer()
    out.data = bytearray(data)
    bomb = zip_block(out, bytes(1 << 28), claims=claims)
    listed = data.index(b"##DL")
    out.link(listed, 1, bomb)
    with pytest.raises(LogError, match="packed block"):
        read(bytes(out.data), mapped("speed"))


def test_older_versions_and_a_missing_package(read, monkeypatch):
    old = bytearray(mdf_bytes(GROUPS))
    old[28:30] = (330).to_bytes(2, "little")
    with pytest.raises(LogError, match=r"version 3\.30; version 4\.00 and later are read"):
        read(bytes(old))
    monkeypatch.setitem(sys.modules, "asammdf", None)
    with pytest.raises(LogError, match=r"pip install 'tyrekit\[mdf\]'"):
        read(mdf_bytes(GROUPS))


def test_blocks_are_laid_out_as_the_standard_says():
    # published: MDF4, general block header: id, 4 reserved bytes, length, number of links
    assert block(b"##TX", (5,), b"ab") == (
        b"##TX" + bytes(4) + b"\x22" + bytes(7) + b"\x01" + bytes(7) + b"\x05" + bytes(7) + b"ab"
    )
