"""The allocation as a CP-SAT model over every programme of every tyre.

Programmes are listed by the plain rules of `checker`, one tyre at a time, and the coupling rules
are written again for CP-SAT: nothing comes from `tyrekit.plan`.
"""

from __future__ import annotations

from checker import AXLE, CORNERS, Case, cost_units, may_run, run, start, stays_on
from ortools.sat.python import cp_model


def programmes(case: Case, tyre) -> list[dict]:
    """Return every programme of one tyre: corner or None per stint, ages, cost, usable spare."""
    found = []
    kept_sessions = {keep.session for keep in case.of_kind("keep_spare")}

    def go(at, now, corners, ages, cost, fits):
        if at == len(case.stints):
            found.append({"corners": corners, "ages": ages, "cost": cost, "fits": fits})
            return
        stint = case.stints[at]
        last = corners[-1] if corners and stint.number > 1 else None
        spare = dict(fits)
        if stint.session in kept_sessions and stint.number == 1:
            spare[stint.session] = tuple(
                c for c in CORNERS if not may_run(case, tyre, now, stint, c, False)
            )
        go(at + 1, now, (*corners, None), (*ages, now.age), cost, spare)
        for corner in CORNERS:
            kept = stays_on({corner: tyre.id} if last == corner else {}, stint, corner, tyre.id)
            if last is not None and last != corner:
                continue
            if may_run(case, tyre, now, stint, corner, kept) or breaks_alone(
                case, tyre, now, stint, corner
            ):
                continue
            go(
                at + 1,
                run(case, now, stint, corner, kept),
                (*corners, corner),
                (*ages, now.age),
                cost + cost_units(case, now, stint, corner, kept),
                fits,
            )

    go(0, start(tyre), (), (), 0, {})
    return [one for one in found if not lock_missed(case, tyre, one)]


def breaks_alone(case: Case, tyre, now, stint, corner) -> bool:
    if stint.number > 1:
        return False
    known = {s for t in case.tyres for s in t.ran_in} | {s.session for s in case.stints}
    return any(
        same.session == stint.session and same.same_as in known and same.same_as not in now.sessions
        for same in case.of_kind("start_on")
    ) or any(
        lock.session == stint.session and lock.tyres.get(corner, tyre.id) != tyre.id
        for lock in case.of_kind("lock")
    )


def lock_missed(case: Case, tyre, programme) -> bool:
    return any(
        tyre.id == named and programme["corners"][at] != corner
        for lock in case.of_kind("lock")
        for corner, named in lock.tyres.items()
        for at, stint in enumerate(case.stints)
        if stint.session == lock.session and stint.number == 1
    )


class NotProven(Exception):
    """CP-SAT stopped before its proof."""


def best_cost(case: Case, most_work: float = 1e9) -> int | None:
    """Return the least cost, None when CP-SAT proves that there is no plan.

    Raises `NotProven` after `most_work` of CP-SAT's own deterministic time.
    """
    model = cp_model.CpModel()
    chosen = {}
    for tyre in case.tyres:
        own = [(model.new_bool_var(""), one) for one in programmes(case, tyre)]
        if not own:
            return None
        model.add_exactly_one(x for x, _ in own)
        chosen[tyre.id] = own
    for at in range(len(case.stints)):
        for corner in CORNERS:
            model.add_exactly_one(on_corner(chosen, at, corner))
    match_axles(case, model, chosen)
    count_tyres(case, model, chosen, keep_spares(case, model, chosen))
    model.minimize(sum(x * one["cost"] for own in chosen.values() for x, one in own))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.max_deterministic_time = most_work
    solver.parameters.linearization_level = 2
    solver.parameters.symmetry_level = 2
    status = solver.solve(model)
    if status not in (cp_model.OPTIMAL, cp_model.INFEASIBLE):
        raise NotProven
    return round(solver.objective_value) if status == cp_model.OPTIMAL else None


def on_corner(chosen, at, corner):
    return [x for own in chosen.values() for x, one in own if one["corners"][at] == corner]


def match_axles(case: Case, model, chosen) -> None:
    """For every age: a tyre up to it on one side forbids one too much older on the other."""
    for matched in case.of_kind("matched_axle"):
        for at in range(len(case.stints)):
            for young, old in (("FL", "FR"), ("FR", "FL"), ("RL", "RR"), ("RR", "RL")):
                on = {
                    corner: [
                        (one["ages"][at], x)
                        for own in chosen.values()
                        for x, one in own
                        if one["corners"][at] == corner
                    ]
                    for corner in (young, old)
                }
                for limit in {age for age, _ in on[young]}:
                    model.add_at_most_one(
                        [x for age, x in on[young] if age <= limit]
                        + [x for age, x in on[old] if age > limit + matched.laps]
                    )


def keep_spares(case: Case, model, chosen) -> list:
    """Return (session, tyre, variable) of every possible spare."""
    kept = []
    for keep in case.of_kind("keep_spare"):
        at = [i for i, stint in enumerate(case.stints) if stint.session == keep.session]
        groups = [(c,) for c in CORNERS]
        if keep.per == "axle":
            groups = [tuple(c for c in CORNERS if AXLE[c] == a) for a in ("front", "rear")]
        by_tyre: dict[str, list] = {tyre.id: [] for tyre in case.tyres}
        for group in groups if at else ():
            options = []
            for tyre_id, own in chosen.items():
                usable = [
                    x
                    for x, one in own
                    if all(one["corners"][i] is None for i in at)
                    and set(one["fits"].get(keep.session, ())) & set(group)
                ]
                spare = model.new_bool_var("")
                model.add(spare <= sum(usable))
                options.append(spare)
                by_tyre[tyre_id].append(spare)
                kept.append((keep.session, tyre_id, spare))
            model.add_exactly_one(options)
        for spares in by_tyre.values():
            model.add(sum(spares) <= 1)
    return kept


def count_tyres(case: Case, model, chosen, kept) -> None:
    def at_most(most: int, tyres, sessions) -> None:
        inside = [i for i, s in enumerate(case.stints) if sessions is None or s.session in sessions]
        counted = []
        for tyre in tyres:
            uses = [x for x, one in chosen[tyre] if any(one["corners"][i] for i in inside)]
            uses += [v for s, t, v in kept if t == tyre and (sessions is None or s in sessions)]
            used = model.new_bool_var("")
            for use in uses:
                model.add(used >= use)
            counted.append(used)
        model.add(sum(counted) <= max(most, 0))

    for new in case.of_kind("new_tyres"):
        already = sum(tyre.new and tyre.used for tyre in case.tyres)
        at_most(new.most - already, [t.id for t in case.tyres if t.new and not t.used], None)
    for pool in case.of_kind("pool"):
        before = {t.id for t in case.tyres if set(t.ran_in) & set(pool.sessions)}
        others = [t.id for t in case.tyres if t.id not in before]
        at_most(pool.most - len(before), others, pool.sessions)


if __name__ == "__main__":  # minutes: python tests/plan/programme_model.py 24
    import sys

    from random_events import middle_case, problem_of

    from tyrekit.plan.graph import build_graph
    from tyrekit.plan.optimum import optimum

    for seed in range(int(sys.argv[1])):
        case = middle_case(seed)
        found, _ = optimum(build_graph(problem_of(case)))
        print(seed, found.status, found.cost, "CP-SAT:", best_cost(case), flush=True)
