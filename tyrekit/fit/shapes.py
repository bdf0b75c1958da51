"""Drop-off shapes weighed by their evidence: straight line, quadratic, hinge at every knee.

Each curved shape is the straight line plus one column, so all of them follow from the straight
line's solution by a one-column update, and their marginal likelihoods are in closed form. The
three shapes count equally beforehand, a hinge's share spread evenly over its knees.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from tyrekit.fit.prior import Prior
from tyrekit.fit.result import Floats, Record, percent
from tyrekit.model.drop_off import Shape, bend

FIRST_KNEE_LAPS = 6.0
LAPS_PAST = 4.0  # a knee is a candidate when this many laps were run beyond it
LAPS_PAST_TO_NAME = 8.0  # fewer past the knee and its interval under-covers
CUT = 3.6  # instead of 2.71 (chi-square, 90 %): the knee is not a regular parameter
ROUNDED_LAPS = 1.0  # out- and in-laps age a tyre less than the whole lap they count
MOST_KNEES = 60
BELIEF = {"quadratic": "drop_off_curve_s", "hinge": "drop_off_knee_s_per_lap"}


class CurveFit(NamedTuple):
    """The one-column updates of the straight line's solution, one entry per curved shape."""

    coefficient: Floats  # (k,)
    sd: Floats  # (k,)
    shift: Floats  # (g, k): common terms = straight line's - shift x coefficient
    log_evidence: Floats  # (k,) against the straight line
    deviance: Floats  # (k,) penalised, against the straight line; lower is better


def candidates(age_laps: Floats) -> tuple[Shape, ...]:
    """Return the shapes that the ages seen can speak about, the straight line first."""
    plain = (Shape("linear"), Shape("quadratic"))
    if not len(age_laps):
        return plain
    first = max(FIRST_KNEE_LAPS, math.ceil(float(age_laps.min())) + 2.0)
    last = math.floor(float(age_laps.max())) - LAPS_PAST
    if last < first:
        return plain
    step = math.ceil((last - first + 1.0) / MOST_KNEES)
    return (*plain, *(Shape("hinge", float(k)) for k in np.arange(first, last + 0.5, step)))


def columns(shapes: tuple[Shape, ...], age_laps: Floats) -> Floats:
    """Return one column per curved shape, shape (laps, shapes - 1)."""
    return np.column_stack([bend(shape, age_laps) for shape in shapes[1:]])


def shape_beliefs(shapes: tuple[Shape, ...], beliefs: Mapping[str, Prior]) -> tuple[Floats, Floats]:
    """Return mean and spread of each curved shape's coefficient."""
    found = [beliefs[BELIEF[shape.name]] for shape in shapes[1:]]
    return np.array([p.mean for p in found]), np.array([p.sd for p in found])


def prior_weights(shapes: tuple[Shape, ...]) -> Floats:
    """Return the weights before the data: shapes alike, a hinge's spread over its knees."""
    names = [shape.name for shape in shapes]
    kinds = len(set(names))
    return np.array([1.0 / (kinds * names.count(name)) for name in names])


def add_curves(normal: Floats, common: Floats, cov: Floats, mean: Floats, sd: Floats) -> CurveFit:
    """Return each curved shape's solution as an update of the straight line's.

    Parameters
    ----------
    normal : (g + 1 + k, g + 1 + k) reduced normal equations of common terms, y, curves
    common, cov : (g,), (g, g) the straight line's solution
    mean, sd : (k,) beliefs about the curves' coefficients
    """
    g = len(common)
    cross = normal[:g, g + 1 :]
    shift = cov @ cross
    data = np.diag(normal)[g + 1 :] - np.sum(cross * shift, axis=0)
    precision = np.clip(data, 0.0, None) + sd**-2.0
    score = normal[g + 1 :, g] - cross.T @ common + mean / sd**2
    coefficient = score / precision
    deviance = (mean / sd) ** 2 - coefficient * score
    log_evidence = -0.5 * (deviance + np.log(precision * sd**2))
    return CurveFit(coefficient, precision**-0.5, shift, log_evidence, deviance)


def posterior_weights(shapes: tuple[Shape, ...], log_evidence: Floats) -> Floats:
    """Return the shapes' weights after the data; `log_evidence` is (k,) for the curved ones."""
    log_weight = np.log(prior_weights(shapes)) + np.concatenate([[0.0], log_evidence])
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


@dataclass(frozen=True, eq=False)
class Knee(Record):
    """Where the drop-off steepens, from the profile over the knees tried, in laps of tyre age.

    ``lower_laps`` or ``upper_laps`` is None when the interval is open on that side; ``seen`` is
    true with enough laps past the knee to name it.
    """

    best_laps: float | None
    lower_laps: float | None
    upper_laps: float | None
    seen: bool
    words: str


def knee(shapes: tuple[Shape, ...], weights: Floats, deviance: Floats, oldest_laps: float) -> Knee:
    """Return the knee's 90 % set by profile likelihood (LERMAN80, cut 3.6), in words as well.

    ``weights`` is (1 + k,), ``deviance`` (k,) of the curved shapes.
    """
    at = [i for i, shape in enumerate(shapes) if shape.name == "hinge"]
    chance = float(sum(weights[i] for i in at))
    if not at:
        return Knee(None, None, None, False, f"no knee can show: ages seen to {oldest_laps:.0f}")
    knees = np.array([shapes[i].knee_laps for i in at])
    profile = np.array([deviance[i - 1] for i in at])
    best = float(knees[np.argmin(profile)])
    inside = knees[profile <= profile.min() + CUT]
    low = None if inside[0] == knees[0] else float(inside[0]) - ROUNDED_LAPS
    high = None if inside[-1] == knees[-1] else float(inside[-1]) + ROUNDED_LAPS
    seen = chance > 0.5 and oldest_laps - best >= LAPS_PAST_TO_NAME and high is not None
    return Knee(best, low, high, seen, _knee_words(best, low, high, seen, chance, oldest_laps))


def _knee_words(best: float, low: float | None, high: float | None, seen: bool, chance: float,
                oldest_laps: float) -> str:  # fmt: skip
    said = percent(chance)
    if seen:
        start = "" if low is None else f"{low:.1f} to "
        return f"knee at {best:.0f} laps of age (90 %: {start}{high:.1f}), chance {said}"
    if chance > 0.5:
        start = "no later bound yet" if low is None else f"not before lap {low:.0f}"
        return f"a steepening shows, chance {said}: {start}; ages seen to {oldest_laps:.0f}"
    return f"no knee seen yet, ages seen to {oldest_laps:.0f} (chance of one so far {said})"
