"""A next session declared wet: what the kit does not say, and the wets there are."""

from __future__ import annotations

import pandas as pd

from tyrekit.fit.lap_words import counted
from tyrekit.show.answer import Answer

WET_COLUMNS = ("tyre_id", "spec", "age_laps", "heat_cycles", "tread_min_mm", "state")


def wet_words(answer: Answer) -> list[str]:
    """Return in sentences what holds for a wet next session; none for a dry one."""
    coming = answer.weekend.next_session
    if coming is None or not answer.next_is_wet:
        return []
    wets = "" if len(wets_table(answer)) else " No wet tyre is in the tyre list."
    return [
        "The tyre supplier's advice comes first: ask it for tyre, pressures and bleeding.",
        f"{coming.id} is declared wet: the kit does not choose among wet tyres, and has no cold"
        f" pressure and no bleeding limit for it; those of dry tyres do not hold.{wets}",
    ]


def has_run(row: pd.Series) -> str:
    """Return in words what a wet tyre has been through."""
    laps = counted(round(row["age_laps"]), "lap")
    return f"{row['state']}, {laps}, {counted(round(row['heat_cycles']), 'heat cycle')}"


def wets_table(answer: Answer) -> pd.DataFrame:
    """Return the wet tyres as they stand: `WET_COLUMNS`, `tread_min_mm` NaN if never measured."""
    tyres = answer.weekend.tyres
    own = tyres[tyres["wet"]]
    ran = own["used"] | ~own["new"]
    state = ["scrapped" if gone else "has run" if r else "new"
             for gone, r in zip(own["scrapped"], ran, strict=True)]  # fmt: skip
    return own.assign(state=state)[list(WET_COLUMNS)].reset_index(drop=True)
