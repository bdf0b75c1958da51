"""Charts that answer one question each; the question is the title. The only room with altair.

Each draws a table of `tables` and nothing else, in the look of `style`, uncertainty included.
"""

from __future__ import annotations

from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from tyrekit.show.style import ACCENT, BAND, CLOCK_LABEL, DASHES, INK, MUTED, PAPER, RULE, finish
from tyrekit.show.words import number, one_in, percent
from tyrekit.terms import CORNER_NAMES

WIDTH = 640
CORNER_ORDER = [*CORNER_NAMES]
RISKS_SHOWN = (1e-4, 0.5)  # chances of running short
LABEL_PX = 12
# Where an id may stand from its line's end: to the right, on it or left; pixels up.
LABEL_STEPS = (
    (1, 0), (1, 10), (1, -10), (0, 16), (0, -16), (1, 20), (1, -20), (-1, 14), (-1, -14), (0, 28),
    (0, -28),
)  # fmt: skip


def lap_times_chart(table: pd.DataFrame, width: int = WIDTH) -> Any:
    """Draw `lap_times_table`: do the laps come as expected?"""
    shown = table.copy()
    low, high = _lap_range(shown)
    shown["left_out"] = ~shown["counts"].astype(bool)
    shown["shown_s"] = shown["lap_time_s"].clip(upper=high)
    shown["new_run"] = shown["run_id"].astype(str)
    x = alt.X("lap_count:Q", title="timed laps of the weekend", axis=_whole_axis())
    scale = alt.Scale(domain=[low, high], nice=False, clamp=True)
    y = alt.Y("lower:Q", scale=scale, title="lap time, min:s", axis=alt.Axis(labelExpr=CLOCK_LABEL))
    base = alt.Chart(shown).encode(x=x, detail="new_run:N")
    band = base.mark_area(color=BAND, opacity=0.4, clip=True).encode(y=y, y2="upper:Q")
    line = base.mark_line(color=INK, strokeWidth=1.6, clip=True).encode(y="mean:Q")
    points = base.mark_point(size=26, strokeWidth=1.2).encode(
        y="shown_s:Q",
        color=alt.value(INK),
        fill=alt.condition("datum.left_out", alt.value(PAPER), alt.value(INK)),
        opacity=alt.condition("datum.left_out", alt.value(0.55), alt.value(1.0)),
    )
    layers = band + line + points + _session_marks(shown, high)
    return finish(
        layers.properties(width=width, height=250),
        "Do the laps come as expected?",
        "filled: used; open: left out, slow ones on the top edge; line and band: expected, 90 %",
    )


def drop_off_chart(table: pd.DataFrame, width: int = WIDTH) -> Any:
    """Draw `drop_off_table`: how much slower is a lap on older tyres?"""
    x = alt.X("age_laps:Q", title="tyre age, laps", axis=_whole_axis())
    y_title = "slower than on new tyres, s a lap"
    band = (
        alt.Chart(table)
        .mark_area(color=BAND, opacity=0.4)
        .encode(x=x, y=alt.Y("lower:Q", title=y_title), y2="upper:Q")
    )
    seen, ahead = table[table["seen"]], table[~table["seen"]]
    if len(seen):
        ahead = pd.concat([seen.tail(1), ahead])
    solid = alt.Chart(seen).mark_line(color=INK, strokeWidth=2.4).encode(x=x, y="mean:Q")
    dashed = (
        alt.Chart(ahead)
        .mark_line(color=INK, strokeWidth=2, strokeDash=[5, 4])
        .encode(x=x, y="mean:Q")
    )
    layers = band + solid + dashed
    if len(seen) and len(ahead) > 1:
        edge, end = float(seen["age_laps"].max()), float(table["age_laps"].max())
        layers = layers + _edge_of_running(edge, to_the_right=edge < end / 2)
    return finish(
        layers.properties(width=width, height=240),
        "How much slower is a lap on older tyres?",
        "band: 90 %; dashed: older than any tyre timed here",
    )


