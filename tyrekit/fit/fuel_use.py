"""Fuel burnt per lap in kg, the fuel channel's scale, and what a race will need.

One log-linear model by mixed estimation: the litres of each lap and the kg of each tank balance
share the use per timed lap, the shares of other kinds of lap, the channel's scale, the change
from session to session and the shift from practice to race. Sessions, not laps, are the
independent pieces of information, so their spread decides the margin.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from tyrekit.fit.fuel_balance import Balance, Ledger, ledger
from tyrekit.fit.fuel_design import (
    SESSION,
    SHARES,
    Rows,
    lap_rows,
    log_beliefs,
    parameters,
    scale_row,
    stacked,
    use_row,
)
from tyrekit.fit.fuel_need import FuelNeed
from tyrekit.fit.fuel_result import FuelUseResults, Spreads, natural
from tyrekit.fit.fuel_rows import KINDS, FuelLaps, fuel_laps
from tyrekit.fit.fuel_scale import Checked, checked, suspicion
from tyrekit.fit.mixed import Mixed, mixed_estimate, spread_update
from tyrekit.fit.prior import Prior
from tyrekit.fit.result import Floats
from tyrekit.record.event import Event

__all__ = ["FuelNeed", "FuelUseModel", "FuelUseResults"]

ROUNDS = 40  # spreads settle in 5 to 15
SETTLED = 1e-4


@dataclass(frozen=True)
class FuelUseModel:
    """Fuel use of a weekend.

    Parameters
    ----------
    laps : DataFrame
        Laps table: run_id, session, lap, kind, fuel_used_l (litres by the logger; may be NaN).
    fuel_book : DataFrame
        Book's fuel table: taken_at, run_id, kind (fill, drain, sample), mass_kg or volume_l,
        fuel_c.
    runs : DataFrame
        Book's runs: run_id, session, start, fuel_start_kg.
    event : Event
        Density, unusable fuel, sessions.
    beliefs : mapping of Prior
        ``beliefs(event).fuel_use``.
    inputs : mapping
        File name -> sha256 of what the tables came from; kept in the results.
    """

    laps: pd.DataFrame
    fuel_book: pd.DataFrame
    runs: pd.DataFrame
    event: Event
    beliefs: Mapping[str, Prior]
    inputs: Mapping[str, str] = field(default_factory=dict)

    def fit(self) -> FuelUseResults:
        """Return the results; without any data they are the beliefs, and say so."""
        density = self.event.fuel.density_kg_per_l
        laps = fuel_laps(self.laps)
        book = ledger(
            self.fuel_book, self.runs, self.event, self.beliefs, self._believed_kg(density)
        )
        scale = checked(book.balances, laps.flow_l, density, self.beliefs["flow_scale"])
        if not scale.table["used"].any():
            scale = suspicion(scale, laps.used, density, self.beliefs)
        bare = self._without_channel(book, scale)
        names = parameters(self.event, _sessions(laps, bare))
        mean, sd = log_beliefs(names, self.beliefs, scale.belief, density)
        rows = self._rows(names, laps, scale, bare, mean)
        found, spreads = _settle(names, rows, mean, sd, self.beliefs)
        params, cov, share = natural(names, found, mean, sd)
        return FuelUseResults(
            params=params,
            cov=cov,
            df=_degrees(spreads, float(found.cov[0, 0])),
            rests_on=share,
            n_rows=len(rows.response),
            left_out=_left_out(laps, book),
            notes=(*book.notes, *scale.notes, *_notes(laps, scale, spreads)),
            inputs=dict(self.inputs),
            spreads=spreads,
            density_kg_per_l=density,
            balances=scale.table,
            races=tuple(s.id for s in self.event.sessions if s.kind == "race"),
            wets=tuple(s.id for s in self.event.sessions if s.wet),
        )

    def _believed_kg(self, density: float) -> dict[str, float]:
        """Return run id -> kg that its laps burn by belief alone."""
        laps = self.laps.reindex(columns=["run_id", "kind"]).astype(str)
        share = {kind: self.beliefs[name].mean for kind, name in SHARES.items()}
        each = laps["kind"].map(lambda kind: share.get(kind, 1.0))
        lap_kg = density * self.beliefs["use_l_per_lap"].mean
        return {
            str(run): lap_kg * float(n) for run, n in each.groupby(laps["run_id"]).sum().items()
        }

    def _without_channel(self, book: Ledger, scale: Checked) -> list[tuple[Balance, pd.DataFrame]]:
        """Return the balances the channel does not cover whose laps are all known."""
        laps = self.laps.reindex(columns=["run_id", "session", "kind"]).astype(str)
        laps = laps[laps["kind"].isin(KINDS)]
        counted = set(laps["run_id"])
        uncovered = scale.table["scale"].isna()
        return [
            (one, laps[laps["run_id"].isin(one.run_ids)])
            for one, alone in zip(book.balances, uncovered, strict=True)
            if alone and counted.issuperset(one.run_ids)
        ]

    def _rows(
        self, names: tuple[str, ...], laps: FuelLaps, scale: Checked,
        bare: list[tuple[Balance, pd.DataFrame]], mean: Floats,
    ) -> Rows:  # fmt: skip
        noise = self.beliefs["lap_noise_pct"].mean / 100
        parts = [lap_rows(names, laps.used, self.event, self.event.fuel.density_kg_per_l)]
        taken = scale.table[scale.table["used"]]
        for ratio, spread in taken[["scale", "scale_sd"]].to_numpy(dtype=np.float64):
            parts.append(scale_row(names, ratio, spread))
        for balance, of_balance in bare:
            parts.append(use_row(names, balance, of_balance, self.event, mean, noise))
        return stacked(parts)


def _sessions(laps: FuelLaps, bare: list[tuple[Balance, pd.DataFrame]]) -> set[str]:
    found = set(laps.used["session"])
    return found.union(*(set(of_balance["session"]) for _, of_balance in bare))


def _settle(
    names: tuple[str, ...], rows: Rows, mean: Floats, sd: Floats, beliefs: Mapping[str, Prior]
) -> tuple[Mixed, Spreads]:
    """Return the fit with lap noise and session spread settled together with it (EM)."""
    by_session = np.array([name.startswith(SESSION) for name in names])
    by_lap = rows.scatter > 0
    design, scatter = rows.design[by_lap], rows.scatter[by_lap]
    noise, session = beliefs["lap_noise_pct"].mean / 100, beliefs[SESSION].mean / 100
    for _ in range(ROUNDS):
        spread = np.where(by_session, session, sd)
        row_sd = np.hypot(rows.scatter * noise, rows.own_sd)
        found = mixed_estimate(rows.design, rows.response, row_sd, mean, spread)
        left = (rows.response[by_lap] - design @ found.params) / scatter
        unsure = np.sum((design @ found.cov) * design, axis=1) / scatter**2
        before = noise, session
        noise, _ = spread_update(
            beliefs["lap_noise_pct"].scaled(0.01), float(np.sum(left**2 + unsure)), len(left)
        )
        change = found.params[by_session] ** 2 + np.diag(found.cov)[by_session]
        count = int(by_session.sum())
        session, session_df = spread_update(
            beliefs[SESSION].scaled(0.01), float(np.sum(change)), count
        )
        if abs(math.log(noise / before[0])) + abs(math.log(session / before[1])) < SETTLED:
            break
    # the mean takes one degree of freedom
    df = session_df - min(count, 1)
    return found, Spreads(100 * noise, 100 * session, df, count, len(left))


def _degrees(spreads: Spreads, variance: float) -> float:
    """Return Satterthwaite's degrees of freedom for the use per lap (SATTERTHWAITE1946 eq. 17)."""
    if spreads.sessions == 0:
        return math.inf
    part = min((spreads.session_pct / 100) ** 2 / spreads.sessions, variance)
    return spreads.session_df * (variance / part) ** 2


def _left_out(laps: FuelLaps, book: Ledger) -> pd.DataFrame:
    rows = pd.DataFrame(book.left_out, columns=["run_id", "reason"]).assign(lap=math.nan)
    parts = [part for part in (laps.left_out, rows[["run_id", "lap", "reason"]]) if len(part)]
    if not parts:
        return laps.left_out
    return pd.concat(parts, ignore_index=True).astype({"lap": float})


def _notes(laps: FuelLaps, scale: Checked, spreads: Spreads) -> list[str]:
    said = []
    if spreads.sessions == 0:
        said.append(
            "fuel use is belief only: no lap has logged fuel and no run was drained; state "
            "[fuel] use_l_per_lap in event.toml if you know it"
        )
    elif not len(laps.used):
        said.append("no fuel channel: use per lap rests on fills and drains alone")
    if len(laps.used) and not scale.table["used"].any():
        said.append(
            f"the fuel channel's scale is belief only ({scale.belief.mean:.2f} ± "
            f"{scale.belief.sd:.2f}): weigh the tank in and out over one session to settle it"
        )
    if spreads.sessions == 1:
        said.append("one session has fuel: how much use changes between sessions is belief only")
    return said
