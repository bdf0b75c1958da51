"""The laps whose logged fuel enters the fuel fit, and the reasons for those that do not."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

KINDS = ("timed", "out", "in", "caution", "formation", "cool_down")
# Spread of one lap of a kind as a multiple of a timed lap's; common practice, no source.
SCATTER = {"timed": 1.0, "out": 3.0, "in": 3.0, "caution": 6.0, "formation": 4.0, "cool_down": 4.0}
TIMED_BAND = (0.88, 1.12)  # of the session's median; outside it a counter was reset or lost
OTHER_BAND = (0.15, 1.6)
ENOUGH_TIMED = 4  # timed laps from which a session's median means something


class FuelLaps(NamedTuple):
    """Laps with fuel, the laps left out, and each whole run's litres."""

    used: pd.DataFrame  # run_id, session, lap, kind, fuel_used_l
    left_out: pd.DataFrame  # run_id, lap, reason
    flow_l: dict[str, float]


def fuel_laps(laps: pd.DataFrame) -> FuelLaps:
    """Return the laps whose logged litres can be believed.

    Parameters
    ----------
    laps : DataFrame
        run_id, session, lap, kind and fuel_used_l (litres, NaN without a log).
    """
    table = laps.reindex(columns=["run_id", "session", "lap", "kind", "fuel_used_l"])
    table = table.astype({"run_id": str, "session": str, "kind": str, "fuel_used_l": float})
    reason = _reasons(table)
    whole = table.groupby("run_id")["fuel_used_l"].agg(["sum", "count", "size"])
    whole = whole[(whole["count"] == whole["size"]) & (whole["sum"] > 0)]
    broken = set(table.loc[reason.str.startswith("fuel of"), "run_id"])
    flow_l = {str(k): float(v) for k, v in whole["sum"].items() if k not in broken}
    left_out = table.loc[reason != "", ["run_id", "lap"]].assign(reason=reason[reason != ""])
    used = table[reason == ""].reset_index(drop=True)
    return FuelLaps(used, left_out.reset_index(drop=True), flow_l)


def _reasons(table: pd.DataFrame) -> pd.Series:
    reason = pd.Series("", index=table.index, dtype=object)
    litres = table["fuel_used_l"]
    median = litres.where(table["kind"] == "timed").groupby(table["session"]).transform("median")
    count = (table["kind"] == "timed").groupby(table["session"]).transform("sum")
    share = (litres / median).where((count >= ENOUGH_TIMED) & (median > 0))
    timed = table["kind"] == "timed"
    low = np.where(timed, TIMED_BAND[0], OTHER_BAND[0])
    high = np.where(timed, TIMED_BAND[1], OTHER_BAND[1])
    odd = (share < low) | (share > high)
    for index in table.index[odd.to_numpy()]:
        reason[index] = (
            f"fuel of {litres[index]:.2f} l is {share[index]:.2f} of the session's median: a "
            "counter reset, a gap in the log, or a slow lap counted as timed"
        )
    reason[~table["kind"].isin(KINDS)] = "kind of lap is not known"
    reason[litres.notna() & (litres <= 0)] = "fuel of zero or less"
    reason[litres.isna()] = "no fuel channel for this lap"
    return reason
