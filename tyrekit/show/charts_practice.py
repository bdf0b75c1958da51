"""Before and after: the chart of what runs would make surer, and of what a run taught."""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from tyrekit.show.lessons import narrowing
from tyrekit.show.style import BAND, INK, MUTED, finish
from tyrekit.show.words import clock, number

WIDTH = 560
LEFT, RIGHT, ROW = 236, 72, 46  # px for the figures, for the words, of a row
FAR = 2.6  # half ranges of before; what lies beyond is drawn to here
PROMISED = "What would these runs make surer?"


def narrowing_table(table: pd.DataFrame) -> pd.DataFrame:
    """Return `lessons.narrowing` with the ends after in half ranges of before: low, mean, high."""
    found = narrowing(table)
    half = (found["upper_before"] - found["lower_before"]) / 2
    middle = (found["upper_before"] + found["lower_before"]) / 2
    for name in ("lower", "mean", "upper"):
        found[f"{name}_scaled"] = ((found[f"{name}_after"] - middle) / half).clip(-FAR, FAR)
    found["was_scaled"] = (found["mean_before"] - middle) / half
    return found


def narrowing_chart(table: pd.DataFrame, title: str, width: int = WIDTH) -> Any:
    """Draw `lessons.promised` or `lessons.taught`: a row per quantity, scaled to what was known."""
    shown = narrowing_table(table).assign(low=-1.0, high=1.0)
    shown["figures"] = [in_figures(row) for _, row in shown.iterrows()]
    ends = shown[["lower_scaled", "upper_scaled"]].abs().to_numpy().max()
    far = 1.06 * max(float(ends), 1.0)
    scale = alt.Scale(domain=[-far, far], range=[LEFT, width - RIGHT], nice=False)
    base = alt.Chart(shown).encode(y=alt.Y("quantity:N", sort=list(shown["quantity"]), axis=None))
    before = base.mark_bar(color=BAND, opacity=0.5, height=26).encode(
        x=alt.X("low:Q", axis=None, scale=scale), x2="high:Q"
    )
    after = base.mark_bar(color=INK, height=10).encode(
        x=alt.X("lower_scaled:Q", scale=scale), x2="upper_scaled:Q"
    )
    was = base.mark_tick(color=MUTED, thickness=2, size=26).encode(x=alt.X("was_scaled:Q"))
    now = base.mark_tick(color=INK, thickness=3, size=22).encode(x=alt.X("mean_scaled:Q"))
    words = base.mark_text(align="left", fontSize=13, color=INK, baseline="middle")
    name = words.mark_text(align="left", fontSize=13, fontWeight="bold", color=INK, dy=-8)
    figures = words.mark_text(align="left", fontSize=12, color=INK, dy=9)
    return finish(
        (
            before + after + was + now
            + name.encode(x=alt.value(0), text="quantity:N")
            + figures.encode(x=alt.value(0), text="figures:N")
            + words.encode(x=alt.value(width - RIGHT + 10), text="surer:N")
        ).properties(width=width, height=ROW * len(shown)),
        title,
        "wide band: 90 % range before; bar: after; shorter is surer, aside is moved",
    )  # fmt: skip


def in_figures(row: pd.Series) -> str:
    """Return before and after with their half ranges: ``0.042 ± 0.043 → 0.066 ± 0.052 s``."""
    halves = {
        stage: (row[f"upper_{stage}"] - row[f"lower_{stage}"]) / 2 for stage in ("before", "after")
    }
    digits = _digits(min(halves.values()))
    say = clock if row["unit"] == "s" and row["mean_after"] > 60 else number
    said = [
        f"{say(row[f'mean_{stage}'], digits)} ± {number(half, digits)}"
        for stage, half in halves.items()
    ]
    return f"{' → '.join(said)} {row['unit']}"


def _digits(half: float) -> int:
    """Return decimals that give the shorter half range two figures."""
    return next((digits for digits in range(1, 5) if half * 10.0**digits >= 9.5), 5)
