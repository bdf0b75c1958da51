"""Hot pressure: how the gas warms over a run, per corner, from air and track temperature.

gas = air + (A + A_corner + B (track - air) + session + run + its corner) (1 - exp(-n / tau)),
n laps with slow ones counted in part; pressures follow by the gas law in absolute units. A
reading in the pits comes after cooling towards the air: by a share of the rise on the in-lap and
in the lane, then with the minutes the tyre stood; a cool-down or caution lap just before takes
another share. They are belief until there are readings of every kind. Mixed estimation on the
linearised model, with soft weights.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import pandas as pd

from tyrekit.fit.mixed import Mixed, mixed_estimate, spread_update
from tyrekit.fit.pressure_result import PressureResults
from tyrekit.fit.pressure_rise import FIXED, gas_rise
from tyrekit.fit.pressure_rows import PressureRows, Usable, pressure_rows, usable
from tyrekit.fit.prior import Prior
from tyrekit.fit.result import Floats, data_share
from tyrekit.record.event import Event
from tyrekit.terms import CORNER_NAMES

__all__ = ["PressureModel", "PressureResults"]

ROUNDS = 25
SETTLED = 1e-3
BOUNDS = {"rise_laps": (0.5, 15.0), "slow_lap_share": (0.2, 1.0), "pit_loss_pct": (0.0, 50.0),
          "cool_down_loss_pct": (0.0, 50.0), "cooling_min": (4.0, 90.0)}  # fmt: skip


class _Spreads(NamedTuple):
    """Spreads settled with the fit: reading in bar; session, run, corner of a run in K."""

    reading_bar: float
    session_c: float
    run_c: float
    corner_c: float


SPREADS = ("reading_bar", "session_spread_c", "run_spread_c", "corner_spread_c")


@dataclass(frozen=True)
class PressureModel:
    """Hot pressures of a weekend.

    Parameters
    ----------
    readings : DataFrame
        session, run_id, corner, hot_bar, after_laps, cold_bar, air_c, track_c; optionally cold_c
        (tyre's temperature when set, by default the air's), pressure_hpa, delay_min (how long
        the tyre had stood) and cool_laps (see `pressure_readings`), and source: ``pit`` (the
        default) or ``sensor``.
    event : Event
        Kept for its name; limits and targets are the planner's.
    beliefs : mapping of Prior
        ``beliefs(event).pressure``.
    inputs : mapping
        File name -> sha256 of what the readings came from.
    """

    readings: pd.DataFrame
    event: Event
    beliefs: Mapping[str, Prior]
    inputs: Mapping[str, str] = field(default_factory=dict)

    def fit(self) -> PressureResults:
        """Return the results; without readings they are the beliefs, and say so."""
        chosen = usable(self.readings)
        rows = pressure_rows(chosen.table)
        names = (*FIXED, *(f"session_c[{s}]" for s in rows.sessions))
        found, spreads = self._settle(rows, names)
        kept = len(names)
        index = list(names)
        cov = pd.DataFrame(found.cov[:kept, :kept], index=index, columns=index)
        _, prior_sd = self._beliefs(rows, names, spreads)
        share = data_share(prior_sd[:kept], np.sqrt(np.diag(cov)))
        session_df = self.beliefs["session_spread_c"].df + len(rows.sessions)
        return PressureResults(
            params=pd.Series(found.params[:kept], index=index),
            cov=cov,
            df=session_df if len(rows.laps) else math.inf,
            rests_on=pd.DataFrame({"data_share": share, "belief_sd": prior_sd[:kept]}, index=index),
            n_rows=len(rows.laps),
            left_out=chosen.left_out,
            notes=_notes(chosen, rows),
            inputs=dict(self.inputs),
            reading_bar=spreads.reading_bar,
            session_spread_c=spreads.session_c,
            run_spread_c=spreads.run_c,
            corner_spread_c=spreads.corner_c,
            ambient_bar=chosen.ambient_bar,
            most_laps=float(rows.laps.max()) if len(rows.laps) else 0.0,
            seen=chosen.seen,
        )

    def _beliefs(
        self, rows: PressureRows, names: tuple[str, ...], spreads: _Spreads
    ) -> tuple[Floats, Floats]:
        """Return mean and spread of the named parameters, then of runs, then of their corners."""
        fixed = [self.beliefs["corner_rise_c" if n.startswith("rise_c[") else n] for n in FIXED]
        offsets = len(names) - len(FIXED) + rows.runs + rows.slots
        mean = np.concatenate([[belief.mean for belief in fixed], np.zeros(offsets)])
        sd = np.concatenate(
            [
                [belief.sd for belief in fixed],
                np.full(len(names) - len(FIXED), spreads.session_c),
                np.full(rows.runs, spreads.run_c),
                np.full(rows.slots, spreads.corner_c),
            ]
        )
        return mean, sd

    def _settle(self, rows: PressureRows, names: tuple[str, ...]) -> tuple[Mixed, _Spreads]:
        """Return the fit with the four spreads settled together with it (EM)."""
        said = [self.beliefs[name] for name in SPREADS]
        spreads = _Spreads(*(belief.mean for belief in said))
        params, _ = self._beliefs(rows, names, spreads)
        weight = np.ones(len(rows.laps))
        ends = np.cumsum([len(FIXED), len(names) - len(FIXED), rows.runs, rows.slots])
        for _ in range(ROUNDS):
            mean, sd = self._beliefs(rows, names, spreads)
            rise, slopes = _model(rows, names, params)
            row_sd = spreads.reading_bar * rows.gain_c / np.sqrt(weight)
            response = rows.rise_c - rise + slopes @ params
            found = mixed_estimate(slopes, response, row_sd, mean, sd)
            params = _bounded(found.params, names)
            left = (response - slopes @ params) / rows.gain_c
            weight = 1 / np.sqrt(1 + (left / (2 * spreads.reading_bar)) ** 2)
            unsure = np.sum((slopes @ found.cov) * slopes, axis=1) / rows.gain_c**2
            squares = params**2 + np.diag(found.cov)
            parts = [weight * left**2 + unsure]
            parts += [squares[a:b] for a, b in itertools.pairwise(ends)]
            before = spreads
            spreads = _Spreads(
                *(
                    spread_update(belief, float(part.sum()), len(part))[0]
                    for belief, part in zip(said, parts, strict=True)
                )
            )
            if sum(abs(math.log(a / b)) for a, b in zip(spreads, before, strict=True)) < SETTLED:
                break
        return found._replace(params=params), spreads


def _model(rows: PressureRows, names: tuple[str, ...], params: Floats) -> tuple[Floats, Floats]:
    """Return the implied rise above air of each reading and its slopes."""
    first = np.array([len(FIXED), len(names), len(names) + rows.runs])
    own = first + np.column_stack([rows.session, rows.run, rows.slot])
    rise, fixed_slopes = gas_rise(
        params[: len(FIXED)],
        corner=rows.corner,
        track_above_air_c=rows.track_above_air_c,
        laps=rows.laps,
        slow_laps=rows.slow_laps,
        pit=rows.pit,
        cool_laps=rows.cool_laps,
        stood_min=rows.stood_min,
        offset=params[own].sum(axis=1),
    )
    slopes = np.zeros((len(rise), len(params)))
    slopes[:, : len(FIXED)] = fixed_slopes
    slopes[np.arange(len(rise))[:, None], own] = fixed_slopes[:, :1]
    return rise, slopes


def _bounded(params: Floats, names: tuple[str, ...]) -> Floats:
    kept = params.copy()
    for name, (low, high) in BOUNDS.items():
        at = names.index(name)
        kept[at] = np.clip(params[at], low, high)
    return kept


def _notes(chosen: Usable, rows: PressureRows) -> tuple[str, ...]:
    if not len(rows.laps):
        return (
            "hot pressures are belief only: no reading with its cold pressure and laps; check hot "
            "pressures after the first run before trusting a setting",
        )
    said = list(chosen.notes)
    missing = [c for i, c in enumerate(CORNER_NAMES) if not np.any(rows.corner == i)]
    if missing:
        said.append(f"{', '.join(missing)}: no hot pressure yet; the other corners stand in")
    if rows.pit.all():
        said.append(
            "all hot pressures were read in the pits: what was lost before reading is belief only"
        )
    if float(np.ptp(rows.track_above_air_c)) < 3.0:
        said.append("the track was about as warm all along: its effect is mostly belief")
    if float(np.ptp(rows.laps)) < 2.0:
        said.append("every reading came after as many laps: how fast pressure rises is belief")
    return tuple(said)
