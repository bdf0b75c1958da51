"""What the tread fit hands back: wear rates, depth after so many laps, laps left to a limit.

The thinnest place across the tread rules. A straight-line forecast is for planning only: look
at the tyre, and follow the tyre supplier and the regulations on when it comes off.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple, TypeVar, cast

import numpy as np
import pandas as pd
from scipy import optimize

from tyrekit.errors import FitError
from tyrekit.fit.result import Estimate, FitResult, Floats, check_level, in_brackets, t_quantile
from tyrekit.fit.tread_rows import PLACES, first_laps_share, laps_at_pace
from tyrekit.terms import CORNER_NAMES

SESSION_LAPS = 15.0  # laps a tyre usually runs in one session; common practice, no source
Laps = TypeVar("Laps", float, Floats)
FAR_LAPS = 1e5  # a tyre still above its limit here has no upper bound


class _Wear(NamedTuple):
    """Wear over `laps` at one place: mean = a + rate x laps, and what its variance needs."""

    mean: Floats
    variance: Floats


@dataclass(frozen=True, eq=False)
class TreadResults(FitResult):
    """Tread wear with its uncertainty. Beside the common fields:

    Attributes
    ----------
    reading_mm : float
        Spread of one depth reading.
    tyre_spread_pct, session_spread_pct : float
        Spread of the wear rate from tyre to tyre and from session to session.
    lap_km : float
        Length of the circuit.
    lines : DataFrame
        Each tyre's own straight line past its first run: tyre_id, corner, readings,
        wear_mm_per_lap, r2, linear (F1016), reason.
    tyres : tuple of str
        Tyres with readings, whose own rate is known a little.
    deepest_age_laps : float
        Oldest tyre read.
    work : DataFrame, optional
        Wear against sliding work, where the logs allow: corner, mean and sd (mm per MJ), usual_mj
        (of a lap at pace), session_spread_pct, weight (chance that work tells wear better than
        laps do, 0 to 1, same for all corners).
    """

    reading_mm: float = 0.1
    tyre_spread_pct: float = 7.0
    session_spread_pct: float = 8.0
    lap_km: float = 1.0
    lines: pd.DataFrame | None = None
    tyres: tuple[str, ...] = ()
    deepest_age_laps: float = 0.0
    work: pd.DataFrame | None = None

    def wear_mm_per_lap(self, corner: str, place: str | None = None) -> Estimate:
        """Return the wear rate past the first laps: of one place, or averaged over the three.

        Parameters
        ----------
        corner : str
            FL, FR, RL or RR.
        place : {"inner", "centre", "outer"}, optional
            Where across the tread.

        Raises
        ------
        FitError
            Another corner or place.
        """
        gradient = self._rate(corner, place)
        return Estimate(float(gradient @ self._values()), self._spread(gradient))

    def wear_mm_per_km(self, corner: str, place: str | None = None) -> Estimate:
        """Return the wear rate per km of this circuit; arguments as `wear_mm_per_lap`."""
        found = self.wear_mm_per_lap(corner, place)
        return Estimate(found.mean / self.lap_km, found.sd / self.lap_km)

    def wear_against_mean_pct(self, corner: str) -> Estimate:
        """Return a corner's wear rate against the mean of the four, in % (delta method)."""
        each = np.stack([self._rate(name) for name in CORNER_NAMES])
        own, mean = self._rate(corner), each.mean(axis=0)
        ratio = float(own @ self._values()) / float(mean @ self._values())
        spread = self._spread((own - ratio * mean) / float(mean @ self._values()))
        return Estimate(100 * (ratio - 1), 100 * spread)

    def wear_table(self, level: float = 0.9) -> pd.DataFrame:
        """Return the wear rate of every corner and place: corner, place, mean, lower, upper."""
        half = t_quantile(0.5 + check_level(level) / 2, self.df)
        rows = []
        for corner in CORNER_NAMES:
            for place in PLACES:
                found = self.wear_mm_per_lap(corner, place)
                ends = found.mean - half * found.sd, found.mean + half * found.sd
                rows.append((corner, place, found.mean, *ends))
        return pd.DataFrame(rows, columns=["corner", "place", "mean", "lower", "upper"])

    def quantile_wear_mm(
        self,
        corner: str,
        laps: Laps,
        confidence: float = 0.9,
        *,
        age_laps: float = 0.0,
        slow_laps: float | Floats = 0.0,
        tyre_id: str | None = None,
    ) -> Laps:
        """Return the wear in mm not exceeded with `confidence` at the fastest-wearing place.

        Parameters
        ----------
        corner : str
            FL, FR, RL or RR.
        laps : float or array
            Laps to be run, 0 or more.
        confidence : float
            Between 0 and 1.
        age_laps : float
            Laps on the tyre now; a new tyre loses more on its first laps, so 0, the default, is
            the careful side.
        slow_laps : float or array
            How many of `laps` are out-, in-, formation, cool-down or caution laps, which wear
            less; 0, the default, is the careful side.
        tyre_id : str, optional
            A tyre of the readings: its own rate is used.

        Raises
        ------
        FitError
            Unknown corner, laps below 0, or a confidence that is no probability.
        """
        score = t_quantile(check_level(confidence), self.df)
        ends = [
            wear.mean + score * np.sqrt(wear.variance)
            for wear in self._wear(corner, laps, age_laps, slow_laps, tyre_id)
        ]
        worst: Floats = np.maximum(np.max(ends, axis=0), 0.0)
        return cast(Laps, float(worst) if np.ndim(laps) == 0 else worst)

    def mean_wear_mm(
        self,
        corner: str,
        laps: Laps,
        *,
        age_laps: float = 0.0,
        slow_laps: float | Floats = 0.0,
        tyre_id: str | None = None,
    ) -> Laps:
        """Return the expected wear in mm at the fastest-wearing place; as `quantile_wear_mm`."""
        wears = self._wear(corner, laps, age_laps, slow_laps, tyre_id)
        worst: Floats = np.max([wear.mean for wear in wears], axis=0)
        return cast(Laps, float(worst) if np.ndim(laps) == 0 else worst)

    def predict(
        self,
        corner: str,
        tread_now_mm: float | Sequence[float],
        laps: float | Floats,
        level: float = 0.9,
        *,
        age_laps: float = 0.0,
        slow_laps: float | Floats = 0.0,
        tyre_id: str | None = None,
    ) -> pd.DataFrame:
        """Return the depth left at the thinnest place after `laps`, index laps.

        Parameters
        ----------
        corner : str
            FL, FR, RL or RR.
        tread_now_mm : float or three floats
            Depth now at the thinnest place, or at inner, centre and outer. One number is taken
            to be at the place that wears fastest.
        laps : float or array
            Laps to be run, 0 or more.
        level : float
            Share of the interval; it covers this tyre in sessions still to come.
        age_laps, slow_laps, tyre_id
            As `quantile_wear_mm`.

        Returns
        -------
        DataFrame
            mean, lower, upper in mm; below 0 means worn through before.
        """
        score = t_quantile(0.5 + check_level(level) / 2, self.df)
        wears = self._wear(corner, np.atleast_1d(laps).astype(float), age_laps, slow_laps, tyre_id)
        now = self._now(tread_now_mm)
        left = [depth - wear.mean for depth, wear in zip(now, wears, strict=True)]
        half = [score * np.sqrt(wear.variance + self.reading_mm**2) for wear in wears]
        thin = np.argmin(left, axis=0)
        each = np.arange(len(thin))
        mean, spread = np.array(left)[thin, each], np.array(half)[thin, each]
        lower = np.min(np.array(left) - np.array(half), axis=0)
        return pd.DataFrame(
            {"mean": mean, "lower": lower, "upper": mean + spread},
            index=pd.Index(np.atleast_1d(laps), name="laps"),
        )

    def laps_left(
        self,
        corner: str,
        tread_now_mm: float | Sequence[float],
        limit_mm: float,
        level: float = 0.9,
        *,
        age_laps: float = 0.0,
        tyre_id: str | None = None,
    ) -> tuple[float, float, float]:
        """Return mean, lower and upper laps at pace until the thinnest place meets `limit_mm`.

        Decide on the lower end. It is where the depth's band meets the limit, the same rule as
        Fieller's interval, so it is not symmetric and the upper end may be infinite. Arguments
        as `predict`.
        """
        score = t_quantile(0.5 + check_level(level) / 2, self.df)
        now = self._now(tread_now_mm)
        ends = [
            tuple(
                self._meets(corner, i, depth - limit_mm, z, age_laps, tyre_id)
                for z in (0.0, score, -score)
            )
            for i, depth in enumerate(now)
        ]
        mean, lower, upper = (min(column) for column in zip(*ends, strict=True))
        return mean, lower, upper

    def summary(self) -> str:
        """Return what was found, how sure, from what, and what would make it surer."""
        half = t_quantile(0.95, self.df)
        early, slow = self.estimate("first_laps_mm"), self.estimate("slow_lap_share")
        known = self.rests_on["data_share"]
        lines = [
            "Tread wear: mm a tyre loses per lap at racing pace after its first laps",
            *(self._corner_words(corner, half) for corner in CORNER_NAMES),
            f"  a new tyre loses {early.mean:.2f} ± {half * early.sd:.2f} mm more at first",
            f"  an out-, in- or caution lap wears like {slow.mean:.2f} ± {half * slow.sd:.2f} of a "
            f"lap at pace ({100 * known['slow_lap_share']:.0f} % from data, the rest is belief)",
            f"  wear differs by {self.session_spread_pct:.0f} % from session to session and "
            f"{self.tyre_spread_pct:.0f} % from tyre to tyre; one reading is good to "
            f"{self.reading_mm:.2f} mm",
            f"  rests on {self.n_rows} tread readings of {len(self.tyres)} tyres up to "
            f"{self.deepest_age_laps:.0f} laps old"
            f"{in_brackets(sorted(self.members('session_wear_pct')))}; "
            f"{len(self.left_out)} left out",
            f"  surer by: {self._surer()}",
            "  ± holds 90 %. The thinnest place across the tread decides; the supplier's and the",
            "  regulations' word on a worn tyre comes before any figure here",
        ]
        return "\n".join([*lines, *(f"  note: {note}" for note in self.notes)])

    def _corner_words(self, corner: str, half: float) -> str:
        rate = self.wear_mm_per_lap(corner)
        worst = max(PLACES, key=lambda p: self.wear_mm_per_lap(corner, p).mean)
        most = self.wear_mm_per_lap(corner, worst)
        names = ["wear_mm_per_lap", f"wear_mm_per_lap[{corner}]"]
        believed = float((self.rests_on.loc[names, "belief_sd"] ** 2).sum())
        share = max(1 - rate.sd**2 / believed, 0.0)
        fastest = "" if share < 1e-6 else (
            f", fastest at the {worst}: {most.mean:.4f} ± {half * most.sd:.4f}"
        )  # fmt: skip
        return (
            f"  {corner}  {rate.mean:.4f} ± {half * rate.sd:.4f} over the width{fastest}; "
            f"{100 * share:.0f} % from data"
        )

    def _surer(self) -> str:
        if not self.tyres:
            return "reading every tyre, three places each, before and after its next run"
        if self.deepest_age_laps < 1.5 * SESSION_LAPS:
            return "readings of older tyres: nothing says yet how a worn tyre goes on"
        return "reading the same tyres, three places each, after every session"

    def _values(self) -> Floats:
        values: Floats = self.params.to_numpy(dtype=np.float64)
        return values

    def _spread(self, gradient: Floats) -> float:
        return math.sqrt(float(gradient @ self.cov.to_numpy(dtype=np.float64) @ gradient))

    def _rate(self, corner: str, place: str | None = None, tyre_id: str | None = None) -> Floats:
        """Return the gradient of a wear rate with respect to the parameters."""
        index = self.params.index
        if f"wear_mm_per_lap[{corner}]" not in index:
            raise FitError(f"corner {corner!r} is not known; it is FL, FR, RL or RR.")
        if place is not None and place not in PLACES:
            raise FitError(f"place {place!r} is not known; it is inner, centre or outer.")
        gradient = np.zeros(len(index))
        gradient[index.get_loc("wear_mm_per_lap")] = 1.0
        gradient[index.get_loc(f"wear_mm_per_lap[{corner}]")] = 1.0
        for name in PLACES if place is None else (place,):
            share = 1 / 3 if place is None else 1.0
            gradient[index.get_loc(f"wear_mm_per_lap[{corner} {name}]")] = share
        own = f"tyre_wear_pct[{tyre_id}]"
        if own in index:
            rate = float(gradient @ self._values())
            gradient *= 1 + float(self.params[own]) / 100
            gradient[index.get_loc(own)] = rate / 100
        return gradient

    def _wear(
        self, corner: str, laps: float | Floats, age_laps: float, slow_laps: float | Floats,
        tyre_id: str | None,
    ) -> list[_Wear]:  # fmt: skip
        """Return the wear at each of the three places over the coming laps."""
        n, slow = (np.asarray(count, dtype=np.float64) for count in (laps, slow_laps))
        if not (np.all(np.isfinite(n)) and np.all(n >= 0) and age_laps >= 0):
            raise FitError(f"laps and age are 0 or more. Got {laps!r} and {age_laps!r}.")
        if not np.all(slow >= 0):
            raise FitError(f"slow laps are 0 or more. Got {slow_laps!r}.")
        slow = np.minimum(slow, n)
        return [self._wear_at(corner, place, n, age_laps, slow, tyre_id) for place in PLACES]

    def _wear_at(
        self, corner: str, place: str, n: Floats, age_laps: float, slow: Floats,
        tyre_id: str | None,
    ) -> _Wear:  # fmt: skip
        index, own = self.params.index, f"tyre_wear_pct[{tyre_id}]"
        known = own in index
        rate_gradient = self._rate(corner, place, tyre_id)
        rate = float(rate_gradient @ self._values())
        if known:  # the gradient's product counts the tyre's own part twice
            rate -= float(rate_gradient[index.get_loc(own)] * self.params[own])
        early, tau = float(self.params["first_laps_mm"]), float(self.params["first_laps_laps"])
        share, slope = first_laps_share(np.array(age_laps), age_laps + n, tau)
        paced = laps_at_pace(n, slow, float(self.params["slow_lap_share"]))
        gradient = paced[..., None] * rate_gradient
        gradient[..., index.get_loc("slow_lap_share")] = rate * slow
        gradient[..., index.get_loc("first_laps_mm")] = share
        gradient[..., index.get_loc("first_laps_laps")] = early * slope
        cov = self.cov.to_numpy(dtype=np.float64)
        variance = np.sum((gradient @ cov) * gradient, axis=-1)
        session = (self.session_spread_pct / 100 * rate) ** 2 * paced
        session = session * np.minimum(paced, SESSION_LAPS)
        tyre = 0.0 if known else (self.tyre_spread_pct / 100 * rate * paced) ** 2
        return _Wear(rate * paced + early * share, variance + session + tyre)

    def _now(self, tread_now_mm: float | Sequence[float]) -> list[float]:
        depths = np.atleast_1d(np.asarray(tread_now_mm, dtype=np.float64))
        if len(depths) not in (1, 3) or not np.all(np.isfinite(depths)):
            raise FitError(
                f"tread now is one depth or three (inner, centre, outer). Got {tread_now_mm!r}."
            )
        return [float(depth) for depth in np.broadcast_to(depths, 3)]

    def _meets(
        self, corner: str, place: int, above_mm: float, z: float, age_laps: float,
        tyre_id: str | None,
    ) -> float:  # fmt: skip
        """Return the laps at which depth minus z spreads meets the limit; inf if it never does."""

        def gap(laps: float) -> float:
            at = np.array(laps)
            wear = self._wear_at(corner, PLACES[place], at, age_laps, np.array(0.0), tyre_id)
            return above_mm - float(wear.mean) - z * math.sqrt(
                float(wear.variance) + self.reading_mm**2
            )  # fmt: skip

        if gap(0.0) <= 0:
            return 0.0
        high = 16.0
        while gap(high) > 0:
            high *= 2
            if high > FAR_LAPS:
                return math.inf
        return float(optimize.brentq(gap, 0.0, high, xtol=1e-6))
