"""Pieces of an answer as HTML for the panels: big numbers with what they rest on underneath.

Everything a person or file wrote is escaped on its way in.
"""

from __future__ import annotations

import pandas as pd

from tyrekit.plan.fuel_load import FuelLoad
from tyrekit.show import tables
from tyrekit.show.answer import Answer
from tyrekit.show.verdict import proof, verdict
from tyrekit.show.words import degrees, html, known, number, one_in, percent, span


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
        f" {len(answer.laps)} laps, {int(answer.laps['counts'].sum())} counted in the fit;"
        f" intervals hold 90 %{doubts if answer.doubts else ''}</div></div>{extra}"
    )


def tyres_card(answer: Answer) -> str:
    """Return the car seen from above: a tyre and its cold pressure at each corner."""
    if answer.allocation.status not in ("optimal", "feasible"):
        return blocked_card(answer)
    table = tables.next_tyres_table(answer)
    if not len(table):
        return "<p>No session is left to choose tyres for.</p>"
    corners = "".join(_corner(row) for _, row in table.iterrows())
    return f'<h2>Tyres and cold pressures</h2><div class="tk-car">{corners}</div>'


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
    why = f"<p>{html(found.reason)}</p>" if found.reason else ""
    other = f"<p>Next best {html(found.next_best)}</p>" if found.next_best else ""
    return _card("How sure", found.word, found.basis, why + other)


def fuel_card(load: FuelLoad) -> str:
    """Return one session's start fuel with its risk, what it burns and the mass at the finish."""
    warn = "".join(f'<div class="tk-warn">{html(words)}</div>' for words in load.blocked_by)
    more = (
        f"<p>burns {span(load.need_lower_kg, load.need_upper_kg)} kg;"
        f" running short {one_in(load.shortfall_risk)}</p>"
        f"<p>ballast {number(load.ballast_kg, 0)} kg: {number(load.finish_mass_kg, 0)} kg"
        " or more at the finish</p>"
    )
    basis = f"{number(load.start_kg)} kg, {number(load.laps, 0)} laps"
    return _card(f"Fuel for {load.session}", f"{number(load.start_l)} l", basis, more + warn)


def fuel_cards(answer: Answer, most: int = 8) -> str:
    """Return a card per session to come, the next first."""
    cards = [fuel_card(load) for load in list(answer.fuel_loads.values())[:most]]
    return f'<div class="tk-cards">{"".join(cards)}</div>' if cards else ""


def conditions_line(answer: Answer) -> str:
    """Return what the pressures assume."""
    found = answer.cold_pressures
    if found is None:
        return ""
    words = [f"Pressures for lap {found.target_lap}", answer.conditions.basis, *found.notes]
    return f'<p class="tk-muted tk-small">{html(degrees("; ".join(words)))}.</p>'


def doubts_card(answer: Answer) -> str:
    """Return doubts about the data, the surest first, then what everything rests on."""
    doubts = "".join(
        f"<li><b>{html(d['name'])}</b> ({percent(d['sure'])} sure), {html(d['where'])}:"
        f' {html(d["evidence"])} <span class="tk-muted">{html(d["next_step"])}</span></li>'
        for _, d in tables.doubts_table(answer).iterrows()
    )
    said = "".join(f"<li>{html(note)}</li>" for note in tables.notes(answer))
    return (
        f"<h2>Doubts about the data</h2><ul>{doubts or '<li>Nothing doubtful found.</li>'}</ul>"
        f"<details><summary>What the answer rests on</summary><ul>{said}</ul></details>"
    )


def alternatives_card(answer: Answer, most: int = 5) -> str:
    """Return the nearly as good plans with what they cost and where they differ."""
    plan = answer.allocation
    rows = "".join(
        f'<tr><td class="tk-number">+{number(other.difference_s, 2)} s</td>'
        f"<td>{html(other.differs)}</td></tr>"
        for other in plan.alternatives[:most]
    )
    if not rows:
        return ""
    return (
        '<h2>Nearly as good</h2><table class="tk-table"><thead><tr><th scope="col">costs</th>'
        f'<th scope="col">differs in</th></tr></thead><tbody>{rows}</tbody></table>'
    )


def proof_line(answer: Answer) -> str:
    """Return the plan's expected cost and how good it is proved to be."""
    plan = answer.allocation
    if plan.status not in ("optimal", "feasible"):
        return ""
    if not len(plan.table):
        return "<p>No session is left to plan.</p>"
    return (
        f'<p><span class="tk-big" id="tk-cost">{number(plan.cost_s, 2)} s</span> expected tyre loss'
        f" over the sessions to come, each weighed by its value; {html(proof(answer))}.</p>"
    )


def _card(label: str, big: str, basis: str, more: str = "") -> str:
    return (
        f'<div class="tk-card"><div class="tk-place">{html(label)}</div>'
        f'<div class="tk-big">{html(big)}</div><div class="tk-muted">{html(basis)}</div>'
        f'<div class="tk-small">{more}</div></div>'
    )


def _corner(row: pd.Series) -> str:
    """Return one corner: place, tyre, cold pressure, and the basis of both."""
    tread = f"thinnest {number(row.get('tread_min_mm'))} mm"
    if known(row.get("tread_end_low_mm")):
        tread += f", at least {number(row['tread_end_low_mm'])} after"
    cold, basis = "–", ""
    if known(row.get("cold_bar")):
        cold = number(row["cold_bar"], 2)
        basis = f"{span(row['lower_bar'], row['upper_bar'], 2)} for"
        basis += f" {number(row['hot_target_bar'], 2)} hot"
        basis += f"; {row['basis']}" if row["limited"] else ""
    place = html(row["corner"])
    return (
        f'<div class="tk-corner"><div class="tk-place">{place}</div><div class="tk-line">'
        f'<span class="tk-big tk-tyre" id="tk-tyre-{place}">{html(row["tyre_id"])}</span>'
        f'<span class="tk-big" id="tk-cold-{place}">{cold} bar</span></div>'
        f'<div class="tk-muted tk-small">{number(row.get("age_laps"), 0)} laps, {tread}</div>'
        f'<div class="tk-muted tk-small">{html(basis)}</div></div>'
    )
