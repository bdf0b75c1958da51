"""The allocation against every fitting there is, against CP-SAT, and against itself.

Kind of the expected numbers: closed form by enumeration (small events) and other package
(OR-Tools CP-SAT, middle events), both from rules coded apart from the planner (`checker`).
"""

from __future__ import annotations

from dataclasses import replace
from itertools import count
from pathlib import Path

import checker
import numpy as np
import programme_model
import pytest
from random_events import middle_case, plan_of_table, problem_of, small_case
from scipy import sparse

from tyrekit.plan import effort
from tyrekit.plan import graph as graph_module
from tyrekit.plan import optimum as optimum_module
from tyrekit.plan import relaxation as relaxation_module
from tyrekit.plan.allocation import plan_problem
from tyrekit.plan.alternatives import distinct_plans, session_ages, signature_keys
from tyrekit.plan.fitting import plan_table
from tyrekit.plan.graph import build_graph
from tyrekit.plan.optimum import by_pools, optimum, solve_whole
from tyrekit.plan.search import FEASIBLE, IMPOSSIBLE, OPTIMAL, UNKNOWN, Whole, paths_of
from tyrekit.record.event import LongestLife, MinimumTread

SMALL = range(255)


def solved(case):
    graph = build_graph(problem_of(case))
    return (*optimum(graph), graph)


@pytest.fixture(scope="module")
def small_truth():
    """Seed -> least cost over all fittings, None for none; heavy cases left out."""
    truth = {}
    for seed in SMALL:
        try:
            truth[seed] = checker.every_best(small_case(seed), most=1_500)
        except checker.TooMany:
            continue
    return truth


def test_status_and_cost_equal_every_fitting_tried(small_truth):
    wrong = []
    for seed, best in small_truth.items():
        found, _, _ = solved(small_case(seed))
        expected = (IMPOSSIBLE, np.inf) if best is None else (OPTIMAL, best)
        if (found.status, found.cost) != expected:
            wrong.append((seed, expected, found.status, found.cost))
    assert not wrong
    assert len(small_truth) >= 200
    assert sum(best is None for best in small_truth.values()) >= len(small_truth) / 3


@pytest.mark.parametrize("rounds", [1, 2])
def test_cuts_that_find_no_end_change_no_answer(small_truth, monkeypatch, rounds):
    # these break cuts in every round: the last round's are never solved with
    monkeypatch.setattr(relaxation_module, "CUT_ROUNDS", rounds)
    for seed in (4, 7, 21, 52, 201, 215, 233, 251):
        best = small_truth.get(seed)
        found, relaxed, _ = solved(small_case(seed))
        assert len(relaxed.price) == len(relaxed.cost)
        if seed in small_truth:
            expected = (IMPOSSIBLE, np.inf) if best is None else (OPTIMAL, best)
            assert (found.status, found.cost) == expected


def test_every_plan_passes_the_checker_and_costs_what_it_says(small_truth):
    cases = [small_case(seed) for seed, best in small_truth.items() if best is not None]
    cases += [middle_case(seed) for seed in range(15)]
    for case in cases:
        found, _, graph = solved(case)
        if found.status == OPTIMAL:
            plan = plan_of_table(case, plan_table(graph, found.paths))
            assert checker.violations(case, plan) == []
            assert checker.plan_cost(case, plan) == found.cost


def test_cp_sat_proves_the_same_on_middle_events():
    proven = {True: 0, False: 0}
    for seed in range(52):
        case = middle_case(seed)
        try:
            best = programme_model.best_cost(case, most_work=0.6)
        except programme_model.NotProven:
            continue
        found, _, _ = solved(case)
        expected = (IMPOSSIBLE, np.inf) if best is None else (OPTIMAL, best)
        assert (found.status, found.cost) == expected, seed
        proven[best is None] += 1
    assert proven[False] >= 20 and proven[True] >= 5, proven


def whole_flow(relaxed):
    """Return status and cost of the best plan as a flow on the graph: no programme is listed."""
    graph = relaxed.graph
    arcs, ones = np.arange(len(graph.cost)), np.ones(len(graph.cost))
    balance = sparse.csr_array(
        (np.r_[ones, -ones], (np.r_[graph.head, graph.tail], np.r_[arcs, arcs])),
        shape=(graph.n_nodes, len(arcs)),
    )
    keep = balance[len(graph.classes) : int(graph.tail.max()) + 1]
    zeros = np.zeros(keep.shape[0])
    found = solve_whole(
        relaxed.cost,
        sparse.vstack([relaxed.matrix, keep]).tocsc(),
        np.r_[relaxed.rows_lower, zeros],
        np.r_[relaxed.rows_upper, zeros],
    )
    if found.counts is None:
        return found.status, np.inf
    return found.status, float(relaxed.path_cost(paths_of(graph, found.counts)).sum())


