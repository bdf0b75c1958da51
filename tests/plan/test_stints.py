"""Stint plans against an enumeration that knows nothing of the search.

`every_plan` walks over each lap-by-lap way to run a race and adds up what it costs from the
definitions; expected values are its output (closed form by enumeration) unless a test says
otherwise. The races are invented.
"""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from tyrekit.plan.stint_search import FIRST, LAST, MIDDLE, ONLY
from tyrekit.plan.stints import StintRace, TyreSet, stint_plans


def race(laps, **changes):
    """A race of `laps` with a stop of 20 s and petrol for all of it."""
    use, effect = 1.8, 0.02
    n = np.arange(laps + 1.0)
    fuel_kg = np.tile(3.0 + use * n, (4, 4, 1))
    values = {
        "session": "R", "laps": laps, "stop_s": 20.0, "warm_up_s": 1.2, "least_stops": 1,
        "most_stops": 3, "first_lap": 2, "last_lap": laps - 2, "change_tyres": True,
        "refuel": False, "fuel_kg": fuel_kg, "use_kg_per_lap": use,
        "fuel_effect_s_per_kg": effect,
    }  # fmt: skip
    return StintRace(**(values | changes))


def tyre_set(name, laps, *, age=0, rate=0.5, curve=0.02, life=None, draws=None):
    at = age + np.arange(laps + 4.0)
    loss = rate * at + curve * at**2
    drawn = None if draws is None else np.outer(draws, loss)
    return TyreSet(name, age, loss, len(at) if life is None else life, drawn)


def random_case(rng, *, refuel=None):
    laps = int(rng.integers(6, 11))
    refuel = bool(rng.integers(2)) if refuel is None else refuel
    least = int(rng.integers(0, 3))
    formation, cool_down = int(rng.integers(0, 2)), int(rng.integers(0, 2))
    fuel_kg = np.tile(2.0 + 1.8 * np.arange(laps + 1.0), (least + 2, 4, 1))
    fuel_kg += float(rng.uniform(0, 4)) * np.arange(least + 2.0)[:, None, None]  # risk is shared
    fuel_kg[:, [FIRST, ONLY]] += 0.9 * formation
    fuel_kg[:, [LAST, ONLY]] += 0.9 * cool_down
    if refuel:
        reach = int(rng.integers(3, laps))
        for stops in range(least + 2):
            fuel_kg[stops, :, max(reach - stops + least, 2) :] = np.inf
    first = int(rng.integers(1, 4))
    one = race(
        laps, stop_s=float(rng.uniform(1, 8)), warm_up_s=float(rng.uniform(0, 2)),
        least_stops=least, most_stops=least + 1, first_lap=first,
        last_lap=int(rng.integers(first, laps)), change_tyres=bool(rng.integers(5)),
        refuel=refuel, fuel_kg=fuel_kg, fuel_effect_s_per_kg=float(rng.uniform(0, 0.2)),
        formation_laps=formation, cool_down_laps=cool_down, formation_kg=0.9 * formation,
    )  # fmt: skip
    sets, count = [], int(rng.integers(1, 4))
    while len(sets) < count:
        age, life = int(rng.integers(0, 8)), int(rng.integers(3, laps + 3))
        sets.append(
            tyre_set(f"S{len(sets)}", laps, age=age, rate=float(rng.uniform(0, 1)), life=life)
        )
        if len(sets) < count and rng.integers(3) == 0:
            sets.append(tyre_set(f"S{len(sets)}", laps, age=age, rate=0.0, life=life))
            sets[-1] = TyreSet(f"S{len(sets) - 1}", age, sets[-2].lap_loss_s, life)
    return one, sets


def every_plan(race, sets):
    """Yield (stints, cost) of every legal way: stints are (set index, laps, changed)."""
    allowed = [x for x in range(1, race.laps) if race.first_lap <= x <= race.last_lap]

    def walk(done, stints):
        ends = ([race.laps] if len(stints) >= race.least_stops else []) + [
            x for x in allowed if x > done and len(stints) < race.most_stops
        ]
        for end in ends:
            used = [s for s, _, _ in stints]
            for k in range(len(sets)):
                stays = bool(used) and used[-1] == k
                if (k in used and not stays) or (used and not stays and not race.change_tyres):
                    continue
                now = [*stints, (k, end - done, bool(used) and not stays)]
                if end == race.laps:
                    yield now
                else:
                    yield from walk(end, now)

    for stints in walk(0, []):
        kept = [sum(not c for j, _, c in stints[1:] if j == k) for k in range(len(sets))]
        if not race.refuel and max(kept) > race.least_stops:
            continue  # a stop for nothing is planned only when the rules ask for it
        cost = cost_of(race, sets, stints)
        if np.isfinite(cost):
            yield stints, cost


