"""The tyre sheet: which tyre on which corner, cold pressures, tread to measure, boxes to write."""

from __future__ import annotations

from collections.abc import Hashable, Mapping

import pandas as pd

from tyrekit.plan.beyond import beside
from tyrekit.show import tables
from tyrekit.show.answer import Answer
from tyrekit.show.sheet_page import TYRE_CAUTIONS, Page, blanks, cautions, table
from tyrekit.show.sheet_plans import SheetPlans, tread_to_measure
from tyrekit.show.verdict import musts, proof, verdict
from tyrekit.show.wet_session import has_run, wet_words, wets_table
from tyrekit.show.words import celsius, degrees, html, known, number, sentences, span

CORNERS = tables.CORNERS


def tyre_page(answer: Answer, plans: SheetPlans) -> Page:
    """Return the tyre sheet."""
    coming = answer.weekend.next_session
    title = "Tyres"
    if coming is not None:
        title = f"Tyres for {coming.id}, {coming.kind}, {coming.start:%A %H:%M}"
    sections = [
        _car(answer), _why(answer), cautions(TYRE_CAUTIONS), _sessions(answer, plans),
        _measure(answer),
    ]  # fmt: skip
    return Page("tyre_sheet", title, sections)


def _car(answer: Answer) -> str:
    """Return the car seen from above: tyre and cold pressure at each corner."""
    if answer.next_is_wet:
        return _wets(answer)
    plan = answer.allocation
    if plan.status not in ("optimal", "feasible"):
        words = "".join(f"<li>{html(w)}</li>" for w in (*plan.blocked_by, *plan.repairs))
        return f'<div class="warn">{html(proof(answer).capitalize())}.<ul>{words}</ul></div>'
    rows = tables.next_tyres_table(answer)
    if not len(rows):
        return '<p class="warn">No session is left to choose tyres for.</p>'
    limit_mm = tables.tread_limit_mm(answer.weekend.event)
    cells = "".join(_corner(row, limit_mm) for _, row in rows.iterrows())
    return (
        '<section class="keep"><div class="front">front of the car</div>'
        f'<div class="car">{cells}</div><p class="muted">{_pressure_basis(answer)}</p></section>'
    )


def _wets(answer: Answer) -> str:
    """Return what holds for a wet session, and the wets there are with boxes to write."""
    words = "".join(f"<p><b>{html(line)}</b></p>" for line in wet_words(answer))
    rows = [
        f'<tr><th class="row" scope="row">{html(row["tyre_id"])}</th>'
        f'<td class="words">{html(row["spec"])}</td><td class="words">{html(has_run(row))}</td>'
        f"<td>{number(row['tread_min_mm'])} mm</td>" + '<td class="write"></td>' * 3 + "</tr>"
        for _, row in wets_table(answer).iterrows()
    ]
    heads = ("tyre", "spec", "has run", "thinnest", "corner", "set cold", "hot")
    listed = table(heads, rows) if rows else ""
    return f'<section class="keep wets"><div class="warn">{words}</div>{listed}</section>'


def _corner(row: pd.Series, limit_mm: float) -> str:
    """Return one corner: tyre, pressure to set, what both rest on, boxes for what was done."""
    tread = f"thinnest {number(row.get('tread_min_mm'))} mm"
    if known(row.get("tread_end_low_mm")):
        tread += f", at least {number(row['tread_end_low_mm'])} mm after"
    tread += f", limit {number(limit_mm)} mm"
    set_to, basis = "–", ""
    if known(row.get("cold_bar")):
        set_to = f"{number(row['cold_bar'], 2)} bar"
        limited = f"; {row['basis']}" if row["limited"] else ""
        interval = span(row["lower_bar"], row["upper_bar"], 2)
        basis = f"cold range {interval} bar for {number(row['hot_target_bar'], 2)} bar hot{limited}"
    return (
        f'<div class="corner"><div class="place">{html(row["corner"])}</div>'
        f'<div class="tyre">{html(row["tyre_id"])}</div><div class="set">{set_to}</div>'
        f'<div class="basis">{html(basis)}</div>'
        f'<div class="basis">{number(row.get("age_laps"), 0)} laps old, {tread}</div>'
        f"{blanks('set cold', 'hot', 'by')}</div>"
    )


