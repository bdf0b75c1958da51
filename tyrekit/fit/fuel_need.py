"""How much fuel a race will burn, as a distribution: one component per length and cautions.

A race to time has an uncertain number of laps and a caution takes fuel off and laps away, so
the need is a mixture. Matching its mean and spread with one normal would misplace the tail
that decides the load by kilograms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import optimize, stats

from tyrekit.errors import FitError
from tyrekit.fit.result import Floats, Record
from tyrekit.record.event import Caution

LAP_TIME_NODES = 101  # equal slices of what the mean race lap may be
NEGLIGIBLE = 1e-10  # a component this unlikely cannot move any load


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

    @property
    def mean(self) -> float:
        """Expected kg (each component taken as lognormal with the same variance of the log)."""
        return self._moment(1)

    @property
    def sd(self) -> float:
        """Standard deviation in kg, cautions and number of laps included."""
        return math.sqrt(self._moment(2) - self._moment(1) ** 2)

    def exceedance(self, kg: float | Floats) -> float | Floats:
        """Return the chance that more than `kg` is burnt; closed form, any shape."""
        amount = np.asarray(kg, dtype=np.float64)
        log_kg = np.log(np.where(amount > 0, amount, np.nan))[..., None]
        part = self.components
        score = (log_kg - _column(part, "log_kg")) / _column(part, "log_sd")
        above = _survival(score, _column(part, "df")) @ _column(part, "weight")
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
        part = self.components
        ends = _column(part, "log_kg") + _column(part, "log_sd") * stats.t.ppf(
            p, _column(part, "df")
        )
        low, high = float(ends.min()) - 1e-9, float(ends.max()) + 1e-9

        def surplus(log_kg: float) -> float:
            return float(self.exceedance(math.exp(log_kg))) - (1.0 - p)

        return math.exp(optimize.brentq(surplus, low, high, xtol=1e-12))

    def draws(self, n: int, rng: np.random.Generator) -> Floats:
        """Return `n` draws in kg."""
        part = self.components
        chosen = rng.choice(len(part), size=n, p=_column(part, "weight"))
        noise = rng.standard_t(_column(part, "df")[chosen])
        drawn: Floats = np.exp(
            _column(part, "log_kg")[chosen] + _column(part, "log_sd")[chosen] * noise
        )
        return drawn

    def _moment(self, order: int) -> float:
        part = self.components
        df = _column(part, "df")
        variance = _column(part, "log_sd") ** 2 * np.where(df > 2, df / np.maximum(df - 2, 1), 3.0)
        moments = np.exp(order * _column(part, "log_kg") + 0.5 * order**2 * variance)
        return float(moments @ _column(part, "weight"))


def _column(part: pd.DataFrame, name: str) -> Floats:
    return part[name].to_numpy(dtype=np.float64)


def _survival(score: Floats, df: Floats) -> Floats:
    # stats.t is exact but slow for infinite df; the normal's tail is the same there
    large = df > 1e6
    chance = np.empty(np.broadcast_shapes(score.shape, df.shape))
    chance[..., large] = stats.norm.sf(score[..., large])
    chance[..., ~large] = stats.t.sf(score[..., ~large], df[~large])
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
    Exact, by carrying the state (racing or caution, caution laps so far) forward lap by lap for
    each of 101 equal slices of the lap time. Caution lengths are geometric.
    """
    seconds, limit_s, last = _ends(laps, minutes, lap_time)
    chance = caution.chance_per_lap if caution else 0.0
    goes_on = 1.0 - 1.0 / caution.mean_laps if caution else 0.0
    slower = caution.lap_time_pct / 100.0 if caution else 1.0
    racing = np.zeros((len(seconds), last + 1))
    racing[:, 0] = 1.0 / len(seconds)
    behind = np.zeros_like(racing)
    under_caution = np.arange(last + 1)
    found: list[tuple[float, int, int]] = []
    for lap in range(1, last + 1):
        begun = racing * chance + behind * goes_on
        racing = racing * (1.0 - chance) + behind * (1.0 - goes_on)
        behind = np.zeros_like(begun)
        behind[:, 1:] = begun[:, :-1]
        elapsed = seconds[:, None] * (lap - under_caution + slower * under_caution)
        over = (elapsed >= limit_s) | (lap == last)
        ended = np.where(over, racing + behind, 0.0).sum(axis=0)
        found += [(w, lap, c) for c, w in enumerate(ended) if w > NEGLIGIBLE]
        racing, behind = np.where(over, 0.0, racing), np.where(over, 0.0, behind)
    table = pd.DataFrame(found, columns=["weight", "laps", "caution_laps"])
    return table.assign(weight=table["weight"] / table["weight"].sum())


def _ends(
    laps: int | None, minutes: float | None, lap_time: tuple[float, float] | None
) -> tuple[Floats, float, int]:
    """Return lap-time slices in s, the time limit in s, and the most laps possible."""
    if laps is not None and laps < 1:
        raise FitError(f"a race has at least one lap. Got {laps!r}.")
    if minutes is None:
        if laps is None:
            raise FitError("the fuel need wants a number of laps or a time. Give one of them.")
        return np.array([1.0]), math.inf, laps
    if lap_time is None:
        raise FitError("a race to time needs a lap time. Give lap_time=(mean, sd) in s.")
    mean, sd = lap_time
    if not (mean > 0 and sd >= 0 and minutes > 0):
        raise FitError(f"lap time and minutes must be above 0. Got {lap_time!r}, {minutes!r}.")
    slices = (np.arange(LAP_TIME_NODES) + 0.5) / LAP_TIME_NODES
    seconds: NDArray[np.float64] = np.maximum(mean + sd * stats.norm.ppf(slices), 0.5 * mean)
    most = math.ceil(60.0 * minutes / float(seconds.min()) - 1e-9)
    return seconds, 60.0 * minutes, most if laps is None else min(most, laps)