def tread_chart(table: pd.DataFrame, limit_mm: float, width: int = WIDTH) -> Any:
    """Draw `tread_table` as seen from above the car: which tyre reaches the limit first?"""
    oldest = max(float(table["age_laps"].max()), 1.0)
    top = float(np.nanmax([*table["tread_mm"], limit_mm + 1.0])) + 0.4
    panel_width, panel_height = (width - 90) // 2, 140
    scale_px = (panel_width / (oldest * 1.15), panel_height / top)  # a lap, a millimetre
    shown = pd.concat(
        [_labelled(own, limit_mm, scale_px, panel_width) for _, own in table.groupby("corner")]
    )
    shown["limit_mm"] = limit_mm
    x = alt.X(
        "age_laps:Q", title="tyre age, laps", axis=_whole_axis(),
        scale=alt.Scale(domain=[0, oldest * 1.15], nice=False),
    )  # fmt: skip
    scale = alt.Scale(domain=[0, top], nice=False)
    y = alt.Y("tread_mm:Q", title="thinnest place, mm", scale=scale)
    styles = alt.Scale(domain=list(range(len(DASHES))), range=[list(d) for d in DASHES])
    line = {
        "detail": "tyre_id:N",
        "strokeDash": alt.StrokeDash("style:N", legend=None, scale=styles),
    }
    base = alt.Chart().encode(x=x)
    past, ahead = base.transform_filter("!datum.forecast"), base.transform_filter("datum.forecast")
    layers = alt.layer(
        base.mark_rule(color=INK, strokeWidth=2).encode(x=alt.X(), y=alt.Y("limit_mm:Q")),
        ahead.mark_area(color=ACCENT, opacity=0.16).encode(
            y=alt.Y("lower:Q"), y2="upper:Q", detail="tyre_id:N"
        ),
        past.mark_line(color=MUTED, strokeWidth=1.2).encode(y=y, **line),
        ahead.mark_line(color=ACCENT, strokeWidth=2).encode(y=y, **line),
        past.mark_point(color=INK, filled=True, size=28, opacity=1).encode(y=y),
        base.mark_text(
            align="left", baseline="middle", color=INK, fontSize=LABEL_PX, fontWeight="bold"
        ).encode(x=alt.X("label_laps:Q"), y=alt.Y("label_mm:Q"), text="label:N"),
        data=shown,
    ).properties(width=panel_width, height=panel_height)
    header = alt.Header(labelFontSize=13, title=None)
    return finish(
        layers.facet(
            alt.Facet("corner:N", sort=CORNER_ORDER, header=header), columns=2, spacing=18
        ),
        "Which tyre reaches the tread limit first?",
        [
            f"points: measured; bar across: {number(limit_mm)} mm limit",
            "line and band: forecast, 90 %, of the laps planned on that corner",
        ],
    )


def fuel_chart(
    table: pd.DataFrame, accepted_risk: float, session: str = "", width: int = WIDTH
) -> Any:
    """Draw `fuel_risk_table` of one session: what does a litre buy against running short?"""
    shown = table[table["shortfall_risk"].between(*RISKS_SHOWN)].copy()
    x = alt.X(
        "start_l:Q", title="fuel at the start, L", axis=alt.Axis(tickCount=8),
        scale=alt.Scale(zero=False, nice=False),
    )  # fmt: skip
    y = alt.Y(
        "shortfall_risk:Q",
        title="chance of running short",
        scale=alt.Scale(type="log", domain=list(RISKS_SHOWN), clamp=True),
        axis=alt.Axis(values=_RISKS, labelExpr=_risk_labels(), grid=True),
    )
    line = alt.Chart(shown).mark_line(color=INK, strokeWidth=2).encode(x=x, y=y)
    limit = (
        alt.Chart(pd.DataFrame({"shortfall_risk": [accepted_risk]}))
        .mark_rule(color=MUTED, strokeDash=[4, 3])
        .encode(y="shortfall_risk:Q")
    )
    chosen = shown[shown["chosen"]].head(1)
    words = chosen.assign(words=[f"{number(v)} L" for v in chosen["start_l"]])
    mark = (
        alt.Chart(words).mark_point(color=ACCENT, filled=True, size=110, opacity=1).encode(x=x, y=y)
    )
    text = (
        alt.Chart(words)
        .mark_text(align="right", dx=-8, dy=14, fontSize=14, fontWeight="bold", color=ACCENT)
        .encode(x=x, y=y, text="words:N")  # below the accepted risk, which the load never passes
    )
    return finish(
        (limit + line + mark + text).properties(width=width, height=210),
        f"What does a litre buy against running short{f' in {session}' if session else ''}?",
        f"dot: the least load within the accepted {one_in(accepted_risk)} (dashed)",
    )


