"""What a run taught: the fits without it and with it, side by side."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pandas as pd

from tyrekit.fit.result import NORMAL_90
from tyrekit.plan.practice import PracticePlan
from tyrekit.record.weekend import Weekend
from tyrekit.show.answer import Fits, fit_weekend
from tyrekit.show.style import LEVEL
from tyrekit.terms import CORNER_NAMES

BEFORE, AFTER = "before", "after"
COLUMNS = ("quantity", "unit", "stage", "mean", "lower", "upper")
LAP_TIME = {
    "base_lap_s": ("lap on new tyres", "s"),
    "drop_off_s_per_lap": ("loss per lap of tyre age", "s"),
    "fuel_effect_s_per_kg": ("seconds per kg of fuel", "s"),
    "heat_cycle_s": ("loss per heat cycle", "s"),
    "track_evolution_s": ("gain as the track rubbers in", "s"),
}
FUEL_USE = "fuel per lap"
SURER, AS_SURE, LESS_SURE = "surer", "no surer", "less sure"
SAME_PCT = 5.0  # a range this little shorter or longer is none the other
ABOUT = {
    "lap times": tuple(words for words, _ in LAP_TIME.values()),
    "fuel and wear": (FUEL_USE, *(f"wear per lap, {corner}" for corner in CORNER_NAMES)),
}


def run_names(weekend: Weekend) -> dict[str, str]:
    """Return run id -> the run in words, in order of time."""
    runs = weekend.runs.sort_values("start", kind="stable")
    laps = weekend.laps.groupby("run_id")["lap"].count()
    return {
        str(run["run_id"]): f"{run['run_id']} ({int(laps.get(run['run_id'], 0))} laps)"
        for _, run in runs.iterrows()
    }


def before_run(weekend: Weekend, run_id: str) -> Weekend:
    """Return the weekend's tables with nothing from a run on: what the fits knew before it.

    Only what fits read is cut; tyres stay as they are now.
    """
    runs = weekend.runs.sort_values("start", kind="stable")
    since = runs.loc[runs["run_id"] == run_id, "start"].iloc[0]
    kept = runs[runs["start"] < since]
    ids = set(kept["run_id"])
    cut: dict[str, Any] = {name: _before(getattr(weekend, name), ids, since) for name in _CUT}
    return replace(weekend, runs=kept, **cut)


_CUT = ("laps", "tread", "pressures", "temperatures", "fuel", "weather")


def _before(table: pd.DataFrame, run_ids: set[str], since: pd.Timestamp) -> pd.DataFrame:
    """Return a table's rows of earlier runs, or taken before this one."""
    known = pd.Series(True, index=table.index)
    if "run_id" in table:
        blank = table["run_id"].isna() | (table["run_id"] == "")
        known &= table["run_id"].isin(run_ids) | blank
    if "taken_at" in table:
        known &= table["taken_at"] < since
    return table[known]


def taught(weekend: Weekend, fits: Fits, run_id: str) -> pd.DataFrame:
    """Return what a run taught, columns `COLUMNS`, a row per quantity and stage.

    Before is all that was known when the run began, after all that was known when the next one
    began; of the last run, all that is known now, which are `fits`.
    """
    runs = list(weekend.runs.sort_values("start", kind="stable")["run_id"])
    at = runs.index(run_id)
    after = fits if at + 1 == len(runs) else fit_weekend(before_run(weekend, runs[at + 1]))
    before = fit_weekend(before_run(weekend, run_id))
    rows = [*_rows(before, BEFORE), *_rows(after, AFTER)]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def promised(plan: PracticePlan, fits: Fits) -> pd.DataFrame:
    """Return what a practice programme is expected to narrow, columns `COLUMNS`.

    The middle stays where it is now: which way it will move is what the runs are to tell.
    """
    rows = []
    for _, row in plan.narrows.iterrows():
        words, unit = LAP_TIME[str(row["parameter"])]
        mean = float(fits.lap_time.params[str(row["parameter"])])
        for stage, sd in ((BEFORE, float(row["before_sd"])), (AFTER, float(row["after_sd"]))):
            rows.append((words, unit, stage, mean, mean - NORMAL_90 * sd, mean + NORMAL_90 * sd))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def narrowing(table: pd.DataFrame) -> pd.DataFrame:
    """Return quantity, unit, both intervals, `narrower_pct` and `surer`, a row per quantity.

    `narrower_pct` is how much shorter the interval became, below 0 where it grew; `surer` says it
    in words.
    """
    wide = table.pivot(
        index=["quantity", "unit"], columns="stage", values=["lower", "mean", "upper"]
    )
    wide = wide.reindex(pd.MultiIndex.from_frame(table[["quantity", "unit"]].drop_duplicates()))
    width = {stage: wide["upper", stage] - wide["lower", stage] for stage in (BEFORE, AFTER)}
    found = pd.DataFrame(
        {f"{name}_{stage}": wide[name, stage] for stage in (BEFORE, AFTER)
         for name in ("mean", "lower", "upper")}
    )  # fmt: skip
    found["narrower_pct"] = 100.0 * (1.0 - width[AFTER] / width[BEFORE])
    found["surer"] = [
        AS_SURE if abs(pct) < SAME_PCT else SURER if pct > 0 else LESS_SURE
        for pct in found["narrower_pct"]
    ]
    return found.reset_index()


def _rows(fits: Fits, stage: str) -> list[tuple[str, str, str, float, float, float]]:
    """Return the main quantities of the fits at one stage."""
    found = []
    bounds = fits.lap_time.conf_int(LEVEL)
    for name, words in LAP_TIME.items():
        low, high = (float(bounds[end][name]) for end in ("lower", "upper"))
        found.append((*words, stage, float(fits.lap_time.params[name]), low, high))
    use = fits.fuel_use.use_by_kind(LEVEL)
    mean, low, high = (float(use[end]["timed"]) for end in ("mean", "lower", "upper"))
    found.append((FUEL_USE, "kg", stage, mean, low, high))
    for corner in CORNER_NAMES:
        wear = fits.tread.wear_mm_per_lap(corner)
        half = NORMAL_90 * wear.sd
        ends = (wear.mean - half, wear.mean + half)
        found.append((f"wear per lap, {corner}", "mm", stage, wear.mean, *ends))
    return found