def cost_of(race, sets, stints):
    run, cost = [0] * len(sets), race.stop_s * (len(stints) - 1)
    for i, (k, laps, _) in enumerate(stints):
        first, last = i == 0, i == len(stints) - 1
        role = ONLY if first and last else FIRST if first else LAST if last else MIDDLE
        run[k] += race.formation_laps if first else 0
        cost += race.warm_up_s
        own = race.fuel_kg[len(stints) - 1]
        load = own[role, laps]
        if not np.isfinite(load if race.refuel else own[ONLY, -1]):
            return np.inf
        load -= race.formation_kg if first else 0.0
        for _ in range(laps):
            cost += sets[k].lap_loss_s[run[k]]
            run[k] += 1
            if race.refuel:
                cost += race.fuel_effect_s_per_kg * load
                load -= race.use_kg_per_lap
        life = sets[k].longest_laps - (race.cool_down_laps if last else 0)
        if run[k] > life:
            return np.inf
    return cost


def alike(sets, k):
    return next(j for j in range(len(sets)) if sets[j].alike(sets[k]))


def twenty_best(race, sets):
    """Return the twenty cheapest by what differs: kind of set, laps on it, kept stops."""
    best = {}
    for stints, cost in every_plan(race, sets):
        laps, kept = {}, {}
        for k, n, _changed in stints:
            laps[k] = laps.get(k, 0) + n
            kept[k] = kept.get(k, -1) + 1
        mark = tuple(sorted((alike(sets, k), laps[k], kept[k]) for k in laps))
        best[mark] = min(cost, best.get(mark, np.inf))
    return sorted(best.items(), key=lambda item: item[1])[:20], len(best)


@pytest.mark.parametrize("seed", range(60))
def test_best_and_list_of_twenty_equal_enumeration(seed):
    one, sets = random_case(np.random.default_rng(seed))
    expected, _ = twenty_best(one, sets)
    found = stint_plans(one, sets)
    assert found.status == ("optimal" if expected else "impossible")
    assert [p.cost_s for p in found.plans] == pytest.approx([c for _, c in expected], abs=1e-9)
    assert bool(found.blocked_by) == (not expected)


def test_enumeration_met_both_answers():
    # of the sixty races above; guards against a list of impossible ones only
    cases = [random_case(np.random.default_rng(seed)) for seed in range(60)]
    possible = sum(next(every_plan(*case), None) is not None for case in cases)
    assert 15 <= possible <= 55


@pytest.mark.parametrize("seed", range(12))
def test_tables_cost_what_they_say_and_obey_the_rules(seed):
    one, sets = random_case(np.random.default_rng(100 + seed))
    names = [s.name for s in sets]
    for plan in stint_plans(one, sets).plans:
        table = plan.table
        stints = [(names.index(r.set), r.laps, r.changed) for r in table.itertuples(index=False)]
        assert cost_of(one, sets, stints) == pytest.approx(plan.cost_s, abs=1e-9)
        assert table["laps"].sum() == one.laps
        assert plan.stops == tuple(table["last_lap"][:-1])
        assert all(one.first_lap <= lap <= one.last_lap for lap in plan.stops)
        assert one.least_stops <= len(plan.stops) <= one.most_stops
        assert plan.difference_s >= 0


@pytest.mark.parametrize("seed", range(20))
def test_stop_window_equals_enumeration(seed):
    one, sets = random_case(np.random.default_rng(200 + seed))
    found = stint_plans(one, sets)
    if found.status == "impossible" or not found.best.stops:
        return
    table = found.best.table
    names = [s.name for s in sets]
    planned = [(names.index(r.set), r.laps) for r in table.itertuples(index=False)]
    lost = {(r.stop, r.lap): r.lost_s for r in found.window.itertuples(index=False)}
    expected = {}
    for stints, cost in every_plan(one, sets):
        ends = np.cumsum([n for _, n, _ in stints])
        for stop in range(1, len(planned)):
            before = [(k, n) for k, n, _ in stints[: stop - 1]]
            if len(stints) <= stop or before != planned[: stop - 1]:
                continue
            if stints[stop - 1][0] != planned[stop - 1][0]:
                continue  # the tyres on the car when the stop comes are the planned ones
            key = (stop, int(ends[stop - 1]))
            expected[key] = min(cost - found.best.cost_s, expected.get(key, np.inf))
    assert lost.keys() == expected.keys()
    assert lost == pytest.approx(expected, abs=1e-9)
    for stop, lap in enumerate(found.best.stops, start=1):
        assert lost[stop, lap] == pytest.approx(0.0, abs=1e-9)


