"""How much fuel a race will burn, as a distribution: one component per length and cautions.

A race to time has an uncertain number of laps and a caution takes fuel off and laps away, so
the need is a mixture. Matching its mean and spread with one normal would misplace the tail
that decides the load by kilograms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple, overload

import numpy as np
import pandas as pd
from scipy import optimize, special

from tyrekit.errors import FitError
from tyrekit.fit.result import Floats, Record
from tyrekit.record.event import Caution

FAST_SPREADS = 8.0  # a mean race lap quicker than this many spreads does not happen
NORMAL_DF = 1e6  # beyond it a Student t is taken as normal
NEGLIGIBLE = 1e-10  # a component this unlikely cannot move any load


class _Parts(NamedTuple):
    """The components' columns as arrays."""

    weight: Floats
    log_kg: Floats
    log_sd: Floats
    df: Floats


@dataclass(frozen=True, eq=False)
class FuelNeed(Record):
    """Predictive distribution of the fuel burnt, in kg.

    Attributes
    ----------
    components : DataFrame
        weight, laps, caution_laps, log_kg (centre of the natural log), log_sd, df: each is a
        Student t of the log.
    notes : tuple of str
        What was assumed.
    """

    components: pd.DataFrame
    notes: tuple[str, ...] = ()

    @cached_property
    def _parts(self) -> _Parts:
        return _Parts(*(self.components[n].to_numpy(dtype=np.float64) for n in _Parts._fields))

    @property
    def mean(self) -> float:
        """Expected kg (each component taken as lognormal with the same variance of the log)."""
        return self._moment(1)

    @property
    def sd(self) -> float:
        """Standard deviation in kg, cautions and number of laps included."""
        return math.sqrt(self._moment(2) - self._moment(1) ** 2)

    @overload
    def exceedance(self, kg: float) -> float: ...

    @overload
    def exceedance(self, kg: Floats) -> Floats: ...

    def exceedance(self, kg: float | Floats) -> float | Floats:
        """Return the chance that more than `kg` is burnt; closed form, any shape."""
        amount = np.asarray(kg, dtype=np.float64)
        log_kg = np.log(np.where(amount > 0, amount, np.nan))[..., None]
        part = self._parts
        above = _survival((log_kg - part.log_kg) / part.log_sd, part.df) @ part.weight
        chance = np.where(amount > 0, above, 1.0)
        return float(chance) if chance.ndim == 0 else chance

    def quantile(self, p: float) -> float:
        """Return the kg not exceeded with probability `p`, strictly between 0 and 1.

        Raises
        ------
        FitError
            `p` is not a probability.
        """
        if not 0.0 < p < 1.0:
            raise FitError(f"a quantile needs a probability between 0 and 1. Got {p!r}.")
        part = self._parts
        ends = part.log_kg + part.log_sd * special.stdtrit(np.minimum(part.df, NORMAL_DF), p)
        room = 0.01 * float(part.log_sd.max())  # rounding, and t taken as normal
        low, high = float(ends.min()) - room, float(ends.max()) + room

        def surplus(log_kg: float) -> float:
            return float(self.exceedance(math.exp(log_kg))) - (1.0 - p)

        return math.exp(optimize.brentq(surplus, low, high, xtol=1e-12))

    def draws(self, n: int, rng: np.random.Generator) -> Floats:
        """Return `n` draws in kg."""
        part = self._parts
        chosen = rng.choice(len(part.weight), size=n, p=part.weight)
        noise = rng.standard_t(np.minimum(part.df, 1e9)[chosen])
        drawn: Floats = np.exp(part.log_kg[chosen] + part.log_sd[chosen] * noise)
        return drawn

    def _moment(self, order: int) -> float:
        part = self._parts
        variance = part.log_sd**2 / (1.0 - 2.0 / np.maximum(part.df, 3.0))
        moments = np.exp(order * part.log_kg + 0.5 * order**2 * variance)
        return float(moments @ part.weight)


def _survival(score: Floats, df: Floats) -> Floats:
    large = df > NORMAL_DF
    chance = np.empty(np.broadcast_shapes(score.shape, df.shape))
    chance[..., large] = special.ndtr(-score[..., large])
    chance[..., ~large] = special.stdtr(df[~large], -score[..., ~large])
    return chance


