"""Logs damaged at random: an answer or a `LogError`, never anything else."""

import gzip

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tyrekit.errors import LogError
from tyrekit.record.event import Log
from tyrekit.record.logs import read_log

LOG = Log.model_validate({"speed": {"column": "v", "unit": "km/h"}})
TEXT = (
    "Made up\n\ntime_s,v,lap\ns,km/h,\n"
    + "".join(f"{i / 10:.1f},{100 + i},{i // 50}\n" for i in range(120))
).encode()
SLOW_FIXTURE = [HealthCheck.function_scoped_fixture]

damage = st.lists(
    st.tuples(
        st.sampled_from(["cut", "drop", "byte", "insert", "double"]),
        st.integers(0, len(TEXT) - 1),
        st.binary(min_size=1, max_size=6),
    ),
    min_size=1,
    max_size=4,
)


def damaged(data, steps):
    for how, at, extra in steps:
        at = min(at, len(data))
        if how == "cut":
            data = data[:at]
        elif how == "drop":
            data = data[:at] + data[at + 40 :]
        elif how == "byte":
            data = data[:at] + extra[:1] + data[at + 1 :]
        elif how == "insert":
            data = data[:at] + extra + data[at:]
        else:
            data = data[:at] + data[at // 2 :]
    return data


@settings(max_examples=150, deadline=None, suppress_health_check=SLOW_FIXTURE)
@given(steps=damage, packed=st.booleans())
def test_any_damage_is_answered(tmp_path, steps, packed):
    path = tmp_path / "log.csv"
    path.write_bytes(damaged(gzip.compress(TEXT, mtime=0) if packed else TEXT, steps))
    try:
        log = read_log(path, LOG)
    except LogError as error:
        assert "log" in str(error)
        return
    time_s = log.channels["time_s"].to_numpy()
    assert np.all(np.diff(time_s) > 0) and np.isfinite(time_s).all()


@settings(max_examples=60, deadline=None, suppress_health_check=SLOW_FIXTURE)
@given(end=st.integers(60, len(TEXT)))
def test_a_cut_anywhere_keeps_every_complete_row_and_no_other(tmp_path, end):
    path = tmp_path / "log.csv"
    path.write_bytes(TEXT[:end])
    whole = TEXT[:end].count(b"\n") - 4
    log = read_log(path, LOG)
    speed_mps = (100 + np.arange(len(log.channels))) / 3.6
    assert np.allclose(log.channels["speed_mps"], speed_mps)
    # the last row may have all its cells and lack only the line's end
    assert len(log.channels) in (whole, whole + 1)
    assert log.cut_off == (not TEXT[:end].endswith(b"\n") and len(log.channels) == whole)
