"""Speed and memory of reading logs: python tests/benchmarks/bench_logs.py [minutes]

A log of an hour (60 channels at 100 Hz) is made in a temporary folder and read in turn by
pyarrow.csv.read_csv (all columns, as it comes) and by the kit: the channels that laps are cut
from, and all 60 columns. Ratios of medians of five rounds in one process are what to look at. The
file's check sum, which the kit takes and pyarrow does not, is in the kit's time.

Memory is taken in a process of its own: the rise of its anonymous resident memory (RssAnon of
/proc/self/status, sampled every 2 ms) from before the read to its peak, over the bytes of the
columns kept. What the packages' allocators hold back counts; pages of files do not.
"""

import gzip
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv

from tyrekit.record.channels import CHANNELS
from tyrekit.record.contents import Contents
from tyrekit.record.delimited import read_columns
from tyrekit.record.event import Log
from tyrekit.record.laps import NEEDED
from tyrekit.record.layout import find_layout
from tyrekit.record.logs import read_log

RATE_HZ, COLUMNS, ROUNDS = 100, 60, 5
NAMES = [*CHANNELS, *(f"spare_{i}" for i in range(COLUMNS))][:COLUMNS]
HOUR_MIN = 60.0


def table(minutes):
    """Channels that wander about 50 with two decimals, positions with seven."""
    rng = np.random.default_rng(1)
    rows = int(minutes * 60 * RATE_HZ)
    data = {}
    for name in NAMES:
        walk = 50 + np.cumsum(rng.normal(0, 0.05, rows))
        data[name] = np.round(walk, 7 if name.endswith("tude_deg") else 2)
    data["time_s"] = np.round(np.arange(rows) / RATE_HZ, 2)
    data["lap"] = np.floor(data["time_s"] / 90.0)
    return pa.table(data)


def write_mdf(data, path, compression):
    from asammdf import MDF, Signal

    time_s = data["time_s"].to_numpy()
    file = MDF(version="4.10")
    file.append([Signal(data[n].to_numpy(), time_s, name=n) for n in NAMES if n != "time_s"])
    file.save(path, compression=compression, overwrite=True)
    file.close()


def usual(path):
    """What the kit does with every log of a weekend."""
    return read_log(path, Log(), NEEDED).channels


def every(path):
    """All columns of a text, whatever they are called."""
    contents = Contents(path, path.name)
    layout = find_layout(contents.head, NAMES, path.name)
    return read_columns(contents, layout, range(COLUMNS)).values


READERS: dict[str, Callable[[Path], object]] = {
    "pyarrow": pacsv.read_csv, "usual": usual, "every": every,
}  # fmt: skip


def times(jobs, rounds=ROUNDS):
    """Median wall time of each job, in turns, s."""
    spent = {name: [] for name in jobs}
    for _ in range(rounds):
        for name, job in jobs.items():
            begun = time.perf_counter()
            job()
            spent[name].append(time.perf_counter() - begun)
    return {name: median(values) for name, values in spent.items()}


def anonymous_bytes():
    text = Path("/proc/self/status").read_text(encoding="ascii")
    return 1024 * int(text.split("RssAnon:")[1].split()[0])


def peak_growth(job):
    """Return the rise of anonymous memory while a job runs, bytes."""
    peak, done = [0], threading.Event()

    def watch():
        while not done.wait(0.002):
            peak[0] = max(peak[0], anonymous_bytes())

    watcher = threading.Thread(target=watch)
    before = anonymous_bytes()
    watcher.start()
    kept = job()
    done.set()
    watcher.join()
    del kept
    return max(peak[0] - before, 0)


def memory(path, way, warm):
    """Return `peak_growth` of reading a log in a process of its own, packages warmed up."""
    command = [sys.executable, __file__, "--memory", way, str(path), str(warm)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return int(done.stdout)


def kept_bytes(rows, way):
    columns = COLUMNS if way != "usual" else len(set(NAMES) & {*NEEDED, "time_s"})
    return 8 * rows * columns


def growth(folder, minutes, warm):
    """Print time and memory from 1x to 8x the length."""
    line = "{:>14} {:>9} {:>14} {:>14} {:>9} {:>14}".format
    print("\n" + line("length", "usual: s", "a row (1x = 1)", "memory x kept", "every: s",
                      "a row (1x = 1)"))  # fmt: skip
    paths = {}
    for times_longer in (1, 2, 4, 8):
        path = paths[times_longer] = folder / f"{times_longer}x.csv"
        pacsv.write_csv(table(minutes / 8 * times_longer), path)
    jobs = {
        (n, way): (lambda path=path, way=way: READERS[way](path))
        for n, path in paths.items() for way in ("usual", "every")
    }  # fmt: skip
    spent = times(jobs)
    for n, path in paths.items():
        rows = int(minutes / 8 * n * 60 * RATE_HZ)
        share = [spent[n, way] / n / spent[1, way] for way in ("usual", "every")]
        used = memory(path, "usual", warm) / kept_bytes(rows, "usual")
        shown = [f"{spent[n, way]:.2f}" for way in ("usual", "every")]
        named = f"{n} x {minutes / 8:.1f} min"
        print(line(named, shown[0], f"{share[0]:.2f}", f"{used:.2f}", shown[1], f"{share[1]:.2f}"))


def main(minutes):
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        warm = folder / "warm.csv"
        pacsv.write_csv(table(0.2), warm)
        data = table(minutes)
        paths = {name: folder / name for name in ("log.csv", "log.csv.gz", "log.mf4", "packed.mf4")}
        pacsv.write_csv(data, paths["log.csv"])
        paths["log.csv.gz"].write_bytes(gzip.compress(paths["log.csv"].read_bytes(), 3))
        write_mdf(data, paths["log.mf4"], 0)
        write_mdf(data, paths["packed.mf4"], 1)
        rows = data.num_rows
        del data
        size = {name: path.stat().st_size / 1e6 for name, path in paths.items()}
        print(f"{minutes:g} min, {COLUMNS} channels, {RATE_HZ} Hz: {size['log.csv']:.0f} MB of CSV")
        rest = [("log.csv", "usual"), ("log.csv", "every"), ("log.csv.gz", "usual"),
                ("log.csv.gz", "every"), ("log.mf4", "usual"), ("packed.mf4", "usual")]  # fmt: skip
        jobs = {pair: (lambda p=pair: READERS[p[1]](paths[p[0]])) for pair in rest}
        spent = times({"pyarrow": lambda: pacsv.read_csv(paths["log.csv"]), **jobs})
        line = "{:12} {:>5} {:>8} {:>6} {:>10} {:>14}".format
        print("\n" + line("file", "MB", "columns", "s", "x pyarrow", "memory x kept"))
        own = f"{spent['pyarrow']:.2f}"
        print(line("log.csv", f"{size['log.csv']:.0f}", "pyarrow", own, "1.00", ""))
        for name, way in rest:
            ratio = spent[name, way] / spent["pyarrow"]
            used = memory(paths[name], way, warm) / kept_bytes(rows, way)
            took = f"{spent[name, way]:.2f}"
            print(line(name, f"{size[name]:.0f}", way, took, f"{ratio:.2f}", f"{used:.2f}"))
        growth(folder, minutes, warm)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--memory"]:
        read, target, first = READERS[sys.argv[2]], Path(sys.argv[3]), Path(sys.argv[4])
        read(first)
        print(peak_growth(lambda: read(target)))
    else:
        main(float(sys.argv[1]) if sys.argv[1:] else HOUR_MIN)
