"""Speed of the review: python tests/benchmarks/bench_review.py [REPEATS]

Processor time in one process. Channel computations (work of four tyres along every lap, eleven
measures of every lap) are compared with one plain numpy pass over the same arrays: each channel
squared and summed. Then the whole review of the complete demo weekend, seven sessions, 11 logs at
20 Hz, from opening the folder to the page on disk.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))

from demo_weekends import copy_of

from tyrekit.fit.driving import USED, measure
from tyrekit.fit.tyre_work import NEEDED, POSITION, tyre_work
from tyrekit.record.distance import aligned
from tyrekit.record.weekend import Weekend
from tyrekit.show.review import review
from tyrekit.show.review_driving import car_geometry
from tyrekit.show.review_page import write_review

GOAL_S = 10.0


def channel_tasks(weekend: Weekend) -> dict[str, Callable[[], object]]:
    """Return the computations on one race's channels, and one numpy pass over the same arrays."""
    channels = weekend.channels("R1")
    laps = weekend.laps[weekend.laps["run_id"] == "R1"]
    start = weekend.runs.loc[weekend.runs["run_id"] == "R1", "start"].iloc[0]
    own = laps.assign(start_s=(laps["started_at"] - start).dt.total_seconds())
    names = [name for name in (*NEEDED, *POSITION) if name in channels]
    geometry, _ = car_geometry(weekend.event.car)
    masses = dict.fromkeys(own["lap"].astype(int), 1550.0)
    table = aligned(channels, own, weekend.event.circuit, names=names, by_position=False).table
    first = float(channels["time_s"].iloc[0])
    spans = [(first + a, first + a + b)
             for a, b in zip(own["start_s"], own["lap_time_s"], strict=True)]  # fmt: skip
    time_s = channels["time_s"].to_numpy()
    parts = [channels.iloc[slice(*np.searchsorted(time_s, span))] for span in spans]
    arrays = [channels[name].to_numpy(dtype=np.float64) for name in USED if name in channels]
    return {
        "numpy pass over the channels": lambda: [float(np.square(a).sum()) for a in arrays],
        "laps laid on distance": lambda: aligned(
            channels, own, weekend.event.circuit, names=names, by_position=False
        ),
        "work of four tyres": lambda: tyre_work(table, masses, geometry),
        "measures of every lap": lambda: [measure(part) for part in parts],
    }


def median_ms(task: Callable[[], object], times: int) -> float:
    """Return the median processor time of several runs, after one to warm up."""
    task()
    found = []
    for _ in range(times):
        begin = time.process_time()
        task()
        found.append(1e3 * (time.process_time() - begin))
    return median(found)


def whole_s(folder: Path) -> float:
    """Return the processor time from opening the folder to the review on disk."""
    begin = time.process_time()
    write_review(review(Weekend.open(folder)), folder / "out")
    return time.process_time() - begin


def figures(times: int, home: Path) -> pd.DataFrame:
    """Return a row per computation on one race's channels: ms and the ratio to the numpy pass."""
    tasks = channel_tasks(Weekend.open(copy_of("fenmoor-complete", home)))
    table = pd.DataFrame({"ms": {name: median_ms(task, times) for name, task in tasks.items()}})
    return table.assign(ratio=table["ms"] / table["ms"].iloc[0])


def main(times: int) -> None:
    """Print everything."""
    with tempfile.TemporaryDirectory() as home:
        print(figures(times, Path(home)).round(2).to_string())
        folder = Path(home) / "fenmoor-complete"
        whole_s(folder)  # imports and first calls
        print(f"whole review, 7 sessions at 20 Hz: {whole_s(folder):.1f} s (goal {GOAL_S:.0f})")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 9)
