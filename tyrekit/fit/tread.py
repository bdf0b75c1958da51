"""Tread wear: mm per lap at each corner and place across the tread, pooled over all tyres.

depth = depth when new - a (1 - exp(-age / tau)) - sum of laps x rate, and the rate is that of
the corner and place, times one plus the tyre's and the session's own deviation. A slow lap (out,
in, caution, formation) counts a share of one at pace. Fitted by mixed estimation on the
linearised model; the spread between sessions by evidence on five values, averaged, because a few
sessions cannot fix it. Where the logs give sliding work the same is fitted with work in place of
laps, and both are reported.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from scipy.special import logsumexp

from tyrekit.errors import FitError
from tyrekit.fit.mixed import Mixed, mixed_estimate
from tyrekit.fit.prior import Prior
from tyrekit.fit.result import Floats, data_share
from tyrekit.fit.tread_design import TreadDesign
from tyrekit.fit.tread_line import tread_line
from tyrekit.fit.tread_result import TreadResults
from tyrekit.fit.tread_rows import (
    PLACES,
    TreadRows,
    counted_by_work,
    left_out_rows,
    tread_rows,
    usable,
)
from tyrekit.record.event import Event
from tyrekit.terms import CORNER_NAMES

__all__ = ["TreadModel", "TreadResults"]

SESSION_SPREADS_PCT = (2.0, 4.0, 8.0, 12.0, 16.0)
ROUNDS = 6  # linearisation and noise settle in 3 to 5
SLIP_MM, SLIP_SD = 0.5, 4.0  # a reading further off than both is taken for a slip of the pen
MOST_SLIPS = 0.1  # of the readings; more than that is no slip but a model that does not fit


@dataclass(frozen=True)
class TreadModel:
    """Tread wear of a weekend.

    Parameters
    ----------
    readings : DataFrame
        taken_at, tyre_id, after_run, inner_mm, centre_mm, outer_mm, age_laps, corner (the one the
        tyre last ran on, '' if never); optionally session, wet (true: left out), and slow_laps and
        work_mj (of the tyre so far, see `tread_rows.with_running`).
    event : Event
        Sessions and their times.
    beliefs : mapping of Prior
        ``beliefs(event).tread``.
    inputs : mapping
        File name -> sha256 of what the readings came from.
    """

    readings: pd.DataFrame
    event: Event
    beliefs: Mapping[str, Prior]
    inputs: Mapping[str, str] = field(default_factory=dict)

    def fit(self) -> TreadResults:
        """Return the results; without readings they are the beliefs, and say so."""
        kept, left_out = usable(self.readings)
        design, noise_mm = self._settled(kept)
        kept, slips = _slips(kept, design, noise_mm)
        if len(slips):
            left_out = pd.concat([left_out, slips], ignore_index=True)
            design, noise_mm = self._settled(kept)
        found, spread_pct = self._averaged(design, noise_mm)
        work = self._by_work(design, noise_mm, found.log_evidence)
        names = design.reported()
        index = [design.names[i] for i in names]
        prior_sd = design.belief_sd(self.beliefs, spread_pct)[names]
        cov = pd.DataFrame(found.cov[np.ix_(names, names)], index=index, columns=index)
        share = data_share(prior_sd, np.sqrt(np.diag(cov)))
        rows = design.rows
        return TreadResults(
            params=pd.Series(found.params[names], index=index),
            cov=cov,
            df=_degrees(self.beliefs, rows),
            rests_on=pd.DataFrame({"data_share": share, "belief_sd": prior_sd}, index=index),
            n_rows=len(kept),
            left_out=left_out,
            notes=_notes(rows, slips, work),
            inputs=dict(self.inputs),
            reading_mm=noise_mm,
            tyre_spread_pct=self.beliefs["tyre_spread_pct"].mean,
            session_spread_pct=spread_pct,
            lap_km=self.event.circuit.length_m / 1000,
            lines=_lines(kept),
            tyres=rows.tyres,
            deepest_age_laps=float(rows.age_laps.max()) if len(kept) else 0.0,
            work=work,
        )

    def _by_work(
        self, design: TreadDesign, noise_mm: float, log_evidence: float
    ) -> pd.DataFrame | None:
        """Return wear against sliding work, and how likely it is the better measure; or None."""
        share = self.beliefs["slow_lap_share"].mean
        try:
            rows, usual_mj = counted_by_work(design.rows, share)
        except FitError:
            return None
        measured = replace(design, rows=rows)
        found, spread_pct = self._averaged(measured, noise_mm)
        weight = 1 / (1 + math.exp(min(log_evidence - found.log_evidence, 500.0)))
        at = {name: i for i, name in enumerate(design.names)}
        table = []
        for corner, mj in usual_mj.items():
            rate = np.zeros(len(at))
            rate[[at["wear_mm_per_lap"], at[f"wear_mm_per_lap[{corner}]"]]] = 1 / mj
            rate[[at[f"wear_mm_per_lap[{corner} {place}]"] for place in PLACES]] = 1 / mj / 3
            sd = math.sqrt(float(rate @ found.cov @ rate))
            table.append((corner, float(rate @ found.params), sd, mj, spread_pct, weight))
        columns = ["corner", "mean", "sd", "usual_mj", "session_spread_pct", "weight"]
        return pd.DataFrame(table, columns=columns)

    def _settled(self, kept: pd.DataFrame) -> tuple[TreadDesign, float]:
        """Return the design linearised where it settles, and the readings' spread."""
        rows = tread_rows(kept, self.event)
        design = TreadDesign.start(rows, self.beliefs)
        belief = self.beliefs["reading_mm"]
        noise_mm = belief.mean
        sd = design.belief_sd(self.beliefs, self.beliefs["session_spread_pct"].mean)
        for _ in range(ROUNDS if len(kept) else 0):
            found = _solve(design, noise_mm, sd, self.beliefs)
            design = design.at(found.params)
            squares = float(np.sum((rows.depth_mm - design.depth()) ** 2))
            free = max(len(rows.depth_mm) - found.data_df, 0.0)
            noise_mm = math.sqrt((belief.df * belief.mean**2 + squares) / (belief.df + free))
        return design, noise_mm

    def _averaged(self, design: TreadDesign, noise_mm: float) -> tuple[Mixed, float]:
        """Return the fit averaged over the spread between sessions, weighed by evidence."""
        belief = self.beliefs["session_spread_pct"]
        spreads = np.array(SESSION_SPREADS_PCT)
        fits = [
            _solve(design, noise_mm, design.belief_sd(self.beliefs, spread), self.beliefs)
            for spread in spreads
        ]
        width = np.gradient(spreads)
        log_weight = np.array([fit.log_evidence for fit in fits])
        log_weight += np.log(width) - 0.5 * ((spreads - belief.mean) / belief.sd) ** 2
        evidence = float(logsumexp(log_weight))
        weight = np.exp(log_weight - evidence)
        params = np.einsum("k,kp->p", weight, np.array([fit.params for fit in fits]))
        cov = np.zeros_like(fits[0].cov)
        for w, fit in zip(weight, fits, strict=True):
            away = fit.params - params
            cov += w * (fit.cov + np.outer(away, away))
        spread_pct = math.sqrt(float(weight @ spreads**2))
        return Mixed(params, cov, evidence, fits[0].data_df), spread_pct


