"""The tyre allocation written straight down for CP-SAT: where is each tyre, how old, what cost.

The comparison of `bench_allocation`: no programmes, no state graph; ages and heat cycles are
variables and the loss is looked up by them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from ortools.sat.python import cp_model

from tyrekit.plan.loss import expected_table
from tyrekit.plan.problem import AXLES, COST_UNIT_S, SIDES, AllocationProblem
from tyrekit.record import event as records

MICRON = 1000


class DirectModel:
    """Boolean x[tyre, stint, corner], integer age and cycles, element constraints for the cost."""

    def __init__(self, problem: AllocationProblem) -> None:
        self.problem, self.model = problem, cp_model.CpModel()
        n, s = len(problem.tyres), len(problem.stints)
        self.x = np.array(
            [[[self.model.new_bool_var("") for _ in range(4)] for _ in range(s)] for _ in range(n)]
        )
        self.on = self.x.sum(axis=2)
        self.laps = [stint.tyre_laps for stint in problem.stints]
        for stint in range(s):
            for corner in range(4):
                self.model.add_exactly_one(list(self.x[:, stint, corner]))
            for tyre in range(n):
                self.model.add_at_most_one(list(self.x[tyre, stint]))
                for corner in set(range(4)) - problem.tyres[tyre].corners:
                    self.model.add(self.x[tyre, stint, corner] == 0)
        self.kept: list = []
        self._order_of_equals()
        self._costs()
        for limit in sorted(problem.limits, key=lambda limit: limit.rule.kind != "keep_spare"):
            getattr(self, f"_{limit.rule.kind}")(limit.rule)

    def _order_of_equals(self) -> None:
        """Tyres alike may be exchanged: only one order of what they do is kept."""
        stints = range(len(self.laps))
        do = [
            sum(
                5 ** (len(self.laps) - 1 - s) * (c + 1) * self.x[t, s, c]
                for s in stints
                for c in range(4)
            )
            for t in range(len(self.problem.tyres))
        ]
        alike: dict[object, int] = {}
        for t, tyre in enumerate(self.problem.tyres):
            key = replace(tyre, tyre_id="")
            if key in alike:
                self.model.add(do[alike[key]] >= do[t])
            alike[key] = t

    def age(self, tyre: int, stint: int):
        """Return the tyre's age at the start of a stint."""
        run = sum(self.laps[i] * self.on[tyre, i] for i in range(stint))
        return self.problem.tyres[tyre].age_laps + run

    def cycles(self, tyre: int, stint: int):
        """Return its heat cycles at the start of a stint."""
        return self.problem.tyres[tyre].heat_cycles + sum(self.on[tyre, :stint])

    def _costs(self) -> None:
        """One Boolean for each age and count of cycles a tyre may start a stint with.

        Much tighter than looking the loss up by an integer age: that proves nothing in minutes.
        """
        problem, table, total = self.problem, expected_table(self.problem), []
        for t, tyre in enumerate(problem.tyres):
            reached = {(tyre.age_laps, tyre.heat_cycles)}
            for s, stint in enumerate(problem.stints):
                states = sorted(reached)
                ages, cycles = (np.array(column) for column in zip(*states, strict=True))
                loss = table.stint_s(stint, ages, cycles)[0]
                chosen = [self.model.new_bool_var("") for _ in states]
                self.model.add_exactly_one(chosen)
                self.model.add(
                    self.age(t, s) == sum(int(a) * v for a, v in zip(ages, chosen, strict=True))
                )
                self.model.add(
                    self.cycles(t, s)
                    == sum(int(c) * v for c, v in zip(cycles, chosen, strict=True))
                )
                for c, share in enumerate(problem.corner_share):
                    both = [self.model.new_bool_var("") for _ in states]
                    self.model.add(sum(both) == self.x[t, s, c])
                    for one, state in zip(both, chosen, strict=True):
                        self.model.add_implication(one, state)
                    cost = np.rint(stint.value * share * loss / COST_UNIT_S).astype(int)
                    total.append(sum(int(k) * v for k, v in zip(cost, both, strict=True)))
                reached |= {(a + self.laps[s], c + 1) for a, c in reached}
        self.model.minimize(sum(total))

    def _used(self, tyre: int, stints) -> object:
        used = self.model.new_bool_var("")
        for stint in stints:
            self.model.add(used >= self.on[tyre, stint])
        for at, spare_tyre, variable in self.kept:
            if spare_tyre == tyre and at in stints:
                self.model.add(used >= variable)
        return used

    def _new_tyres(self, rule: records.NewTyres) -> None:
        new = [t for t, tyre in enumerate(self.problem.tyres) if tyre.unused]
        every = range(len(self.laps))
        self.model.add(sum(self._used(t, every) for t in new) <= rule.most)

    def _pool(self, rule: records.Pool) -> None:
        inside = [s for s, one in enumerate(self.problem.stints) if one.session in rule.sessions]
        used = [self._used(t, inside) for t in range(len(self.problem.tyres))]
        self.model.add(sum(used) <= rule.most)

    def _start_on(self, rule: records.StartOn) -> None:
        start, source = (self.problem.stints_of(name)[0] for name in (rule.session, rule.same_as))
        for tyre in range(len(self.problem.tyres)):
            self.model.add(self.on[tyre, start] == self.on[tyre, source])

    def _minimum_tread(self, rule: records.MinimumTread) -> None:
        rate = self.problem.wear_high[rule.confidence_pct].run_in_mm[:, 1]
        for t, tyre in enumerate(self.problem.tyres):
            room = int((tyre.tread_low_mm - rule.mm) * MICRON + 1e-6)
            for s in range(len(self.laps)):
                worn = sum(
                    round(rate[c] * self.laps[i] * MICRON) * self.x[t, i, c]
                    for i in range(s + 1)
                    for c in range(4)
                )
                self.model.add(worn <= room).only_enforce_if(self._is_on(t, s))

    def _is_on(self, tyre: int, stint: int):
        on = self.model.new_bool_var("")
        self.model.add(on == self.on[tyre, stint])
        return on

    def _longest_life(self, rule: records.LongestLife) -> None:
        for t in range(len(self.problem.tyres)):
            for s in range(len(self.laps)):
                on = self._is_on(t, s)
                if rule.laps is not None:
                    self.model.add(self.age(t, s) + self.laps[s] <= rule.laps).only_enforce_if(on)
                if rule.heat_cycles is not None:
                    fits = self.cycles(t, s) + 1 <= rule.heat_cycles
                    self.model.add(fits).only_enforce_if(on)

    def _same_side(self, rule: records.SameSide) -> None:
        for t in range(len(self.problem.tyres)):
            left = self.model.new_bool_var("")
            for s in range(len(self.laps)):
                for corner in SIDES["right"]:
                    self.model.add(self.x[t, s, corner] + left <= 1)
                for corner in SIDES["left"]:
                    self.model.add(self.x[t, s, corner] <= left)

    def _matched_axle(self, rule: records.MatchedAxle) -> None:
        for s in range(len(self.laps)):
            for axle in AXLES.values():
                ages = []
                for corner in axle:
                    age = self.model.new_int_var(0, 500, "")
                    for t in range(len(self.problem.tyres)):
                        self.model.add(age == self.age(t, s)).only_enforce_if(self.x[t, s, corner])
                    ages.append(age)
                self.model.add_linear_constraint(ages[0] - ages[1], -rule.laps, rule.laps)

    def _scrubbed_before(self, rule: records.ScrubbedBefore) -> None:
        for s, stint in enumerate(self.problem.stints):
            for t in range(len(self.problem.tyres)) if stint.session in rule.sessions else ():
                self.model.add(self.cycles(t, s) >= 1).only_enforce_if(self._is_on(t, s))

    def _keep_spare(self, rule: records.KeepSpare) -> None:
        """A tyre at rest, with room for the session on the slowest corner of its axle."""
        s = self.problem.stints_of(rule.session)[0]
        for axle in AXLES.values():
            options = []
            for t in range(len(self.problem.tyres)):
                spare = self.model.new_bool_var("")
                self.model.add(spare + self.on[t, s] <= 1)
                self._usable(t, s, axle, spare)
                self.kept.append((s, t, spare))
                options.append(spare)
            self.model.add_exactly_one(options)
        for t in range(len(self.problem.tyres)):
            own = [v for at, tyre, v in self.kept if at == s and tyre == t]
            self.model.add(sum(own) <= 1)

    def _usable(self, t: int, s: int, axle: tuple[int, ...], spare) -> None:
        corners = [self.model.new_bool_var("") for _ in axle]
        self.model.add(sum(corners) >= 1).only_enforce_if(spare)
        tyre, on = self.problem.tyres[t], self.model
        for rule in (limit.rule for limit in self.problem.limits):
            if rule.kind == "longest_life":
                if rule.laps is not None:
                    on.add(self.age(t, s) + self.laps[s] <= rule.laps).only_enforce_if(spare)
                if rule.heat_cycles is not None:
                    fits = self.cycles(t, s) + 1 <= rule.heat_cycles
                    on.add(fits).only_enforce_if(spare)
            if rule.kind == "scrubbed_before" and self.problem.stints[s].session in rule.sessions:
                on.add(self.cycles(t, s) >= 1).only_enforce_if(spare)
            for corner, chosen in zip(axle, corners, strict=True):
                if rule.kind == "same_side":
                    other = next(side for side in SIDES.values() if corner not in side)
                    for i in range(s):
                        for c in other:
                            on.add(self.x[t, i, c] + chosen <= 1)
                if rule.kind == "minimum_tread":
                    rate = self.problem.wear_high[rule.confidence_pct].run_in_mm[:, 1]
                    room = int((tyre.tread_low_mm - rule.mm) * MICRON + 1e-6)
                    worn = sum(
                        round(rate[c] * self.laps[i] * MICRON) * self.x[t, i, c]
                        for i in range(s)
                        for c in range(4)
                    ) + round(rate[corner] * self.laps[s] * MICRON)
                    on.add(worn <= room).only_enforce_if(chosen)

    def solve(self, time_limit_s: float) -> tuple[str, float, float]:
        """Return CP-SAT's status, cost and bound in cost units."""
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = 2
        solver.parameters.max_time_in_seconds = time_limit_s
        status = solver.solve(self.model)
        return solver.status_name(status), solver.objective_value, solver.best_objective_bound
