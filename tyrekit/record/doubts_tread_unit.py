"""Tread read in 32nds of an inch from some moment on, where millimetres were written before."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from tyrekit.record.evidence import Doubt, Evidence

PLACES = ["inner_mm", "centre_mm", "outer_mm"]
MM = 25.4 / 32
GREW_MM, SCATTER_MM = 0.3, 0.3  # more than a gauge makes of nothing; what it does
LEAST_TYRES = 5  # four may be another set, read under the wrong names


def in_32nds(e: Evidence) -> Iterator[Doubt]:
    """Many tyres have more tread than before, and none of them as 32nds of an inch."""
    found = grown(e.tread)
    if not in_inches(e.tread):
        return
    first = found.iloc[0]
    yield Doubt(
        "tread unit",
        f"{found['tyre_id'].nunique()} tyres have more tread than at the reading before, the first"
        f" {first['tyre_id']}: {first['before_mm']:.2f}, then {first['depth_mm']:.2f}; as 32nds of"
        f" an inch it would be {first['depth_mm'] * MM:.2f} mm, and no tyre would have grown",
        0.95,
        e.row("tread", found.index[0]),
        "Correct the rows from this one on; the book holds mm.",
    )


def in_inches(tread: pd.DataFrame) -> bool:
    """Return whether readings from some moment on are plainly in 32nds of an inch."""
    found = grown(tread)
    fits = found["depth_mm"] * MM <= found["before_mm"] + SCATTER_MM
    return found["tyre_id"].nunique() >= LEAST_TYRES and bool(fits.all())


def grown(tread: pd.DataFrame) -> pd.DataFrame:
    """Return the readings deeper than the one before: tyre_id, depth_mm, before_mm, in time.

    One after a run followed by one after none are in the wrong order, not in the wrong unit.
    """
    tread = tread.sort_values("taken_at", kind="stable")
    depth_mm = tread[PLACES].median(axis=1)
    before_mm = depth_mm.groupby(tread["tyre_id"]).shift()
    rows = pd.DataFrame({"tyre_id": tread["tyre_id"], "depth_mm": depth_mm, "before_mm": before_mm})
    after = tread["after_run"] != ""
    in_order = after | ~after.groupby(tread["tyre_id"]).shift(fill_value=False)
    return rows[in_order & (rows["depth_mm"] > rows["before_mm"] + GREW_MM)]


CHECKS = (in_32nds,)
