"""Rows that count, and combinations of what loggers do. Expected: closed form."""

import gzip
from itertools import product

import numpy as np
import pytest

from tyrekit.record.event import Log
from tyrekit.record.logs import read_log
from tyrekit.record.rising import row_times
from tyrekit.record.time_base import Sampled, on_one_base

CLOCK_S = np.arange(200) / 10


def test_a_stamp_too_high_costs_its_own_row():
    time_s = CLOCK_S.copy()
    time_s[50] = 905.0
    found = row_times(time_s)
    assert found.backward == 1 and np.flatnonzero(~found.kept).tolist() == [50]


def test_of_equal_stamps_the_first_counts():
    time_s = np.repeat(CLOCK_S, 2)
    assert np.flatnonzero(row_times(time_s).kept).tolist() == list(range(0, 400, 2))


def test_the_longest_rising_series_against_every_subset():
    # closed form: all subsets of short series
    rng = np.random.default_rng(3)
    for _ in range(30):
        time_s = rng.integers(0, 8, 7).astype(float)
        picks = (np.flatnonzero(bits) for bits in product([0, 1], repeat=7))
        longest = max(len(p) for p in picks if np.all(np.diff(time_s[p]) > 0))
        assert row_times(time_s).kept.sum() == longest


def test_a_stamp_off_the_beat_is_passed_over_and_said():
    time_s = CLOCK_S.copy()
    time_s[70] += 0.04
    found = row_times(time_s)
    assert found.stray == 1 and not found.kept[70]
    assert "1 row(s) whose time is off the logger's beat" in found.notes[0]
    jittered = CLOCK_S + np.random.default_rng(1).normal(0, 0.02, 200)
    assert row_times(np.sort(jittered)).stray == 0  # a logger without a beat


def test_gaps_are_said_in_seconds():
    notes = row_times(np.delete(CLOCK_S, slice(30, 35))).notes
    assert notes == ("0.50 s are not recorded, in 1 gap(s); the longest, 0.60 s, begins at 2.90 s",)


def test_drop_outs_are_not_bridged_on_the_base():
    slow = np.delete(np.arange(100.0) / 5, slice(20, 60))  # nothing from 4 s to 12 s
    base, moved = on_one_base(
        {"speed_mps": Sampled(CLOCK_S, CLOCK_S), "oil_c": Sampled(slow, 2 * slow)}
    )
    assert base == pytest.approx(CLOCK_S)
    inside = (base > slow[19] + 0.05) & (base < slow[20] - 0.05)
    assert np.isnan(moved["oil_c"][inside]).all() and inside.sum() == 81
    given = ~inside & (base <= slow[-1])
    assert moved["oil_c"][given] == pytest.approx(2 * base[given])


def test_a_fast_channel_that_starts_late_leaves_the_slow_one_its_start():
    late = Sampled(np.arange(5, 10, 0.01), np.zeros(500))
    base, moved = on_one_base({"speed_mps": late, "oil_c": Sampled(CLOCK_S, CLOCK_S)})
    assert base[0] == 0 and base[-1] == CLOCK_S[-1] and len(base) == 500 + 50 + 100
    assert np.isnan(moved["speed_mps"][base < 4.99]).all()


MARKS = [(",", "."), (";", ","), ("\t", ","), ("|", "."), (";", ".")]
CODINGS = ["utf-8-sig", "cp1252", "utf-16"]


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize("quote", ["", '"'])
@pytest.mark.parametrize("coding", CODINGS)
@pytest.mark.parametrize("marks", MARKS)
def test_every_combination(tmp_path, marks, coding, quote, packed):
    mark, point = marks

    def line(*cells):
        return mark.join(f"{quote}{cell}{quote}".replace(".", point) for cell in cells)

    head = [line("Zeit", "Größe", "v°"), line("s", "", "km/h")]
    rows = [line(f"{t:.2f}", "n", f"{100 + i:.1f}") for i, t in enumerate(CLOCK_S)]
    lines = ["Fahrzeug 7 – Übung", "", *head, *rows[:90], *head, *rows[90:]]
    data = ("\r\n".join(lines) + "\r\n").encode(coding)
    (tmp_path / "log").write_bytes(gzip.compress(data) if packed else data)
    mapping = {"time": {"column": "Zeit"}, "speed": {"column": "v°"}}
    log = read_log(tmp_path / "log", Log.model_validate(mapping))
    assert log.channels["time_s"].to_numpy() == pytest.approx(CLOCK_S)
    assert log.channels["speed_mps"].to_numpy() == pytest.approx((100 + np.arange(200)) / 3.6)
    assert log.lost_rows == 2 and coding in log.notes[0] and f"decimal {point!r}" in log.notes[0]


def test_log_overrides_what_the_reader_decides(tmp_path):
    # 1,5 could be one number or two columns: [log] says which
    rows = "".join(f"{i},5\n" for i in range(20))
    (tmp_path / "log").write_text(f"time_s,lap\n{rows}")
    log = read_log(tmp_path / "log", Log())
    assert log.channels["lap"].tolist() == [5.0] * 20
    (tmp_path / "log").write_text(f"time_s;lap\n{rows.replace(chr(10), ';1' + chr(10))}")
    asked = Log.model_validate({"delimiter": ";", "decimal": ",", "encoding": "cp1252"})
    log = read_log(tmp_path / "log", asked)
    assert log.channels["time_s"].to_numpy() == pytest.approx(np.arange(20) + 0.5)
    assert log.notes[0].startswith("log read as cp1252, semicolon")
