"""The tyres as the planner sees them: state now, corners open, and what had to be estimated."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

import numpy as np
import pandas as pd
from scipy import stats

from tyrekit.fit.prior import beliefs
from tyrekit.plan.problem import AXLES, CORNERS, EVERY_CORNER, SIDES, Floats, TyreState, natural
from tyrekit.record.event import Event
from tyrekit.record.wet_tyres import scrapped_tyres, wet_tyres


class Wear(Protocol):
    """What the planner asks of the tread fit."""

    def wear_mm_per_lap(self, corner: str) -> tuple[float, float]:
        """Return mean and sd."""
        ...

    def mean_wear_mm(self, corner: str, laps: Floats, *, age_laps: float) -> Floats:
        """Return the expected wear of the fastest-wearing place over laps from this age."""
        ...

    def quantile_wear_mm(
        self, corner: str, laps: Floats, confidence: float, *, age_laps: float
    ) -> Floats:
        """Return the wear of that place not exceeded with this confidence, 0 to 1."""
        ...


def tyre_states(
    event: Event,
    tyres: pd.DataFrame,
    tread: Wear,
    fitted: pd.DataFrame | None,
    confidence_pct: float,
    notes: list[str],
) -> tuple[TyreState, ...]:
    """Return the dry tyres as they stand, in the natural order of their ids."""
    ran, first = _past(fitted)
    wet, scrapped = wet_tyres(tyres), scrapped_tyres(tyres)
    dry = [row for _, row in tyres[~wet].iterrows()]
    if wet.any():
        notes.append("tyres whose spec speaks of wet or rain are kept out of the dry plan")
    # still counts where it ran: pool, new tyres; a list without tyres has no columns
    gone = {row["tyre_id"] for _, row in tyres[scrapped].iterrows()}
    depths = _new_depths(dry)
    states = []
    for row in sorted(dry, key=lambda row: natural(str(row["tyre_id"]))):
        tyre_id = str(row["tyre_id"])
        corner = first.get(tyre_id, str(row.get("last_corner", "") or ""))
        side = next((s for s, at in SIDES.items() if corner in [CORNERS[c] for c in at]), "")
        new = bool(row["new"])
        unused = new and not bool(row.get("used", False)) and tyre_id not in ran
        mean_mm, low_mm = _depth(event, row, tread, depths, confidence_pct, notes)
        states.append(
            TyreState(
                tyre_id=tyre_id,
                age_laps=round(float(row["age_laps"])),
                heat_cycles=round(float(row["heat_cycles"])),
                distance_km=float(row["distance_km"]),
                tread_mm=mean_mm,
                tread_low_mm=low_mm,
                corners=frozenset() if row["tyre_id"] in gone else _corners_open(row),
                first_side=side,
                unused=unused,
                new=new,
                marked=bool(row["marked"]),
                ran_in=frozenset(ran.get(tyre_id, ())),
            )
        )
    return tuple(states)


def _past(fitted: pd.DataFrame | None) -> tuple[dict[str, set[str]], dict[str, str]]:
    """Return each tyre's sessions so far, and the corner it first ran on."""
    ran: dict[str, set[str]] = {}
    first: dict[str, str] = {}
    if fitted is not None:
        for _, row in fitted.iterrows():
            tyre_id = str(row["tyre_id"])
            ran.setdefault(tyre_id, set()).add(str(row["session"]))
            first.setdefault(tyre_id, str(row["corner"]).upper())
    return ran, first


def _corners_open(row: pd.Series) -> frozenset[int]:
    """Return the corners the tyre's own axle and side permit; both default to any."""
    axle = AXLES.get(str(row.get("axle", "any")), tuple(EVERY_CORNER))
    side = SIDES.get(str(row.get("side", "any")), tuple(EVERY_CORNER))
    return frozenset(axle) & frozenset(side)


def _new_depths(dry: Sequence[pd.Series]) -> dict[str, tuple[float, float]]:
    """Return mean and thinnest depth measured on unused tyres, by spec."""
    found: dict[str, list[tuple[float, float]]] = {}
    for row in dry:
        if float(row["age_laps"]) == 0 and np.isfinite(float(row["tread_mm"])):
            low_mm = row.get("tread_min_mm", np.nan)
            low_mm = low_mm if np.isfinite(low_mm) else row["tread_mm"]
            depth = float(row["tread_mm"]), float(low_mm)
            found.setdefault(str(row["spec"]), []).append(depth)
    return {
        spec: (float(np.mean([d[0] for d in depths])), min(d[1] for d in depths))
        for spec, depths in found.items()
    }


def _depth(
    event: Event,
    row: pd.Series,
    tread: Wear,
    depths: Mapping[str, tuple[float, float]],
    confidence_pct: float,
    notes: list[str],
) -> tuple[float, float]:
    """Return mean depth and depth of the thinnest place now; estimated where not measured."""
    mean_mm, low_mm = float(row["tread_mm"]), float(row.get("tread_min_mm", np.nan))
    if np.isfinite(mean_mm):
        return mean_mm, low_mm if np.isfinite(low_mm) else mean_mm
    spec, age = str(row["spec"]), float(row["age_laps"])
    if spec in depths:
        new_mm, new_low_mm = depths[spec]
        source = f"new {spec} tyres measured here"
    else:
        belief = beliefs(event).tread["new_tread_mm"]
        new_mm = belief.mean
        new_low_mm = belief.mean - float(stats.norm.ppf(confidence_pct / 100)) * belief.sd
        source = f"the belief about a new tyre, {belief.mean:.1f} ± {belief.sd:.1f} mm"
    notes.append(
        f"tread of tyres never measured is taken from {source}, less the wear of their laps"
    )
    if age == 0:
        return new_mm, new_low_mm
    open_to = [CORNERS[corner] for corner in sorted(_corners_open(row))] or list(CORNERS)
    worn = float(np.mean([tread.wear_mm_per_lap(corner)[0] for corner in open_to])) * age
    high = max(
        float(
            tread.quantile_wear_mm(corner, np.array([age]), confidence_pct / 100, age_laps=0.0)[0]
        )
        for corner in open_to
    )
    return max(new_mm - worn, 0.0), max(new_low_mm - high, 0.0)
