"""Charts of the review: where a tyre is used, stint against stint, forecast against outcome."""

from __future__ import annotations

from itertools import pairwise
from typing import Any, Literal

import altair as alt
import numpy as np
import pandas as pd

from tyrekit.record.motion import north_east
from tyrekit.show.review_findings import FULL
from tyrekit.show.review_tyres import places, step_m
from tyrekit.show.style import ACCENT, BAND, CLOCK_LABEL, INK, MUTED, PAPER, RULE, finish

MAP, WIDTH = 430, 560
BROAD, NARROW = 1120, 640  # of the strips: on a wide screen; on a tablet and on paper
STRIP, GAP = 48, 0.46  # of a strip with the room above it, px, and the room's share
RAMP = (RULE, BAND, MUTED, INK)  # one hue, light to dark: reads the same in grey
WIDTHS = (2, 4, 6, 8)  # and thin to thick, so that colour is not needed
PLACE_WIDTH = 13  # of the places with most work, in the accent: they are the answer
Side = Literal["left", "right"]
TICKS_M = 500  # marks along the track, as on the axis of the strips
MARGIN_M = 60.0


def track_table(profile: pd.DataFrame, corner: str) -> pd.DataFrame:
    """Return the track as points: distance_m, east_m, north_m, work_j_per_m, step (0 to 3), words.

    Steps are quarters of the corner's hardest work, 98th percentile, `words` their ends; empty
    without position.
    """
    if not {"latitude_deg", "longitude_deg"} <= set(profile.columns):
        return pd.DataFrame(
            columns=["distance_m", "east_m", "north_m", "work_j_per_m", "step", "words"]
        )
    own = profile.dropna(subset=["latitude_deg", "longitude_deg"])
    north, east = north_east(own["latitude_deg"].to_numpy(), own["longitude_deg"].to_numpy())
    work = own[f"work_{corner.lower()}_j_per_m"]
    top = _top(profile, corner)
    step = _steps(work, top)
    return pd.DataFrame(
        {"distance_m": own["distance_m"], "east_m": east, "north_m": north, "work_j_per_m": work,
         "step": step, "words": step.map(dict(enumerate(_words(top))))}
    ).reset_index(drop=True)  # fmt: skip


def track_chart(table: pd.DataFrame, uses: pd.DataFrame, corner: str, width: int = MAP) -> Any:
    """Draw `track_table`: where on the track is this tyre used? North is up.

    Parameters
    ----------
    table : DataFrame
        From `track_table`.
    uses : DataFrame
        From `review_tyres.use_table`; the corner's stretches are numbered along the lap.
    corner : str
        FL, FR, RL or RR.
    width : int
        Of the map in pixels; its height keeps the track's shape.
    """
    shown = _segments(table)
    spans = [np.ptp(table[name]) + 2 * MARGIN_M for name in ("east_m", "north_m")]
    middles = [(table[name].max() + table[name].min()) / 2 for name in ("east_m", "north_m")]
    x, y = (
        alt.X(f"{name}:Q", axis=None,
              scale=alt.Scale(domain=[m - s / 2, m + s / 2], nice=False, zero=False))
        if name == "east_m" else
        alt.Y(f"{name}:Q", axis=None,
              scale=alt.Scale(domain=[m - s / 2, m + s / 2], nice=False, zero=False))
        for name, m, s in zip(("east_m", "north_m"), middles, spans, strict=True)
    )  # fmt: skip
    names = _named(table)
    line = (
        alt.Chart(shown)
        .mark_line(strokeCap="round", strokeJoin="round")
        .encode(
            x=x, y=y, detail="segment:N", order="distance_m:Q",
            stroke=alt.Stroke("words:N", scale=alt.Scale(domain=names, range=list(RAMP)),
                              legend=_legend()),
            strokeWidth=alt.StrokeWidth("words:N", scale=alt.Scale(domain=names,
                                        range=list(WIDTHS)), legend=_legend()),
        )
    )  # fmt: skip
    own = places(uses, corner)
    layers = line + _distances(table, x, y) + _start_mark(table, x, y)
    if len(own):
        layers = _places(table, own, x, y) + layers + _numbers(table, own, x, y)
    return finish(
        layers.properties(width=width, height=max(160, round(width * spans[1] / spans[0]))),
        f"Where on the track is the {FULL[corner]} used?",
        "numbered: the places with most of its work, m from the line; north is up",
    )


