"""Speed of stint plans and of the reply to cautions: python tests/benchmarks/bench_stints.py

Medians of processor time over five invented races in one process; ratios are what to look at. The
slow way is the textbook recursion over (lap, sets used) in plain Python, which gives the best plan
only.
"""

import time
from dataclasses import replace
from functools import cache
from statistics import median

import numpy as np

from tyrekit.plan.caution import caution_policy, measured_gain
from tyrekit.plan.caution_search import drawn_cautions
from tyrekit.plan.stint_search import FIRST, LAST, MIDDLE, ONLY
from tyrekit.plan.stints import StintRace, TyreSet, stint_plans, stint_problems
from tyrekit.record.event import Caution

SEEDS = range(5)


def race(laps, sets, **changes):
    most = max(3, sets - 1)
    fuel_kg = np.tile(3.0 + 1.8 * np.arange(laps + 1.0), (most + 1, 4, 1))
    caution = Caution(
        chance_per_lap=0.03, mean_laps=4.0, lap_time_pct=160.0, fuel_pct=45.0, pit_loss_s=14.0
    )
    values = {
        "session": "R", "laps": laps, "stop_s": 55.0, "standing_s": 25.0, "warm_up_s": 1.2,
        "least_stops": 1, "most_stops": most, "first_lap": 8, "last_lap": laps - 8,
        "change_tyres": True, "refuel": False, "fuel_kg": fuel_kg, "use_kg_per_lap": 1.8,
        "fuel_effect_s_per_kg": 0.02, "caution": caution,
    }  # fmt: skip
    return StintRace(**(values | changes))


def tyre_sets(number, laps, seed):
    rng = np.random.default_rng(seed)
    found = []
    for i in range(number):
        age = int(rng.integers(0, 16))
        at = age + np.arange(laps + 4.0)
        loss = rng.uniform(0.03, 0.06) * at + rng.uniform(0.0005, 0.002) * at**2
        found.append(TyreSet(f"S{i}", age, loss, laps + 4))
    return found


def plainly(one, sets):
    """Best plan by recursion over laps done and sets used, lap by lap."""
    (problem,) = stint_problems(one, sets)

    @cache
    def after(done, used):
        best = np.inf
        for k in range(len(sets)):
            if used >> k & 1:
                continue
            for laps in range(1, one.laps - done + 1):
                last = done + laps == one.laps
                role = (ONLY if last else FIRST) if done == 0 else (LAST if last else MIDDLE)
                cost = problem.tyre_s[k, role, laps] + problem.piece_s[role, laps]
                if cost == np.inf or (last and bin(used).count("1") < one.least_stops):
                    continue
                ahead = 0.0 if last else one.stop_s + after(done + laps, used | 1 << k)
                best = min(best, cost + ahead)
        return best

    return after(0, 0)


def timed(call, *args, **more):
    start = time.process_time()
    found = call(*args, **more)
    return time.process_time() - start, found


def stints():
    print("stint plans, ms: best plan | list of twenty | with stop window")
    for laps, number, refuel in ((60, 4, False), (200, 4, False), (200, 4, True), (200, 6, False)):
        one = race(laps, number, refuel=refuel)
        if refuel:
            fuel_kg = one.fuel_kg.copy()
            fuel_kg[..., 81:] = np.inf
            one = replace(one, fuel_kg=fuel_kg)
        rows = []
        for seed in SEEDS:
            sets = tyre_sets(number, laps, seed)
            best, _ = timed(stint_plans, one, sets, count=1)
            twenty, found = timed(stint_plans, one, sets)
            window, _ = timed(lambda found=found: found.window)
            rows.append((best, twenty, twenty + window))
        figures = " | ".join(f"{1e3 * median(c):6.1f}" for c in zip(*rows, strict=True))
        print(f"  {laps:3d} laps, {number} sets{', refuelling' if refuel else '':12s}: {figures}")


def against_plain():
    ratios = []
    for seed in SEEDS:
        one, sets = race(200, 4), tyre_sets(4, 200, seed)
        slow, value = timed(plainly, one, sets)
        fast, found = timed(stint_plans, one, sets, count=1)
        kept = sum(not c for c in found.best.table["changed"][1:])
        assert kept or abs(found.best.cost_s - value) < 1e-9
        ratios.append(slow / fast)
    print(f"  plain recursion takes {median(ratios):.0f} times as long (200 laps, 4 sets)")


def cautions():
    rows, gains, errors = [], [], []
    for seed in SEEDS:
        one, sets = race(60, 4), tyre_sets(4, 60, seed)
        policy_s, policy = timed(caution_policy, one, sets)
        rng = np.random.default_rng(seed)
        draw_s, flags = timed(drawn_cautions, one, 10_000, rng)
        run_s, _ = timed(policy.lost_s, flags)
        rows.append((policy_s, draw_s + run_s))
        gain = measured_gain(policy, 10_000, rng)
        gains.append((policy.gain_s, gain.gain_s, gain.se_s))
        errors.append((gain.unpaired_se_s / gain.se_s) ** 2)
    figures = [1e3 * median(c) for c in zip(*rows, strict=True)]
    print(f"reply to cautions, 60 laps: {figures[0]:.1f} ms with the best fixed plan;")
    print(f"  10,000 drawn races {figures[1]:.1f} ms")
    said = ", ".join(f"{a:.2f} ({b:.2f} ± {c:.2f})" for a, b, c in gains)
    print(f"  gain over the fixed plan, s, expected (measured): {said}")
    print(f"  same races for both plans: {median(errors):.1f} times fewer are needed")


def check_values(races=400_000):
    """Print how far expected losses are from those of drawn races, replies and fixed plan."""
    apart = {False: [], True: []}
    for seed in SEEDS:
        one, sets = race(60, 4), tyre_sets(4, 60, seed)
        policy = caution_policy(one, sets)
        rng = np.random.default_rng(9 + seed)
        flags = [drawn_cautions(one, 50_000, rng) for _ in range(races // 50_000)]
        for fixed, expected in ((False, policy.cost_s), (True, policy.fixed_cost_s)):
            drawn = np.concatenate([policy.lost_s(part, fixed=fixed) for part in flags])
            apart[fixed].append((drawn.mean() - expected) / (drawn.std() / np.sqrt(races)))
    print(f"  standard errors from the expected loss over {races:,} drawn races, five seeds:")
    for fixed, name in ((False, "with replies"), (True, "fixed plan")):
        print(f"    {name}: " + ", ".join(f"{z:+.2f}" for z in apart[fixed]))


if __name__ == "__main__":
    stints()
    against_plain()
    cautions()
    check_values()
