"""Lap time against tyre age, fuel, track and warm-up: the model and its results put together.

``lap = base + fuel effect x (fuel - 30 kg) + drop-off(age) + heat cycles + track evolution
+ track temperature + warm-up on flying laps 1 to 3 + race + driver + session + set + stint
(level and own trend) + noise``; age and fuel at the start of the lap, every lap on a tyre counted
in full. Beliefs enter as extra rows (mixed estimation, THEIL1961), drop-off shapes are weighed by
their evidence, and laps that met traffic are left out on the slow side.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
import pandas as pd

from tyrekit.fit import reduction, shapes
from tyrekit.fit.lap_design import SLOPE, LapRows, lap_rows
from tyrekit.fit.lap_problem import Problem, Settled, Solution, drivers_apart, lap_problem, settle
from tyrekit.fit.lap_residuals import residual_spread
from tyrekit.fit.lap_result import LapTimeEstimates
from tyrekit.fit.lap_summary import summary
from tyrekit.fit.lap_words import notes
from tyrekit.fit.prior import Prior
from tyrekit.fit.result import Floats, data_share
from tyrekit.model.drop_off import bend

__all__ = ["LapTimeModel", "LapTimeResults", "SessionKind"]

HORIZON_LAPS = 20.0  # ages the mean drop-off refers to when none was seen


class LapTimeResults(LapTimeEstimates):
    """The lap-time fit's results: `LapTimeEstimates` that can also say what they mean."""

    def summary(self) -> str:
        """Return what was found, how sure, from which laps, and what would make it surer."""
        return summary(self)

    def residual_spread(self) -> pd.DataFrame:
        """Return session, laps, mean_s and spread_s of the residuals of the laps kept."""
        return residual_spread(self)


class SessionKind(Protocol):
    """What the fit asks of a session of the event."""

    @property
    def id(self) -> str:
        """The session's id."""

    @property
    def kind(self) -> str:
        """Practice, qualifying or race."""

    @property
    def wet(self) -> bool:
        """True when it was run in the wet."""


@dataclass(frozen=True, eq=False)
class LapTimeModel:
    """The lap-time fit of a weekend, or of several put together.

    Attributes
    ----------
    laps : DataFrame
        The weekend's laps table (or one with its columns); may be empty.
    beliefs : mapping
        ``prior.beliefs(event).lap_time``, or one changed.
    sessions : iterable
        ``event.sessions``: tells races from practice, and which sessions are wet.
    without : collection of (run_id, lap)
        Laps taken out by hand; they are listed in ``left_out``.
    inputs : mapping
        File name -> sha256, carried into the results.
    """

    laps: pd.DataFrame
    beliefs: Mapping[str, Prior]
    sessions: Iterable[SessionKind] = ()
    without: Collection[tuple[str, int]] = ()
    inputs: Mapping[str, str] = field(default_factory=dict)

    def fit(self) -> LapTimeResults:
        """Return the results; without laps they are the beliefs alone.

        Raises
        ------
        FitError
            The laps table lacks a column, or a belief is missing.
        """
        sessions = tuple(self.sessions)
        wet = [s.id for s in sessions if s.wet]
        rows = lap_rows(self.laps, wet=wet, without=self.without)
        kinds = {s.id: s.kind for s in sessions}
        problem = lap_problem(rows.table, self.beliefs, kinds)
        return _results(self, rows, problem, settle(problem), kinds)


def _assembled(problem: Problem, solution: Solution) -> tuple[Floats, Floats, Floats]:
    """The straight line's parameters, covariance and shifts, offsets appended to common terms."""
    g, m, k = len(problem.names), len(problem.offset_names), len(problem.shapes) - 1
    load, own = np.zeros((m, g)), np.zeros((m, m))
    offsets, shift = np.zeros(m), np.zeros((m, k))
    for group, part in zip(problem.groups, solution.reduced, strict=True):
        at = group.offsets
        load[at] = part.offset_load[:, :g]
        own[np.ix_(at, at)] = part.offset_cov
        offsets[at] = reduction.offsets_back(part, solution.common, np.zeros(k))
        shift[at] = part.offset_load[:, g + 1 :] - load[at] @ solution.curve.shift
    across = -load @ solution.cov
    cov = np.block([[solution.cov, across.T], [across, own - across @ load.T]])
    line = np.concatenate([solution.common, offsets])
    line[0] += problem.middle_s
    return line, cov, np.vstack([solution.curve.shift, shift])


def _mean_slope(problem: Problem, shift: Floats, oldest: float) -> Floats:
    """Make the slope's entry the mean loss per lap from age 0 to `oldest`, in every shape."""
    ends = np.array([float(bend(shape, oldest)) for shape in problem.shapes[1:]])
    changed = np.hstack([np.zeros((len(shift), 1)), shift])
    changed[problem.names.index(SLOPE), 1:] -= ends / oldest
    return changed