def choices_chart(table: pd.DataFrame, width: int = WIDTH) -> Any:
    """Draw `choices_table`: which tyres next, over the whole weekend, and how clear is it?"""
    shown = table.copy()
    shown["best"] = shown["rank"] == 1
    shown["words"] = [_choice_words(row) for _, row in shown.iterrows()]
    tint = alt.condition("datum.best", alt.value(ACCENT), alt.value(INK))
    y = alt.Y(
        "tyres:N", sort=list(shown["tyres"]), title=None,
        axis=alt.Axis(labelColor=INK, labelFontSize=13, labelLimit=260, ticks=False, domain=False),
    )  # fmt: skip
    high = float(np.nanmax([*shown["weekend_upper_s"], 0.1]))
    low = float(np.nanmin([*shown["weekend_lower_s"], 0.0]))
    room = 0.05 * (high - low)
    scale = alt.Scale(domain=[low - room, high + room], nice=False)
    x = alt.X(
        "weekend_cost_s:Q", title="dearer than the first choice, s over the weekend",
        axis=alt.Axis(tickCount=8, grid=False), scale=scale,
    )  # fmt: skip
    base = alt.Chart(shown).encode(y=y, color=tint)
    bars = base.mark_rule(strokeWidth=7, opacity=0.55).encode(
        x=alt.X("weekend_lower_s:Q", scale=scale), x2="weekend_upper_s:Q"
    )
    dots = base.mark_point(filled=True, size=90, opacity=1).encode(x=x)
    text = base.mark_text(align="left", dy=-19, fontSize=12).encode(x=alt.value(2), text="words:N")
    zero = (  # beside the bars only: it would run through the words above them
        alt.Chart(shown.assign(weekend_cost_s=0.0))
        .mark_tick(orient="vertical", size=20, thickness=1.2, color=MUTED)
        .encode(x="weekend_cost_s:Q", y=y)
    )
    return finish(
        (zero + bars + dots + text).properties(width=width, height=max(52 * len(shown), 80)),
        "Which tyres next cost least over the weekend?",
        "FL FR RL RR; dot: expected, bar: 90 %; each session's seconds at what they count",
    )


def tyre_use_chart(table: pd.DataFrame, sessions: list[str], width: int = WIDTH) -> Any:
    """Draw `tyre_use_table`: where does each tyre run?"""
    tyres = list(dict.fromkeys(table["tyre_id"]))
    x = alt.X(
        "session:N", sort=sessions, title=None, scale=alt.Scale(domain=sessions),
        axis=alt.Axis(orient="top", labelAngle=0, labelFontSize=13, labelColor=INK, domain=False,
                      ticks=False),
    )  # fmt: skip
    y = alt.Y(
        "tyre_id:N", sort=tyres, title=None,
        axis=alt.Axis(labelColor=INK, labelFontSize=13, domain=False, ticks=False, grid=True),
    )  # fmt: skip
    base = alt.Chart(table).encode(x=x, y=y)
    line = base.mark_line(color=MUTED, strokeWidth=1.2).encode(detail="tyre_id:N")
    plate = base.mark_point(shape="square", filled=True, size=620, opacity=1).encode(
        color=alt.condition("datum.state === 'next'", alt.value(ACCENT), alt.value(PAPER)),
        stroke=alt.condition("datum.state === 'next'", alt.value(ACCENT), alt.value(INK)),
        strokeDash=alt.condition("datum.state === 'run'", alt.value([1, 0]), alt.value([3, 2])),
    )
    text = base.mark_text(fontSize=12, fontWeight="bold").encode(
        text="corner:N",
        color=alt.condition("datum.state === 'next'", alt.value(PAPER), alt.value(INK)),
    )
    return finish(
        (line + plate + text).properties(width=width, height=max(30 * len(tyres), 60)),
        "Where does each tyre run?",
        "solid frame: run; filled: the next session; dashed frame: planned",
    )


_RISKS = [0.5, 0.1, 0.02, 0.005, 0.001, 0.0001]


def _risk_labels() -> str:
    """Return the axis expression that writes chances as 1 in N."""
    return "'1 in '+format(round(1/datum.value),',')"


def _choice_words(row: pd.Series) -> str:
    """Return what stands above a choice: its seconds in the session, and its chance to be best."""
    chance = f"{percent(float(row['chance_best']))} to be the best"
    apart_s = float(row["expected_s"])
    if row["rank"] == 1:
        return f"first choice, {chance}"
    if abs(apart_s) < 0.005:
        return f"as fast in {row['session']}, {chance}"
    word = "faster" if apart_s < 0 else "slower"
    return f"{number(abs(apart_s), 2)} s {word} in {row['session']}, {chance}"


def _lap_range(table: pd.DataFrame) -> tuple[float, float]:
    """Return the lap times the axis spans: the fit's band and the counted laps, with room."""
    counted = table.loc[table["counts"].astype(bool), "lap_time_s"]
    values = pd.concat([counted, table["lower"], table["upper"]]).dropna()
    values = values if len(values) else pd.Series([90.0, 100.0])
    low, high = float(values.min()), float(values.max())
    room = max(0.06 * (high - low), 0.2)
    return low - room, high + room


