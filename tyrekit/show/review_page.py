"""The review on paper and on a terminal: out/review.html, out/beliefs_next.toml, 50 lines."""

from __future__ import annotations

import textwrap
from datetime import datetime
from pathlib import Path
from typing import Any

from tyrekit.record.whole_file import write_whole
from tyrekit.show import charts_review as charts
from tyrekit.show import review_tables as tables
from tyrekit.show.review import Review
from tyrekit.show.review_findings import FULL, plain
from tyrekit.show.review_tyres import places
from tyrekit.show.sheet import own_ids
from tyrekit.show.sheet_page import TYRE_CAUTIONS, Page, Stamp, cautions, document, table
from tyrekit.show.style import svg
from tyrekit.show.words import html, number, span
from tyrekit.terms import CORNER_NAMES

MOST_LINES, WIDTH = 50, 100
SHORT = 500
CHART_MM = 118  # of a chart on paper
CAUTION = (
    "Advice is an aid: regulations, the tyre supplier's limits and qualified people come first."
    " Look at and feel every tyre before it goes on."
)


def write_review(review: Review, folder: Path, *, now: datetime | None = None) -> tuple[Path, Path]:
    """Write review.html and beliefs_next.toml, each whole or not at all; return their paths.

    Parameters
    ----------
    review : Review
        What the weekend taught.
    folder : Path
        Made when missing.
    now : datetime, optional
        Time of the stamp, by default the clock's.
    """
    zone = review.weekend.event.meeting.zone
    stamp = (now or datetime.now(zone)).astimezone(zone)
    page, beliefs = folder / "review.html", folder / "beliefs_next.toml"
    for path, text in ((page, review_html(review, stamp)), (beliefs, review.beliefs_text)):
        write_whole(path, text)
    return page, beliefs


def review_html(review: Review, now: datetime) -> str:
    """Return the whole review as script-free HTML with inline SVG, for A4."""
    weekend = review.weekend
    stamp = Stamp(weekend.event.meeting.name, weekend.event.car.number, now, weekend.inputs)
    sections = [
        f"<section><h2>Findings</h2>{tables.findings_html(review)}</section>", _use(review),
        _section("What has each tyre left?", tables.tyre_rows(review),
                 html(tables.tyre_words(review))),
        _stints(review),
        _section("How was it driven?", tables.measure_rows(review), _measure_words(review)),
        _section("What does sliding work wear?", tables.work_rows(review),
                 html(tables.work_words(review))),
        _section("What does the driving do to wear?", tables.effect_rows(review.wear)),
        _section("What does the driving do to the drop-off?", tables.effect_rows(review.drop_off)),
        _outcome(review), _beliefs(review), cautions(TYRE_CAUTIONS), _notes(review),
    ]  # fmt: skip
    return document([Page("review", "Review of the weekend", sections)], stamp)


def corner_of_interest(review: Review) -> str:
    """Return the corner that wears fastest."""
    rates = {c: review.fits.tread.wear_mm_per_lap(c).mean for c in CORNER_NAMES}
    return max(rates, key=lambda corner: rates[corner])


def review_text(review: Review, written: tuple[Path, ...] = ()) -> str:
    """Return the findings for a terminal: at most 50 lines of 100 columns."""
    lines = [f"{review.weekend.event.meeting.name}: review of {', '.join(review.weekend.done)}"]
    if not len(review.weekend.laps):
        lines.append("No laps yet: there is nothing to review.")
    lines += ["", "Findings"] if len(review.findings) else ["", "Nothing can be claimed."]
    for i, row in enumerate(review.findings.to_dict("records"), 1):
        lines += _wrapped(f"{row['finding']} Rests on {row['rests_on']}.", f"{i}. ")
    if len(review.open):
        lines += ["", "Cannot be told, and what would settle it"]
    for row in review.open.to_dict("records"):
        lines += _wrapped(f"{row['question']}. {row['settle']}", "- ")
    last = ["", *_paths(written), *_wrapped(CAUTION, "")]
    coverage = _coverage_lines(review)
    room = MOST_LINES - len(last) - len(coverage)
    if len(lines) > room:
        lines = [*lines[: room - 1], "  and more in the page"]
    return "\n".join([*lines, *coverage, *last])


def _coverage_lines(review: Review) -> list[str]:
    if not len(review.coverage):
        return []
    lines = ["", "Forecasts made before each session, by the sessions before it (90 % intervals)"]
    for row in review.coverage.to_dict("records"):
        share = f"{row['inside']} of {row['forecasts']} inside ({number(row['inside_pct'], 0)} %)"
        lines.append(f"  {row['what']:20} {share:28} {row['verdict']}")
    return lines


