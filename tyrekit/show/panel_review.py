"""The panel of the review: what the weekend taught, with the corner to look at as a choice."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import ipywidgets as w
import pandas as pd

from tyrekit.record.weekend import Weekend
from tyrekit.show import charts_review as charts
from tyrekit.show import review_tables as tables
from tyrekit.show.panels import Figure, Figures, Panel, on_value, row
from tyrekit.show.review import Review, review
from tyrekit.show.review_findings import FULL
from tyrekit.show.review_page import corner_of_interest, write_review
from tyrekit.show.review_tyres import places
from tyrekit.show.words import html

READ = "The page is to print or to read anywhere, the other for the next weekend's event.toml."
FILES = f"Writes review.html and beliefs_next.toml into the weekend's folder out. {READ}"
NEXT_TIME = "What to expect next time (for the next event.toml)"
STRIPS = (("tk-broad", charts.BROAD), ("tk-narrow", charts.NARROW))  # one is shown, by the screen


class ReviewPanel(Panel):
    """Findings first, then where the tyres were used, what they did, and whether forecasts held.

    Parameters
    ----------
    folder : Path
        The weekend folder.
    note : str
        Said on top, for a demo or a guess about the folder.
    """

    def __init__(self, folder: Path, note: str = "") -> None:
        super().__init__()
        self.folder, self.note = folder, note
        self.review: Review | None = None
        self.head, self.told = w.HTML(), w.HTML()
        self.saved = w.HTML(_small(FILES), layout={"margin": "0 0 28px"})
        self.where, self.places = w.HTML(), w.HTML()
        self.along, self.track, self.others = Figures(), Figures(), Figures()
        self.corner = w.ToggleButtons(options=list(FULL), description="tyre")
        self.corner.style.button_width = "64px"
        self.write = w.Button(description="Save the review and what was learnt")
        self.write.on_click(lambda _: self.attempt(self._save, "writing"))
        if self.attempt(self._open, "reviewing"):
            self.draw()

    def _open(self) -> None:
        self.review = found = review(Weekend.open(self.folder))
        self.corner.value = corner_of_interest(found)
        on_value(self.corner, lambda _: self.attempt(self._draw_use))
        self.head.value = _head(found, self.note)
        self.told.value = f"<h2>Findings</h2>{tables.findings_html(found)}"
        self.compose([
            self.head, self.told,
            *([w.HTML("<h2>Where are the tyres used?</h2>"), self.corner, self.where,
               self.along, row([self.track, self.places], align_items="center")]
              if len(found.driving.profile) else []),
            *self._tables(found), self.others, *self._last(found),
            row([self.write, self.working]), self.saved,
        ])  # fmt: skip

    def draw(self) -> None:
        """Put the review's charts on screen."""
        self._draw_use()
        if self.review is None:
            return
        stints = charts.stints_table(self.review.stints)
        outcome = charts.outcome_points(self.review.outcome)
        self.others.show(
            [
                Figure("stints", stints, charts.stints_chart),
                Figure("outcome", outcome, charts.outcome_chart),
            ]
        )

    def _draw_use(self) -> None:
        """Draw the strips and the map for the corner chosen, and its places as a table."""
        if self.review is None or not len(self.review.driving.profile):
            return
        profile, uses, corner = self.review.driving.profile, self.review.uses, self.corner.value
        self.where.value, self.places.value = _where(uses, corner), _places(uses, corner)
        strips = charts.strip_table(profile, corner)
        self.along.show(
            [
                Figure(f"{name} {corner}", strips,
                       partial(charts.strip_chart, uses=uses, corner=corner, width=width))
                for name, width in STRIPS
            ]
        )  # fmt: skip
        for box, (name, _) in zip(self.along.children, STRIPS, strict=True):
            box.add_class(name)
            box.layout.max_width = "100%"
        self.track.show(
            [
                Figure(f"track {corner}", charts.track_table(profile, corner),
                       partial(charts.track_chart, uses=uses, corner=corner)),
            ]
        )  # fmt: skip

    def _tables(self, found: Review) -> list[w.HTML]:
        """Return what the tyres did, drivers and stints, as tables."""
        return [
            _table("What has each tyre left?", tables.tyre_rows(found), tables.tyre_words(found)),
            _table("Driver against driver, on equal tyres and fuel", tables.driver_rows(found)),
            _table("Stint against stint", tables.stint_rows(found), fold=True),
            _table("How was it driven?", tables.measure_rows(found), fold=True),
            _table("What does sliding work wear?", tables.work_rows(found),
                   tables.work_words(found), fold=True),
            _table("What does the driving do to wear?", tables.effect_rows(found.wear), fold=True),
            _table("What does the driving do to the drop-off?",
                   tables.effect_rows(found.drop_off), fold=True),
        ]  # fmt: skip

    def _last(self, found: Review) -> list[w.HTML]:
        """Return plan against outcome, beliefs and what all rests on."""
        outside = found.outcome[~found.outcome["inside"]]
        notes = "".join(f"<li>{html(note)}</li>" for note in found.notes)
        return [
            _table("Plan against outcome: were the ranges honest?", tables.coverage_rows(found)),
            _table("Forecasts that missed", tables.outcome_rows(outside), fold=True),
            _table("Every forecast", tables.outcome_rows(found.outcome), fold=True),
            w.HTML(f"<details><summary>{NEXT_TIME}</summary>"
                   f"<pre>{html(found.beliefs_text)}</pre></details>"),
            w.HTML(f"<details><summary>What this rests on</summary><ul>{notes}</ul></details>"),
        ]  # fmt: skip

    def _save(self) -> None:
        assert self.review is not None
        page, beliefs = write_review(self.review, self.folder / "out")
        self.saved.value = f"Saved: {html(page)}, {html(beliefs)}. {_small(READ)}"


