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
LEAST_L, MOST_L = 0.005, 2000.0  # wide enough for a channel in ml or kg that a balance sets right
SLOW = 1.08  # of the session's median lap time: slow enough to explain little fuel
LOST = "a counter was reset"
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
        run_id, session, lap, kind, fuel_used_l (litres, NaN without a log) and, to tell a slow
        lap from a lost count, lap_time_s.
    """
    table = laps.reindex(columns=["run_id", "session", "lap", "kind", "fuel_used_l", "lap_time_s"])
    text, number = (
        dict.fromkeys(("run_id", "session", "kind"), str),
        dict.fromkeys(("fuel_used_l", "lap_time_s"), float),
    )
    table = table.astype({**text, **number})
    reason = _reasons(table)
    whole = table.groupby("run_id")["fuel_used_l"].agg(["sum", "count", "size"])
    whole = whole[(whole["count"] == whole["size"]) & (whole["sum"] > 0)]
    broken = set(table.loc[reason.str.startswith(LOST), "run_id"])
    flow_l = {str(k): float(v) for k, v in whole["sum"].items() if k not in broken}
    left_out = table.loc[reason != "", ["run_id", "lap"]].assign(reason=reason[reason != ""])
    used = table[reason == ""].reset_index(drop=True)
    return FuelLaps(used, left_out.reset_index(drop=True), flow_l)


def _reasons(table: pd.DataFrame) -> pd.Series:
    reason = pd.Series("", index=table.index, dtype=object)
    litres, timed = table["fuel_used_l"], table["kind"] == "timed"
    count = timed.groupby(table["session"]).transform("sum")
    share = (litres / _median(litres, timed, table)).where(count >= ENOUGH_TIMED)
    slower = table["lap_time_s"] / _median(table["lap_time_s"], timed, table)
    low = np.where(timed, TIMED_BAND[0], OTHER_BAND[0])
    high = np.where(timed, TIMED_BAND[1], OTHER_BAND[1])
    odd = (share < low) | (share > high)
    for index in table.index[odd.to_numpy()]:
        slow = timed[index] and slower[index] > SLOW and share[index] < 1
        why = "a slow lap counted as timed" if slow else f"{LOST}, or a gap in the log"
        reason[index] = (
            f"{why}: {litres[index]:.2f} L is {share[index]:.2f} of the session's median"
        )
    reason[~table["kind"].isin(KINDS)] = "kind of lap is not known"
    reason[litres.notna() & (litres <= 0)] = f"{LOST}: fuel of zero or less"
    reason[litres > MOST_L] = f"no car burns more than {MOST_L:.0f} L on a lap: another unit?"
    reason[(litres > 0) & (litres < LEAST_L)] = f"less than {LEAST_L:g} L on a lap: another unit?"
    reason[litres.isna()] = "no fuel channel for this lap"
    return reason


def _median(values: pd.Series, timed: pd.Series, table: pd.DataFrame) -> pd.Series:
    """Return the median of the session's timed laps beside each lap; NaN where there is none."""
    median = values.where(timed).groupby(table["session"]).transform("median")
    return median.where(median > 0)
