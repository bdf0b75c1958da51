"""Laps left out by the engineer: which may be, and how the fit moves when they are."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np
import pandas as pd

from tyrekit.fit.lap_time import LapTimeResults
from tyrekit.show.answer import Answer, Fits
from tyrekit.show.style import LEVEL
from tyrekit.show.words import clock, span

Laps = Collection[tuple[str, int]]
STEP_LAPS = 1.0


def laps_to_brush(answer: Answer) -> pd.DataFrame:
    """Return the timed laps in the order run: what can be left out, and what is already.

    `lap_count` counts them from 1; `label` is how a person names one; `state` is counted, left
    out by the fit or a rule, or by the engineer.
    """
    laps = answer.laps[answer.laps["kind"] == "timed"].sort_values("started_at")
    table = laps[["run_id", "session", "lap", "lap_time_s", "counts", "reason"]].copy()
    table = table.reset_index(drop=True)
    table.insert(0, "lap_count", np.arange(1, len(table) + 1))
    ours = set(_pairs(answer.weekend.left_out))
    mine = [pair in ours for pair in _pairs(table)]
    table["state"] = np.select(
        [np.array(mine, dtype=bool), ~table["counts"].to_numpy(dtype=bool)],
        ["by the engineer", "not counted"],
        "counted",
    )
    table["label"] = [
        f"{row['run_id']} lap {row['lap']}: {clock(row['lap_time_s'], 2)}, {row['state']}"
        for _, row in table.iterrows()
    ]
    return table


def within(table: pd.DataFrame, brush: dict[str, list[float]]) -> list[tuple[str, int]]:
    """Return the laps inside a brush over `lap_count` and `lap_time_s`; none for an empty one."""
    if not brush:
        return []
    inside = pd.Series(True, index=table.index)
    for name, (low, high) in brush.items():
        inside &= table[name].between(min(low, high), max(low, high))
    return _pairs(table[inside])


def fit_without(fits: Fits, laps: Laps) -> LapTimeResults:
    """Return the lap-time fit with some laps left out."""
    return replace(fits.lap_model, without=tuple(laps)).fit()


def moved_table(answer: Answer, without: LapTimeResults | None) -> pd.DataFrame:
    """Return the time lost to tyre age by the fit as it stands, and without the chosen laps."""
    counted = answer.laps[answer.laps["counts"].astype(bool)]
    oldest = float(counted["age_laps"].max()) if len(counted) else 15.0
    ages = np.arange(0.0, np.ceil(max(oldest, 5.0)) + 1, STEP_LAPS)
    parts = [_losses(answer.lap_time, ages).assign(fit="as it stands")]
    if without is not None:
        parts.append(_losses(without, ages).assign(fit="without the chosen laps"))
    return pd.concat(parts, ignore_index=True)


def moved_words(answer: Answer, without: LapTimeResults, laps: Laps) -> str:
    """Return how the drop-off moves, in words."""
    before, after = answer.lap_time.drop_off_s_per_lap, without.drop_off_s_per_lap
    change = after.mean - before.mean
    many = f"{len(laps)} lap{'s' if len(laps) > 1 else ''}"
    return (
        f"Drop-off {before.mean:.3f} s a lap ({_span(answer.lap_time)}) as it stands;"
        f" {after.mean:.3f} ({_span(without)}) without the {many}: {change:+.3f}."
    )


def _span(fit: LapTimeResults) -> str:
    table = fit.conf_int(LEVEL)
    lower, upper = (float(table[edge]["drop_off_s_per_lap"]) for edge in ("lower", "upper"))
    return span(lower, upper, 3)


def _losses(fit: LapTimeResults, ages: np.ndarray) -> pd.DataFrame:
    draws = fit.age_loss_s(ages, 400, np.random.default_rng(20260516))
    lower, upper = np.quantile(draws, [(1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=0)
    mean = np.asarray(fit.mean_age_loss_s(ages), dtype=float)
    return pd.DataFrame({"age_laps": ages, "mean": mean, "lower": lower, "upper": upper})


def _pairs(table: pd.DataFrame) -> list[tuple[str, int]]:
    return [(str(r), int(lap)) for r, lap in zip(table["run_id"], table["lap"], strict=True)]
