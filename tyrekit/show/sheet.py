"""The crew's sheet: one script-free HTML file with everything a technician needs, for A4."""

from __future__ import annotations

import os
import re
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pandas as pd

from tyrekit.show import charts, tables
from tyrekit.show.answer import Answer
from tyrekit.show.style import css, svg
from tyrekit.show.verdict import proof, verdict
from tyrekit.show.words import degrees, html, known, number, one_in, percent, span

HALF = 400  # width of a chart that shares its line with another
CAUTIONS = (
    "This sheet is an aid. The regulations, the tyre supplier's instructions and qualified people"
    " come first wherever they say otherwise.",
    "Tyres: look at and feel every tyre before it goes on: cuts, bulges, cords, uneven wear. A"
    " worn or doubtful tyre stays off, whatever the plan says. Never go below the supplier's"
    " lowest pressure; measure cold, with a checked gauge.",
    "Petrol: outside or well aired, engine off, no sparks, flames or telephones, extinguisher"
    " manned, gloves and eye protection, bond the churn. Weigh the fuel where you can.",
    "Jacks: level ground, car chocked, stands under it before anyone reaches under; nobody in or"
    " under a car that rests on a jack alone. Torque the wheels and check them again.",
)


def write_sheet(answer: Answer, path: Path, *, now: datetime | None = None) -> Path:
    """Write the sheet whole or not at all and return its path.

    Parameters
    ----------
    answer : Answer
        What is to be done.
    path : Path
        The HTML file; its folder is made when missing.
    now : datetime, optional
        Time of the stamp, by default the clock's; nothing else on the sheet depends on it.
    """
    zone = answer.weekend.event.meeting.zone
    stamp = now or datetime.now(zone)
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    part.write_text(sheet_html(answer, stamp), encoding="utf-8")
    os.replace(part, path)
    return path


def sheet_html(answer: Answer, now: datetime) -> str:
    """Return the sheet as HTML text."""
    name = html(answer.weekend.event.meeting.name)
    sections = [
        _header(answer, now), _tyres(answer), _fuel(answer), _plan(answer), _cautions(),
        _doubts(answer), _figures(answer), _rests_on(answer), _footer(answer, now),
    ]  # fmt: skip
    return (
        f'<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{name}</title>\n<style>\n{css('sheet')}</style>\n</head>\n<body>\n"
        + "\n".join(sections)
        + "\n</body>\n</html>\n"
    )


def _header(answer: Answer, now: datetime) -> str:
    weekend = answer.weekend
    coming = weekend.next_session
    what = "the weekend's plan"
    if coming is not None:
        what = f"{html(coming.id)} {html(coming.kind)}, {coming.start:%A %H:%M}"
    car = html(weekend.event.car.number)
    return (
        f"<header><h1>{html(weekend.event.meeting.name)}: {what}</h1>"
        f'<p class="muted">Car {car}. Made {now:%a %d %b %Y %H:%M}. Every interval holds 90 %.</p>'
        "</header>"
    )


def _tyres(answer: Answer) -> str:
    """Return the car seen from above: tyre and cold pressure at each corner, blanks for tread."""
    plan = answer.allocation
    if plan.status not in ("optimal", "feasible"):
        words = "".join(f"<li>{html(w)}</li>" for w in (*plan.blocked_by, *plan.repairs))
        return f'<div class="warn">{html(proof(answer).capitalize())}.<ul>{words}</ul></div>'
    table = tables.next_tyres_table(answer)
    if not len(table):
        return '<p class="warn">No session is left to choose tyres for.</p>'
    cells = "".join(_corner(row) for _, row in table.iterrows())
    basis = _pressure_basis(answer)
    return (
        f'<section class="keep"><h2>Tyres and cold pressures</h2><div class="front">front</div>'
        f'<div class="car">{cells}</div><p class="small muted">{basis}</p>{_why(answer)}</section>'
    )


