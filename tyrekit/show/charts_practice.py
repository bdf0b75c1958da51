"""Before and after: the chart of what runs are to narrow, and of what a run taught."""

from __future__ import annotations

from functools import partial
from typing import Any

import altair as alt
import pandas as pd

from tyrekit.show.lessons import AFTER, BEFORE
from tyrekit.show.style import BAND, CLOCK_LABEL, INK, MUTED, finish
from tyrekit.show.words import clock, number

WIDTH = 560
PROMISED = "How much would these runs narrow what is known?"


def narrowing_chart(table: pd.DataFrame, title: str, width: int = WIDTH) -> Any:
    """Draw `lessons.promised` or `lessons.taught`: before over after, each on its own scale."""
    quantities = list(dict.fromkeys(table["quantity"]))
    rows = [_row(table[table["quantity"] == name], width) for name in quantities]
    return finish(
        alt.vconcat(*rows, spacing=12),
        title,
        "bars: 90 %, before over after; tick: expected; each line has a scale of its own",
    )


def _row(own: pd.DataFrame, width: int) -> Any:
    """Return one quantity: two bars on its own scale, its name and figures at the left."""
    unit = str(own["unit"].iloc[0])
    lap_times = unit == "s" and float(own["mean"].iloc[0]) > 60
    write = partial(clock if lap_times else number, digits=_digits(own))
    axis = alt.Axis(tickCount=5, labelExpr=CLOCK_LABEL) if lap_times else alt.Axis(tickCount=5)
    shown = own.assign(
        words=[
            f"{stage}  {write(low)} to {write(high)}"
            for stage, low, high in zip(own["stage"], own["lower"], own["upper"], strict=True)
        ]
    )
    x = alt.X("lower:Q", title=None, axis=axis,
              scale=_domain(own))  # fmt: skip
    head = alt.Title(
        text=f"{own['quantity'].iloc[0]}, {unit}", anchor="start", fontSize=13, color=INK, offset=2
    )
    y = alt.Y(
        "words:N", sort=list(shown["words"]), title=None,
        axis=alt.Axis(labelColor=INK, labelFontSize=12, labelLimit=230, minExtent=190,
                      maxExtent=190, ticks=False, domain=False),
    )  # fmt: skip
    base = alt.Chart(shown).encode(y=y)
    tint = alt.Color(
        "stage:N", legend=None, scale=alt.Scale(domain=[BEFORE, AFTER], range=[BAND, MUTED])
    )
    bars = base.mark_bar(height=9, opacity=0.75).encode(x=x, x2="upper:Q", color=tint)
    ticks = base.mark_tick(thickness=2.5, size=15, color=INK).encode(x=alt.X("mean:Q"))
    zero = alt.Chart(pd.DataFrame({"lower": [0.0]})).mark_rule(color=MUTED, strokeDash=[4, 3])
    layers = bars + ticks
    if float(own["lower"].min()) < 0 < float(own["upper"].max()):
        layers = zero.encode(x="lower:Q") + layers
    return layers.properties(width=width - 200, height=40, title=head)


def _domain(own: pd.DataFrame) -> Any:
    """Return a scale that holds both bars with a little room."""
    low, high = float(own["lower"].min()), float(own["upper"].max())
    room = 0.05 * (high - low)
    return alt.Scale(domain=[low - room, high + room], nice=False, zero=False)


def _digits(own: pd.DataFrame) -> int:
    """Return decimals that tell the ends of the shorter interval apart."""
    width = float((own["upper"] - own["lower"]).min())
    for digits in range(1, 5):
        if width * 10.0**digits >= 15.0:
            return digits
    return 5
