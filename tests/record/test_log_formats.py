"""Logger files: told apart by what is in them, read through [log], losses counted."""

import gzip

import numpy as np
import pyarrow as pa
import pyarrow.feather as feather
import pyarrow.parquet as parquet
import pytest

from tyrekit.errors import LogError
from tyrekit.record.event import Log
from tyrekit.record.logs import read_log

ROWS, STEP_S = 120, 0.05
MAPPING = {
    "time": {"column": "Time", "unit": "s"},
    "speed": {"column": "Ground Speed", "unit": "km/h"},
    "fuel_flow": {"column": "Fuel"},
}


def table(
    delimiter=",", decimal=".", quote="", units="s,km/h,,l/min", before=("Made up", "Car,7,A", "")
):
    """A log as text: 100 to 219 km/h, 0.5 l/min."""

    def cell(value):
        return f"{quote}{value:.3f}{quote}".replace(".", decimal)

    lines = [line.replace(",", delimiter) for line in before]
    lines.append(delimiter.join(("Time", "Ground Speed", "Comment", "Fuel")))
    if units:
        lines.append(units.replace(",", delimiter))
    for i in range(ROWS):
        lines.append(delimiter.join((cell(i * STEP_S), cell(100 + i), "lap", cell(0.5))))
    return "\n".join(lines) + "\n"


@pytest.fixture
def read(tmp_path):
    def write_and_read(data, name="log.csv", **mapping):
        path = tmp_path / name
        path.write_bytes(data if isinstance(data, bytes) else data.encode())
        return read_log(path, Log.model_validate({**MAPPING, **mapping}))

    return write_and_read


def assert_whole(log, rows=ROWS):
    # closed form: km/h / 3.6, l/min x 60
    channels = log.channels
    assert list(channels) == ["time_s", "speed_mps", "fuel_flow_l_per_h"]
    assert channels["time_s"].to_numpy() == pytest.approx(np.arange(rows) * STEP_S, abs=1e-9)
    assert channels["speed_mps"].to_numpy() == pytest.approx((100 + np.arange(rows)) / 3.6)
    assert channels["fuel_flow_l_per_h"].to_numpy() == pytest.approx(np.full(rows, 30.0))
    assert log.sample_s == pytest.approx(STEP_S)


@pytest.mark.parametrize("decimal", [".", ","])
@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_delimiters_and_decimals(read, delimiter, decimal):
    quote = '"' if delimiter == decimal == "," else ""
    assert_whole(read(table(delimiter, decimal, quote)))


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]
)
def test_encodings(read, encoding):
    log = read(table(";", ",").replace("Made up", "Größe °C").encode(encoding))
    assert_whole(log)
    assert encoding.removesuffix("-be") in log.notes[0]


def test_windows_and_old_line_ends(read):
    assert_whole(read(table().replace("\n", "\r\n")))


def test_no_units_row_no_metadata(read):
    log = read(table(units="", before=()), fuel_flow={"column": "Fuel", "unit": "l/min"})
    assert_whole(log)


def test_units_in_brackets_behind_names(read):
    text = (
        table(units="")
        .replace("Ground Speed", "Ground Speed [km/h]")
        .replace("Fuel", "Fuel (l/min)")
    )
    log = read(text, speed={"column": "Ground Speed"})
    assert_whole(log)


def test_a_unit_nobody_gives_is_assumed_and_said(read):
    log = read(table(units=""))
    assert log.channels["fuel_flow_l_per_h"].iloc[0] == 0.5
    assert any("'Fuel'" in note and "l/h is assumed" in note for note in log.notes)


def test_mapping_wins_over_the_file_and_the_difference_is_kept(read):
    log = read(table(units="s,mph,,l/min"))
    assert_whole(log)
    assert log.disagreements == ("column 'Ground Speed': [log] says km/h, the file says mph",)


