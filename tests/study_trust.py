"""Every figure of trust by one command: ``python tests/study_trust.py [per_cent]``

The book killed, raced, cut off from power and without room; valid files mutated and read; weekends
changed in ways that must not matter; a stranger's folder; the server asked by whom it must not
answer. Prints the table of DEVELOPERS.md; `per_cent` of the cases are tried (100). Twenty minutes
on two cores, two studies at a time.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import NamedTuple
from xml.etree import ElementTree

HERE = Path(__file__).parent
SAVES, ENTRIES, DAMAGED, CASES, EXAMPLES = 500, 500, 600, 100_000, 20
STRANGERS = ("weekend/test_strangers_folder.py", "weekend/test_strangers_lab.py")
SERVER = ("show/test_server.py",)


class Figure(NamedTuple):
    """A row of the table: what was done, how often, how often it went wrong, and how."""

    what: str
    cases: int
    wrong: int
    note: str = ""


def book(per_cent: int) -> list[Figure]:
    import study_book

    counts = (max(count * per_cent // 100, 4) for count in (SAVES, ENTRIES, DAMAGED))
    return [
        Figure(f"book: {row.what}", row.cases, row.lost + row.twice + row.wrong, row.note)
        for row in study_book.rows(*counts)
    ]


def fuzz(per_cent: int) -> list[Figure]:
    import study_fuzz

    rows = study_fuzz.rows(CASES * per_cent // 100)
    found = [
        Figure(f"mutated {row.target}", row.cases, len(row.found),
               f"{row.refused:,} refused, {row.read:,} read, {row.peak_mb} MB at most")
        for row in rows
    ]  # fmt: skip
    return [*found, Figure("mutated files, all", sum(r.cases for r in rows),
                           sum(len(r.found) for r in rows))]  # fmt: skip


def numbers(per_cent: int) -> list[Figure]:
    import study_numbers

    found = study_numbers.numbers(max(EXAMPLES * per_cent // 100, 1))
    tried = found.examples + found.degenerate + found.extreme
    rest = ", ".join(f"{name} {count}" for name, count in found.rows()[:-1])
    told = "; ".join(found.wrong[:5])
    return [Figure("weekends told otherwise, degenerate, extreme", tried, len(found.wrong),
                   f"{rest}; {told}" if told else rest)]  # fmt: skip


def held(what: str, files: Iterable[str]) -> list[Figure]:
    """Return the count of named tests in files, and how many failed."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.xml"
        subprocess.run(
            [sys.executable, "-m", "pytest", "-q", f"--junitxml={report}", "-p", "no:cacheprovider",
             *(str(HERE / name) for name in files)],
            cwd=HERE.parent, check=False, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        suite = ElementTree.parse(report).getroot()[0]
    wrong = [int(suite.attrib[name]) for name in ("failures", "errors", "skipped")]
    return [Figure(what, int(suite.attrib["tests"]), sum(wrong), ", ".join(files))]


def main(per_cent: int = 100) -> int:
    """Print the table and return 1 when anything was wrong."""
    with ProcessPoolExecutor(2) as pool:
        jobs = [
            pool.submit(fuzz, per_cent),
            pool.submit(book, per_cent),
            pool.submit(numbers, per_cent),
            pool.submit(held, "attacks and faults of a stranger's folder", STRANGERS),
            pool.submit(held, "the server: requests, options, files", SERVER),
        ]
        figures = [figure for job in jobs for figure in job.result()]
    print("\n| what | cases | wrong | |\n|---|---|---|---|")
    for one in figures:
        print(f"| {one.what} | {one.cases:,} | {one.wrong} | {one.note} |")
    return int(any(one.wrong for one in figures))


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:2])))
