"""Speed of the fits: python tests/benchmarks/bench_fits.py [REPEATS]

Processor time, medians of several runs in one process, beside plain statsmodels least squares of
the same design in the same process: the ratio travels between machines, the milliseconds do not.
Weekends are simulated (tests/study_*.py), cars and circuits invented.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path
from statistics import median

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parent))

import study_fuel_use
import study_pressure
import study_tread
from simulated_weekends import KINDS, default_beliefs, simulate
from test_lap_time_speed import one_weekend, plain, seasons

from tyrekit.fit.lap_time import LapTimeModel

BELIEFS = default_beliefs(100.0, 1550.0)
GOALS_MS = {"lap time, one weekend": 20, "lap time, 400 laps": 150, "all four fits": 400}


def median_ms(task, times):
    """Median processor time of several runs, after one to warm up."""
    task()
    found = []
    for _ in range(times):
        begin = time.process_time()
        task()
        found.append(1e3 * (time.process_time() - begin))
    return median(found)


def tasks():
    """The fits by name, each on its own simulated weekend."""
    event = study_fuel_use.make_event()
    laps, many = simulate(np.random.default_rng(1)).laps, one_weekend(400)
    fuel = study_fuel_use.simulate(np.random.default_rng(1), sessions=study_fuel_use.SESSIONS)
    tread = study_tread.simulate(np.random.default_rng(1))
    truth = study_pressure.draw_truth(np.random.default_rng(1), scatter=True)
    read = study_pressure.simulate(np.random.default_rng(1), truth)
    return many, {
        "lap time, one weekend": lambda: LapTimeModel(laps, BELIEFS, KINDS).fit(),
        "lap time, 400 laps": lambda: LapTimeModel(many, BELIEFS, KINDS).fit(),
        "fuel use": lambda: study_fuel_use.fit(fuel, event),
        "tread": lambda: study_tread.fit(tread, event),
        "pressure": lambda: study_pressure.fit(read, event),
    }, {"laps, one weekend": len(laps), "laps, 400": len(many), "fuel laps": len(fuel.laps),
        "tread readings": len(tread.readings), "pressure readings": len(read)}  # fmt: skip


def main(times=9):
    many, fits, sizes = tasks()
    print(", ".join(f"{count} {name}" for name, count in sizes.items()))
    took = {name: median_ms(task, times) for name, task in fits.items()}
    took["all four fits"] = sum(took.values()) - took["lap time, one weekend"]
    slow = median_ms(lambda: plain(many), times)
    print(f"{'statsmodels OLS, same design':30}{slow:8.1f} ms")
    for name, found in took.items():
        goal = f"   goal {GOALS_MS[name]} ms" if name in GOALS_MS else ""
        print(f"{name:30}{found:8.1f} ms{found / slow:8.2f} x OLS{goal}")
    for weekends in (1, 10, 60, 240):
        laps = seasons(weekends)
        found = median_ms(lambda laps=laps: LapTimeModel(laps, BELIEFS).fit(), 3)
        print(
            f"lap time, {len(laps):6d} laps {found:14.1f} ms{1e3 * found / len(laps):8.0f} us/lap"
        )


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
