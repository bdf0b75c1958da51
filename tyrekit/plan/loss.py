"""Seconds lost to tyre age over a stint, expected or over draws of the fits.

Loss on a lap = sum over corners of share x (age loss(age) + heat cycles x loss per cycle). A race
or practice stint adds up its laps; qualifying takes the mean of its best two, the first timed ones
(`QUALIFYING_LAPS`). Losses are additive over corners: the balance of the car is not in them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tyrekit.plan.problem import QUALIFYING_LAPS as BEST
from tyrekit.plan.problem import AllocationProblem, Floats, Ints, Stint

TIE_S = 1e-3  # plans closer than this in a draw are equal in it


def laps_that_count(stint: Stint) -> tuple[int, int, float]:
    """Return first lap counted (from 0 on the tyre), one past the last, and the divisor."""
    if stint.kind != "qualifying":
        return stint.formation_laps, stint.formation_laps + stint.laps, 1.0
    first = min(BEST[0], stint.laps - 1)
    last = min(BEST[-1] + 1, stint.laps)
    return first, last, float(last - first)


@dataclass(frozen=True, eq=False)
class LossTable:
    """Running sums of age losses: any stint's loss is a difference of two entries.

    Attributes
    ----------
    summed_s : array (draws, ages + 1)
        Sum of the loss per lap over ages below.
    heat_cycle_s : array (draws,)
        Loss per lap and earlier run.
    """

    summed_s: Floats
    heat_cycle_s: Floats

    @staticmethod
    def of(age_loss_s: Floats, heat_cycle_s: Floats) -> LossTable:
        """Return the table of losses per lap, (draws, ages), and per cycle, (draws,)."""
        start = np.zeros((len(age_loss_s), 1))
        return LossTable(np.hstack([start, np.cumsum(age_loss_s, axis=1)]), heat_cycle_s)

    def stint_s(self, stint: Stint, age_laps: Ints, heat_cycles: Ints) -> Floats:
        """Return seconds lost in a stint if all four tyres were like this, (draws, tyres)."""
        first, last, divisor = laps_that_count(stint)
        by_age = self.summed_s[:, age_laps + last] - self.summed_s[:, age_laps + first]
        return (by_age + np.outer(self.heat_cycle_s, heat_cycles * (last - first))) / divisor


def expected_table(problem: AllocationProblem) -> LossTable:
    """Return the table of expected losses, one draw."""
    return LossTable.of(problem.age_loss_s[None, :], np.array([problem.heat_cycle_s]))


def drawn_table(problem: AllocationProblem) -> LossTable:
    """Return the table over the fits' draws."""
    return LossTable.of(problem.age_loss_draws_s, problem.heat_cycle_draws_s)


def chance_least(cost_s: Floats) -> Floats:
    """Return each row's chance over the draws (columns) of being least, ties shared equally."""
    least = cost_s <= cost_s.min(axis=0) + TIE_S
    chance: Floats = (least / least.sum(axis=0)).mean(axis=1)
    return chance
