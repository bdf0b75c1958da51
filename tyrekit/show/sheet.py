"""The crew's sheets: script-free HTML for A4, each page on its own and all of them in one file."""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path
from typing import Any

from tyrekit.record.whole_file import write_whole
from tyrekit.show import charts, tables
from tyrekit.show.answer import Answer
from tyrekit.show.caveats import caveats_table
from tyrekit.show.sheet_fuel import fuel_page
from tyrekit.show.sheet_page import Page, document, stamp_of
from tyrekit.show.sheet_plans import SheetPlans, sheet_plans
from tyrekit.show.sheet_race import race_page
from tyrekit.show.sheet_runs import run_page
from tyrekit.show.sheet_tyres import nearly_as_good, tyre_page
from tyrekit.show.style import svg
from tyrekit.show.words import html, percent

HALF = 400  # width of a chart that shares its line with another


def write_sheets(
    answer: Answer,
    folder: Path,
    *,
    plans: SheetPlans | None = None,
    supposed: str = "",
    now: datetime | None = None,
    name: str = "sheet.html",
) -> tuple[Path, ...]:
    """Write every sheet into a folder and return their paths, the one that holds all first.

    ``sheet.html`` holds every page and why; ``tyre_sheet.html``, ``fuel_card.html``,
    ``run_plan.html`` (when practice is next) and ``race_card_ID.html`` hold one each. Every file
    is written whole or not at all; one of a session that is over is taken away.

    Parameters
    ----------
    plans : SheetPlans, optional
        What `sheet_plans` gives, for the event as supposed where it is; worked out when left out.
    supposed : str
        What was supposed in place of the event's own values, in words; said on top of every page.
    now : datetime, optional
        Time of the stamp, by default the clock's; nothing else on the sheets depends on it.
    """
    stamp = stamp_of(answer, now or datetime.now().astimezone(), supposed)
    pages = crew_pages(answer, plans or sheet_plans(answer))
    written = [_write(folder / name, document([*pages, _why_page(answer)], stamp))]
    for page in pages:
        written.append(_write(folder / f"{page.slug}.html", document([page], stamp)))
    _tidy(folder, written)
    return tuple(written)


def write_sheet(
    answer: Answer,
    path: Path,
    *,
    plans: SheetPlans | None = None,
    supposed: str = "",
    now: datetime | None = None,
) -> Path:
    """Write the sheet with every page, and each by itself beside it; return its path.

    Parameters as `write_sheets`.
    """
    return write_sheets(
        answer, path.parent, plans=plans, supposed=supposed, now=now, name=path.name
    )[0]


def sheet_html(answer: Answer, now: datetime, plans: SheetPlans | None = None) -> str:
    """Return the sheet that holds every page as HTML text."""
    pages = crew_pages(answer, plans or sheet_plans(answer))
    return document([*pages, _why_page(answer)], stamp_of(answer, now))


def crew_pages(answer: Answer, plans: SheetPlans) -> list[Page]:
    """Return the pages for the crew: tyres, fuel, the runs of a practice, a card for each race."""
    pages = [tyre_page(answer, plans), fuel_page(answer), run_page(answer, plans)]
    return [page for page in pages if page] + [race_page(one) for one in plans.races.values()]


def _write(path: Path, text: str) -> Path:
    write_whole(path, text)
    path.with_suffix(".pdf").unlink(missing_ok=True)  # one made of an older answer
    return path


def _tidy(folder: Path, written: list[Path]) -> None:
    """Take away cards and run plans of an earlier writing: an old card is a danger."""
    for kind in ("run_plan", "race_card_*", "fuel_card"):
        for path in folder.glob(f"{kind}.html"):
            if path not in written:
                path.unlink()
                path.with_suffix(".pdf").unlink(missing_ok=True)


def _why_page(answer: Answer) -> Page:
    """Return the charts, doubts and notes that the other pages rest on."""
    inputs = sorted(answer.weekend.inputs.items())
    hashes = "; ".join(f"{html(name)} {html(hash)[:12]}" for name, hash in inputs)
    files = f'<p class="small muted files">Files read: <code>{hashes}</code></p>'
    sections = [
        '<p class="muted">Every range holds 90 %.</p>', nearly_as_good(answer), _figures(answer),
        _doubts(answer),
        _rests_on(answer), files,
    ]  # fmt: skip
    return Page("why", "Why", sections)


def _doubts(answer: Answer) -> str:
    """Return doubts about the data, the surest first."""
    doubts = [
        f"<li><b>{html(d['name'])}</b> ({percent(d['sure'])}), {html(d['where'])}:"
        f" {html(d['evidence'])} {html(d['next_step'])}</li>"
        for _, d in tables.doubts_table(answer).iterrows()
    ]
    minded = [
        f"<li><b>{html(row['name'])}</b>: {html(row['words'])}</li>"
        for _, row in caveats_table(answer).iterrows()
    ]
    none = ["<li>Entries: nothing wrong found.</li>"]
    items = "".join([*(doubts or none), *minded])
    return f'<section class="doubts"><h2>Doubts</h2><ul>{items}</ul></section>'


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
    return f'<section><div class="figures">{body}</div></section>'


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