def strip_table(profile: pd.DataFrame, corner: str) -> pd.DataFrame:
    """Return the work along the lap as shaded pieces: corner, start_m, end_m, mean, step, words.

    Parameters
    ----------
    profile : DataFrame
        `Driving.profile`.
    corner : str
        The chosen one: all four are shaded by its steps, those of its map.

    Returns
    -------
    DataFrame
        Pieces of one shade that cover the lap without a gap; ``work_j_per_m`` is their mean.
    """
    at = profile["distance_m"].to_numpy(dtype=np.float64)
    ends = np.append(at[1:], at[-1] + step_m(at))
    top = _top(profile, corner)
    parts = []
    for name in FULL:
        work = profile[f"work_{name.lower()}_j_per_m"]
        step = _steps(work, top)
        rows = pd.DataFrame({"start_m": at, "end_m": ends, "work": work * (ends - at), "step": step,
                             "piece": step.ne(step.shift()).cumsum()})  # fmt: skip
        own = rows.groupby("piece").agg(
            start_m=("start_m", "first"), end_m=("end_m", "last"), work=("work", "sum"),
            step=("step", "first"),
        )  # fmt: skip
        own["work_j_per_m"] = own.pop("work") / (own["end_m"] - own["start_m"])
        parts.append(own.assign(corner=name, words=own["step"].map(dict(enumerate(_words(top))))))
    columns = ["corner", "start_m", "end_m", "work_j_per_m", "step", "words"]
    return pd.concat(parts, ignore_index=True)[columns]


def strip_chart(table: pd.DataFrame, uses: pd.DataFrame, corner: str, width: int = BROAD) -> Any:
    """Draw `strip_table`: a strip per corner along the lap; the chosen one's places are framed."""
    end = float(table["end_m"].max())
    chosen = alt.condition(f"datum.value == '{corner}'", alt.value("bold"), alt.value("normal"))
    y = alt.Y(
        "corner:N", sort=list(FULL), title=None, scale=alt.Scale(paddingInner=GAP, paddingOuter=0),
        axis=alt.Axis(labelFontSize=15, labelColor=INK, labelFontWeight=chosen, ticks=False,
                      domain=False, labelPadding=8),
    )  # fmt: skip
    x = alt.X(
        "start_m:Q", scale=alt.Scale(domain=[0, end], nice=False),
        axis=alt.Axis(values=list(range(0, int(end), TICKS_M)), grid=False,
                      title="distance from the line, m"),
    )  # fmt: skip
    fill = alt.Fill(
        "words:N", scale=alt.Scale(domain=_named(table), range=list(RAMP)),
        legend=_legend("square", 200),
    )  # fmt: skip
    layers = alt.Chart(table).mark_rect().encode(x=x, x2="end_m:Q", y=y, fill=fill)
    own = places(uses, corner).assign(corner=corner)
    if len(own):
        own = own.assign(middle_m=(own["start_m"] + own["end_m"]) / 2)
        base = alt.Chart(own).encode(y=y)
        frames = base.mark_rect(fill=PAPER, fillOpacity=0, stroke=ACCENT, strokeWidth=4)
        marks = base.mark_text(
            fontWeight="bold", fontSize=16, color=ACCENT, baseline="bottom",
            dy=-STRIP * (1 - GAP) / 2 - 3,
        )  # fmt: skip
        layers = (
            layers
            + frames.encode(x=x, x2="end_m:Q")
            + marks.encode(x=alt.X("middle_m:Q"), text="place:N")
        )
    return finish(
        layers.properties(width=width, height=alt.Step(STRIP)),
        "Where on the lap does each tyre work?",
        f"stronger: more sliding work, mean of the laps at pace; framed: where the {FULL[corner]}"
        " works most",
    )


def stints_table(stints: pd.DataFrame) -> pd.DataFrame:
    """Return the stints to draw: label, level_s, lower_s, upper_s."""
    label = stints["run_id"] + ", " + stints["driver"] + ", " + stints["laps"].astype(str) + " laps"
    return stints.assign(label=label)[["label", "level_s", "lower_s", "upper_s"]]


def stints_chart(table: pd.DataFrame, width: int = WIDTH) -> Any:
    """Draw `stints_table`: how fast was each stint on equal tyres and fuel?"""
    y = alt.Y(
        "label:N", sort=list(table["label"]), title=None,
        axis=alt.Axis(labelColor=INK, labelFontSize=13, labelLimit=240, ticks=False, domain=False),
    )  # fmt: skip
    x = alt.X(
        "lower_s:Q", title="clean lap, min:s", scale=alt.Scale(zero=False),
        axis=alt.Axis(labelExpr=CLOCK_LABEL, tickCount=6),
    )  # fmt: skip
    base = alt.Chart(table).encode(y=y)
    bar = base.mark_bar(color=BAND, height=8).encode(x=x, x2="upper_s:Q")
    dot = base.mark_point(color=INK, filled=True, size=60, opacity=1).encode(x="level_s:Q")
    return finish(
        (bar + dot).properties(width=width - 180, height=24 * len(table)),
        "How fast was each stint on equal tyres and fuel?",
        "clean lap brought to the same age, fuel, temperature and rubber; bar: 90 %",
    )


