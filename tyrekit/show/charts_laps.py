"""Charts of laps: what the last run was, laps to leave out, and how the fit moves without them."""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from tyrekit.show.style import BAND, CLOCK_LABEL, INK, MUTED, PAPER, finish

WIDTH = 520
SHOWN_S = 6.0  # slower than the median by more stands on the top edge, its time beside it
CLOCK_AXIS = alt.Axis(labelExpr=CLOCK_LABEL, tickCount=6)


def run_laps_chart(table: pd.DataFrame, run_id: str, width: int = WIDTH) -> Any:
    """Draw one run's laps: what were they? Wants lap, lap_time_s, kind, counts and words."""
    shown = _on_axis(table)
    x = alt.X(
        "lap:Q", title="lap of the run", axis=alt.Axis(tickMinStep=1, format="d", grid=False),
        scale=alt.Scale(domain=[0.5, float(shown["lap"].max()) + 0.5], nice=False),
    )  # fmt: skip
    base = alt.Chart(shown).encode(x=x, y=_time_axis(shown))
    counts = "datum.counts"
    points = base.mark_point(size=70, strokeWidth=1.6, color=INK, opacity=1).encode(
        fill=alt.condition(counts, alt.value(INK), alt.value(PAPER)),
        shape=alt.condition("datum.kind === 'timed'", alt.value("circle"), alt.value("square")),
    )
    half = float(shown["lap"].max()) / 2
    said = base.encode(text="words:N")
    early = said.transform_filter(alt.datum.lap <= half)
    late = said.transform_filter(alt.datum.lap > half)
    text = early.mark_text(align="left", dx=9, fontSize=12, color=MUTED)
    text += late.mark_text(align="right", dx=-9, fontSize=12, color=MUTED)
    return finish(
        (points + text).properties(width=width, height=190),
        f"What were the laps of {run_id}?",
        "filled: counts; open: does not; square: no timed lap, slow ones on the top edge",
    )


def brush_chart(table: pd.DataFrame, width: int = WIDTH) -> Any:
    """Draw the timed laps of the weekend to be brushed with the mouse; `laps_to_brush` is drawn."""
    shown = _on_axis(table)
    shown["lap_time_s"] = shown["shown_s"]
    x = alt.X(
        "lap_count:Q", title="timed laps of the weekend",
        axis=alt.Axis(tickMinStep=1, format="d", grid=False),
    )  # fmt: skip
    brush = alt.selection_interval(name="brush", encodings=["x", "y"])
    points = (
        alt.Chart(shown)
        .mark_point(size=60, strokeWidth=1.6, color=INK, opacity=1)
        .encode(
            x=x,
            y=_time_axis(shown, "lap_time_s"),
            fill=alt.condition("datum.counts", alt.value(INK), alt.value(PAPER)),
            shape=alt.condition(
                "datum.state === 'by the engineer'", alt.value("cross"), alt.value("circle")
            ),
        )
        .add_params(brush)
    )
    firsts = shown.groupby("session", sort=False)["lap_count"].min().reset_index()
    firsts["lap_count"] -= 0.5
    marks = (
        alt.Chart(firsts)
        .mark_text(align="left", dx=4, fontSize=13, fontWeight="bold", color=INK)
        .encode(x="lap_count:Q", y=alt.value(-8), text="session:N")
    )
    return finish(
        (points + marks).properties(width=width, height=230),
        "Which laps say nothing about the tyres?",
        "drag over them; filled: counted, open: not, cross: left out by the engineer",
    )


def moved_chart(table: pd.DataFrame, width: int = WIDTH) -> Any:
    """Draw `moved_table`: how does the drop-off move without the chosen laps?"""
    x = alt.X("age_laps:Q", title="tyre age, laps", axis=alt.Axis(tickMinStep=1, grid=False))
    y = alt.Y("lower:Q", title="slower than on new tyres, s a lap")
    now = table[table["fit"] == "as it stands"]
    then = table[table["fit"] != "as it stands"]
    band = alt.Chart(now).mark_area(color=BAND, opacity=0.4).encode(x=x, y=y, y2="upper:Q")
    line = alt.Chart(now).mark_line(color=INK, strokeWidth=2.2).encode(x=x, y="mean:Q")
    layers = band + line
    if len(then):
        moved = alt.Chart(then).encode(x=x)
        for name, width_px in (("mean", 2.2), ("lower", 0.9), ("upper", 0.9)):
            dashed = moved.mark_line(strokeWidth=width_px, color=INK, strokeDash=[6, 4])
            layers += dashed.encode(y=alt.Y(f"{name}:Q"))
    return finish(
        layers.properties(width=width, height=230),
        "How does the loss with age move without them?",
        "solid and band: as it stands; dashed with thin lines: without the chosen laps; 90 %",
    )


def _on_axis(table: pd.DataFrame) -> pd.DataFrame:
    """Return laps with the time they are drawn at: very slow ones on the top edge."""
    shown = table.copy()
    timed = shown.loc[shown["counts"].astype(bool), "lap_time_s"]
    middle = float((timed if len(timed) else shown["lap_time_s"]).median())
    shown["shown_s"] = shown["lap_time_s"].clip(upper=middle + SHOWN_S)
    return shown


def _time_axis(shown: pd.DataFrame, name: str = "shown_s") -> Any:
    low, high = float(shown["shown_s"].min()), float(shown["shown_s"].max())
    room = max(0.12 * (high - low), 0.3)
    scale = alt.Scale(domain=[low - room, high + room], nice=False)
    return alt.Y(f"{name}:Q", title="lap time, min:s", scale=scale, axis=CLOCK_AXIS)
