"""Charts of one race: the stop window, replies to cautions."""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from tyrekit.show.style import ACCENT, BAND, INK, MUTED, PAPER, finish

WIDTH = 560


def window_chart(table: pd.DataFrame, which: str = "a stop", width: int = WIDTH) -> Any:
    """Draw `race.window`: what does a stop on another lap cost when no caution comes?

    One stop's rows; columns lap, planned, lost_s, lower_s, upper_s, another_stop; `which` names
    it among several.
    """
    scale, more = _lap_scale(table), table[table["another_stop"]]
    table = table[~table["another_stop"]]
    chosen = table[table["planned"]].assign(words=lambda t: [f"lap {lap}" for lap in t["lap"]])
    x = alt.X("lap:Q", title="stop at the end of lap", axis=_laps(), scale=scale)
    y = alt.Y("lost_s:Q", title="seconds lost", axis=alt.Axis(tickCount=6), scale=_room(table))
    base = alt.Chart(table).encode(x=x)
    zero = alt.Chart(pd.DataFrame({"lost_s": [0.0]}))
    layers = (
        base.mark_area(color=BAND, opacity=0.4).encode(
            y=alt.Y("lower_s:Q", scale=_room(table)), y2="upper_s:Q"
        )
        + zero.mark_rule(color=MUTED, strokeDash=[4, 3]).encode(y="lost_s:Q")
        + base.mark_line(color=INK, strokeWidth=2).encode(y=y)
        + base.mark_point(color=INK, filled=True, size=30, opacity=1).encode(y=y)
        + _chosen(chosen, x, y)
    )
    said = "no caution coming, against the lap planned (dot); band: 90 %"
    if len(more):
        cross = alt.Chart(more).mark_text(text="×", fontSize=18, color=INK)
        layers = layers + cross.encode(x=x, y=alt.value(8))
        said += "; ×: one more stop needed"
    return finish(
        layers.properties(width=width, height=220),
        f"What does {which} on another lap cost?",
        said,
    )


def replies_chart(table: pd.DataFrame, width: int = WIDTH) -> Any:
    """Draw `race.replies_grid`: is a lap run under caution a lap to stop?

    A column per lap, a row per set and how long it has been on; shapes tell the reply.
    """
    shown = table.assign(
        row=[f"{s}, {since}" for s, since in zip(table["set"], table["since"], strict=True)],
        stop=table["reply"] == "stop",
    )
    rows = list(dict.fromkeys(shown["row"]))
    room = _lap_scale(shown, 0.6)
    x = alt.X("lap:Q", title="lap run under caution", axis=_laps(grid=False), scale=room)
    y = alt.Y(
        "row:N", sort=rows, title=None,
        axis=alt.Axis(labelColor=INK, labelFontSize=12, labelLimit=240, ticks=False, domain=False),
    )  # fmt: skip
    base = alt.Chart(shown).encode(x=x, y=y)
    stop = base.transform_filter("datum.stop")
    out = base.transform_filter("!datum.stop")
    size = min(420, max(90, int((0.55 * width / max(_span(shown), 1)) ** 2)))
    layers = (
        out.mark_point(shape="circle", size=size * 0.35, stroke=MUTED, fill=PAPER, opacity=1)
        + stop.mark_point(shape="square", size=size, filled=True, color=ACCENT, opacity=1)
        + stop.mark_text(text="S", color=PAPER, fontSize=10, fontWeight="bold", dy=0.5)
        + base.transform_filter("datum.planned").mark_point(
            shape="square", size=size * 2.0, stroke=INK, strokeWidth=2, fillOpacity=0, opacity=1
        )
    )
    return finish(
        layers.properties(width=width, height=max(34 * len(rows), 60)),
        "Is a lap under caution a lap to stop?",
        "S: stop; ring: stay out; frame: the stop planned when no caution comes",
    )


def _chosen(chosen: pd.DataFrame, x: Any, y: Any) -> Any:
    """Return the planned lap as a dot with its words."""
    base = alt.Chart(chosen).encode(x=x, y=y)
    return base.mark_point(color=ACCENT, filled=True, size=120, opacity=1) + base.mark_text(
        align="center", dy=-14, fontSize=14, fontWeight="bold", color=ACCENT
    ).encode(text="words:N")


def _laps(grid: bool = False) -> Any:
    return alt.Axis(format="d", tickMinStep=1, grid=grid)


def _lap_scale(table: pd.DataFrame, room: float = 0.5) -> Any:
    low, high = float(table["lap"].min()), float(table["lap"].max())
    return alt.Scale(domain=[low - room, high + room], nice=False)


def _room(table: pd.DataFrame) -> Any:
    """Return the scale of seconds lost: all of the band, with room for the words above."""
    low, high = min(0.0, float(table["lower_s"].min())), float(table["upper_s"].max())
    room = max(0.12 * (high - low), 0.2)
    return alt.Scale(domain=[low - 0.4 * room, high + room], nice=False)


def _span(table: pd.DataFrame) -> float:
    return float(table["lap"].max() - table["lap"].min()) + 1.0
