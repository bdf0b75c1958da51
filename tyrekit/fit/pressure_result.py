"""What the pressure fit hands back: hot from cold, cold for a hot target, with intervals.

The kit never advises below the lowest cold pressure of the series or the tyre supplier: the
planner holds that limit, and the supplier's word comes before any figure here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from tyrekit.errors import FitError
from tyrekit.fit.pressure_rise import FIXED, gas_rise, slow_laps_of
from tyrekit.fit.pressure_rows import LONGEST_DELAY_MIN, SOURCES, USUAL_DELAY_MIN
from tyrekit.fit.result import Estimate, FitResult, check_level, in_brackets, t_quantile
from tyrekit.model.gas import STANDARD_AMBIENT_BAR, cold_pressure, hot_pressure
from tyrekit.terms import CORNER_NAMES


@dataclass(frozen=True, eq=False)
class PressureResults(FitResult):
    """How pressures rise, with uncertainty. Beside the common fields:

    Attributes
    ----------
    reading_bar : float
        Spread of one gauge reading.
    session_spread_c, run_spread_c, corner_spread_c : float
        Spread of the plateau from session to session, run to run, and corner to corner in a run,
        in K.
    ambient_bar : float
        Air pressure of the readings, absolute.
    most_laps : float
        Longest run read.
    seen : dict
        air_c, track_c -> (least, most) of the readings used; empty where nobody wrote them down.
    """

    reading_bar: float = 0.015
    session_spread_c: float = 2.5
    run_spread_c: float = 1.5
    corner_spread_c: float = 1.5
    ambient_bar: float = STANDARD_AMBIENT_BAR
    most_laps: float = 0.0
    seen: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    def gas_c(
        self,
        corner: str,
        laps: float,
        air_c: float,
        track_c: float,
        *,
        source: str = "sensor",
        delay_min: float = USUAL_DELAY_MIN,
        cool_laps: float = 0.0,
    ) -> Estimate:
        """Return gas temperature and spread in degC after `laps` of a session still to come.

        Parameters
        ----------
        corner : str
            FL, FR, RL or RR.
        laps : float
            Laps run, out-lap included, above 0.
        air_c, track_c : float
            Air -30 to 55 and track surface -20 to 80 degC.
        source : {"sensor", "pit"}
            On track, or what a gauge in the pits will imply after the in-lap.
        delay_min : float
            Minutes from the end of the in-lap to that gauge reading, 0 to 60.
        cool_laps : float
            Cool-down and caution laps just before the reading, among `laps`.

        Raises
        ------
        FitError
            Unknown corner or source, laps not above 0, a temperature out of range.
        """
        self._check(corner, laps, air_c, track_c, source, delay_min, cool_laps)
        count, pit = len(FIXED), np.array([source == "pit"])
        run = np.array([float(laps)])
        rise, slopes = gas_rise(
            self.params.to_numpy(dtype=np.float64)[:count],
            corner=np.array([CORNER_NAMES.index(corner)]),
            track_above_air_c=np.array([track_c - air_c]),
            laps=run,
            slow_laps=slow_laps_of(run, pit),
            pit=pit,
            cool_laps=np.array([cool_laps]),
            stood_min=np.array([delay_min - USUAL_DELAY_MIN]),
        )
        known = float(slopes[0] @ self.cov.to_numpy(dtype=np.float64)[:count, :count] @ slopes[0])
        spreads = (self.session_spread_c, self.run_spread_c, self.corner_spread_c)
        fresh = float(slopes[0, 0]) ** 2 * sum(spread**2 for spread in spreads)
        return Estimate(float(air_c + rise[0]), math.sqrt(known + fresh))

    def hot_bar(
        self,
        corner: str,
        cold_bar: float,
        laps: float,
        air_c: float,
        track_c: float,
        level: float = 0.9,
        *,
        source: str = "sensor",
        cold_c: float | None = None,
        ambient_bar: float | None = None,
        delay_min: float = USUAL_DELAY_MIN,
        cool_laps: float = 0.0,
    ) -> tuple[float, float, float]:
        """Return mean, lower and upper hot gauge pressure after `laps`.

        Parameters
        ----------
        cold_bar : float
            As set, gauge, at `cold_c` (by default the air's temperature).
        level : float
            Share of the interval; it covers a session still to come.
        cold_c, ambient_bar : float, optional
            Tyre temperature when set; air pressure, by default that of the readings.
        corner, laps, air_c, track_c, source, delay_min, cool_laps
            As `gas_c`.
        """
        outside = self.ambient_bar if ambient_bar is None else ambient_bar
        when_set = air_c if cold_c is None else cold_c
        mean, lower, upper = (
            float(hot_pressure(cold_bar, when_set, gas_c, outside))
            for gas_c in self._ends(
                corner, laps, air_c, track_c, level, source, delay_min, cool_laps
            )
        )
        return mean, lower, upper

    def cold_bar(
        self,
        corner: str,
        hot_bar: float,
        laps: float,
        air_c: float,
        track_c: float,
        level: float = 0.9,
        *,
        source: str = "sensor",
        cold_c: float | None = None,
        ambient_bar: float | None = None,
        delay_min: float = USUAL_DELAY_MIN,
    ) -> tuple[float, float, float]:
        """Return mean, lower and upper cold gauge pressure that gives `hot_bar` after `laps`.

        Arguments as `hot_bar`, of which it is the inverse. Below 0 no setting reaches the target.
        """
        outside = self.ambient_bar if ambient_bar is None else ambient_bar
        when_set = air_c if cold_c is None else cold_c
        mean, upper, lower = (
            float(cold_pressure(hot_bar, gas_c, when_set, outside))
            for gas_c in self._ends(corner, laps, air_c, track_c, level, source, delay_min)
        )
        return mean, lower, upper

    def predict(self, rows: pd.DataFrame, level: float = 0.9) -> pd.DataFrame:
        """Return mean, lower and upper hot pressure per row.

        Parameters
        ----------
        rows : DataFrame
            corner, cold_bar, laps, air_c, track_c; optionally source and cold_c.
        level : float
            Share of the interval.
        """
        known = rows.reindex(columns=[*rows.columns, *{"source", "cold_c"} - set(rows.columns)])
        found = [
            self.hot_bar(
                str(row["corner"]), row["cold_bar"], row["laps"], row["air_c"], row["track_c"],
                level,
                source="sensor" if pd.isna(row["source"]) else str(row["source"]),
                cold_c=None if pd.isna(row["cold_c"]) else row["cold_c"],
            )
            for row in known.to_dict("records")
        ]  # fmt: skip
        return pd.DataFrame(found, columns=["mean", "lower", "upper"], index=rows.index)

    def summary(self) -> str:
        """Return what was found, how sure, from what, and what would make it surer."""
        share = self.rests_on["data_share"]
        half = t_quantile(0.95, self.df)

        def found(name: str, digits: int = 1) -> str:
            mean, sd = self.estimate(name)
            return f"{mean:.{digits}f} ± {half * sd:.{digits}f}"

        def known(name: str) -> str:
            return f"({100 * share[name]:.0f} % from data)"

        by_corner = ", ".join(
            f"{c} {self.params['rise_c'] + self.params[f'rise_c[{c}]']:.0f}" for c in CORNER_NAMES
        )
        lines = [
            "Hot pressure: how warm the gas in a tyre gets, and so what a cold setting becomes",
            f"  once hot the gas is {found('rise_c')} °C above the air {known('rise_c')}; "
            f"by corner {by_corner}",
            f"  plus {found('track_share', 2)} of what the track is warmer than the air "
            f"{known('track_share')}",
            f"  63 % of that is reached in {found('rise_laps')} laps {known('rise_laps')}",
            f"  a gauge in the pits {USUAL_DELAY_MIN:g} min after the run misses "
            f"{found('pit_loss_pct')} % of the rise {known('pit_loss_pct')}",
            f"  a cool-down or caution lap just before takes {found('cool_down_loss_pct')} % "
            f"{known('cool_down_loss_pct')}",
            f"  standing, a tyre loses 63 % of it in {found('cooling_min', 0)} min "
            f"{known('cooling_min')}",
            f"  from session to session the hot gas differs by {self.session_spread_c:.1f} °C, "
            f"from run to run by {self.run_spread_c:.1f}; one reading is good to "
            f"{self.reading_bar:.3f} bar",
            f"  rests on {self.n_rows} readings up to lap {self.most_laps:.0f}"
            f"{in_brackets(self.members('session_c'))}; {len(self.left_out)} left out",
            f"  surer by: {self._surer()}",
            "  ± holds 90 %. The supplier's lowest cold pressure comes before any figure here",
        ]
        return "\n".join([*lines, *(f"  note: {note}" for note in self.notes)])

    def _surer(self) -> str:
        share = self.rests_on["data_share"]
        if not self.n_rows:
            return "reading hot pressures after the first run, with the time and the laps"
        if share["rise_laps"] < 0.3:
            return "readings after short runs too, laps 2 to 4"
        if share["pit_loss_pct"] < 0.3:
            return "a pressure sensor; until then a gauge in the pits cannot tell what was lost"
        return "readings in hotter and colder sessions"

    def _ends(
        self,
        corner: str,
        laps: float,
        air_c: float,
        track_c: float,
        level: float,
        source: str,
        delay_min: float,
        cool_laps: float = 0.0,
    ) -> tuple[float, float, float]:
        """Return mean, lower and upper gas temperature."""
        mean, sd = self.gas_c(
            corner, laps, air_c, track_c, source=source, delay_min=delay_min, cool_laps=cool_laps
        )
        half = t_quantile(0.5 + check_level(level) / 2, self.df) * sd
        return mean, mean - half, mean + half

    def _check(
        self, corner: str, laps: float, air_c: float, track_c: float, source: str,
        delay_min: float, cool_laps: float,
    ) -> None:  # fmt: skip
        if corner not in CORNER_NAMES:
            raise FitError(f"corner {corner!r} is not known; it is FL, FR, RL or RR.")
        if source not in SOURCES:
            raise FitError(f"source {source!r} is not known; it is sensor or pit.")
        if not 0 <= delay_min <= LONGEST_DELAY_MIN:
            raise FitError(f"a pit reading comes 0 to 60 min after the run. Got {delay_min!r}.")
        if not laps > 0:
            raise FitError(f"laps must be above 0 for a hot pressure. Got {laps!r}.")
        if not 0 <= cool_laps <= laps:
            raise FitError(f"cool_laps are 0 to the laps run. Got {cool_laps!r} of {laps!r}.")
        if not (-30 <= air_c <= 55 and -20 <= track_c <= 80):
            raise FitError(
                f"air is -30 to 55 and track -20 to 80 degC. Got {air_c!r} and {track_c!r}."
            )
