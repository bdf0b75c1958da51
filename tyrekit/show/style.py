"""The one look of the kit: few colours, four type sizes, one accent for the decision.

Charts are drawn in the light colours below; `panel.css` maps these very values to the theme's
variables, so a chart follows the dark theme without being drawn again.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import altair as alt
import vl_convert as vlc

INK = "#1c2527"
MUTED = "#55636a"
RULE = "#cfd8da"
BAND = "#a9b8bd"
ACCENT = "#00656b"
PAPER = "#ffffff"
FONT = "Liberation Sans, Arial, Helvetica, sans-serif"
LEVEL = 0.9  # every interval shown is a 90 % interval unless it says otherwise

# Line styles that tell tyres apart together with the id written at the line's end.
DASHES: tuple[tuple[int, ...], ...] = ((1, 0), (7, 3), (2, 2), (9, 3, 2, 3), (4, 4), (12, 4))

CLOCK_LABEL = "floor(datum.value/60)+':'+format(datum.value%60,'04.1f')"

PROPERTIES = frozenset(
    [
        "constructor",
        "hasOwnProperty",
        "isPrototypeOf",
        "propertyIsEnumerable",
        "toLocaleString",
        "toString",
        "valueOf",
        "__defineGetter__",
        "__defineSetter__",
        "__lookupGetter__",
        "__lookupSetter__",
        "__proto__",
    ]
)  # of every object in JavaScript [ECMA262, section 20.1.3]


def css(name: str) -> str:
    """Return the text of a style sheet beside this module: ``panel`` or ``sheet``."""
    return Path(__file__).with_name(f"{name}.css").read_text(encoding="utf-8")


def finish(chart: Any, title: str, subtitle: str | list[str] = "") -> Any:
    """Return the chart with its question as title and the kit's look.

    Parameters
    ----------
    chart : altair chart
        Any layered, faceted or single chart.
    title : str
        The question the chart answers.
    subtitle : str or list of str
        What the marks mean, a line or several; stands in place of a legend where possible.
    """
    head = alt.TitleParams(title, subtitle=subtitle) if subtitle else alt.TitleParams(title)
    return (
        chart.properties(title=head)
        .configure(font=FONT, background=PAPER, padding=6)
        .configure_title(
            anchor="start", fontSize=16, fontWeight="bold", color=INK, offset=12,
            subtitleColor=MUTED, subtitleFontSize=12, subtitlePadding=4, frame="bounds",
        )
        .configure_axis(
            labelColor=MUTED, titleColor=MUTED, labelFontSize=12, titleFontSize=12,
            titleFontWeight="normal", gridColor=RULE, domainColor=MUTED, tickColor=MUTED,
            gridWidth=0.6, titlePadding=8,
        )
        .configure_header(
            labelColor=INK, labelFontSize=13, labelFontWeight="bold", labelAnchor="start",
            title=None,
        )
        .configure_legend(labelColor=INK, titleColor=MUTED, labelFontSize=12, titleFontSize=12)
        .configure_view(stroke=None)
    )  # fmt: skip


def svg(chart: Any) -> str:
    """Return a chart drawn as SVG text, without network, script or file."""
    number = ".".join(alt.SCHEMA_VERSION.lstrip("v").split(".")[:2])
    return str(vlc.vegalite_to_svg(_plain_names(chart.to_dict(validate=False)), vl_version=number))


def _plain_names(spec: Any) -> Any:
    """Return a chart in which no id is taken for a property of a JavaScript object.

    Vega keeps values in such objects: a tyre called constructor would break the chart.
    """
    if isinstance(spec, dict):
        return {key: _plain_names(value) for key, value in spec.items()}
    if isinstance(spec, list):
        return [_plain_names(value) for value in spec]
    return f"{spec} " if isinstance(spec, str) and spec in PROPERTIES else spec