def outcome_points(outcome: pd.DataFrame) -> pd.DataFrame:
    """Return what came against what was forecast, in half widths of its interval: what, off.

    Beyond 3 it is drawn at 3.
    """
    half = np.where(
        outcome["happened"] >= outcome["mean"], outcome["upper"] - outcome["mean"],
        outcome["mean"] - outcome["lower"],
    )  # fmt: skip
    off: pd.Series = (outcome["happened"] - outcome["mean"]) / np.maximum(half, 1e-12)
    return outcome.assign(off=off.clip(-3, 3))[["session", "what", "where", "off", "inside"]]


def outcome_chart(table: pd.DataFrame, width: int = WIDTH) -> Any:
    """Draw `outcome_points`: did the forecasts hold?"""
    order = list(dict.fromkeys(table["what"]))
    band = (
        alt.Chart(pd.DataFrame({"low": [-1.0], "high": [1.0]}))
        .mark_rect(color=BAND, opacity=0.4)
        .encode(x=alt.X("low:Q"), x2="high:Q")
    )
    x = alt.X(
        "off:Q", scale=alt.Scale(domain=[-3, 3], nice=False),
        axis=alt.Axis(values=[-1, 0, 1], labelExpr="datum.value == 0 ? 'as forecast' : '90 % end'",
                      grid=False),
        title=None,
    )  # fmt: skip
    y = alt.Y(
        "what:N", sort=order, title=None,
        axis=alt.Axis(labelColor=INK, labelFontSize=13, ticks=False, domain=False, labelLimit=180),
    )  # fmt: skip
    points = (
        alt.Chart(table)
        .mark_point(size=70, strokeWidth=1.4, opacity=0.9, color=INK)
        .encode(x=x, y=y, fill=alt.condition("datum.inside", alt.value(PAPER), alt.value(INK)))
    )
    return finish(
        (band + points).properties(width=width - 150, height=38 * max(len(order), 1)),
        "Did the forecasts hold?",
        "each mark one forecast before its session; filled: outside the 90 % band",
    )


def _segments(table: pd.DataFrame) -> pd.DataFrame:
    """Return the points with a segment number; a segment begins where the last one ends."""
    change = table["step"].ne(table["step"].shift()).cumsum()
    parts = []
    for number, own in table.groupby(change):
        last = own.index[-1]
        joined = pd.concat([own, table.loc[[last + 1]]]) if last + 1 in table.index else own
        parts.append(joined.assign(segment=int(number), words=own["words"].iloc[0]))
    shown = pd.concat(parts, ignore_index=True)
    return shown.sort_values("step", kind="stable").reset_index(drop=True)


def _top(profile: pd.DataFrame, corner: str) -> float:
    """Return the corner's hardest work, J per metre, 98th percentile along the lap."""
    return max(float(profile[f"work_{corner.lower()}_j_per_m"].quantile(0.98)), 1e-9)


def _steps(work: pd.Series, top: float) -> pd.Series:
    """Return the quarter of the hardest work each place is in, 0 to 3."""
    quarter: pd.Series = np.floor(4 * work / top).clip(0, 3).astype(int)
    return quarter


def _words(top: float) -> list[str]:
    """Return the four steps in J per metre."""
    ends = [round(top * i / 4, -1 if top > 40 else 0) for i in range(4)]
    return [f"{a:.0f} to {b:.0f}" for a, b in pairwise(ends)] + [f"over {ends[3]:.0f}"]


def _named(table: pd.DataFrame) -> list[str]:
    """Return the steps a table holds in words, the least work first, all four when it can."""
    return list(table.sort_values("step")["words"].unique())


def _legend(symbol: str = "stroke", size: int = 500) -> Any:
    return alt.Legend(
        title="J per metre", orient="bottom", symbolType=symbol, symbolSize=size,
        direction="horizontal", symbolStrokeWidth=0 if symbol != "stroke" else alt.Undefined,
    )  # fmt: skip


