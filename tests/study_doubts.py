"""How often the doubts find planted faults, and how often they cry wolf.

``python tests/study_doubts.py [weekends] [clean] [first seed] [weekends of other faults]``: so many
weekends per round of the faults that the kit must find (default 100), so many clean ones (300),
then of the other faults (100), each written to a folder with its faults and opened as any weekend
is, by two processes. Rates are printed as they come. Simulated truth; the generator knows no
threshold of the checks.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from planted_faults import OTHERS, PROMISED, ROUNDS, Expected, found, maybe_no_speed
from written_weekends import Written, weekend

from tyrekit.errors import InputError
from tyrekit.record.evidence import Doubt
from tyrekit.record.weekend import Weekend

REFUSALS = ("runs overlap", "refused")
CLEAN = -1  # stands for the round without a fault
WORKERS, TELL_S = 2, 60.0
# Faults of which only larger ones can be seen: the least size that counts, and in what.
SEEN_FROM = {
    "wrong_set": (8.0, "laps of age"), "tread_transposed": (0.5, "mm"),
    "missing_drain": (6.0, "l"), "pressure_typed": (0.15, "bar"),
}  # fmt: skip

Task = tuple[int, int]  # seed, round


@dataclass
class Rates:
    """Counts of planted and found faults by kind, and of clean weekends by doubt."""

    planted: Counter[str] = field(default_factory=Counter)
    hits: Counter[str] = field(default_factory=Counter)
    clean: int = 0
    alarms: Counter[str] = field(default_factory=Counter)
    errors: list[str] = field(default_factory=list)

    def add(self, other: Rates) -> None:
        """Add another's counts."""
        self.planted += other.planted
        self.hits += other.hits
        self.clean += other.clean
        self.alarms += other.alarms
        self.errors += other.errors

    def hit_pct(self, kind: str) -> float:
        """Share of the planted faults of a kind that were found, %."""
        return 100 * self.hits[kind] / max(self.planted[kind], 1)

    def false_pct(self, name: str) -> float:
        """Share of clean weekends with a doubt of this name, %."""
        return 100 * self.alarms[name] / max(self.clean, 1)


def doubts_of(written: Written) -> Sequence[Doubt]:
    """Write a weekend, open it, and return its doubts; an error that stops it counts as one."""
    with tempfile.TemporaryDirectory() as folder:
        written.write(Path(folder))
        try:
            return Weekend.open(folder).doubts
        except InputError as error:
            name = "runs overlap" if "overlap" in str(error) else "refused"
            return [Doubt(name, str(error), 1.0, "", "")]


def clean(seed: int) -> Rates:
    """Return what is doubted in a clean weekend; half of the loggers know no speed."""
    written = weekend(seed)
    maybe_no_speed(written, np.random.default_rng([seed, 7]))
    doubts = doubts_of(written)
    told = [f"{seed} clean: {d.name}: {d.evidence}" for d in doubts]
    return Rates(clean=1, alarms=Counter({d.name for d in doubts}), errors=told)


def planted(seed: int, number: int) -> Rates:
    """Plant one fault of each kind of a round into a weekend and count those found."""
    rng = np.random.default_rng([seed, 7])
    rates, written = Rates(), weekend(seed)
    expected: dict[str, Expected] = {}
    for plant in ROUNDS[number]:
        wanted = plant(written, rng)
        if wanted is not None:
            expected[_label(plant.__name__, wanted.size)] = wanted
    doubts = doubts_of(written)
    refused = [d.name for d in doubts if d.name in REFUSALS]
    for kind, wanted in expected.items():
        if refused and not set(refused) & set(wanted.names):
            rates.errors.append(f"{seed} {kind} not counted: {refused}")
            continue  # the other faults are seen once what refuses the weekend is put right
        rates.planted[kind] += 1
        hit = found(doubts, wanted)
        rates.hits[kind] += hit
        if not hit:
            rates.errors.append(f"{seed} {kind} {wanted} {[d.name for d in doubts]}")
    return rates


def _label(kind: str, size: float) -> str:
    if kind not in SEEN_FROM or np.isnan(size):
        return kind
    least, unit = SEEN_FROM[kind]
    return f"{kind}, {'from' if size >= least else 'under'} {least:g} {unit}"


def one(task: Task) -> Rates:
    """Return the counts of one weekend."""
    seed, number = task
    return clean(seed) if number == CLEAN else planted(seed, number)


def tasks(weekends: int, clean_weekends: int, first: int, others: int = 0) -> Iterator[Task]:
    """Return seed and round of every weekend: no seed is used twice."""
    for number in range(len(PROMISED)):
        yield from ((first + 10_000 * (number + 1) + i, number) for i in range(weekends))
    yield from ((first + i, CLEAN) for i in range(clean_weekends))
    for number in range(len(PROMISED), len(PROMISED) + len(OTHERS)):
        yield from ((first + 10_000 * (number + 1) + i, number) for i in range(others))


def table(rates: Rates) -> str:
    """Return the rates in words."""
    lines = [f"{'fault planted':<36}{'n':>5}{'found %':>9}"]
    for kind in sorted(rates.planted):
        lines.append(f"{kind:<36}{rates.planted[kind]:>5}{rates.hit_pct(kind):>9.1f}")
    lines += [
        "",
        f"{'doubt, in ' + str(rates.clean) + ' clean weekends':<36}{'n':>5}{'false %':>9}",
    ]
    for name in sorted(rates.alarms):
        lines.append(f"{name:<36}{rates.alarms[name]:>5}{rates.false_pct(name):>9.1f}")
    lines.append("every other doubt: none")
    return "\n".join(lines)


def rates_of(todo: Iterable[Task], say: bool = False) -> Rates:
    """Return the counts of many weekends, by two processes; say the table so far each minute."""
    rates, told = Rates(), time.monotonic()
    with get_context("spawn").Pool(WORKERS) as pool:
        for done, part in enumerate(pool.imap(one, todo, chunksize=4), start=1):
            rates.add(part)
            if say and time.monotonic() - told > TELL_S:
                told = time.monotonic()
                print(f"\n{done} weekends\n{table(rates)}", flush=True)
    return rates


def main() -> None:
    """Print the table, and the table so far every minute."""
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    sizes = (numbers + [100, 300, 0, 100][len(numbers) :])[:4]
    began = time.monotonic()
    rates = rates_of(tasks(*sizes), say=True)
    print(f"\n{table(rates)}\n\n{time.monotonic() - began:.0f} s")
    if "-v" in sys.argv:
        print("\n".join(rates.errors))


if __name__ == "__main__":
    main()
