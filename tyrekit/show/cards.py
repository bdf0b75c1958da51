"""Pieces of an answer as HTML for the panels: big numbers with what they rest on underneath.

Everything a person or file wrote is escaped on its way in.
"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from tyrekit.plan.fuel_load import FuelLoad
from tyrekit.show import tables
from tyrekit.show.answer import Answer
from tyrekit.show.caveats import caveats_table
from tyrekit.show.fuel_sum import ballast_short, ballast_words, fuel_sum_rows
from tyrekit.show.verdict import musts, proof, verdict
from tyrekit.show.wet_session import has_run, wet_words, wets_table
from tyrekit.show.words import degrees, ended, html, known, number, one_in, percent, sentences, span


def head_card(answer: Answer, note: str = "") -> str:
    """Return the strip on top: the weekend, the session to come, what has been run."""
    weekend = answer.weekend
    coming = weekend.next_session
    what = "no session is left"
    if coming is not None:
        what = f"next is {html(coming.id)}, {html(coming.kind)}, {coming.start:%A %H:%M}"
    done = ", ".join(weekend.done) or "nothing yet"
    many = "1 doubt" if len(answer.doubts) == 1 else f"{len(answer.doubts)} doubts"
    doubts = f"; <b>{many} about the data, see below</b>"
    extra = f'<div class="tk-warn">{html(note)}</div>' if note else ""
    return (
        f'<div class="tk-head"><b>{html(weekend.event.meeting.name)}</b>: {what}'
        f'<div class="tk-muted tk-small">run so far: {html(done)};'
        f" {len(answer.laps)} laps, {int(answer.laps['counts'].sum())} of them used;"
        f" ranges hold 90 %{doubts if answer.doubts else ''}</div></div>{extra}"
    )


def tyres_card(answer: Answer) -> str:
    """Return the car seen from above: a tyre and its cold pressure at each corner."""
    if answer.next_is_wet:
        return _wets(answer)
    if answer.allocation.status not in ("optimal", "feasible"):
        return blocked_card(answer)
    table = tables.next_tyres_table(answer)
    coming = answer.weekend.next_session
    if not len(table) or coming is None:
        return "<p>No session is left to choose tyres for.</p>"
    limit_mm = tables.tread_limit_mm(answer.weekend.event)
    corners = "".join(_corner(row, limit_mm) for _, row in table.iterrows())
    head = f"<h2>Tyres and cold pressures for {html(coming.id)}</h2>"
    return f'{head}<div class="tk-car">{corners}</div>'


def _wets(answer: Answer) -> str:
    """Return what holds for a wet session, and the wets there are."""
    words = "".join(f"<p>{html(line)}</p>" for line in wet_words(answer))
    rows = "".join(
        f'<tr><th scope="row">{html(row["tyre_id"])}</th><td>{html(row["spec"])}</td>'
        f"<td>{html(has_run(row))}</td>"
        f"<td>{number(row['tread_min_mm'])} mm</td></tr>"
        for _, row in wets_table(answer).iterrows()
    )
    heads = "".join(
        f'<th scope="col">{n}</th>' for n in ("wet tyre", "spec", "has run", "thinnest")
    )
    listed = f'<table class="tk-table"><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>'
    return f'<div class="tk-warn">{words}</div>{listed if rows else ""}'


def blocked_card(answer: Answer) -> str:
    """Return which limits clash, and what would settle it."""
    plan = answer.allocation
    items = "".join(f"<li>{html(words)}</li>" for words in plan.blocked_by)
    repairs = "".join(f"<li>{html(words)}</li>" for words in plan.repairs)
    more = f"<p>What would help:</p><ul>{repairs}</ul>" if repairs else ""
    what = html(proof(answer).capitalize())
    return f'<div class="tk-warn"><b>{what}.</b><ul>{items}</ul>{more}</div>'


def sure_card(answer: Answer) -> str:
    """Return how firmly the choice stands, why, and what the next best would mean."""
    found = verdict(answer)
    if found is None:
        return ""
    why = f"<p>{html(sentences([found.reason]))}</p>" if found.reason else ""
    why += f"<p><b>{html(sentences([found.costs]))}</b></p>" if found.costs else ""
    other = f"<p><b>Next best:</b> {html(found.next_best)}.</p>" if found.next_best else ""
    tips = f"<p><b>What would tip it:</b> {html(found.tips)}</p>" if found.tips else ""
    card = _card("these tyres", found.word, found.basis, why + other + tips)
    return f"<h2>How sure</h2>{card}"


def fuel_card(load: FuelLoad) -> str:
    """Return one session's start fuel as a sum, with its risk and the ballast."""
    warn = "".join(f'<div class="tk-warn">{html(words)}</div>' for words in load.blocked_by)
    burns = span(load.need_lower_kg, load.need_upper_kg)
    more = (
        f'<table class="tk-table tk-tight">{"".join(fuel_sum_rows(load))}</table>'
        f"<p>burns {burns} kg; running short {one_in(load.shortfall_risk)}</p>"
        f"<p>ballast {html(ballast_short(load))}</p>"
    )
    to_time = abs(load.laps - round(load.laps)) > 0.01  # a mean over cautions
    about = "about " if to_time else ""
    basis = f"{number(load.start_kg)} kg, {about}{number(load.laps, 0)} laps"
    return _card(f"Fuel for {load.session}", f"{number(load.start_l)} L", basis, more + warn)