def _start_mark(table: pd.DataFrame, x: Any, y: Any) -> Any:
    """Mark the line and the way round with an arrow's head."""
    first, ahead = table.iloc[0], table.iloc[min(8, len(table) - 1)]
    angle = np.degrees(
        np.arctan2(ahead["east_m"] - first["east_m"], ahead["north_m"] - first["north_m"])
    )
    shown = pd.DataFrame([{"east_m": first["east_m"], "north_m": first["north_m"]}])
    head = alt.Chart(shown).mark_point(
        shape="triangle", size=240, filled=True, color=INK, angle=float(angle) % 360, opacity=1,
        stroke=PAPER, strokeWidth=1.5,
    )  # fmt: skip
    words = alt.Chart(shown.assign(words="line")).mark_text(
        dy=-16, fontSize=13, fontWeight="bold", color=INK
    )
    return head.encode(x=x, y=y) + words.encode(x=x, y=y, text="words:N")


def _on_places(table: pd.DataFrame, own: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of a table by distance that lie on the places, with `place`."""
    parts = [
        table[table["distance_m"].between(row["start_m"], row["end_m"])].assign(place=row["place"])
        for row in own.to_dict("records")
    ]
    return pd.concat(parts) if parts else table.iloc[:0].assign(place=0)


def _places(table: pd.DataFrame, own: pd.DataFrame, x: Any, y: Any) -> Any:
    """Draw the places with most work over the track."""
    return (
        alt.Chart(_on_places(table, own))
        .mark_line(color=ACCENT, strokeWidth=PLACE_WIDTH, strokeCap="butt", strokeJoin="round")
        .encode(x=x, y=y, detail="place:N", order="distance_m:Q")
    )


def _distances(table: pd.DataFrame, x: Any, y: Any) -> Any:
    """Mark every 500 m of the lap, the words inside the track."""
    every = np.arange(TICKS_M, float(table["distance_m"].max()), TICKS_M)
    at = _moved(table, every, -28.0).assign(words=[f"{m:.0f} m" for m in every])
    dots = alt.Chart(_moved(table, every, 0.0)).mark_point(
        size=36, filled=True, fill=PAPER, stroke=INK, strokeWidth=1.5, opacity=1
    )
    words = [
        alt.Chart(part).mark_text(fontSize=11, color=MUTED, align=side, baseline="middle")
        .encode(x=x, y=y, text="words:N")
        for side, part in _sides(at, "right", "left")
    ]  # fmt: skip
    return alt.layer(dots.encode(x=x, y=y), *words)


def _numbers(table: pd.DataFrame, own: pd.DataFrame, x: Any, y: Any) -> Any:
    """Put the places' numbers, metres and shares beside the track, away from its middle."""
    middle = (own["start_m"] + own["end_m"]).to_numpy() / 2
    at = _moved(table, middle, 50.0).assign(place=own["place"].astype(str))
    at["words"] = [f"{r['start_m']:.0f}–{r['end_m']:.0f} m" for r in own.to_dict("records")]
    at["share"] = [f"{share:.0f} % of its work" for share in own["work_pct"]]
    drawn = []
    for i, row in at.iterrows():  # above the track at its top, below it at its foot
        slope = row["north_m"] / max(float(np.hypot(row["east_m"], row["north_m"])), 1.0)
        down = -30 if slope > 0.6 else 12 if slope < -0.6 else 0
        for side, part in _sides(at.loc[[i]], "left", "right"):
            base = alt.Chart(part).encode(x=x, y=y)
            name = base.mark_text(
                fontSize=18, fontWeight="bold", color=ACCENT, align=side, dy=down - 12
            )
            drawn.append(name.encode(text="place:N"))
            for words, dy in (("words", 4), ("share", 18)):
                text = base.mark_text(fontSize=12, color=INK, align=side, dy=down + dy)
                drawn.append(text.encode(text=f"{words}:N"))
    return alt.layer(*drawn)


def _sides(at: pd.DataFrame, east: Side, west: Side) -> list[tuple[Side, pd.DataFrame]]:
    """Return the points east and west of the middle, each with how its words are aligned."""
    parts = ((east, at[at["east_m"] >= 0]), (west, at[at["east_m"] < 0]))
    return [(side, part) for side, part in parts if len(part)]


def _moved(table: pd.DataFrame, distance_m: Any, out_m: float) -> pd.DataFrame:
    """Return the points at these distances, moved away from the middle: east_m, north_m."""
    at = np.searchsorted(table["distance_m"].to_numpy(), distance_m)
    where = table.iloc[np.clip(at, 0, len(table) - 1)][["east_m", "north_m"]].to_numpy()
    away = where / np.maximum(np.hypot(*where.T), 1.0)[:, None]
    return pd.DataFrame(where + out_m * away, columns=["east_m", "north_m"])