def race_laps(
    *,
    laps: int | None,
    minutes: float | None = None,
    lap_time: tuple[float, float] | None = None,
    caution: Caution | None = None,
) -> pd.DataFrame:
    """Return the joint chances of a race's number of laps and of laps under caution.

    Parameters
    ----------
    laps : int, optional
        Number of laps, 1 or more; with `minutes` whichever comes first.
    minutes : float, optional
        Duration; the lap under way when time is up is finished.
    lap_time : (mean, sd) in s, optional
        The race's mean racing lap and how well it is known; needed with `minutes`.
    caution : Caution, optional
        Chance that a racing lap begins a caution, its mean length, its lap time.

    Returns
    -------
    DataFrame
        weight (sums to 1), laps, caution_laps.

    Raises
    ------
    FitError
        Neither laps nor minutes, or minutes without a lap time.

    Notes
    -----
    Exact: the chances of so many caution laps are carried forward lap by lap, and for each the
    race is over within a range of the lap time, whose normal chance is in closed form. Caution
    lengths are geometric.
    """
    mean, sd, limit_s, last = _ends(laps, minutes, lap_time)
    chance = caution.chance_per_lap if caution else 0.0
    goes_on = 1.0 - 1.0 / caution.mean_laps if caution else 0.0
    slower = caution.lap_time_pct / 100.0 if caution else 1.0
    racing, behind = np.zeros(last + 1), np.zeros(last + 1)
    racing[0] = 1.0
    under = np.arange(last + 1)
    found: dict[tuple[int, int], float] = {}
    for lap in range(1, last + 1):
        before = lap - 1 - under + slower * under  # elapsed, in racing laps
        begun = racing * chance + behind * goes_on
        racing = racing * (1.0 - chance) + behind * (1.0 - goes_on)
        for now, takes, more in ((racing, 1.0, 0), (begun, slower, 1)):
            still = 0.0 if lap == last else _quicker(limit_s, before + takes, mean, sd)
            ended = now * np.maximum(_quicker(limit_s, before, mean, sd) - still, 0.0)
            for c in np.flatnonzero(ended > NEGLIGIBLE):
                case = lap, int(c) + more
                found[case] = found.get(case, 0.0) + float(ended[c])
        behind = np.concatenate([[0.0], begun[:-1]])
    ran, behind_laps = np.array(sorted(found)).T
    weight = np.array([found[case] for case in sorted(found)])
    return pd.DataFrame({"weight": weight / weight.sum(), "laps": ran, "caution_laps": behind_laps})


def _quicker(limit_s: float, run: Floats, mean: float, sd: float) -> Floats:
    """Return the chance that `run` racing laps take less than the limit."""
    if math.isinf(limit_s):
        return np.ones(len(run))
    with np.errstate(divide="ignore"):
        lap_s = np.where(run > 0, limit_s / run, math.inf)
    if sd == 0:
        return np.asarray(mean < lap_s, dtype=float)
    return np.asarray(special.ndtr((lap_s - mean) / sd))


def _ends(
    laps: int | None, minutes: float | None, lap_time: tuple[float, float] | None
) -> tuple[float, float, float, int]:
    """Return the lap time's mean and sd and the time limit, in s, and the most laps possible."""
    if laps is not None and laps < 1:
        raise FitError(f"a race has at least one lap. Got {laps!r}.")
    if minutes is None:
        if laps is None:
            raise FitError("the fuel need wants a number of laps or a time. Give one of them.")
        return 1.0, 0.0, math.inf, laps
    if lap_time is None:
        raise FitError("a race to time needs a lap time. Give lap_time=(mean, sd) in s.")
    mean, sd = lap_time
    if not (mean > 0 and sd >= 0 and minutes > 0):
        raise FitError(f"lap time and minutes must be above 0. Got {lap_time!r}, {minutes!r}.")
    quickest = max(mean - FAST_SPREADS * sd, 0.5 * mean)
    most = math.ceil(60.0 * minutes / quickest - 1e-9)
    return mean, sd, 60.0 * minutes, most if laps is None else min(most, laps)