def _paths(written: tuple[Path, ...]) -> list[str]:
    names = ("Whole review: ", "What to expect next time: ")
    return [f"{name}{path}" for name, path in zip(names, written, strict=False)]


def _wrapped(text: str, start: str) -> list[str]:
    return textwrap.wrap(
        text, WIDTH - 1, initial_indent=start, subsequent_indent=" " * len(start),
        break_on_hyphens=False,
    )  # fmt: skip


def _use(review: Review) -> str:
    """Return all four corners along the lap, and the map of the one that wears fastest."""
    profile, corner = review.driving.profile, corner_of_interest(review)
    if not len(profile):
        return "<section><h2>Where are the tyres used?</h2><p>No log tells.</p></section>"
    strips = charts.strip_table(profile, corner)
    along = charts.strip_chart(strips, review.uses, corner, charts.NARROW)
    track = charts.track_table(profile, corner)
    drawn = [charts.track_chart(track, review.uses, corner)] if len(track) else []
    rows = [
        f'<tr><th class="row" scope="row">{corner} {r["place"]}</th>'
        f"<td>{span(r['start_m'], r['end_m'], 0)}</td><td>{number(r['work_pct'], 0)} %</td>"
        f"<td>{number(r['work_j_per_m'], 0)}</td><td>{number(r['lap_pct'], 0)} %</td></tr>"
        for corner in FULL
        for r in places(review.uses, corner).to_dict("records")
    ]
    head = ("tyre and place", "from the line, m", "of its work", "J per m", "of the lap")
    hard = table(head, rows, "tight")
    return (
        '<section class="page"><h2>Where are the tyres used?</h2>'
        f'<figure>{own_ids(svg(along), "along")}</figure><div class="figures">'
        f"<div>{_figures(drawn, 'use')}</div><div>{hard}</div></div></section>"
    )


def _stints(review: Review) -> str:
    """Return driver against driver and stint against stint."""
    head, rows = tables.driver_rows(review)
    drivers = table(head, rows, "tight") if rows else "<p>One driver: nobody to compare with.</p>"
    if not len(review.stints):
        return ""
    chart = charts.stints_chart(charts.stints_table(review.stints), SHORT)
    stints = table(*tables.stint_rows(review), "tight")
    return (
        '<section class="page"><h2>Driver against driver, stint against stint</h2>'
        f"{drivers}{_figures([chart], 'stints')}{stints}</section>"
    )


def _outcome(review: Review) -> str:
    """Return the coverage table, its chart, and what fell outside."""
    if not len(review.outcome):
        return ""
    chart = charts.outcome_chart(charts.outcome_points(review.outcome), SHORT)
    outside = review.outcome[~review.outcome["inside"]]
    missed = (
        f"<h3>Outside</h3>{table(*tables.outcome_rows(outside), 'tight')}" if len(outside) else ""
    )
    return (
        '<section class="page"><h2>Plan against outcome: were the ranges honest?</h2>'
        f"{table(*tables.coverage_rows(review), 'tight')}{_figures([chart], 'outcome')}{missed}"
        '<p class="small muted">Each forecast was made from the sessions before its own, for the'
        " tyres, fuel and temperatures that came. Things of one session move together, so the"
        " verdict counts sessions.</p></section>"
    )


def _beliefs(review: Review) -> str:
    return (
        "<section><h2>What to expect next time</h2><p>For the next event.toml: paste into"
        " it what you hold true; the same text is in beliefs_next.toml.</p>"
        f"<pre>{html(review.beliefs_text)}</pre></section>"
    )


def _measure_words(review: Review) -> str:
    known = [name for name in tables.WORDS if name in review.measures]
    return " ".join(f"<i>{html(plain(n))}</i>: {html(tables.WORDS[n])}" for n in known)


def _section(title: str, rows: tables.Rows, basis: str = "") -> str:
    if not rows[1]:
        return ""
    said = f'<p class="small muted">{basis}</p>' if basis else ""
    return f"<section><h2>{html(title)}</h2>{table(*rows, 'tight')}{said}</section>"


def _figures(drawn: list[Any], name: str) -> str:
    figures = "".join(
        f'<figure class="wide" style="max-width: {CHART_MM}mm">'
        f"{own_ids(svg(chart), f'{name}{i}')}</figure>"
        for i, chart in enumerate(drawn)
    )
    return f'<div class="figures">{figures}</div>'


def _notes(review: Review) -> str:
    said = "".join(f"<li>{html(note)}</li>" for note in review.notes)
    return f'<section class="small"><h2>What this rests on</h2><ul>{said}</ul></section>'
