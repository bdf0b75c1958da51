"""What in the driving wears the tyres: few observations, so shrunk, with intervals, or not said.

Corners of one session share weather and driver, so a weekend holds about two independent
observations a session, not dozens: rows are driver and session, sessions have an offset of their
own, drivers too, and each measure's effect has a belief centred on nothing (mixed estimation,
THEIL1961). Spreads are weighed by their evidence on a grid.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd
from scipy import special

from tyrekit.errors import FitError
from tyrekit.fit.mixed import Mixed, mixed_estimate
from tyrekit.fit.mixture import mixture_interval, mixture_moments
from tyrekit.fit.result import FitResult, Floats, check_level, data_share

LEAST_ROWS = 4
ALIKE = 0.8  # two measures that move together as closely as this are said to
GRID = (0.4, 0.75, 1.4, 2.6)  # spreads tried, as multiples of the belief
GRID_SPREAD = 0.7  # of the logarithm of a spread round its belief
MOST_PAIRS = 20  # of runs: a weekend has no more
LEVEL_SPREADS = 10.0  # the level is free


@dataclass(frozen=True)
class Question:
    """What is asked of the driving, and what is believed of the answer.

    Attributes
    ----------
    response : str
        Column with the answer; its standard error is in ``{response}_se``.
    words, unit : str
        What it is.
    effect_sd : float
        Spread of the effect of one standard deviation of a measure, about 0.
    session_sd, driver_sd, run_sd : float
        Spread of sessions, of drivers beyond their measures, and of what no measure sees.
    telling : float
        An effect worth knowing of: what would settle a question must tell half of it.
    """

    response: str
    words: str
    unit: str
    effect_sd: float
    session_sd: float
    driver_sd: float
    run_sd: float
    telling: float


# Reasoned from simulated weekends; wear in per cent of the corner's usual. Its effects are kept
# wide: with 5 % the interval of one large effect among five held 67 % of 60 weekends.
WEAR = Question("wear_pct", "tread wear against the corner's usual", "%", 12.0, 8.0, 2.0, 3.0, 5.0)
DROP_OFF = Question(
    "drop_off_ms_per_lap", "drop-off against the usual", "ms per lap", 6.0, 6.0, 3.0, 5.0, 6.0
)


@dataclass(frozen=True, eq=False, kw_only=True)
class StyleResults(FitResult):
    """What each measure of the driving does to wear, or to the drop-off.

    Attributes
    ----------
    effects : DataFrame, index measure
        mean, lower, upper per standard deviation of the measure (90 %), `per_unit` the same per
        unit of it, `spread` that standard deviation, `found` (the claim's interval excludes 0) and
        `settle`, what would settle it.
    level, response, unit : float, str, str
        Level of the intervals; what was asked and its unit.
    drivers : DataFrame, index driver
        mean, lower, upper: what is left between drivers beyond the measures.
    together : DataFrame
        Pairs of measures that moved together: one, other, correlation.
    """

    effects: pd.DataFrame
    level: float
    response: str
    unit: str
    drivers: pd.DataFrame
    together: pd.DataFrame

    @property
    def found(self) -> tuple[str, ...]:
        """The measures whose interval excludes 0, the largest effect first."""
        sure = self.effects[self.effects["found"]]
        order = sure["mean"].abs().sort_values(ascending=False)
        return tuple(str(name) for name in order.index)

    def summary(self) -> str:
        """Return what was found, how sure, from what, and what would settle the rest."""
        share = f"{100 * self.level:.0f} %"
        lines = [f"{self.response}: {self.unit} for one standard deviation of a measure ({share})"]
        for name, row in self.effects.iterrows():
            ends = f"{row['lower']:+.1f} to {row['upper']:+.1f}"
            verdict = "found" if row["found"] else f"not separable; {row['settle']}"
            lines.append(f"  {name:26} {row['mean']:+5.1f} ({ends})  {verdict}")
        lines.append(f"  from {self.n_rows} driver-sessions; {len(self.left_out)} left out")
        return "\n".join([*lines, *(f"  note: {note}" for note in self.notes)])


class StyleModel:
    """Effect of driving measures on wear or drop-off.

    Parameters
    ----------
    rows : DataFrame
        One row per driver and session: session, driver, the question's response and its
        standard error (above 0), and the measures.
    measures : sequence of str
        Columns to judge. One that is missing somewhere or the same everywhere is left out and
        said.
    question : Question
        What is asked.

    Raises
    ------
    FitError
        A column is missing, or a standard error is not above 0.
    """

    def __init__(
        self, rows: pd.DataFrame, measures: Sequence[str], question: Question = WEAR
    ) -> None:
        needed = ["session", "driver", question.response, f"{question.response}_se", *measures]
        missing = [name for name in needed if name not in rows]
        if missing:
            raise FitError(f"the driving table lacks {', '.join(missing)}. Make it again.")
        known = np.isfinite(rows[needed[2:4]].to_numpy(dtype=np.float64)).all(axis=1)
        self.left = rows[~known]
        self.rows = rows[known].reset_index(drop=True)
        if not (self.rows[needed[3]] > 0).all():
            raise FitError(f"{needed[3]} must be above 0 in every row. Correct the table.")
        self.question = question
        self.measures, self.notes = _usable(self.rows, measures)

    def fit(self, level: float = 0.9, claim_level: float | None = None) -> StyleResults:
        """Return the effects; belief only, and said, with fewer than four rows.

        Parameters
        ----------
        level : float
            Of the intervals; between 0 and 1.
        claim_level : float, optional
            Of the interval that must exclude 0 for `found`, by default the same; a wider one
            where several questions are asked of one weekend.
        """
        check_level(level)
        claim = check_level(level if claim_level is None else claim_level)
        few = len(self.rows) < LEAST_ROWS or not self.measures
        used = self.rows.iloc[:0] if few else self.rows
        notes = list(self.notes)
        if few:
            notes.append(
                f"{len(self.rows)} driver-sessions and {len(self.measures)} measures: too few to "
                "say anything; what stands here is belief"
            )
        made = _weighed(used, self.measures, self.question)
        return _results(self, used, made, (level, claim), tuple(notes))


@dataclass(frozen=True)
class _Weighed:
    """Fits on the grid of spreads: weights (k,), means (k, p), variances (k, p), best of all."""

    weight: Floats
    mean: Floats
    variance: Floats
    cov: Floats
    row_sd: float
    names: tuple[str, ...]
    belief_sd: Floats


def _usable(rows: pd.DataFrame, measures: Sequence[str]) -> tuple[tuple[str, ...], list[str]]:
    kept, notes = [], []
    for name in measures:
        values = rows[name].to_numpy(dtype=np.float64)
        if not np.isfinite(values).all():
            notes.append(f"{name} is not known for every run: left out")
        elif len(values) and np.ptp(values) <= 1e-9 * max(1.0, float(np.abs(values).max())):
            notes.append(f"{name} is the same in every run: left out")
        else:
            kept.append(name)
    return tuple(kept), notes


def _standard(rows: pd.DataFrame, measures: Sequence[str]) -> tuple[Floats, Floats]:
    """Return the measures in standard deviations about their mean, and those deviations."""
    values = rows[list(measures)].to_numpy(dtype=np.float64)
    if len(values) < 2:
        return np.zeros(values.shape), np.ones(len(measures))
    spread = values.std(axis=0, ddof=1)
    return (values - values.mean(axis=0)) / spread, spread


def _weighed(rows: pd.DataFrame, measures: Sequence[str], asked: Question) -> _Weighed:
    z, _ = _standard(rows, measures)
    groups = [pd.get_dummies(rows[name], dtype=float) for name in ("session", "driver")]
    design = np.column_stack([np.ones(len(rows)), z, *(g.to_numpy() for g in groups)])
    names = ("level", *measures, *(f"session_offset[{s}]" for s in groups[0]),
             *(f"driver_offset[{d}]" for d in groups[1]))  # fmt: skip
    y = rows[asked.response].to_numpy(dtype=np.float64)
    se = rows[f"{asked.response}_se"].to_numpy(dtype=np.float64)
    fits: list[Mixed] = []
    logs, row_sds = [], []
    for session, run in product(GRID, GRID):
        sd = np.concatenate([
            [LEVEL_SPREADS * asked.session_sd], np.full(len(measures), asked.effect_sd),
            np.full(groups[0].shape[1], asked.session_sd * session),
            np.full(groups[1].shape[1], asked.driver_sd),
        ])  # fmt: skip
        row_sd = np.hypot(se, asked.run_sd * run)
        one = mixed_estimate(design, y, row_sd, np.zeros(len(sd)), sd)
        away = sum((math.log(scale) / GRID_SPREAD) ** 2 for scale in (session, run))
        fits.append(one)
        logs.append(one.log_evidence - away / 2)
        row_sds.append(float(np.quantile(row_sd, 0.25)) if len(row_sd) else asked.run_sd)
    weight = special.softmax(np.array(logs))
    mean = np.stack([f.params for f in fits])
    variance = np.stack([np.diag(f.cov) for f in fits])
    off = mean - weight @ mean
    cov = np.einsum("k,kij->ij", weight, np.stack([f.cov for f in fits]))
    cov = cov + np.einsum("k,ki,kj->ij", weight, off, off)
    belief = np.concatenate(
        [[LEVEL_SPREADS * asked.session_sd], np.full(len(measures), asked.effect_sd)]
    )
    return _Weighed(weight, mean, variance, cov, float(weight @ row_sds), names, belief)


def _results(
    model: StyleModel, rows: pd.DataFrame, made: _Weighed, levels: tuple[float, float],
    notes: tuple[str, ...],
) -> StyleResults:  # fmt: skip
    measures, asked = model.measures, model.question
    count = 1 + len(measures)
    mean, variance = mixture_moments(made.weight, made.mean, made.variance)
    index = pd.Index(made.names[:count])
    sd = np.sqrt(made.variance)
    lower, upper = mixture_interval(made.weight, made.mean, sd, math.inf, levels[0])
    strict = mixture_interval(made.weight, made.mean, sd, math.inf, levels[1])
    together = _together(rows, measures)
    effects = _effects(rows, made, mean, ((lower, upper), strict), measures, asked, together)
    is_driver = [n.startswith("driver_offset[") for n in made.names]
    drivers = pd.DataFrame(
        {"mean": mean[is_driver], "lower": lower[is_driver], "upper": upper[is_driver]},
        index=pd.Index(
            [n[len("driver_offset[") : -1] for n in made.names if n.startswith("driver_offset[")],
            name="driver",
        ),
    )
    share = data_share(made.belief_sd, np.sqrt(variance[:count]))
    left = pd.DataFrame(
        {
            "run_id": model.left["session"].astype(str),
            "lap": np.full(len(model.left), np.nan),
            "reason": np.full(len(model.left), f"no {asked.words} for this driver and session"),
        }
    )
    return StyleResults(
        params=pd.Series(mean[:count], index=index),
        cov=pd.DataFrame(made.cov[:count, :count], index=index, columns=index),
        df=math.inf,
        rests_on=pd.DataFrame({"data_share": share}, index=index),
        n_rows=len(rows),
        left_out=left.reset_index(drop=True),
        notes=notes,
        effects=effects,
        level=levels[0],
        response=asked.words,
        unit=asked.unit,
        drivers=drivers,
        together=together,
    )


def _effects(
    rows: pd.DataFrame, made: _Weighed, mean: Floats,
    ends: tuple[tuple[Floats, Floats], tuple[Floats, Floats]],
    measures: Sequence[str], asked: Question, together: pd.DataFrame,
) -> pd.DataFrame:  # fmt: skip
    at = slice(1, 1 + len(measures))
    spread = _standard(rows, measures)[1]
    lower, upper = (end[at] for end in ends[0])
    sd = np.sqrt(np.diag(made.cov))[at]
    found = (ends[1][0][at] > 0) | (ends[1][1][at] < 0)
    settle = [
        "" if sure else _settle(name, spread_now, made.row_sd, asked, together)
        for name, sure, spread_now in zip(measures, found, sd, strict=True)
    ]
    return pd.DataFrame(
        {"mean": mean[at], "lower": lower, "upper": upper, "per_unit": mean[at] / spread,
         "spread": spread, "found": found, "settle": settle},
        index=pd.Index(measures, name="measure"),
    )  # fmt: skip


def _settle(name: str, sd: float, row_sd: float, asked: Question, together: pd.DataFrame) -> str:
    """Say which comparison would bring the effect's spread to half an effect worth knowing."""
    pairs = together[(together["one"] == name) | (together["other"] == name)]
    if len(pairs):
        first = pairs.iloc[int(pairs["correlation"].abs().argmax())]
        other = first["other"] if first["one"] == name else first["one"]
        return f"moved together with {other} ({first['correlation']:+.2f}): change one alone"
    wanted = asked.telling / 2
    # A pair of runs in one session, a standard deviation above and below, differs by two.
    needed = max(1.0 / wanted**2 - 1.0 / sd**2, 0.0) * 2 * row_sd**2 / 4
    count = max(1, math.ceil(needed))
    if count > MOST_PAIRS:
        return "more runs than a weekend has: the same drivers over several events would tell"
    return f"about {count} more pair{'s' if count > 1 else ''} of runs that differ in it would tell"


def _together(rows: pd.DataFrame, measures: Sequence[str]) -> pd.DataFrame:
    """Return pairs of measures that move together within sessions and drivers as seen."""
    z, _ = _standard(rows, measures)
    found = []
    for i, one in enumerate(measures):
        for j in range(i + 1, len(measures)):
            r = float(z[:, i] @ z[:, j] / max(len(z) - 1, 1))
            if abs(r) > ALIKE:
                found.append((one, measures[j], r))
    table = pd.DataFrame(found, columns=["one", "other", "correlation"])
    return table.astype({"one": str, "other": str, "correlation": float})