def test_pools_and_flow_on_the_graph_agree_with_the_search():
    for seed in (*range(40), *(1000 + n for n in range(12))):
        case = middle_case(seed - 1000) if seed >= 1000 else small_case(seed)
        found, relaxed, _ = solved(case)
        if not relaxed.possible:
            continue
        start = Whole(UNKNOWN, relaxed.paths[:0], bound=relaxed.bound)
        pools = by_pools(relaxed, start)
        for other in ((pools.status, pools.cost), whole_flow(relaxed)):
            assert other == (found.status, found.cost), seed


def test_a_limit_removed_is_never_worse_and_neither_is_a_tyre_added():
    for seed in range(300, 320):
        case = small_case(seed)
        cost = solved(case)[0].cost
        for at in range(len(case.limits)):
            freer = replace(case, limits=case.limits[:at] + case.limits[at + 1 :])
            assert solved(freer)[0].cost <= cost, (seed, at)
        more = replace(case, tyres=[*case.tyres, checker.Tyre("T99", 3, 1, 9.0, marked=True)])
        assert solved(more)[0].cost <= cost, seed


def test_the_order_of_tyres_changes_nothing():
    for seed in range(12):
        case = middle_case(seed)
        problem = problem_of(case)
        turned = replace(problem, tyres=problem.tyres[::-1])
        one, two = (optimum(build_graph(p))[0] for p in (problem, turned))
        assert (one.status, one.cost) == (two.status, two.cost), seed


def test_distinct_plans_are_the_best_of_every_signature_in_order():
    checked = 0
    for seed in range(400, 460):
        case = small_case(seed)
        if len(case.stints) > 2 or len(case.tyres) > 5:
            continue
        found, relaxed, graph = solved(case)
        if found.status != OPTIMAL:
            continue
        for first_only in (True, False):
            keys = signature_keys(graph, [0]) if first_only else session_ages(graph)
            listed = distinct_plans(relaxed, found, keys, 5)
            costs = [found.cost, *(plan.cost for plan in listed.plans)]
            truth = signature_costs(case, first_only)
            assert costs == truth[: len(costs)], (seed, first_only)
            assert listed.reason or len(costs) == min(6, len(truth))
            checked += 1
    assert checked >= 12


def signature_costs(case, first_only: bool) -> list[int]:
    """Return the least cost of every signature (ages on each axle), by trying all fittings."""
    best: dict[tuple, int] = {}
    wanted = [s.kind != "practice" for s in case.stints]
    wanted = wanted if any(wanted) else [True] * len(wanted)
    for cost, plan in checker.every_plan(case):
        states = {tyre.id: checker.start(tyre) for tyre in case.tyres}
        signature, before = [], None
        for at, (stint, fitted) in enumerate(zip(case.stints, plan, strict=True)):
            for axle in ("front", "rear"):
                on = [t for c, t in fitted.items() if checker.AXLE[c] == axle]
                if (at == 0) if first_only else wanted[at]:
                    signature.append(tuple(sorted(states[t].age for t in on)))
            for corner, tyre in fitted.items():
                kept = checker.stays_on(before, stint, corner, tyre)
                states[tyre] = checker.run(case, states[tyre], stint, corner, kept)
            before = fitted
        best[tuple(signature)] = min(best.get(tuple(signature), cost), cost)
    return sorted(best.values())


def test_a_solver_error_is_tried_again_and_never_called_impossible(monkeypatch):
    case = middle_case(11)
    found, relaxed, _ = solved(case)
    assert found.status == OPTIMAL
    start = Whole(UNKNOWN, relaxed.paths[:0], bound=relaxed.bound)
    real, asked = optimum_module.optimize.milp, []

    def failing(*arguments, options, **named):
        asked.append(options["presolve"])
        result = real(*arguments, options=options, **named)
        if options["presolve"] or always:
            result.update(status=4, x=None, mip_dual_bound=None)
        return result

    monkeypatch.setattr(optimum_module.optimize, "milp", failing)
    always = False
    again = by_pools(relaxed, start)
    assert (again.status, again.cost) == (OPTIMAL, found.cost) and False in asked
    always = True
    assert by_pools(relaxed, start).status == UNKNOWN


