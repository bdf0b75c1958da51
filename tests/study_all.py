"""Every study of the fits on simulated weekends, one after the other: python tests/study_all.py

Each prints its own tables, goals and counts; what has no table of its own has no figure. About 20
minutes on two quiet cores. The lap-time study uses both cores, the others run two at a time.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

FIRST = "study_lap_time.py"  # brings its own workers
TRUST = ("book", "fuzz", "numbers", "trust")  # study_trust.py runs these


def run(script: Path) -> str:
    """Return what a study prints, with its name and time above."""
    begin = time.perf_counter()
    found = subprocess.run(
        [sys.executable, script.name], cwd=script.parent, text=True, stdout=subprocess.PIPE,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"}, check=False,
    )  # fmt: skip
    state = "" if found.returncode == 0 else f", FAILED with exit code {found.returncode}"
    return f"== {script.name}, {time.perf_counter() - begin:.0f} s{state}\n{found.stdout}"


def main() -> int:
    here = Path(__file__).parent
    apart = (FIRST, Path(__file__).name, *(f"study_{name}.py" for name in TRUST))
    others = [p for p in sorted(here.glob("study_*.py")) if p.name not in apart]
    told = [run(here / FIRST)]
    print(told[0], flush=True)
    with ThreadPoolExecutor(2) as pool:
        for text in pool.map(run, others):
            print(text, flush=True)
            told.append(text)
    return int(any("FAILED with" in text for text in told))


if __name__ == "__main__":
    sys.exit(main())