def fuel_cards(answer: Answer, most: int = 8) -> str:
    """Return a card per session to come, the next first, and what the ballast rests on."""
    loads = list(answer.fuel_loads.values())[:most]
    if not loads:
        return ""
    cards = "".join(fuel_card(load) for load in loads)
    ballast = ballast_words(loads[0])
    words = (
        f"Litres at {number(loads[0].bowser_c, 0)} °C in the bowser; kilograms from the scales"
        f" count first. Spare keeps the chance of running short within"
        f" {one_in(loads[0].accepted_risk)}. {ballast}"
    )
    said = f'<p class="tk-muted tk-small">{html(words)}</p>'
    return f'<div class="tk-cards tk-pairs">{cards}</div>{said}'


def conditions_line(answer: Answer) -> str:
    """Return what must be known to set the pressures, in a frame, and what they assume."""
    found = answer.cold_pressures
    if found is None:
        return ""
    told = musts(answer)
    lines = "".join(f"<div>{html(degrees(sentences([words])))}</div>" for words in told)
    frame = f'<div class="tk-warn tk-musts">{lines}</div>' if lines else ""
    rest = [note for note in found.notes if note not in told]
    words = sentences([answer.conditions.basis, *rest])
    return f'{frame}<p class="tk-muted tk-small">{html(degrees(words))}</p>'


def doubts_card(answer: Answer, notes: Sequence[str] | None = None) -> str:
    """Return doubts about the data, the surest first, then what all (or `notes`) rests on."""
    doubts = "".join(
        f"<li><b>{html(d['name'])}</b> ({percent(d['sure'])} sure), {html(d['where'])}:"
        f" {html(ended(d['evidence']))}"
        f' <span class="tk-muted">{html(d["next_step"])}</span></li>'
        for _, d in tables.doubts_table(answer).iterrows()
    )
    minded = "".join(
        f"<li><b>{html(row['name'])}</b>: {html(row['words'])}</li>"
        for _, row in caveats_table(answer).iterrows()
    )
    said = "".join(f"<li>{html(note)}</li>" for note in notes or tables.notes(answer))
    none = "<li>Entries: nothing wrong found.</li>"
    return (
        f"<h2>Doubts</h2><ul>{doubts or none}{minded}</ul>"
        f"<details><summary>What the answer rests on</summary><ul>{said}</ul></details>"
    )


def _card(label: str, big: str, basis: str, more: str = "") -> str:
    return (
        f'<div class="tk-card"><div class="tk-place">{html(label)}</div>'
        f'<div class="tk-big">{html(big)}</div><div class="tk-muted">{html(basis)}</div>'
        f'<div class="tk-small">{more}</div></div>'
    )


def _corner(row: pd.Series, limit_mm: float) -> str:
    """Return one corner: place, tyre, cold pressure, and the basis of both."""
    tread = f"limit {number(limit_mm)} mm"
    if known(row.get("tread_end_low_mm")):
        tread = f"at least {number(row['tread_end_low_mm'])} mm after, {tread}"
    now = (
        f"{number(row.get('age_laps'), 0)} laps old, thinnest {number(row.get('tread_min_mm'))} mm"
    )
    cold, basis = "–", ""
    if known(row.get("cold_bar")):
        cold = number(row["cold_bar"], 2)
        basis = f"cold range {span(row['lower_bar'], row['upper_bar'], 2)} bar"
        basis += f" for {number(row['hot_target_bar'], 2)} bar hot"
        basis += f"; {row['basis']}" if row["limited"] else ""
    place = html(row["corner"])
    return (
        f'<div class="tk-corner"><div class="tk-place">{place}</div><div class="tk-line">'
        f'<span class="tk-big tk-tyre" id="tk-tyre-{place}">{html(row["tyre_id"])}</span>'
        f'<span class="tk-big" id="tk-cold-{place}">{cold} bar</span></div>'
        f'<div class="tk-muted tk-small">{now}<br>{tread}</div>'
        f'<div class="tk-muted tk-small">{html(basis)}</div></div>'
    )
