"""Memory of reading logs on short ones: wide bounds, no wall time. See bench_logs.py."""

import pyarrow.csv as pacsv
import pytest
from bench_logs import RATE_HZ, kept_bytes, memory, table, usual

FIXED_BYTES = 60e6  # blocks in hand and what allocators hold back, whatever the length
MINUTES = 4


@pytest.fixture(scope="module")
def logs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("logs")
    for minutes in (0.2, MINUTES, 2 * MINUTES):
        pacsv.write_csv(table(minutes), folder / f"{minutes}.csv")
    return folder


@pytest.mark.parametrize("way", ["usual", "every"])
def test_memory_is_the_columns_kept_and_a_fixed_part(logs, way):
    for minutes in (MINUTES, 2 * MINUTES):
        used = memory(logs / f"{minutes}.csv", way, logs / "0.2.csv")
        assert used < 2.5 * kept_bytes(minutes * 60 * RATE_HZ, way) + FIXED_BYTES


def test_every_row_and_only_wanted_columns(logs):
    channels = usual(logs / f"{MINUTES}.csv")
    assert len(channels) == MINUTES * 60 * RATE_HZ
    assert kept_bytes(len(channels), "usual") == 8 * channels.size
