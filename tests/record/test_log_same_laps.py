"""One session in every format: the same laps, to 1 ms. Expected: simulated truth."""

import gzip
import io

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.feather as feather
import pyarrow.parquet as parquet
import pytest
from asammdf import MDF, Signal
from written_mdf import mdf_bytes

from tyrekit.record.event import Log
from tyrekit.record.laps import NEEDED, cut
from tyrekit.record.logs import read_log

RATE_HZ = 50
EVERY = {"speed_mps": 1, "latitude_deg": 5, "longitude_deg": 5, "fuel_flow_l_per_h": 10,
         "lap": 5, "air_c": 50}  # fmt: skip
NAMES = {"speed_mps": ("Velocity", "km/h"), "latitude_deg": ("Lat", "deg"),
         "longitude_deg": ("Lon", "deg"), "fuel_flow_l_per_h": ("Flow", "l/min"),
         "lap": ("Lap No", ""), "air_c": ("Ambient", "degF")}  # fmt: skip
LOG = Log.model_validate(
    {
        "time": {"column": "Clock"},
        "speed": {"column": "Velocity"},
        "latitude": {"column": "Lat"},
        "longitude": {"column": "Lon"},
        "fuel_flow": {"column": "Flow"},
        "lap": {"column": "Lap No"},
        "air_c": {"column": "Ambient"},
    }
)


@pytest.fixture(scope="module")
def session(track):
    """The true crossings, and a run's channels at 50 Hz in the logger's units, NaN where a
    slower sensor gave nothing."""
    drive = track.practice_run(3)
    given = drive.log(RATE_HZ, np.random.default_rng(7), white_m=0.2)
    time_s = np.round(given["time_s"].to_numpy(), 2)
    crossed = np.array(drive.crossed_s)
    given["lap"] = 1.0 + np.searchsorted(crossed, time_s, side="right")
    given["air_c"] = 20.0 + time_s / 100
    data = pd.DataFrame({"Clock": time_s})
    for name, every in EVERY.items():
        scale = {"speed_mps": 3.6, "fuel_flow_l_per_h": 1 / 60}.get(name, 1.0)
        values = np.round(given[name].to_numpy() * scale + 0.0, 8)
        values = values * 1.8 + 32 if name == "air_c" else values
        data[NAMES[name][0]] = np.where(np.arange(len(time_s)) % every, np.nan, values)
    return crossed, data


def as_csv(data, **kwargs):
    units = ["s", *(unit for _, unit in NAMES.values())]
    sep = kwargs.get("sep", ",")
    rows = data.to_csv(index=False, float_format="%.8f", **kwargs).split("\n", 1)
    return f"Invented logger\n\n{rows[0]}\n{sep.join(units)}\n{rows[1]}".encode()


def as_mdf(data, **kwargs):
    file = MDF(version="4.10")
    time_s = data["Clock"].to_numpy()
    for name, unit in NAMES.values():
        kept = data[name].notna().to_numpy()
        file.append([Signal(data[name].to_numpy()[kept], time_s[kept], name=name, unit=unit)])
    stream = io.BytesIO()
    file.save(stream, **kwargs)
    file.close()
    return stream.getvalue()


def as_written_mdf(data):
    groups = []
    for name, unit in NAMES.values():
        kept = data[name].notna().to_numpy()
        groups.append((data["Clock"].to_numpy()[kept], {name: (data[name].to_numpy()[kept], unit)}))
    return mdf_bytes(groups, zipped=500)


def as_arrow(data, writer):
    renamed = data.rename(columns={n: f"{n} [{u}]" for n, u in NAMES.values() if u})
    sink = pa.BufferOutputStream()
    writer(pa.Table.from_pandas(renamed, preserve_index=False), sink)
    return sink.getvalue().to_pybytes()


FORMATS = {
    "csv": as_csv,
    "decimal comma": lambda data: as_csv(data, sep=";", decimal=","),
    "utf-16": lambda data: as_csv(data, sep="\t").decode().encode("utf-16"),
    "csv.gz": lambda data: gzip.compress(as_csv(data), 1),
    "parquet": lambda data: as_arrow(data, parquet.write_table),
    "feather": lambda data: as_arrow(data, feather.write_feather),
    "mdf": as_mdf,
    "packed mdf": lambda data: as_mdf(data, compression=2),
    "written mdf": as_written_mdf,
    "mdf.gz": lambda data: gzip.compress(as_mdf(data), 1),
}


@pytest.fixture(scope="module")
def laps(session, track, tmp_path_factory):
    """Laps of each version, with the position and with the lap counter only."""
    folder, found = tmp_path_factory.mktemp("formats"), {}
    for name, write in FORMATS.items():
        path = folder / "run.log"
        path.write_bytes(write(session[1]))
        for way in ("position", "lap"):
            unwanted = {"lap"} if way == "position" else {"latitude_deg", "longitude_deg"}
            log = read_log(path, LOG, set(NEEDED) - unwanted)
            found[name, way] = cut(
                log.channels, track.circuit, track.session(), sample_s=log.sample_s
            )
    return found


@pytest.mark.parametrize("way", ["position", "lap"])
@pytest.mark.parametrize("name", FORMATS)
def test_the_same_laps_to_a_millisecond(session, laps, name, way):
    here, first = laps[name, way].laps, laps["csv", way].laps
    assert laps[name, way].way == way and len(here) == len(first) == 5
    for column in ("lap_time_s", "start_s", "lap_time_se_s"):
        assert np.abs(here[column] - first[column]).max() < 0.001
    assert here["fuel_used_l"].to_numpy() == pytest.approx(first["fuel_used_l"], abs=1e-3)
    assert here["air_c"].to_numpy() == pytest.approx(first["air_c"], abs=1e-2)
    truth = np.diff(session[0])
    error = here["lap_time_s"].to_numpy()[: len(truth)] - truth
    assert np.abs(error).max() < (0.02 if way == "position" else 0.1)
