"""What tyres lose and wear, times a factor: to suppose more or less than the fits found."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tyrekit.plan.beyond import AgesRead, AgesRun
from tyrekit.plan.problem import Floats
from tyrekit.plan.tyre_state import Wear
from tyrekit.plan.weekend_problem import AgeLoss


@dataclass(frozen=True)
class ScaledLoss:
    """A lap-time fit whose losses to age and heat cycles are `times` as large."""

    fit: AgeLoss
    times: float

    @property
    def oldest_seen_laps(self) -> float:
        """Oldest tyre age among the fit's laps."""
        return self.fit.oldest_seen_laps if isinstance(self.fit, AgesRun) else math.inf

    def mean_age_loss_s(self, ages: ArrayLike) -> Floats:
        """Return expected seconds per lap lost at each age."""
        return self.times * self.fit.mean_age_loss_s(ages)

    def age_loss_s(self, ages: ArrayLike, n: int, rng: np.random.Generator) -> Floats:
        """Return draws of the same, (n, ages)."""
        return self.times * self.fit.age_loss_s(ages, n, rng)

    def estimate(self, name: str) -> tuple[float, float]:
        """Return mean and sd of a parameter; of what a heat cycle costs, so much larger."""
        mean, sd = self.fit.estimate(name)
        times = self.times if name == "heat_cycle_s" else 1.0
        return times * mean, times * sd

    def base_lap_s(self, session: str) -> tuple[float, float]:
        """Return mean and sd of a session's clean lap, as fitted."""
        return self.fit.base_lap_s(session)


@dataclass(frozen=True)
class ScaledWear:
    """A tread fit by which tyres wear `times` as fast."""

    fit: Wear
    times: float

    @property
    def deepest_age_laps(self) -> float:
        """Oldest tyre the fit has readings of."""
        return self.fit.deepest_age_laps if isinstance(self.fit, AgesRead) else math.inf

    def wear_mm_per_lap(self, corner: str) -> tuple[float, float]:
        """Return mean and sd."""
        mean, sd = self.fit.wear_mm_per_lap(corner)
        return self.times * mean, self.times * sd

    def mean_wear_mm(self, corner: str, laps: Floats, *, age_laps: float) -> Floats:
        """Return the expected wear of the fastest-wearing place over laps from this age."""
        return self.times * self.fit.mean_wear_mm(corner, laps, age_laps=age_laps)

    def quantile_wear_mm(
        self, corner: str, laps: Floats, confidence: float, *, age_laps: float
    ) -> Floats:
        """Return the wear of that place not exceeded with this confidence, 0 to 1."""
        return self.times * self.fit.quantile_wear_mm(corner, laps, confidence, age_laps=age_laps)
