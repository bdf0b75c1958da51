"""The lap-time fit over all shapes: estimates, predictions, losses with tyre age."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from tyrekit.errors import FitError
from tyrekit.fit.lap_design import DEFAULTS, SETTLED_LAP, SLOPE, fixed_columns, numbers_of
from tyrekit.fit.mixture import mixture_interval, mixture_moments
from tyrekit.fit.prior import TREAD
from tyrekit.fit.result import Estimate, FitResult, Floats, draw_t
from tyrekit.fit.shapes import Knee
from tyrekit.model.drop_off import Shape, bend, bend_slope

UNSEEN_LAPS = 30.0  # beyond the oldest age seen a knee may come, evenly over this many laps
WEAR_SHARE = TREAD["session_spread_pct"].mean / 100.0  # sessions wear tyres this much unequally
ASKED = ("session", "age_laps", "fuel_kg", "heat_cycles", "track_c", "field_laps", "flying_lap")
RANGES = {"age_laps": "age", "fuel_kg": "fuel", "track_c": "track temperature"}


@dataclass(frozen=True, eq=False)
class LapTimeEstimates(FitResult):
    """Lap time against age, fuel, track and warm-up, averaged over the drop-off shapes.

    ``drop_off_s_per_lap`` in `params` is the mean loss per lap of age from 0 to `oldest_laps`,
    which every shape has; a shape's own coefficient stands in `shapes`.

    Attributes
    ----------
    line : (p,), line_cov : (p, p)
        The straight-line shape's solution.
    shapes : DataFrame
        shape, knee_laps, weight, coefficient, coefficient_sd, deviance; the straight line first.
    shift : (p, shapes)
        A shape's parameters are ``line - shift * coefficient``.
    noise_s, autocorrelation : float
        Lap-to-lap spread of clean laps, and lag-1 correlation within stints used to widen.
    knee : Knee
    oldest_laps : float
        Age to which the mean drop-off refers: the oldest seen, or 20 when none was.
    seen : dict
        age_laps, fuel_kg, track_c, flying_lap and others -> (least, most) of the laps used;
        empty without laps.
    spreads : dict
        Spread of session, set, stint and driver offsets and of a stint's own trend, and the
        belief about a knee's added loss (``knee`` and ``knee_sd``).
    session_kinds : dict
        Session -> practice, qualifying or race; unknown sessions count as practice.
    drivers : tuple of str
        Drivers with an offset of their own; empty when all laps are one driver's.
    laps : DataFrame
        The laps of the fit: run_id, session, lap, set_id, fitted_s, residual_s, kept.
    """

    line: Floats = field(default_factory=lambda: np.zeros(0))
    line_cov: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    shapes: pd.DataFrame = field(default_factory=pd.DataFrame)
    shift: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    noise_s: float = 0.0
    autocorrelation: float = 0.0
    knee: Knee = field(default_factory=lambda: Knee(None, None, None, False, ""))
    oldest_laps: float = 0.0
    seen: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    spreads: Mapping[str, float] = field(default_factory=dict)
    session_kinds: Mapping[str, str] = field(default_factory=dict)
    drivers: tuple[str, ...] = ()
    laps: pd.DataFrame = field(default_factory=pd.DataFrame)

    @property
    def fuel_effect_s_per_kg(self) -> Estimate:
        """Lap time per kg of fuel carried."""
        return self.estimate("fuel_effect_s_per_kg")

    @property
    def drop_off_s_per_lap(self) -> Estimate:
        """Mean loss per lap of tyre age from 0 to `oldest_laps`."""
        return self.estimate(SLOPE)

    @property
    def heat_cycle_s(self) -> float:
        """Lap time lost per earlier run of the tyres."""
        return float(self.params["heat_cycle_s"])

    @property
    def warm_up_s(self) -> tuple[float, float, float]:
        """Extra seconds on flying laps 1, 2 and 3 of a run."""
        first, second, third = (float(self.params[f"warm_up_{n}_s"]) for n in (1, 2, 3))
        return first, second, third

    @property
    def shape_weights(self) -> pd.Series:
        """Weight of linear, quadratic and hinge after the data; they sum to 1."""
        return self.shapes.groupby("shape", sort=False)["weight"].sum()

    @property
    def curved_chance(self) -> float:
        """Chance that the drop-off is curved: every shape but the straight line."""
        return 1.0 - float(self.shape_weights["linear"])

    @property
    def fuel_age_correlation(self) -> float:
        """Correlation of the fuel effect's estimate with the drop-off's, -1 to 1."""
        names, cov = list(self.params.index), self.cov.to_numpy()
        i, j = names.index("fuel_effect_s_per_kg"), self._slope_at
        return float(cov[i, j]) / math.sqrt(float(cov[i, i] * cov[j, j]))

    @property
    def linger(self) -> float:
        """How much the variance of a mean of neighbouring laps grows by what lingers: AR(1)."""
        return (1.0 + self.autocorrelation) / (1.0 - self.autocorrelation)

    def base_lap_s(self, session: str) -> Estimate:
        """Return the session's clean lap: age 0, 30 kg, 30 degC, 1250 field laps, warmed up."""
        row = pd.DataFrame({"session": [session], "age_laps": [0.0], "fuel_kg": [30.0]})
        row = row.assign(flying_lap=SETTLED_LAP, **DEFAULTS)
        mean, variance = self._along(*self._design(row))
        weight = self.shapes["weight"].to_numpy()
        centre, spread = mixture_moments(weight, mean, variance)
        unknown = 0.0 if f"session_s:{session}" in self.params else self.spreads["session_s"]
        return Estimate(float(centre[0]), math.hypot(float(spread[0]) ** 0.5, unknown))

    def predict(
        self, rows: pd.DataFrame, level: float = 0.9, new_lap: bool = False
    ) -> pd.DataFrame:
        """Return mean, lower, upper (s) and what lies outside what was seen, one row each.

        Parameters
        ----------
        rows : DataFrame
            session (may be new), age_laps, fuel_kg, heat_cycles, track_c, field_laps,
            flying_lap; set_id and driver if known.
        level : float
            Between 0 and 1.
        new_lap : bool
            Interval of one clean lap rather than of the mean clean lap of a new stint.

        Raises
        ------
        FitError
            A column is missing, or a value that cannot be filled is not a number.
        """
        rows, unknown = self._asked(rows)
        mean, variance = self._along(*self._design(rows))
        extra, extra_variance = self._unseen_knee(rows["age_laps"].to_numpy(dtype=float))
        variance = variance + extra_variance + self._offset_variance(rows)
        variance = variance + self._wear_variance(np.eye(len(rows)), rows["age_laps"])
        variance = variance + (self.noise_s**2 if new_lap else 0.0)
        table = self._interval(mean + extra, variance, level).set_index(rows.index)
        return table.assign(outside=self._outside(rows, unknown))

    def stint_time(self, rows: pd.DataFrame, level: float = 0.9) -> pd.DataFrame:
        """Return the total time (s) of the laps in `rows`, one new stint: mean, lower, upper.

        `rows` is as for `predict`, in the order they are run; traffic, cautions and stops are
        not in it. Offsets that the laps share are counted as shared.
        """
        return self.combined(rows, np.ones(len(rows)), level)

    def combined(
        self, rows: pd.DataFrame, weights: ArrayLike, level: float = 0.9, noise: bool = True
    ) -> pd.DataFrame:
        """Return a weighted sum (s) of one new stint's lap times: mean, lower, upper, outside.

        Parameters
        ----------
        rows : DataFrame
            As for `predict`, in the order they are run.
        weights : (rows,)
            Ones for the total, 1 / rows for the mean, +1 and -1 to compare laps.
        level : float
            Between 0 and 1.
        noise : bool
            Count the laps' own scatter, not only the uncertainty of their means.
        """
        rows, unknown = self._asked(rows)
        weight = np.asarray(weights, dtype=float)
        design, curves = self._design(rows)
        mean, variance = self._along(weight[None] @ design, weight[None] @ curves)
        extra, extra_variance = self._unseen_knee(rows["age_laps"].to_numpy(dtype=float))
        variance = variance + (np.abs(weight) @ np.sqrt(extra_variance)) ** 2
        variance = variance + self._shared_variance(rows, weight)
        variance = variance + self._wear_variance(weight[None], rows["age_laps"])
        if noise:
            variance = variance + float(weight @ weight) * self.noise_s**2 * self.linger
        table = self._interval(mean + weight @ extra, variance, level)
        said = [text for text in self._outside(rows, unknown) if text]
        return table.assign(outside=said[-1] if said else "")

    def draws(self, n: int, rng: np.random.Generator) -> pd.DataFrame:
        """Return `n` joint draws: shape, knee_laps, coefficient, then every parameter."""
        picked, coefficient, values = self._draw(n, rng)
        table = self.shapes[["shape", "knee_laps"]].iloc[picked].reset_index(drop=True)
        drawn = pd.DataFrame(values, columns=self.params.index)
        return pd.concat([table.assign(coefficient=coefficient), drawn], axis=1)

    def age_loss_s(self, ages: ArrayLike, n: int, rng: np.random.Generator) -> Floats:
        """Return seconds per lap lost at each tyre age relative to age 0, shape (n, ages).

        One row per draw; shapes come by their weight. Beyond the oldest age seen a draw may
        hold a knee nobody has seen yet, at the belief's rate.
        """
        age = _ages(ages)
        picked, coefficient, values = self._draw(n, rng)
        slope = values[:, self._slope_at]
        loss = slope[:, None] * age + coefficient[:, None] * self.curves(age).T[picked]
        begin = self.oldest_seen_laps + rng.uniform(0.0, UNSEEN_LAPS, size=(n, 1))
        happens = rng.random((n, 1)) < self.unseen_chance
        added = rng.normal(self.spreads["knee"], self.spreads["knee_sd"], size=(n, 1))
        return np.asarray(loss + happens * added * np.maximum(age - begin, 0.0))

    def mean_age_loss_s(self, ages: ArrayLike) -> Floats:
        """Return the mean of `age_loss_s` over infinitely many draws, shape (ages,)."""
        age = _ages(ages)
        mean, _ = self._loss(age, np.eye(len(age)))
        return np.asarray(self.shapes["weight"].to_numpy() @ mean + self._unseen_knee(age)[0])

    def stint_loss(self, ages: ArrayLike, level: float = 0.9) -> pd.DataFrame:
        """Return the seconds lost to tyre age over laps at these ages: mean, lower, upper."""
        age = _ages(ages)
        mean, variance = self._loss(age, np.ones((1, len(age))))
        variance = variance + self._wear_variance(np.ones((1, len(age))), age)
        extra, extra_variance = self._unseen_knee(age)
        variance = variance + np.sqrt(extra_variance).sum() ** 2
        return self._interval(mean + extra.sum(), variance, level)

    @property
    def oldest_seen_laps(self) -> float:
        """Oldest tyre age among the laps used; 0 when there are none."""
        return float(self.seen["age_laps"][1]) if "age_laps" in self.seen else 0.0

    @property
    def _slope_at(self) -> int:
        return list(self.params.index).index(SLOPE)

    @property
    def unseen_chance(self) -> float:
        """Belief that a knee still to be seen exists: a third, less what a seen knee takes."""
        return (1.0 - float(self.shape_weights.get("hinge", 0.0))) / 3.0

    def _unseen_knee(self, age: Floats) -> tuple[Floats, Floats]:
        """Mean and variance of what a knee beyond the oldest age seen adds at each age."""
        past = np.maximum(age - self.oldest_seen_laps, 0.0)
        early = np.maximum(past - UNSEEN_LAPS, 0.0)
        first = (past**2 - early**2) / (2 * UNSEEN_LAPS)
        second = (past**3 - early**3) / (3 * UNSEEN_LAPS)
        chance, mean, sd = self.unseen_chance, self.spreads["knee"], self.spreads["knee_sd"]
        centre = chance * mean * first
        return centre, chance * (mean**2 + sd**2) * second - centre**2

    def curves(self, age: Floats) -> Floats:
        """Return each shape's curve at each age, (ages, shapes), its mean slope taken off.

        The slope is the mean to `oldest_laps`; the straight line's curve is 0.
        """
        ends = self._each_shape(bend, np.array([self.oldest_laps]))
        return self._each_shape(bend, age) - age[:, None] * ends / self.oldest_laps

    def _each_shape(self, of: Callable[[Shape, Floats], Floats], age: Floats) -> Floats:
        pairs = zip(self.shapes["shape"], self.shapes["knee_laps"], strict=True)
        return np.column_stack([of(Shape(str(name), float(knee)), age) for name, knee in pairs])

    def _draw(self, n: int, rng: np.random.Generator) -> tuple[np.ndarray, Floats, Floats]:
        weight = self.shapes["weight"].to_numpy()
        picked = rng.choice(len(weight), size=n, p=weight / weight.sum())
        scale = 1.0 if math.isinf(self.df) else np.sqrt(self.df / rng.chisquare(self.df, size=n))
        sd = self.shapes["coefficient_sd"].to_numpy()[picked]
        centre = self.shapes["coefficient"].to_numpy()[picked]
        coefficient = centre + sd * scale * rng.standard_normal(n)
        spread = draw_t(self.line_cov, math.inf, n, rng) * np.reshape(scale, (-1, 1))
        return picked, coefficient, self.line + spread - self.shift.T[picked] * coefficient[:, None]

    def _asked(self, rows: pd.DataFrame) -> tuple[pd.DataFrame, Floats]:
        """Check the rows asked for; fill unknown conditions and mark where."""
        missing = [name for name in ASKED if name not in rows.columns]
        if missing:
            raise FitError(f"rows to predict lack {', '.join(missing)}. Add the columns.")
        numbers = {name: numbers_of(rows, name) for name in ASKED[1:]}
        for name in ("age_laps", "fuel_kg", "flying_lap"):
            if not np.isfinite(numbers[name]).all():
                raise FitError(f"rows to predict: {name} is not a number everywhere. Give it.")
        gaps = np.zeros(len(rows), dtype=bool)
        for name, reference in DEFAULTS.items():
            unknown = np.isnan(numbers[name])
            middle = sum(self.seen.get(name, (reference, reference))) / 2
            numbers[name] = np.where(unknown, middle, numbers[name])
            gaps |= unknown
        return rows.assign(**numbers), gaps

    def common_columns(self, rows: pd.DataFrame) -> Floats:
        """Return `lap_design.fixed_columns` of laps; an unknown driver counts as the average."""
        drivers = rows["driver"] if "driver" in rows else pd.Series("", rows.index)
        races = [name for name, kind in self.session_kinds.items() if kind == "race"]
        fixed = fixed_columns(rows.assign(driver=drivers), races, self.drivers)
        if self.drivers:
            nobody = ~drivers.isin(self.drivers).to_numpy()
            fixed[nobody, -len(self.drivers) :] = 1.0 / len(self.drivers)
        return fixed

    def _design(self, rows: pd.DataFrame) -> tuple[Floats, Floats]:
        """Rows in the parameters (rows, p) and each shape's curve (rows, shapes)."""
        fixed = self.common_columns(rows)
        known = {name: i for i, name in enumerate(self.params.index[fixed.shape[1] :])}
        dummies = np.zeros((len(rows), len(known)))
        for offset, names in (("session_s", rows["session"]), ("set_s", rows.get("set_id", ()))):
            for row, name in enumerate(names):
                if (at := known.get(f"{offset}:{name}")) is not None:
                    dummies[row, at] = 1.0
        return np.hstack([fixed, dummies]), self.curves(rows["age_laps"].to_numpy(dtype=float))

    def _along(self, design: Floats, curves: Floats) -> tuple[Floats, Floats]:
        """Mean and variance per shape, (shapes, m), of design @ params + curves x coefficient."""
        coefficient = self.shapes["coefficient"].to_numpy()
        sd = self.shapes["coefficient_sd"].to_numpy()
        own = curves - design @ self.shift
        mean = (design @ self.line)[:, None] + own * coefficient
        variance = np.einsum("ij,jk,ik->i", design, self.line_cov, design)
        return mean.T, (variance[:, None] + (own * sd) ** 2).T

    def _loss(self, age: Floats, sums: Floats) -> tuple[Floats, Floats]:
        """Mean and variance per shape of `sums` @ loss at the ages, without the unseen knee."""
        design = np.zeros((len(age), len(self.line)))
        design[:, self._slope_at] = age
        return self._along(sums @ design, sums @ self.curves(age))

    def _wear_variance(self, sums: Floats, age: ArrayLike) -> Floats:
        """Variance per shape of `sums` @ loss from a lap of age not being a lap of wear.

        Temperature, slow laps and the circuit's mood wear a stint's tyres more or less than
        their laps say, by the tread beliefs' spread from session to session; past a knee that
        matters.
        """
        coefficient = self.shapes["coefficient"].to_numpy()
        slope = self.line[self._slope_at] - self.shift[self._slope_at] * coefficient
        ends = self._each_shape(bend, np.array([self.oldest_laps])) / self.oldest_laps
        laps = np.asarray(age, dtype=float)
        steep = slope + coefficient * (self._each_shape(bend_slope, laps) - ends)
        return np.asarray(np.square(WEAR_SHARE * sums @ (laps[:, None] * steep)).T)

    def _new(self, rows: pd.DataFrame, column: str, offset: str) -> Floats:
        """1 where a row's session or set has no offset in the fit."""
        if column not in rows:
            return np.ones(len(rows))
        known = set(self.params.index)
        return np.array([f"{offset}:{name}" not in known for name in rows[column]], dtype=float)

    def _offset_variance(self, rows: pd.DataFrame) -> Floats:
        """Variance from offsets that the laps so far say nothing about: new session, set, stint."""
        trend = rows["flying_lap"].to_numpy(dtype=float) - SETTLED_LAP
        return np.asarray(
            self._new(rows, "session", "session_s") * self.spreads["session_s"] ** 2
            + self._new(rows, "set_id", "set_s") * self.spreads["set_s"] ** 2
            + self.spreads["stint_s"] ** 2
            + (self.spreads["stint_slope_s_per_lap"] * trend) ** 2
        )

    def _shared_variance(self, rows: pd.DataFrame, weight: Floats) -> float:
        """Variance of a weighted sum over one stint from offsets and trend that its laps share."""
        trend = rows["flying_lap"].to_numpy(dtype=float) - SETTLED_LAP
        total = (self.spreads["stint_s"] * float(weight.sum())) ** 2
        total += (self.spreads["stint_slope_s_per_lap"] * float(weight @ trend)) ** 2
        for column, offset in (("session", "session_s"), ("set_id", "set_s")):
            new = self._new(rows, column, offset) * weight
            code = pd.factorize(rows[column])[0] if column in rows else np.zeros(len(rows), int)
            shared = np.bincount(code + 1, weights=new)  # an unknown one is coded -1
            total += float(np.sum((self.spreads[offset] * shared) ** 2))
        return total

    def _interval(self, mean: Floats, variance: Floats, level: float) -> pd.DataFrame:
        weight = self.shapes["weight"].to_numpy()
        lower, upper = mixture_interval(weight, mean, np.sqrt(variance), self.df, level)
        return pd.DataFrame({"mean": weight @ mean, "lower": lower, "upper": upper})

    def _outside(self, rows: pd.DataFrame, unknown: Floats) -> list[str]:
        """In words, per row, what was never seen in the laps used."""
        said: list[list[str]] = [[] for _ in range(len(rows))]
        for name, word in RANGES.items():
            least, most = self.seen.get(name, (math.inf, -math.inf))
            for i, value in enumerate(rows[name]):
                if not least <= value <= most:
                    end = f"above {most:.4g}" if value > most else f"below {least:.4g}"
                    said[i].append(f"{word} {value:.4g}, {end} seen" if self.seen else word)
        for i, (gap, session) in enumerate(zip(unknown, rows["session"], strict=True)):
            said[i] += ["conditions not given, middle of those seen taken"] if gap else []
            if self.session_kinds and session not in self.session_kinds:
                said[i].append(f"session {session} not known, taken as practice")
        return ["; ".join(parts) for parts in said]


def _ages(ages: ArrayLike) -> Floats:
    age = np.atleast_1d(np.asarray(ages, dtype=float))
    if not (np.isfinite(age).all() and (age >= 0).all()):
        raise FitError("tyre ages must be laps, 0 and up. Correct the ages asked for.")
    return age