def test_equal_sets_share_the_laps_evenly():
    # closed form: the sum of equal convex losses is least when laps differ by at most one
    sets = [tyre_set(f"N{i}", 62) for i in range(3)]
    found = stint_plans(race(62, least_stops=2, most_stops=2), sets, count=5)
    assert sorted(found.best.table["laps"]) == [20, 21, 21]
    assert len({tuple(sorted(p.table["laps"])) for p in found.plans}) == 5


def test_two_stints_of_linear_loss_meet_at_the_textbook_lap():
    # closed form: d (n - 1) + a = d (L - n - 1) + b at the best split, n = L/2 + (b - a) / 2d
    # for losses at first lap a, b and d a lap: 10 laps older by age means 5 laps fewer
    fresh = tyre_set("N", 40, curve=0.0, rate=0.1)
    worn = tyre_set("U", 40, age=10, curve=0.0, rate=0.1)
    best = stint_plans(race(40, most_stops=1), [worn, fresh]).best
    laps = dict(zip(best.table["set"], best.table["laps"], strict=True))
    assert laps == {"N": 25, "U": 15}


def test_fuel_is_added_just_as_much_as_the_stint_needs():
    # closed form: the shorter the stint the lighter; equal tyres, so the split is even
    one = race(40, refuel=True, most_stops=1, fuel_effect_s_per_kg=0.05)
    best = stint_plans(one, [tyre_set("A", 44, curve=0), tyre_set("B", 44, curve=0)]).best
    assert list(best.table["laps"]) == [20, 20]
    assert list(best.table["fuel_kg"]) == pytest.approx([3.0 + 1.8 * 20] * 2)


def test_without_refuelling_fuel_runs_down():
    best = stint_plans(race(20, most_stops=1), [tyre_set("A", 24), tyre_set("B", 24)]).best
    start, later = best.table["fuel_kg"]
    assert start == pytest.approx(3.0 + 1.8 * 20)
    assert later == pytest.approx(start - 1.8 * best.stops[0])


def test_a_small_tank_forces_more_stops():
    fuel_kg = race(30).fuel_kg.copy()
    fuel_kg[..., 12:] = np.inf
    best = stint_plans(race(30, refuel=True, fuel_kg=fuel_kg), [tyre_set("A", 34)]).best
    assert len(best.stops) == 2
    assert not best.table["changed"].any()


def test_impossible_names_the_rule_in_the_way():
    short = [tyre_set("A", 24, life=8), tyre_set("B", 24, life=8)]
    words = " ".join(stint_plans(race(20, most_stops=1), short).blocked_by)
    assert "A 8, B 8" in words
    late = race(20, first_lap=17, last_lap=18, most_stops=1)
    words = " ".join(stint_plans(late, [tyre_set("A", 24, life=12)] * 2).blocked_by)
    assert "laps 17 to 18" in words
    empty = race(20, fuel_kg=np.full((4, 4, 21), np.inf))
    assert "tank" in " ".join(stint_plans(empty, [tyre_set("A", 24)]).blocked_by)
    assert "no tyre set" in stint_plans(race(20), []).blocked_by[0]


def test_chance_of_being_best_over_draws():
    # with losses doubled or nothing the plans that differ in tyres swap places
    draws = np.array([0.0, 2.0])
    sets = [tyre_set("A", 24, draws=draws), tyre_set("B", 24, age=6, draws=draws)]
    found = stint_plans(race(20, stop_s=30.0, least_stops=0, most_stops=1), sets)
    chances = [plan.chance_best for plan in found.plans]
    assert sum(chances) == pytest.approx(1.0)
    assert max(chances) < 1.0


def test_a_rule_less_never_costs_more():
    for seed in range(15):
        one, sets = random_case(np.random.default_rng(300 + seed))
        strict = stint_plans(one, sets, count=1).plans
        wide = replace(one, first_lap=1, last_lap=one.laps - 1)
        free = stint_plans(wide, sets, count=1).plans
        if strict:
            assert free and free[0].cost_s <= strict[0].cost_s + 1e-9


def test_ranking_lists_the_plans_in_words():
    found = stint_plans(race(20, most_stops=1), [tyre_set("A", 24), tyre_set("B", 24, age=3)])
    ranking = found.ranking
    assert list(ranking["rank"]) == list(range(1, len(found.plans) + 1))
    assert ranking["difference_s"].is_monotonic_increasing
    assert ranking["stops"][0] == str(found.best.stops[0])
    assert "A " in ranking["sets"][0] and "B " in ranking["sets"][0]
    assert stint_plans(race(20), []).ranking.empty


def test_order_of_sets_changes_nothing():
    one, sets = random_case(np.random.default_rng(7), refuel=False)
    there = [p.cost_s for p in stint_plans(one, sets).plans]
    back = [p.cost_s for p in stint_plans(one, sets[::-1]).plans]
    assert there == pytest.approx(back, abs=1e-9)
    assert all(a <= b for a, b in pairwise(there))