def test_own_names_need_no_mapping(read, tmp_path):
    text = "time_s,speed_mps,lap,oil_c\n0.0,10,1,90\n0.1,11,1,91\n"
    (tmp_path / "own.csv").write_text(text)
    log = read_log(tmp_path / "own.csv", Log())
    assert log.channels["speed_mps"].tolist() == [10, 11]
    assert list(log.channels) == ["time_s", "lap", "speed_mps", "oil_c"]


def test_only_what_is_wanted_is_read(tmp_path):
    (tmp_path / "own.csv").write_text("time_s,speed_mps,oil_c\n0.0,10,90\n0.1,11,91\n")
    log = read_log(tmp_path / "own.csv", Log(), wanted=("time_s", "speed_mps"))
    assert list(log.channels) == ["time_s", "speed_mps"]


@pytest.mark.parametrize("name", ["log.csv", "log.csv.gz", "log.txt", "log"])
def test_gzip_is_told_by_content_not_by_name(read, name):
    assert_whole(read(gzip.compress(table().encode()), name))
    assert_whole(read(table(), name))


def test_two_gzip_members_are_one_file(read):
    text = table().encode()
    assert_whole(read(gzip.compress(text[:1000]) + gzip.compress(text[1000:])))


def test_parquet_and_arrow_hold_the_same(read, tmp_path):
    data = pa.table(
        {
            "Time": np.arange(ROWS) * STEP_S,
            "Ground Speed": 100.0 + np.arange(ROWS),
            "Fuel [l/min]": np.full(ROWS, 0.5),
        }
    )
    parquet.write_table(data, tmp_path / "a")
    feather.write_feather(data, tmp_path / "b")
    assert_whole(read((tmp_path / "a").read_bytes(), "log.csv"))
    assert_whole(read((tmp_path / "b").read_bytes(), "log.csv"))
    assert_whole(read(gzip.compress((tmp_path / "a").read_bytes()), "log.gz"))


def test_clock_times_become_seconds(read):
    lines = table().split("\n")
    for i in range(5, 5 + ROWS):
        seconds, rest = lines[i].split(",", 1)
        lines[i] = f"09:12:{float(seconds):06.3f},{rest}"
    log = read("\n".join(lines))
    assert log.channels["time_s"].iloc[0] == pytest.approx(9 * 3600 + 12 * 60)
    assert np.diff(log.channels["time_s"]) == pytest.approx(STEP_S)


def test_cut_off_in_mid_line(read):
    text = table()
    log = read(text[: text.rindex("0.500") - 4])
    assert_whole(log, ROWS - 1)
    assert log.cut_off and log.lost_rows == 1


def test_cut_off_within_the_last_number(read):
    log = read(table()[:-3])
    assert_whole(log, ROWS - 1)
    assert log.cut_off and log.lost_rows == 1


def test_a_missing_last_line_end_is_no_loss(read):
    log = read(table()[:-1])
    assert_whole(log)
    assert not log.cut_off and log.lost_rows == 0