def _belief(problem: Problem, oldest: float) -> tuple[Floats, Floats]:
    """Mean and spread believed of every parameter, the mean slope averaged over the shapes."""
    mean = np.concatenate([problem.mean, np.zeros(len(problem.offset_names))])
    sd = np.concatenate([problem.sd, problem.offset_precision**-0.5])
    mean[0] += problem.middle_s
    at, weight = problem.names.index(SLOPE), shapes.prior_weights(problem.shapes)
    bent = np.array([float(bend(shape, oldest)) / oldest for shape in problem.shapes])
    slope = mean[at] + bent * np.concatenate([[0.0], problem.curve_mean])
    variance = sd[at] ** 2 + (bent * np.concatenate([[0.0], problem.curve_sd])) ** 2
    mean[at] = weight @ slope
    sd[at] = math.sqrt(float(weight @ (variance + (slope - mean[at]) ** 2)))
    return mean, sd


def _results(
    model: LapTimeModel, rows: LapRows, problem: Problem, settled: Settled, kinds: Mapping[str, str]
) -> LapTimeResults:
    solution, table = settled.solution, problem.table
    line, line_cov, shift = _assembled(problem, solution)
    kept = table[settled.kept]
    oldest = max(float(kept["age_laps"].max()), 1.0) if len(kept) else HORIZON_LAPS
    shift = _mean_slope(problem, shift, oldest)
    coefficient = np.concatenate([[0.0], solution.curve.coefficient])
    sd = np.concatenate([[0.0], solution.curve.sd])
    names = pd.Index([*problem.names, *problem.offset_names])
    moved = shift * coefficient
    mean = line - moved @ solution.weight
    away = (line - mean)[:, None] - moved
    cov = line_cov + (shift * (solution.weight * sd**2)) @ shift.T
    cov += (away * solution.weight) @ away.T
    believed = _belief(problem, oldest)
    result = LapTimeResults(
        params=pd.Series(mean, names),
        cov=pd.DataFrame(cov, names, names),
        df=settled.df,
        rests_on=_rests_on(names, believed, np.sqrt(np.diag(cov))),
        n_rows=len(kept),
        left_out=_left_out(rows, settled),
        inputs=dict(model.inputs),
        line=line,
        line_cov=line_cov,
        shapes=_shape_table(problem, solution),
        shift=shift,
        noise_s=settled.noise_s,
        autocorrelation=settled.autocorrelation,
        knee=shapes.knee(problem.shapes, solution.weight, solution.curve.deviance, oldest),
        oldest_laps=oldest,
        seen=_seen(kept),
        spreads=_spreads(model.beliefs),
        session_kinds=dict(kinds),
        drivers=drivers_apart(table),
        laps=_laps(table, settled),
    )
    return dataclasses.replace(result, notes=(*rows.notes, *notes(result)))


def _rests_on(names: pd.Index[str], believed: tuple[Floats, Floats], sd: Floats) -> pd.DataFrame:
    mean, spread = believed
    return pd.DataFrame(
        {"data_share": data_share(spread, sd), "belief": mean, "belief_sd": spread}, index=names
    )


def _shape_table(problem: Problem, solution: Solution) -> pd.DataFrame:
    curve = solution.curve
    return pd.DataFrame(
        {
            "shape": [shape.name for shape in problem.shapes],
            "knee_laps": [shape.knee_laps for shape in problem.shapes],
            "weight": solution.weight,
            "coefficient": np.concatenate([[0.0], curve.coefficient]),
            "coefficient_sd": np.concatenate([[0.0], curve.sd]),
            "deviance": np.concatenate([[0.0], curve.deviance]),
        }
    )


def _seen(kept: pd.DataFrame) -> dict[str, tuple[float, float]]:
    names = ("age_laps", "fuel_kg", "track_c", "heat_cycles", "field_laps", "flying_lap")
    return {n: (float(kept[n].min()), float(kept[n].max())) for n in names if len(kept)}


def _spreads(beliefs: Mapping[str, Prior]) -> dict[str, float]:
    names = ("session_s", "set_s", "stint_s", "stint_slope_s_per_lap", "driver_s")
    knee, noise = beliefs["drop_off_knee_s_per_lap"], beliefs["noise_s"]
    return {name: beliefs[name].sd for name in names} | {
        "knee": knee.mean, "knee_sd": knee.sd, "noise": noise.mean, "noise_sd": noise.sd,
    }  # fmt: skip


def _laps(table: pd.DataFrame, settled: Settled) -> pd.DataFrame:
    names = ("run_id", "session", "lap", "set_id", "age_laps", "fuel_kg", "lap_time_s")
    columns = {name: table[name].to_numpy() for name in names}
    columns["fitted_s"] = columns["lap_time_s"] - settled.residual_s
    return pd.DataFrame(columns | {"residual_s": settled.residual_s, "kept": settled.kept})


def _left_out(rows: LapRows, settled: Settled) -> pd.DataFrame:
    """The laps not used, before the fit and by it, with reason and residual."""
    residual = settled.residual_s[~settled.kept]
    own = {n: rows.table[n].to_numpy()[~settled.kept] for n in rows.left_out if n in rows.table}
    why = [f"{r:.2f} s slower than expected: traffic or a mistake" for r in residual]
    own["reason"] = np.array(why, dtype=object)
    own["residual_s"] = residual
    before = rows.left_out
    return pd.DataFrame({n: np.concatenate([before[n].to_numpy(), own[n]]) for n in before})