def _solve(design: TreadDesign, noise_mm: float, sd: Floats, beliefs: Mapping[str, Prior]) -> Mixed:
    jacobian = design.jacobian()
    response = design.rows.depth_mm - design.depth() + jacobian @ design.params
    spread = np.full(len(response), noise_mm)
    return mixed_estimate(jacobian, response, spread, design.belief_mean(beliefs), sd)


def _slips(
    kept: pd.DataFrame, design: TreadDesign, noise_mm: float
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the readings without slips of the pen, and the slips with their size."""
    away = pd.DataFrame({"off": design.rows.depth_mm - design.depth(), "at": design.rows.reading})
    size = away["off"].abs().groupby(away["at"]).idxmax()
    worst = away.loc[size.to_numpy()].set_index("at")["off"]
    far = worst[worst.abs() > max(SLIP_MM, SLIP_SD * noise_mm)]
    if len(far) > max(1, MOST_SLIPS * len(kept)):
        far = far.loc[far.abs().sort_values().index[-max(1, int(MOST_SLIPS * len(kept))) :]]
    slips = kept.loc[far.index].copy()
    slips["reason"] = [f"a place is {size:+.2f} mm off what the other readings say" for size in far]
    rest = kept.drop(index=far.index).reset_index(drop=True)
    return rest, left_out_rows(slips)


def _degrees(beliefs: Mapping[str, Prior], rows: TreadRows) -> float:
    """Return the degrees of freedom behind the spread between sessions; infinite without data."""
    sessions = {session for session, _ in rows.slots}
    if not sessions:
        return math.inf
    return 4 * beliefs["session_spread_pct"].df + 2 * len(sessions)


def _lines(kept: pd.DataFrame) -> pd.DataFrame:
    """Return the own line of each tyre read three times after running, and F1016's verdict."""
    found = []
    for tyre_id, own in kept[kept["age_laps"] > 0].groupby("tyre_id"):
        depth = own[[f"{p}_mm" for p in PLACES]].mean(axis=1).to_numpy(dtype=np.float64)
        laps = own["age_laps"].to_numpy(dtype=np.float64)
        corner = str(own["corner"].iloc[-1])
        if len(own) < 3 or float(np.ptp(laps)) == 0:
            found.append(
                (str(tyre_id), corner, len(own), np.nan, np.nan, False, "too few readings")
            )
            continue
        line = tread_line(laps, depth)
        why = line.why_not_linear
        found.append((str(tyre_id), corner, len(own), -line.per_distance, line.r2, why == "", why))
    columns = ["tyre_id", "corner", "readings", "wear_mm_per_lap", "r2", "linear", "reason"]
    return pd.DataFrame(found, columns=columns)


def _notes(rows: TreadRows, slips: pd.DataFrame, work: pd.DataFrame | None) -> tuple[str, ...]:
    run = {corner for _, corner in rows.slots}
    if not run:
        return ("tread wear is belief only: no tyre has been measured before and after running",)
    said = []
    missing = [corner for corner in CORNER_NAMES if corner not in run]
    if missing:
        said.append(
            f"{', '.join(missing)}: no wear measured yet; other corners and belief stand in"
        )
    if len({session for session, _ in rows.slots}) == 1:
        said.append("one session has worn tyres: the spread between sessions is belief only")
    if "" in run:
        said.append("some tyres' corner is not known: their wear counts for the average only")
    if not rows.slow_laps.any():
        said.append("which laps were slow is not known: all count as laps at pace")
    if work is not None:
        weight = float(work["weight"].iloc[0])
        said.append(
            f"sliding work tells wear better than laps with a chance of {100 * weight:.0f} %; "
            "two events should agree before it is used"
        )
    if len(slips):
        said.append(f"{len(slips)} tread reading(s) look like slips of the pen; see left_out")
    return tuple(said)