def test_a_gzip_stream_that_ends_early(read):
    rng = np.random.default_rng(1)
    noise = "\n".join(f"{i * STEP_S:.3f},{v:.6f},x,0.5" for i, v in enumerate(rng.random(4000)))
    packed = gzip.compress(f"Time,Ground Speed,Comment,Fuel\n{noise}\n".encode())
    log = read(packed[: len(packed) // 2])
    assert log.cut_off and 1000 < len(log.channels) < 3000
    assert log.channels.notna().all().all()


def test_a_repeated_header_and_broken_rows_are_counted(read):
    lines = table().split("\n")
    lines[50:50] = ["Time,Ground Speed,Comment,Fuel", "s,km/h,,l/min", "1,2", "###"]
    log = read("\n".join(lines))
    assert_whole(log)
    assert log.lost_rows == 4 and not log.cut_off


def test_a_stray_quote_swallows_nothing(read):
    assert_whole(read(table().replace("100.000,lap", '100.000,la"p', 1)))


def test_time_running_backwards_is_counted(read):
    text = table()
    log = read(text + "\n".join(text.split("\n")[5:25]) + "\n")
    assert_whole(log)
    assert log.backward_rows == 20


def test_bytes_that_are_no_text_are_gaps(read):
    data = table().encode().replace(b"105.000", b"10\xc2.000", 1)
    log = read(data, encoding="utf-8")
    assert log.channels["speed_mps"].isna().sum() == 1 and len(log.channels) == ROWS
    assert "1 cell(s) hold no number and stay empty" in log.notes


def test_words_for_numbers_are_gaps(read):
    log = read(table().replace("105.000", "err", 1).replace("106.000", "---", 1))
    assert log.channels["speed_mps"].isna().sum() == 2 and len(log.channels) == ROWS


@pytest.mark.parametrize(
    "data",
    [b"", b"\n\n", b"\0" * 100, gzip.compress(b"")],
    ids=["no bytes", "blank lines", "zeros", "gzip of nothing"],
)
def test_an_empty_file_is_an_empty_log(read, data):
    assert len(read(data).channels) == 0


def test_a_header_alone_is_an_empty_log(read):
    assert len(read("Time,Ground Speed,Comment,Fuel\ns,km/h,,l/min\n").channels) == 0


def test_columns_that_do_not_match_name_the_nearest(read):
    with pytest.raises(LogError) as caught:
        read(table().replace("Ground Speed", "Ground Spd").replace("Fuel", "Petrol"))
    message = str(caught.value)
    assert "logs/log.csv: there is no column 'Ground Speed' for speed_mps" in message
    assert "Time, Ground Spd, Comment, Petrol" in message
    assert "Did you mean 'Ground Spd'? Correct [log] speed" in message
    assert len(caught.value.problems) == 2


def test_no_time_is_an_error(tmp_path):
    (tmp_path / "own.csv").write_text("speed_mps,lap\n10,1\n11,1\n")
    with pytest.raises(LogError, match="no column is time_s"):
        read_log(tmp_path / "own.csv", Log())


@pytest.mark.parametrize(
    ("unit", "words"), [("quark", "'quark' is not known"), ("bar", "pressure")]
)
def test_a_unit_of_the_file_that_cannot_be(read, unit, words):
    with pytest.raises(LogError, match=words) as caught:
        read(table(units=f"s,km/h,,{unit}"))
    assert "column 'Fuel'" in str(caught.value) and "[log] fuel_flow" in str(caught.value)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"once upon a time\nthere was a car\n", "no table of numbers"),
        (b"PK\x03\x04" + bytes(100), "zip archive"),
        (b"MDF     4.10" + bytes(100), "ASAM MDF"),
        (bytes(range(256)) * 20, "no table of numbers|binary"),
        (b"\x89PNG" + bytes(3000), "binary"),
        (b"PAR1" + bytes(300), "cannot be read"),
        (b"1.0,2.0\n2.0,3.0\n", "no column names"),
    ],
)
def test_what_is_no_log(read, data, words):
    with pytest.raises(LogError, match=words):
        read(data)


def test_a_directory_is_no_log(tmp_path):
    with pytest.raises(LogError, match="not a file"):
        read_log(tmp_path, Log())


def test_a_gzip_bomb_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("tyrekit.record.contents.MOST_BYTES", 1 << 22)
    (tmp_path / "bomb.gz").write_bytes(gzip.compress(bytes(1 << 24)))
    with pytest.raises(LogError, match="too large"):
        read_log(tmp_path / "bomb.gz", Log())


def test_a_very_wide_line_ends_in_an_error(tmp_path):
    (tmp_path / "wide.csv").write_text(",".join(f"c{i}" for i in range(200_000)) + "\n1,2\n")
    with pytest.raises(LogError):
        read_log(tmp_path / "wide.csv", Log())
