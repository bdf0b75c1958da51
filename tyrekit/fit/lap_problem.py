"""The lap-time fit's arrays and how they are solved: laps trimmed on the slow side until settled.

Traffic only ever adds time: a lap more than two spreads slow is left out, one side only, and the
fit repeated until the laps kept no longer change. What lingers from lap to lap widens the result.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tyrekit.fit import reduction, shapes
from tyrekit.fit.lap_design import SETTLED_LAP, fixed_columns, fixed_priors
from tyrekit.fit.prior import Prior
from tyrekit.fit.result import Floats
from tyrekit.model.drop_off import Shape
from tyrekit.record.spread import robust_sd

SLOW_SPREADS = 2.0  # a lap this many spreads slow has met traffic or a mistake
TRIMMED = 1.13  # variance lost by trimming a normal's slow side at two spreads
MOST_ROUNDS = 12
SHORT_STINTS = 0.08  # lag-1 correlation is found this much too low in stints of 8 to 10 laps
MOST_CORRELATION = 0.6


@dataclass(frozen=True, eq=False)
class Problem:
    """The laps as arrays, with every belief in the order of its column."""

    table: pd.DataFrame
    groups: tuple[reduction.Group, ...]
    names: tuple[str, ...]
    mean: Floats
    sd: Floats
    offset_names: tuple[str, ...]
    offset_precision: Floats
    stint_precision: Floats
    shapes: tuple[Shape, ...]
    curve_mean: Floats
    curve_sd: Floats
    noise: Prior
    middle_s: float  # taken off lap times and base belief, for the arithmetic only

    @property
    def n_laps(self) -> int:
        """Laps in the table."""
        return len(self.table)


@dataclass(frozen=True, eq=False)
class Solution:
    """The fit at one set of laps kept and one lap-to-lap spread."""

    common: Floats
    cov: Floats
    curve: shapes.CurveFit
    weight: Floats
    reduced: tuple[reduction.Reduced, ...]

    @property
    def mean_curves(self) -> Floats:
        """Mean coefficient of each curved shape, weighed."""
        return self.weight[1:] * self.curve.coefficient

    @property
    def mean_common(self) -> Floats:
        """Mean common terms over the shapes."""
        return np.asarray(self.common - self.curve.shift @ self.mean_curves)


@dataclass(frozen=True, eq=False)
class Settled:
    """Where the trimming came to rest."""

    solution: Solution
    kept: NDArray[np.bool_]
    residual_s: Floats
    noise_s: float
    df: float
    autocorrelation: float


def lap_problem(
    table: pd.DataFrame, beliefs: Mapping[str, Prior], kinds: Mapping[str, str]
) -> Problem:
    """Return the problem of these laps; `kinds` is session -> practice, qualifying or race.

    Raises
    ------
    FitError
        A belief is missing.
    """
    drivers = drivers_apart(table)
    priors = fixed_priors(beliefs, drivers)
    races = [name for name, kind in kinds.items() if kind == "race"]
    age = table["age_laps"].to_numpy()
    tried = shapes.candidates(age)
    middle_s = float(table["lap_time_s"].median()) if len(table) else 0.0
    time = table["lap_time_s"].to_numpy() - middle_s
    session, session_ids = pd.factorize(table["session"])
    tyres, set_ids = pd.factorize(table["set_id"])
    stint, _ = pd.factorize(table["stint"])
    parts = reduction.groups(
        fixed_columns(table, races, drivers),
        np.column_stack([time, shapes.columns(tried, age)]),
        session, tyres, stint, table["flying_lap"].to_numpy() - SETTLED_LAP,
    )  # fmt: skip
    curve_mean, curve_sd = shapes.shape_beliefs(tried, beliefs)
    spread = np.array([beliefs["session_s"].sd] * len(session_ids)
                      + [beliefs["set_s"].sd] * len(set_ids))  # fmt: skip
    mean = np.array([p.mean for p in priors.values()])
    mean[0] -= middle_s
    return Problem(
        table=table,
        groups=parts,
        names=tuple(priors),
        mean=mean,
        sd=np.array([p.sd for p in priors.values()]),
        offset_names=(*(f"session_s:{n}" for n in session_ids), *(f"set_s:{n}" for n in set_ids)),
        offset_precision=spread**-2.0,
        stint_precision=np.array([beliefs[n].sd for n in ("stint_s", "stint_slope_s_per_lap")])
        ** -2.0,
        shapes=tried,
        curve_mean=curve_mean,
        curve_sd=curve_sd,
        noise=beliefs["noise_s"],
        middle_s=middle_s,
    )


def drivers_apart(table: pd.DataFrame) -> tuple[str, ...]:
    """Return the drivers, sorted, when there are several to tell apart."""
    names = sorted(set(table["driver"]) - {""})
    return tuple(names) if len(names) > 1 else ()


def solve(problem: Problem, kept: NDArray[np.bool_], noise_s: float) -> Solution:
    """Solve at these laps and this spread: the straight line by WLS, the curves from it."""
    weight = kept / (noise_s**2 + problem.table["lap_time_se_s"].to_numpy() ** 2)
    reduced = tuple(
        reduction.reduce(
            g, weight[g.rows], problem.offset_precision[g.offsets], problem.stint_precision
        )
        for g in problem.groups
    )
    g = len(problem.names)
    normal = np.zeros((g + len(problem.shapes),) * 2)
    for part in reduced:
        normal += part.normal
    common, cov = reduction.common_terms(normal[:g, :g], normal[:g, g], problem.mean, problem.sd)
    curve = shapes.add_curves(normal, common, cov, problem.curve_mean, problem.curve_sd)
    chance = shapes.posterior_weights(problem.shapes, curve.log_evidence)
    return Solution(common, cov, curve, chance, reduced)


def _residuals(problem: Problem, solution: Solution) -> Floats:
    """Lap time minus the fit averaged over the shapes, in the order of the table."""
    left = np.zeros(problem.n_laps)
    common, curves = solution.mean_common, solution.mean_curves
    for group, part in zip(problem.groups, solution.reduced, strict=True):
        left[group.rows] = reduction.residuals(group, part, common, curves)
    return left


def _used(problem: Problem, solution: Solution) -> float:
    """Effective number of parameters the laps have settled."""
    used = len(problem.sd) - float(np.sum(np.diag(solution.cov) / problem.sd**2))
    for group, part in zip(problem.groups, solution.reduced, strict=True):
        precision = problem.offset_precision[group.offsets]
        used += reduction.parameters_used(part, solution.cov, precision, problem.stint_precision)
    gained = 1.0 - (solution.curve.sd / problem.curve_sd) ** 2
    return used + float(solution.weight[1:] @ gained)


def settle(problem: Problem) -> Settled:
    """Trim slow laps until the laps kept no longer change; widen for what lingers lap to lap."""
    n = problem.n_laps
    kept, noise_s, df = np.ones(n, dtype=bool), problem.noise.mean, math.inf
    solution = solve(problem, kept, noise_s)
    left = _residuals(problem, solution)
    if not n:
        return Settled(solution, kept, left, noise_s, df, 0.0)
    measured = problem.table["lap_time_se_s"].to_numpy() ** 2
    noise_s = max(float(robust_sd(left - np.median(left))), noise_s / 4)
    for _ in range(MOST_ROUNDS):
        limit = np.sqrt(noise_s**2 + measured)
        before, kept = kept, left <= SLOW_SPREADS * limit
        df = problem.noise.df + kept.sum() - _used(problem, solution)
        squares = TRIMMED * np.sum(left[kept] ** 2 * noise_s**2 / limit[kept] ** 2)
        noise_s = math.sqrt((problem.noise.df * problem.noise.mean**2 + squares) / df)
        solution = solve(problem, kept, noise_s)
        left = _residuals(problem, solution)
        if np.array_equal(before, kept):
            break
    linger = _autocorrelation(problem.table, left, kept)
    wide_s = noise_s * math.sqrt((1.0 + linger) / (1.0 - linger))
    return Settled(solve(problem, kept, wide_s), kept, left, noise_s, df, linger)


def _autocorrelation(table: pd.DataFrame, left: Floats, kept: NDArray[np.bool_]) -> float:
    """Lag-1 correlation of residuals of neighbouring laps of a stint, corrected, 0 to 0.6."""
    stint, lap = table["stint"].to_numpy(dtype=object), table["lap"].to_numpy()
    pair = kept[1:] & kept[:-1] & (stint[1:] == stint[:-1]) & (np.diff(lap) == 1)
    if pair.sum() < 4:
        return 0.0
    lagged = float(np.mean(left[1:][pair] * left[:-1][pair]))
    found = lagged / max(float(np.mean(left[kept] ** 2)), 1e-12) + SHORT_STINTS
    return min(max(found, 0.0), MOST_CORRELATION)