def test_out_of_nodes_keeps_the_plan_in_hand_and_says_so_plainly(monkeypatch):
    # three knapsacks of big numbers: a plan is soon found, its proof takes more than one node
    rng = np.random.default_rng(0)
    weight = rng.integers(1000, 100_000, (3, 60)).astype(float)
    room = np.floor(weight.sum(axis=1) / 2)
    columns = sparse.csc_array(np.vstack([weight, np.eye(60)]))
    lower, upper = np.full(63, -np.inf), np.r_[room, np.ones(60)]
    lower[3:] = 0.0
    cost = -rng.random(60) * weight.sum(axis=0)
    monkeypatch.setattr(optimum_module, "NODES", 1)
    found = optimum_module.solve_whole(cost, columns, lower, upper)
    assert found.status == FEASIBLE and (weight @ found.counts <= room).all()
    assert found.bound < cost @ found.counts
    lower[:3] = room  # to the last unit: next to no choice meets that
    none = optimum_module.solve_whole(cost, columns, lower, upper)
    assert (none.status, none.counts) == (UNKNOWN, None)
    for words in (found.reason, none.reason):
        assert words == "the work allowed for it was done"


def test_a_plan_out_of_time_says_how_far_it_may_be_from_the_best():
    case = middle_case(11)
    found, relaxed, _ = solved(case)
    pool = relaxed.pricing.within(relaxed.price, np.inf, 60_000)
    rough = optimum_module.whole_pool(relaxed, pool[::3])
    start = Whole(UNKNOWN, pool[:0], bound=relaxed.bound)
    kept = optimum_module._better(start, rough, relaxed, 0.0)
    assert kept.status == "feasible" and kept.bound <= found.cost <= kept.cost


def test_searches_are_limited_in_work_and_say_so_when_short():
    case = middle_case(11)
    found, relaxed, graph = solved(case)
    keys = session_ages(graph)
    short = [distinct_plans(relaxed, found, keys, 50, work=2e5) for _ in range(2)]
    assert short[0].reason == "the list of other plans is short: the work allowed for it was done"
    assert [p.cost for p in short[0].plans] == [p.cost for p in short[1].plans]
    longer = distinct_plans(relaxed, found, keys, 50, work=4e5)
    costs = [plan.cost for plan in longer.plans]
    assert costs[: len(short[0].plans)] == [plan.cost for plan in short[0].plans]


def test_only_the_last_resort_looks_at_the_clock(monkeypatch):
    plan_room = Path(effort.__file__).parent
    modules = (
        "allocation alternatives clash fork graph next_session optimum outlook pricing relaxation"
        " search signature worth"
    )
    for name in modules.split():
        assert "import time" not in (plan_room / f"{name}.py").read_text(encoding="utf-8"), name
    clock = count(0, 1000)
    monkeypatch.setattr(effort.time, "monotonic", lambda: float(next(clock)))
    found, relaxed, graph = solved(middle_case(11))
    assert "this machine is slow" in distinct_plans(relaxed, found, session_ages(graph), 5).reason


@pytest.mark.parametrize(("seed", "mm", "status"), [(7, 4.0, "feasible"), (6, 5.0, OPTIMAL)])
def test_an_event_too_large_is_planned_without_changes_of_corner(seed, mm, status, monkeypatch):
    """The bound is that of the event without its tread limit; where it is met, that is a proof."""
    life = LongestLife(kind="longest_life", laps=70)
    depth = MinimumTread(kind="minimum_tread", mm=mm, confidence_pct=90.0)
    case = replace(middle_case(seed), limits=[depth, life])
    found, _, graph = solved(case)
    monkeypatch.setattr(graph_module, "MOST_ARCS", len(graph.cost) - 1)
    plan = plan_problem(graph.problem, alternatives=0)
    assert plan.status == status
    assert status == OPTIMAL or "too large to plan changes of corner" in plan.notes[-1]
    assert plan.bound_s <= found.cost_s <= plan.cost_s
    assert (plan.cost_s == found.cost_s) == (status == OPTIMAL)
    assert checker.violations(case, plan_of_table(case, plan.table)) == []


def test_impossible_is_an_answer_with_reasons():
    case = next(
        small_case(seed)
        for seed in range(100)
        if checker_says_impossible(small_case(seed)) and small_case(seed).limits
    )
    plan = plan_problem(problem_of(case))
    assert plan.status == IMPOSSIBLE and plan.blocked_by and not len(plan.table)


def checker_says_impossible(case) -> bool:
    try:
        return checker.every_best(case, most=5_000) is None
    except checker.TooMany:
        return False