def _corner(row: pd.Series) -> str:
    """Return one corner of the car."""
    tread = f"thinnest {number(row.get('tread_min_mm'))} mm now"
    if known(row.get("tread_end_low_mm")):
        tread += f", {number(row['tread_end_low_mm'])} mm or more after"
    pressure = "–"
    if known(row.get("cold_bar")):
        interval = span(row["lower_bar"], row["upper_bar"], 2)
        limited = f", {html(row['basis'])}" if row["limited"] else ""
        pressure = (
            f"{number(row['cold_bar'], 2)} bar"
            f'</div><div class="small muted">cold, for {number(row["hot_target_bar"], 2)} bar hot;'
            f" {interval}{limited}"
        )
    places = "".join(f"<span>{place}</span>" for place in ("in", "mid", "out", "cold"))
    return (
        f'<div class="corner"><div class="place">{html(row["corner"])}</div>'
        f'<div class="tyre">{html(row["tyre_id"])}</div>'
        f'<div class="set">{pressure}</div>'
        f'<div class="muted">{number(row.get("age_laps"), 0)} laps, {tread}</div>'
        f'<div class="blanks">{places}</div></div>'
    )


def _pressure_basis(answer: Answer) -> str:
    found = answer.cold_pressures
    if found is None:
        return ""
    words = f"Pressures for lap {found.target_lap} at {number(found.air_c, 0)} °C air,"
    words += f" {number(found.track_c, 0)} °C track; " + "; ".join(found.notes)
    return html(degrees(words)) + "."


def _why(answer: Answer) -> str:
    """Return how sure the choice is, in words."""
    found = verdict(answer)
    if found is None:
        return ""
    reason = f"; {html(found.reason)}" if found.reason else ""
    words = f"<p><b>How sure: {html(found.word)}</b>, {html(found.basis)}{reason}.</p>"
    return words + (f"<p>Next best {html(found.next_best)}.</p>" if found.next_best else "")


def _fuel(answer: Answer) -> str:
    """Return the fuel card: a row per session to come."""
    loads = tables.fuel_table(answer)
    if not len(loads):
        return ""
    rows = []
    for _, row in loads.iterrows():
        rows.append(
            f'<tr><th class="row" scope="row">{html(row["session"])}</th>'
            f'<td class="big">{number(row["start_l"])} l</td>'
            f'<td class="big">{number(row["start_kg"])} kg</td>'
            f"<td>{span(row['need_lower_kg'], row['need_upper_kg'])} kg</td>"
            f"<td>{one_in(float(row['shortfall_risk']))}</td>"
            f"<td>{number(row['ballast_kg'], 0)} kg</td>"
            f"<td>{number(row['finish_mass_kg'], 0)} kg</td></tr>"
        )
    head = ("session", "fill", "weigh", "burns", "running short", "ballast", "least at the finish")
    blocked = [w for load in answer.fuel_loads.values() for w in load.blocked_by]
    warn = f'<p class="warn">{"<br>".join(html(w) for w in blocked)}</p>' if blocked else ""
    said = dict.fromkeys(n for load in answer.fuel_loads.values() for n in load.notes)
    return (
        f"<section><h2>Fuel</h2>{warn}{_table(head, rows)}"
        f'<p class="small muted">{html(degrees("; ".join(said)))}.</p></section>'
    )


def _plan(answer: Answer) -> str:
    """Return the tyre plan of the sessions to come, a row each."""
    plan = tables.plan_table(answer)
    if not len(plan):
        return ""
    long = tables.plan_cells(answer).set_index(["label", "corner"])
    rows = []
    for i, (_, row) in enumerate(plan.iterrows()):
        cells = ""
        for corner in tables.CORNERS:
            cell = long.loc[(row["label"], corner)]
            mark = " locked" if cell["locked"] else ""
            basis = (
                f"{number(cell['age_laps'], 0)} laps, ends {number(cell['tread_end_low_mm'])} mm"
            )
            cells += (
                f'<td class="big{mark}">{html(row[corner])}'
                f'<div class="small muted">{basis}</div></td>'
            )
        now = ' class="now"' if i == 0 else ""
        rows.append(f'<tr{now}><th class="row" scope="row">{html(row["label"])}</th>{cells}</tr>')
    others = "".join(
        f"<li>+{number(other.difference_s, 2)} s: {html(other.differs)}</li>"
        for other in answer.allocation.alternatives[:3]
    )
    more = f'<p class="muted">Nearly as good:</p><ul>{others}</ul>' if others else ""
    table = _table(("session", *tables.CORNERS), rows)
    return f'<section class="keep"><h2>Tyre plan</h2>{table}{more}</section>'