def _pressure_basis(answer: Answer) -> str:
    found = answer.cold_pressures
    if found is None:
        return ""
    words = f"Pressures for lap {found.target_lap} at {celsius(found.air_c)} °C air,"
    words += f" {celsius(found.track_c)} °C track"
    told = musts(answer)
    rest = [note for note in found.notes if note not in told]
    more = sentences([words, *rest, *beside(answer.allocation.notes)])
    return f"<b>{html(degrees(sentences(told)))}</b> {html(degrees(more))}"


def _why(answer: Answer) -> str:
    """Return how sure the choice is, in words."""
    found = verdict(answer)
    if found is None:
        return ""
    reason = f"; {html(found.reason)}" if found.reason else ""
    words = f"<p><b>How sure: {html(found.word)}</b>, {html(found.basis)}{reason}.</p>"
    return words + (f"<p>Next best: {html(found.next_best)}.</p>" if found.next_best else "")


def _sessions(answer: Answer, plans: SheetPlans) -> str:
    """Return the tyre plan of the sessions to come with cold pressures, a row each."""
    plan = tables.plan_table(answer)
    if not len(plan):
        return ""
    long = tables.plan_cells(answer).set_index(["label", "corner"])
    rows = []
    coming = answer.weekend.next_session
    for _, row in plan.iterrows():
        label = row["label"]
        cold = _cold(plans, str(row["session"]))
        cells = "".join(_cell(row[c], long.loc[(label, c)], cold.get(c)) for c in CORNERS)
        now = ' class="now"' if coming is not None and row["session"] == coming.id else ""
        rows.append(f'<tr{now}><th class="row" scope="row">{html(label)}</th>{cells}</tr>')
    words = "Tyre; cold pressure at the weather written down nearest the session, to be set again"
    words += " on the day; laps at start and least tread at the end."
    return (
        f'<section class="keep next"><h2>Tyre plan</h2>{table(("session", *CORNERS), rows)}'
        f'<p class="muted">{words}</p></section>'
    )


def nearly_as_good(answer: Answer) -> str:
    """Return the plans that cost little more and where they differ."""
    others = "".join(
        f"<li>+{number(other.difference_s, 2)} s: {html(other.differs)}</li>"
        for other in answer.allocation.alternatives[:3]
    )
    if not others:
        return ""
    return f'<section class="keep others"><h2>Nearly as good</h2><ul>{others}</ul></section>'


def _cell(tyre_id: object, cell: pd.Series, cold_bar: float | None) -> str:
    """Return one corner of one session."""
    mark = " locked" if cell["locked"] else ""
    basis = f"{number(cell['age_laps'], 0)} laps, {number(cell['tread_end_low_mm'])} mm"
    pressure = f'<div class="cold">{number(cold_bar, 2)} bar</div>' if known(cold_bar) else ""
    return f'<td class="big{mark}">{html(tyre_id)}{pressure}<div class="basis">{basis}</div></td>'


def _cold(plans: SheetPlans, session: str) -> dict[str, float]:
    """Return corner -> cold pressure of a session; empty when none was worked out."""
    found = plans.pressures.get(session)
    if found is None:
        return {}
    return {str(row["corner"]): float(row["cold_bar"]) for _, row in found.table.iterrows()}


def _measure(answer: Answer) -> str:
    """Return the tyres whose tread is to be measured, with empty boxes."""
    if answer.allocation.status not in ("optimal", "feasible"):
        return ""
    wanted = tread_to_measure(answer)
    if not len(wanted):
        return ""
    rows = [
        f'<tr><th class="row" scope="row">{html(row["tyre_id"])}</th>'
        f'<td class="words">{html(row["corner"])}</td><td class="words">{_since(row)}</td>'
        + '<td class="write"></td>' * 3
        + "</tr>"
        for row in wanted.to_dict("records")
    ]
    head = ("tyre", "corner", "last measured", "inner mm", "centre mm", "outer mm")
    coming = answer.weekend.next_session
    when = f"now, and after {html(coming.id)}" if coming is not None else "now"
    limit = number(tables.tread_limit_mm(answer.weekend.event))
    return (
        f'<section class="keep"><h2>Tread to measure {when}</h2>{table(head, rows, "left")}'
        f"<p>Least allowed {limit} mm: a tyre at or under it stays off.</p></section>"
    )


def _since(row: Mapping[Hashable, object]) -> str:
    """Return what a tyre last measured and what it has run since, in words."""
    read_mm = row["read_mm"]
    if not known(read_mm):
        return "never"
    since = float(str(row["laps_since"]))
    run = f", {number(since, 0)} laps since" if since else ""
    return f"{number(float(str(read_mm)))} mm{run}"