def _small(words: str) -> str:
    return f'<span class="tk-muted tk-small">{html(words)}</span>'


def _head(found: Review, note: str) -> str:
    said = f'<p class="tk-muted">{html(note)}</p>' if note else ""
    name = html(found.weekend.event.meeting.name)
    done = ", ".join(found.weekend.done) or "nothing yet"
    return f'<div class="tk-head"><b>{name}: review</b> of {html(done)}</div>{said}'


def _where(uses: pd.DataFrame, corner: str) -> str:
    """Return in a sentence where on the lap a corner works."""
    own = places(uses, corner)
    if not len(own):
        return ""
    numbers = ", ".join(str(place) for place in own["place"])
    return (
        f"<p>The <b>{FULL[corner]}</b> does <b>{own['work_pct'].sum():.0f} %</b> of its sliding"
        f" work on <b>{own['lap_pct'].sum():.0f} %</b> of the lap: places {numbers}.</p>"
    )


def _places(uses: pd.DataFrame, corner: str) -> str:
    """Return a corner's places as a table."""
    head, rows = tables.place_rows(uses, corner)
    cells = "".join(f'<th scope="col">{html(name)}</th>' for name in head)
    return (
        f"<h3>Places with most work of the {FULL[corner]}</h3>"
        f'<table class="tk-table"><thead><tr>{cells}</tr></thead>'
        f"<tbody>{''.join(rows)}</tbody></table>"
    )


def _table(title: str, rows: tables.Rows, basis: str = "", fold: bool = False) -> w.HTML:
    """Return a table under its heading, or folded away under it; nothing without rows."""
    head, body = rows
    if not body:
        return w.HTML()
    cells = "".join(f'<th scope="col">{html(name)}</th>' for name in head)
    words = f'<p class="tk-muted tk-small">{html(basis)}</p>' if basis else ""
    inner = (
        f'<div class="tk-scroll" tabindex="0"><table class="tk-table"><thead><tr>{cells}</tr>'
        f"</thead><tbody>{''.join(body)}</tbody></table></div>{words}"
    )
    if fold:
        return w.HTML(f"<details><summary>{html(title)}</summary>{inner}</details>")
    return w.HTML(f"<h2>{html(title)}</h2>{inner}")