def _doubts(answer: Answer) -> str:
    """Return doubts about the data, the surest first."""
    doubts = [
        f"<li><b>{html(d['name'])}</b> ({percent(d['sure'])}), {html(d['where'])}:"
        f" {html(d['evidence'])} {html(d['next_step'])}</li>"
        for _, d in tables.doubts_table(answer).iterrows()
    ]
    items = "".join(doubts) or "<li>Nothing doubtful found.</li>"
    return f"<section><h2>Doubts about the data</h2><ul>{items}</ul></section>"


def _rests_on(answer: Answer) -> str:
    """Return every note: what was assumed, inferred, believed or left out."""
    said = "".join(f"<li>{html(note)}</li>" for note in tables.notes(answer))
    head = "<h2>What this rests on</h2>"
    return f'<section class="small columns">{head}<ul>{said}</ul></section>'


def _figures(answer: Answer) -> str:
    """Return the charts as inline SVG with ids of their own, two side by side, the laps below."""
    drawn = []
    choices = tables.choices_table(answer)
    if len(choices) > 1:
        drawn.append(charts.choices_chart(choices, HALF))
    drawn.append(charts.drop_off_chart(tables.drop_off_table(answer), HALF))
    tread = tables.tread_table(answer)
    if len(tread):
        limit_mm = tables.tread_limit_mm(answer.weekend.event)
        drawn.append(charts.tread_chart(tread, limit_mm, HALF))
    drawn += _fuel_charts(answer)
    laps = tables.lap_times_table(answer)
    if len(laps):
        drawn.append(charts.lap_times_chart(laps))
    figures = [f"<figure>{own_ids(svg(chart), f'f{i}')}</figure>" for i, chart in enumerate(drawn)]
    if len(laps):
        figures[-1] = figures[-1].replace("<figure>", '<figure class="wide">')
    body = "".join(figures)
    return f'<section class="page"><h2>Why</h2><div class="figures">{body}</div></section>'


def _fuel_charts(answer: Answer) -> list[Any]:
    """Return a chart for each race whose load differs from those before it."""
    drawn, seen = [], set()
    for session, load in answer.fuel_loads.items():
        same = (round(load.start_l, 1), load.laps)
        if answer.weekend.event.session(session).kind == "race" and same not in seen:
            seen.add(same)
            table = tables.fuel_risk_table(answer, session)
            drawn.append(charts.fuel_chart(table, load.accepted_risk, session, HALF))
    return drawn


def own_ids(text: str, prefix: str) -> str:
    """Return an SVG whose ids start at 0 under `prefix`; the drawer counts on within a process."""
    ids = list(dict.fromkeys(re.findall(r'\bid="([^"]+)"', text)))
    for i, old in enumerate(ids):
        text = re.sub(
            rf'(id="|url\(#|href="#){re.escape(old)}(?=["\)])', rf"\g<1>{prefix}-{i}", text
        )
    return text


def _cautions() -> str:
    items = "".join(f"<li>{html(c)}</li>" for c in CAUTIONS)
    return f'<section class="cautions"><h2>Cautions</h2><ul>{items}</ul></section>'


def _footer(answer: Answer, now: datetime) -> str:
    """Return the stamp: weekend, time, version, and the hash of each file read."""
    hashes = "; ".join(
        f"{html(k)} {html(v)[:12]}" for k, v in sorted(answer.weekend.inputs.items())
    )
    return (
        f'<footer class="small muted">tyrekit {html(version("tyrekit"))};'
        f" {html(answer.weekend.event.meeting.name)}; {now.isoformat(timespec='seconds')}<br>"
        f"<code>{hashes}</code></footer>"
    )


def _table(head: tuple[str, ...], rows: list[str]) -> str:
    cells = "".join(f'<th scope="col">{html(name)}</th>' for name in head)
    return f"<table><thead><tr>{cells}</tr></thead><tbody>{''.join(rows)}</tbody></table>"
