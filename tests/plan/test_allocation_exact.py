"""The tyre plan against brute force over every fitment.

Kind of every expected number: closed form (all fitments enumerated, the limits re-coded in
``checker`` from the contract alone).
Statuses are compared as well as values: "no plan" must be "no plan" on both sides.
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from checker import TooMany, every_best
from random_events import problem_of, small_case

from tyrekit.plan.graph import build_graph
from tyrekit.plan.optimum import optimum

SMALL = range(260)
MOST_NODES = 15_000  # brute force gives up beyond


def verdict(case):
    """Return the kit's status and cost, in the integer units both sides share."""
    found, _ = optimum(build_graph(problem_of(case)))
    assert found.status in ("optimal", "impossible")
    return None if found.status == "impossible" else found.cost


def test_small_events_equal_brute_force():
    compared = impossible = 0
    wrong = []
    for seed in SMALL:
        case = small_case(seed)
        try:
            best = every_best(case, MOST_NODES)
        except TooMany:
            continue
        compared += 1
        impossible += best is None
        got = verdict(case)
        if got != best:
            wrong.append((seed, best, got))
    print(f"{compared} small events, {impossible} of them impossible, {len(wrong)} differ")
    assert not wrong
    assert compared >= 200 and impossible >= compared / 5
