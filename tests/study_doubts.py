"""How often the doubts find planted faults, and how often they cry wolf.

``python tests/study_doubts.py [weekends] [clean] [first seed]``: so many weekends per fault
(default 100) and so many clean ones (300), each written to a folder with its faults and opened as
any weekend is. Simulated truth; the generator knows no threshold of the checks.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from planted_faults import ROUNDS, Expected, Plant, found
from written_weekends import Written, weekend

from tyrekit.errors import InputError
from tyrekit.record.evidence import Doubt
from tyrekit.record.weekend import Weekend

REFUSALS = ("runs overlap", "refused")
# Faults of which only larger ones can be seen: the least size that counts, and in what.
SEEN_FROM = {
    "wrong_set": (8.0, "laps of age"), "tread_transposed": (0.5, "mm"),
    "missing_drain": (6.0, "l"), "pressure_typed": (0.15, "bar"),
}  # fmt: skip


@dataclass
class Rates:
    """Counts of planted and found faults by kind, and of clean weekends by doubt."""

    planted: Counter[str] = field(default_factory=Counter)
    hits: Counter[str] = field(default_factory=Counter)
    clean: int = 0
    alarms: Counter[str] = field(default_factory=Counter)
    sure: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    errors: list[str] = field(default_factory=list)

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


def clean(rates: Rates, seed: int) -> None:
    """Count what is doubted in a clean weekend."""
    rates.clean += 1
    for name in {d.name for d in doubts_of(weekend(seed))}:
        rates.alarms[name] += 1


def planted(rates: Rates, seed: int, kinds: Sequence[Plant]) -> None:
    """Plant one fault of each kind into a weekend and count those found."""
    rng = np.random.default_rng([seed, 7])
    written = weekend(seed)
    expected: dict[str, Expected] = {}
    for plant in kinds:
        wanted = plant(written, rng)
        if wanted is not None:
            expected[_label(plant.__name__, wanted.size)] = wanted
    doubts = doubts_of(written)
    refused = [d.name for d in doubts if d.name in REFUSALS]
    for kind, wanted in expected.items():
        if refused and not set(refused) & set(wanted.names):
            continue  # the other faults are seen once what refuses the weekend is put right
        rates.planted[kind] += 1
        hit = found(doubts, wanted)
        rates.hits[kind] += hit
        if not hit:
            rates.errors.append(f"{seed} {kind} {wanted} {[d.name for d in doubts]}")


def _label(kind: str, size: float) -> str:
    if kind not in SEEN_FROM or np.isnan(size):
        return kind
    least, unit = SEEN_FROM[kind]
    return f"{kind}, {'from' if size >= least else 'under'} {least:g} {unit}"


def run(weekends: int, clean_weekends: int, first: int = 0, say: bool = False) -> Rates:
    """Return the rates over so many seeds per round of faults and so many clean weekends."""
    rates = Rates()
    for seed in range(first, first + clean_weekends):
        clean(rates, seed)
    for number, kinds in enumerate(ROUNDS):
        if say:
            print(f"round {number + 1} of {len(ROUNDS)}", file=sys.stderr, flush=True)
        for seed in range(weekends):
            planted(rates, first + 10_000 * (number + 1) + seed, kinds)
    return rates


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


def main() -> None:
    """Print the table."""
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    weekends, clean_weekends, first = (numbers + [100, 300, 0][len(numbers) :])[:3]
    began = time.process_time()
    rates = run(weekends, clean_weekends, first, say=True)
    print(table(rates))
    print(f"\n{time.process_time() - began:.0f} s of processor time")
    if "-v" in sys.argv:
        print("\n".join(rates.errors))


if __name__ == "__main__":
    main()
