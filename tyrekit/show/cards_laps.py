"""Laps as words and tables for the panels: what each was, by which rule, and what is doubtful."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from tyrekit.record.doubts import Doubt
from tyrekit.show.words import clock, ended, html, percent

KINDS = {
    "out": "out-lap",
    "in": "in-lap",
    "cool_down": "cool-down lap",
    "formation": "formation lap",
}


def lap_strip(laps: pd.DataFrame) -> str:
    """Return a run's laps in one line each way: number, time, what it was."""
    if not len(laps):
        return '<p class="tk-muted">No lap is seen: without a log, type the laps into the book.</p>'
    cells = "".join(
        f'<div class="tk-lap"><span class="tk-muted tk-small">{int(lap["lap"])}'
        f" {html(kind_words(lap))}</span><br><b>{clock(lap['lap_time_s'])}</b></div>"
        for _, lap in laps.iterrows()
    )
    counted = int(laps["counts"].sum())
    return (
        f'<p class="tk-small">{len(laps)} laps seen, {counted} count:</p>'
        f'<div class="tk-laps">{cells}</div>'
    )


def kind_words(lap: pd.Series) -> str:
    """Return what a lap was in a word or two; timed laps say only when they do not count."""
    kind = str(lap["kind"])
    if kind != "timed":
        return KINDS.get(kind, kind)
    return "" if lap["counts"] else "not counted"


def laps_table(laps: pd.DataFrame) -> str:
    """Return a run's laps as a table: time, kind, whether it counts, and the rule or reason."""
    rows = "".join(
        f'<tr><td class="tk-number">{int(lap["lap"])}</td>'
        f'<td class="tk-number">{clock(lap["lap_time_s"], 2)}</td>'
        f"<td>{html(KINDS.get(lap['kind'], lap['kind']))}</td>"
        f"<td>{'yes' if lap['counts'] else 'no'}</td>"
        f"<td>{html(lap['reason'] or lap['rule'])}</td></tr>"
        for _, lap in laps.iterrows()
    )
    heads = "".join(f'<th scope="col">{h}</th>' for h in ("lap", "time", "kind", "counts", "why"))
    return f'<table class="tk-table"><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>'


def doubts_list(doubts: Sequence[Doubt]) -> str:
    """Return the doubts a run brings, the surest first; a line when there is none."""
    if not doubts:
        return '<p class="tk-small">Nothing doubtful found in it.</p>'
    items = "".join(
        f"<li><b>{html(d.name)}</b> ({percent(d.sure)} sure), {html(d.where)}:"
        f' {html(ended(d.evidence))} <span class="tk-muted">{html(d.next_step)}</span></li>'
        for d in sorted(doubts, key=lambda doubt: -doubt.sure)
    )
    return f'<div class="tk-warn" role="status"><b>Doubts about this run</b><ul>{items}</ul></div>'
