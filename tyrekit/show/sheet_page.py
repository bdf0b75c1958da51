"""A page of the crew's sheets: head, stamp at the foot of every printed page, boxes, cautions."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from importlib.metadata import version
from typing import NamedTuple

from tyrekit.show.answer import Answer
from tyrekit.show.style import css
from tyrekit.show.words import html

MOST_NAME = 60  # characters of a file's name taken from an id
FIRST_OF_ALL = (
    "The regulations, the tyre supplier's and the series' limits and qualified people come first"
    " wherever they say otherwise."
)
TYRE_CAUTIONS = (
    "Look at and feel every tyre before it goes on, for cuts, bulges, cords and uneven wear. A worn"
    " or doubtful tyre stays off, whatever this sheet says.",
    "Never run a pressure below the tyre supplier's lowest or above its highest. Measure cold, with"
    " a checked gauge.",
    "Jack on level ground with the car chocked, and put stands in place before anyone reaches"
    " under. Nobody is in or under a car that stands on a jack alone. Torque the wheels and check"
    " them again.",
)
PETROL_CAUTIONS = (
    "Petrol burns and its vapour explodes. Fill and weigh outside or where it is well aired, with"
    " the engine off, no spark, flame or telephone near, the churn earthed to the car, gloves and"
    " eye protection on and somebody at the extinguisher. The scales count before the litres.",
)
TRACK_CAUTIONS = (
    "A car short of fuel or on worn tyres endangers the driver, marshals and others. If in doubt,"
    " bring it in.",
    "Nobody steps into the pit lane before the car stands. Fire cover is as the event directs.",
)


class Stamp(NamedTuple):
    """What every page bears: the weekend, the car, when, by which version, from which files.

    `supposed` says what was supposed in place of the event's own values; it stands on top.
    """

    weekend: str
    car: str
    made: datetime
    inputs: Mapping[str, str]
    supposed: str = ""

    @property
    def digest(self) -> str:
        """One hash over the hashes of every file read."""
        lines = "".join(f"{name} {hash}\n" for name, hash in sorted(self.inputs.items()))
        return hashlib.sha256(lines.encode()).hexdigest()

    def line(self) -> str:
        """Return the stamp in one line of HTML."""
        return (
            f"{html(self.weekend)} · car {html(self.car)} ·"
            f" {self.made:%a %d %b %Y %H:%M} {html(self.made.tzname() or '')} ·"
            f" tyrekit {html(version('tyrekit'))} · inputs <code>{self.digest[:16]}</code>"
        )


class Page(NamedTuple):
    """One sheet: the name of its file, its heading and its sections as HTML."""

    name: str
    title: str
    sections: Sequence[str]

    @property
    def slug(self) -> str:
        """The name as a file's: what an id may hold and a file name may not is a dash.

        Names that differ only in that, or are too long, are told apart by a hash.
        """
        plain = re.sub(r"[^\w.-]+", "-", self.name).strip(".-")[:MOST_NAME]
        if plain == self.name:
            return plain
        return f"{plain}-{hashlib.sha256(self.name.encode()).hexdigest()[:8]}"


def stamp_of(answer: Answer, made: datetime, supposed: str = "") -> Stamp:
    """Return the stamp of an answer made at a moment, in the event's time zone."""
    weekend = answer.weekend
    meeting = weekend.event.meeting
    local = made.astimezone(meeting.zone)
    return Stamp(meeting.name, weekend.event.car.number, local, weekend.inputs, supposed)


def document(pages: Iterable[Page], stamp: Stamp) -> str:
    """Return pages as one script-free HTML document, each beginning on a sheet of its own."""
    body = "\n".join(_sheet(page, stamp) for page in pages)
    return (
        f'<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{html(stamp.weekend)}</title>\n<style>\n{css('sheet')}</style>\n</head>\n<body>\n"
        f"{body}\n</body>\n</html>\n"
    )


def _sheet(page: Page, stamp: Stamp) -> str:
    """Return one sheet; a table's foot is what browsers print on each of its pages."""
    supposed = f'<p class="warn">{html(stamp.supposed)}</p>' if stamp.supposed else ""
    return (
        f'<table class="sheet" role="presentation" id="{page.slug}">'
        f'<tfoot><tr><td><div class="stamp">{stamp.line()}</div></td></tr></tfoot>'
        f"<tbody><tr><td><header><h1>{html(page.title)}</h1>"
        f'<p class="muted">{html(stamp.weekend)}, car {html(stamp.car)}</p></header>\n'
        + "\n".join(filter(None, [supposed, *page.sections]))
        + "\n</td></tr></tbody></table>"
    )


def cautions(*groups: Sequence[str]) -> str:
    """Return what can hurt someone here, those who are to be heeded first above all."""
    items = "".join(f"<li>{html(words)}</li>" for group in groups for words in group)
    return (
        f'<section class="cautions"><h2>Cautions</h2><p><b>{html(FIRST_OF_ALL)}</b></p>'
        f"<ul>{items}</ul></section>"
    )


def big(label: str, figure: str, basis: str, kind: str = "") -> str:
    """Return a figure to act on with its label above and its basis underneath."""
    return (
        f'<div class="bigbox {kind}"><div class="place">{html(label)}</div>'
        f'<div class="figure">{html(figure)}</div><div class="muted">{html(basis)}</div></div>'
    )


def blanks(*names: str) -> str:
    """Return empty boxes to write in, each with its name."""
    boxes = "".join(f'<span class="blank"><i></i>{html(name)}</span>' for name in names)
    return f'<div class="blanks">{boxes}</div>'


def table(head: Sequence[str], rows: Iterable[str], kind: str = "") -> str:
    """Return a table of ready-made rows."""
    cells = "".join(f'<th scope="col">{html(name)}</th>' for name in head)
    return (
        f'<table class="rows {kind}"><thead><tr>{cells}</tr></thead>'
        f"<tbody>{''.join(rows)}</tbody></table>"
    )