def _session_marks(table: pd.DataFrame, high: float) -> Any:
    """Return lines at the first lap of each session with its id on top."""
    firsts = table.groupby("session", sort=False)["lap_count"].min().rename("first").reset_index()
    firsts["lap_count"] = firsts["first"] - 0.5
    firsts["top"] = high
    rule = alt.Chart(firsts).mark_rule(color=RULE).encode(x="lap_count:Q")
    text = (
        alt.Chart(firsts)
        .mark_text(align="left", dx=5, dy=-8, color=INK, fontSize=13, fontWeight="bold")
        .encode(x="lap_count:Q", y="top:Q", text="session:N")
    )
    return rule + text


def _edge_of_running(age_laps: float, to_the_right: bool) -> Any:
    """Return a mark at the oldest age timed here, its words on the side with more room."""
    at = pd.DataFrame({"age_laps": [age_laps], "words": [f"timed here to {age_laps:.0f} laps"]})
    rule = alt.Chart(at).mark_rule(color=MUTED, strokeDash=[2, 3]).encode(x="age_laps:Q")
    text = (
        alt.Chart(at)
        .mark_text(
            align="left" if to_the_right else "right",
            dx=6 if to_the_right else -6,
            color=MUTED,
            fontSize=12,
            baseline="top",
        )
        .encode(x="age_laps:Q", y=alt.value(2), text="words:N")
    )
    return rule + text


def _labelled(
    own: pd.DataFrame, limit_mm: float, scale_px: tuple[float, float], width_px: float
) -> pd.DataFrame:
    """Return one corner's rows with line styles, the next tyre's plain, and ids at the ends.

    `scale_px` is the pixels of a lap and of a millimetre.
    """
    first = list(own.loc[own["forecast"], "tyre_id"])
    order = list(dict.fromkeys([*first, *own["tyre_id"]]))
    style = own["tyre_id"].map({tyre: i % len(DASHES) for i, tyre in enumerate(order)})
    own = own.sort_values("age_laps", kind="stable").assign(style=style)
    lines = [_line_px(tyre, scale_px) for _, tyre in own.groupby("tyre_id", sort=False)]
    ends = own.groupby("tyre_id", sort=False).tail(1)
    ids = [str(tyre_id) for tyre_id in ends["tyre_id"]]
    at = ends[["age_laps", "tread_mm"]].to_numpy(float) * scale_px
    spots = _clear_spots(at, ids, np.vstack(lines), limit_mm * scale_px[1], width_px) / scale_px
    places = pd.DataFrame(spots, columns=["label_laps", "label_mm"], index=ends.index)
    return own.join(places.assign(label=ends["tyre_id"])).fillna({"label": ""})


def _line_px(tyre: pd.DataFrame, scale_px: tuple[float, float]) -> Any:
    """Return points along a tyre's line, pixels apart."""
    laps, depth = tyre["age_laps"].to_numpy(float), tyre["tread_mm"].to_numpy(float)
    fine = np.append(np.arange(laps.min(), laps.max(), 3.0 / scale_px[0]), laps)
    return np.column_stack([fine, np.interp(fine, laps, depth)]) * scale_px


def _clear_spots(at: Any, ids: list[str], lines: Any, limit_px: float, width_px: float) -> Any:
    """Return where each id stands (left end, middle): near its line's end and clear of the rest.

    The first of a few places that hits no line, no limit and no id set before it; where every
    place hits something, the one that hits least.
    """
    high, taken, spots = LABEL_PX / 2 + 2, lines, []
    for (x, y), words in zip(at, ids, strict=True):
        long = 0.62 * LABEL_PX * len(words)
        best: tuple[int, float, float] | None = None
        for right, up in LABEL_STEPS:
            left, middle = x + (7 if right > 0 else -7 - long if right < 0 else -long / 2), y + up
            box_x, box_y = taken[:, 0], taken[:, 1]
            inside = (box_x > left - 2) & (box_x < left + long + 2) & (abs(box_y - middle) < high)
            hits = int(inside.sum()) + 100 * (abs(limit_px - middle) < high)
            hits += 100 * (left < 0 or left + long > width_px + 20)
            if best is None or hits < best[0]:
                best = hits, left, middle
        assert best is not None
        spots.append(best[1:])
        across = np.linspace(best[1], best[1] + long, 6)
        own = [(a, best[2] + b) for a in across for b in (-high + 1, 0, high - 1)]
        taken = np.vstack([taken, np.repeat(own, 5, axis=0)])
    return np.array(spots)


def _whole_axis() -> Any:
    """Return an axis that labels whole laps only."""
    return alt.Axis(format="d", tickMinStep=1, grid=False)
