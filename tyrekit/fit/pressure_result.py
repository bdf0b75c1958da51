"""What the pressure fit hands back: hot from cold, cold for a hot target, with intervals.

The kit never advises below the lowest cold pressure of the series or the tyre supplier: the
planner holds that limit, and the supplier's word comes before any figure here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tyrekit.errors import FitError
from tyrekit.fit.pressure_rows import CORNERS, SOURCES, effective_laps, warmed
from tyrekit.fit.result import Estimate, FitResult, check_level, t_quantile
from tyrekit.model.gas import STANDARD_AMBIENT_BAR, cold_pressure, hot_pressure


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
    """

    reading_bar: float = 0.015
    session_spread_c: float = 2.5
    run_spread_c: float = 1.5
    corner_spread_c: float = 1.5
    ambient_bar: float = STANDARD_AMBIENT_BAR
    most_laps: float = 0.0

    def gas_c(
        self, corner: str, laps: float, air_c: float, track_c: float, *, source: str = "sensor"
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

        Raises
        ------
        FitError
            Unknown corner or source, laps not above 0, a temperature out of range.
        """
        self._check(corner, laps, air_c, track_c, source)
        index, values = self.params.index, self.params.to_numpy(dtype=np.float64)
        at = {str(name): i for i, name in enumerate(index)}
        tau, share = values[at["rise_laps"]], values[at["slow_lap_share"]]
        slow = min(2.0 if source == "pit" else 1.0, laps)
        counted = float(effective_laps(np.array(laps), np.array(slow), float(share)))
        reached = float(warmed(np.array(counted), float(tau)))
        above = track_c - air_c
        plateau = (
            values[at["rise_c"]] + values[at[f"rise_c[{corner}]"]]
            + values[at["track_share"]] * above
        )  # fmt: skip
        gradient = np.zeros(len(index))
        gradient[[at["rise_c"], at[f"rise_c[{corner}]"]]] = reached
        gradient[at["track_share"]] = reached * above
        gradient[at["rise_laps"]] = -plateau * (1 - reached) * counted / tau**2
        gradient[at["slow_lap_share"]] = plateau * (1 - reached) * slow / tau
        rise = plateau * reached
        if source == "pit":
            kept = 1 - values[at["pit_loss_pct"]] / 100
            gradient *= kept
            gradient[at["pit_loss_pct"]] = -rise / 100
            rise *= kept
        known = float(gradient @ self.cov.to_numpy(dtype=np.float64) @ gradient)
        spreads = (self.session_spread_c, self.run_spread_c, self.corner_spread_c)
        fresh = reached**2 * sum(spread**2 for spread in spreads)
        return Estimate(float(air_c + rise), math.sqrt(known + fresh))

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
        corner, laps, air_c, track_c, source
            As `gas_c`.
        """
        outside = self.ambient_bar if ambient_bar is None else ambient_bar
        when_set = air_c if cold_c is None else cold_c
        mean, lower, upper = (
            float(hot_pressure(cold_bar, when_set, gas_c, outside))
            for gas_c in self._ends(corner, laps, air_c, track_c, level, source)
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
    ) -> tuple[float, float, float]:
        """Return mean, lower and upper cold gauge pressure that gives `hot_bar` after `laps`.

        Arguments as `hot_bar`, of which it is the inverse. Below 0 no setting reaches the target.
        """
        outside = self.ambient_bar if ambient_bar is None else ambient_bar
        when_set = air_c if cold_c is None else cold_c
        mean, upper, lower = (
            float(cold_pressure(hot_bar, gas_c, when_set, outside))
            for gas_c in self._ends(corner, laps, air_c, track_c, level, source)
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
        said = [
            ("rise_c", "gas above air once hot", "°C"),
            ("track_share", "of the track above air", ""),
            ("rise_laps", "laps for 63 % of the rise", "laps"),
            ("pit_loss_pct", "of it lost before a pit reading", "%"),
        ]
        lines = ["Hot pressure (90 %)"]
        for name, words, unit in said:
            mean, sd = self.estimate(name)
            lines.append(
                f"  {words:<31} {mean:6.2f} ± {half * sd:.2f} {unit}, "
                f"{100 * share[name]:.0f} % from data"
            )
        by_corner = ", ".join(f"{c} {self.params[f'rise_c[{c}]']:+.1f}" for c in CORNERS)
        lines += [
            f"  corners against the mean, °C: {by_corner}",
            f"  plateau ± {self.session_spread_c:.1f} °C session to session, ± "
            f"{self.run_spread_c:.1f} run to run; one reading ± {self.reading_bar:.3f} bar",
            f"  from {self.n_rows} readings up to lap {self.most_laps:.0f}; "
            f"{len(self.left_out)} left out",
            f"  surer by: {self._surer()}",
        ]
        return "\n".join([*lines, *(f"  note: {note}" for note in self.notes)])

    def _surer(self) -> str:
        share = self.rests_on["data_share"]
        if share["rise_laps"] < 0.3:
            return "readings after short runs too, laps 2 to 4"
        if share["pit_loss_pct"] < 0.3:
            return "a pressure sensor, or noting how long after the flag each tyre was read"
        return "readings in hotter and colder sessions"

    def _ends(
        self, corner: str, laps: float, air_c: float, track_c: float, level: float, source: str
    ) -> tuple[float, float, float]:
        """Return mean, lower and upper gas temperature."""
        mean, sd = self.gas_c(corner, laps, air_c, track_c, source=source)
        half = t_quantile(0.5 + check_level(level) / 2, self.df) * sd
        return mean, mean - half, mean + half

    def _check(self, corner: str, laps: float, air_c: float, track_c: float, source: str) -> None:
        if corner not in CORNERS:
            raise FitError(f"corner {corner!r} is not known; it is FL, FR, RL or RR.")
        if source not in SOURCES:
            raise FitError(f"source {source!r} is not known; it is sensor or pit.")
        if not laps > 0:
            raise FitError(f"laps must be above 0 for a hot pressure. Got {laps!r}.")
        if not (-30 <= air_c <= 55 and -20 <= track_c <= 80):
            raise FitError(
                f"air is -30 to 55 and track -20 to 80 degC. Got {air_c!r} and {track_c!r}."
            )
