"""The difference between two tyre plans as something the lap-time fit can speak about."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tyrekit.fit.lap_time import LapTimeResults
from tyrekit.plan.allocation import AllocationPlan
from tyrekit.plan.loss import laps_that_count
from tyrekit.plan.problem import CORNERS, AllocationProblem, Floats

OLDEST_LAPS = 30  # of tyres, where no plan says how old they get


@dataclass(frozen=True, eq=False)
class Decision:
    """The difference between two plans: laps at tyre ages that one has and the other has not.

    Attributes
    ----------
    words : str
    age_weight : array
        Weighted laps at age 0, 1, 2, ..., first plan less second.
    heat_cycles : float
        Weighted laps times heat cycles, first less second.
    choice : bool
        False for a quantity that is only to be known better: no choice hangs on it.
    """

    words: str
    age_weight: Floats
    heat_cycles: float = 0.0
    choice: bool = True

    def difference_s(self, lap_time: LapTimeResults) -> float:
        """Return the weighted seconds by which the first plan is expected to lose more."""
        by_heat_s = self.heat_cycles * lap_time.heat_cycle_s
        if not len(self.age_weight):
            return by_heat_s
        loss_s = lap_time.mean_age_loss_s(np.arange(len(self.age_weight)))
        return float(self.age_weight @ loss_s) + by_heat_s


def between(first: AllocationPlan, second: AllocationPlan) -> Decision:
    """Return the decision between two plans of the same problem."""
    one, two = (_laps(plan.problem, plan.table) for plan in (first, second))
    words = second.differs or "between the two plans"
    weight = np.trim_zeros(one[0] - two[0], "b")
    return Decision(words, weight, one[1] - two[1])


def whole_loss(plan: AllocationPlan) -> Decision:
    """Return what one plan loses to its tyres in all: what to learn about without a rival plan.

    Of a plan without a table it is a lap at each age up to the oldest.
    """
    words = "what the tyre plan loses to its tyres"
    if not len(plan.table):
        return Decision("what a lap of tyre age costs", np.ones(OLDEST_LAPS), choice=False)
    weight, heat = _laps(plan.problem, plan.table)
    return Decision(words, np.trim_zeros(weight, "b"), heat, choice=False)


def _laps(problem: AllocationProblem, table: pd.DataFrame) -> tuple[Floats, float]:
    """Return a plan's weighted laps by tyre age, and its weighted laps times heat cycles."""
    stints = {(stint.session, stint.number): stint for stint in problem.stints}
    weight, heat = np.zeros(len(problem.age_loss_s)), 0.0
    columns = [table[name] for name in ("session", "stint", "corner", "age_laps", "heat_cycles")]
    for session, number, corner, age, cycles in zip(*columns, strict=True):
        stint = stints[session, number]
        first, last, divisor = laps_that_count(stint)
        share = stint.value * float(problem.corner_share[CORNERS.index(corner)]) / divisor
        weight[int(age) + first : int(age) + last] += share
        heat += share * (last - first) * float(cycles)
    return weight, heat
