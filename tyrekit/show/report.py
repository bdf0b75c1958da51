"""The decision for a terminal: what goes on next, how much fuel, how sure; at most 40 lines."""

from __future__ import annotations

from collections.abc import Sequence
from io import StringIO

import pandas as pd
from rich import box
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from tyrekit.record.doubts import Doubt
from tyrekit.record.weekend import Weekend
from tyrekit.show.answer import Answer
from tyrekit.show.tables import (
    CORNERS,
    fuel_table,
    next_tyres_table,
    notes_now,
    plan_cells,
    plan_table,
)
from tyrekit.show.verdict import proof, verdict
from tyrekit.show.wet_session import wet_words, wets_table
from tyrekit.show.words import known, number, one_in, percent, span

MOST_LINES = 39
WIDTH = 100
CAUTION = (
    "Advice is an aid: regulations, the tyre supplier's limits and qualified people come first."
    " Look at and feel every tyre, take care with petrol and jacks, bring a doubtful car in."
)


def report_renderable(answer: Answer) -> RenderableType:
    """Return the decision for printing: tyres, pressures, fuel, plan and doubts.

    Never more than 39 lines on a terminal 100 columns wide, one is left for where the sheet is;
    what does not fit is on the sheet.
    """
    head = _headline(answer)
    parts: list[RenderableType] = [head]
    if not answer.weekend.laps.shape[0]:
        parts.append(Text("No laps yet: planned from beliefs alone.", style="bold"))
    parts += _tyres_part(answer)
    parts += _why(answer)
    parts += _fuel_part(answer)
    parts += _plan_part(answer)
    caution = Text(CAUTION, style="italic")
    room = MOST_LINES - _height([*parts, caution])
    return Group(*parts, *_remarks(answer, room), caution)


def _height(parts: list[RenderableType]) -> int:
    """Return the lines that parts take on a terminal 100 columns wide."""
    console = Console(width=WIDTH, file=StringIO())
    return len(console.render_lines(Group(*parts)))


def check_renderable(weekend: Weekend, from_fits: Sequence[Doubt] = ()) -> RenderableType:
    """Return every doubt about the weekend, the surest first, and every note.

    `from_fits` are those the lap times themselves raise.
    """
    parts: list[RenderableType] = [Text(f"{weekend.event.meeting.name}: data check", style="bold")]
    doubts = sorted((*weekend.doubts, *from_fits), key=lambda d: -d.sure)
    for doubt in doubts:
        parts += _doubt_lines(doubt)
    if not doubts:
        parts.append(Text("Nothing doubtful found."))
    parts.append(Text(""))
    parts += [Text(f"note: {note}") for note in weekend.notes]
    done = ", ".join(weekend.done) or "none yet"
    parts.append(Text(f"{len(weekend.laps)} laps read; sessions done: {done}."))
    return Group(*parts)


def _doubt_lines(doubt: Doubt) -> list[RenderableType]:
    """Return a doubt as a group of lines: its name and place, the evidence, what to do."""
    sure = "sure" if doubt.sure >= 1 else f"{percent(doubt.sure)} sure"
    head = Text.assemble((doubt.name, "bold"), f" ({sure}), {doubt.where}")
    return [
        Text(""), head, Padding(Text(doubt.evidence), (0, 0, 0, 4), expand=False),
        Padding(Text(doubt.next_step, style="italic"), (0, 0, 0, 4), expand=False),
    ]  # fmt: skip


def _headline(answer: Answer) -> Text:
    weekend = answer.weekend
    coming = weekend.next_session
    name = weekend.event.meeting.name
    if coming is None:
        return Text(f"{name}: no session is left", style="bold")
    when = f"{coming.start:%a %H:%M}"
    return Text.assemble((f"{name}: tyres and fuel for {coming.id}", "bold"), f" ({when})")


def _tyres_part(answer: Answer) -> list[RenderableType]:
    """Return the tyre table of the next session, or why there is none."""
    plan = answer.allocation
    if answer.next_is_wet:
        return [*(Text(f"! {text}", style="bold") for text in wet_words(answer)), *_wets(answer)]
    if plan.status not in ("optimal", "feasible"):
        words = [proof(answer).capitalize(), *plan.blocked_by, *plan.repairs]
        return [*(Text(f"! {text}", style="bold") for text in words), *_cold_line(answer)]
    table = next_tyres_table(answer)
    if not len(table):
        return []
    drawn = _table("corner", "tyre", "age now", "thinnest", "after, at least", "set cold", "range")
    for _, row in table.iterrows():
        drawn.add_row(
            str(row["corner"]), Text(str(row["tyre_id"]), style="bold"),
            f"{number(row.get('age_laps'), 0)} laps", f"{number(row.get('tread_min_mm'))} mm",
            f"{number(row.get('tread_end_low_mm'))} mm",
            Text(f"{number(row.get('cold_bar'), 2)} bar", style="bold"),
            _range_words(row),
        )  # fmt: skip
    again = [Text(f"! {answer.conditions.again}", style="bold")] if answer.conditions.again else []
    return [drawn, *again]


def _wets(answer: Answer) -> list[RenderableType]:
    """Return the wets there are, age and tread; more than eight are on the sheet."""
    table = wets_table(answer)
    drawn = _table("wet tyre", "spec", "state", "laps", "heat cycles", "thinnest")
    for _, row in table.head(8).iterrows():
        drawn.add_row(
            str(row["tyre_id"]), str(row["spec"]), str(row["state"]), number(row["age_laps"], 0),
            number(row["heat_cycles"], 0), f"{number(row['tread_min_mm'])} mm",
        )  # fmt: skip
    more = [Text(f"  and {len(table) - 8} more on the sheet")] if len(table) > 8 else []
    return [drawn, *more] if len(table) else []


def _cold_line(answer: Answer) -> list[RenderableType]:
    """Return the cold pressures in one line, for want of tyres to put them beside."""
    if answer.cold_pressures is None:
        return []
    cells = [
        f"{row['corner']} {number(row['cold_bar'], 2)} ({_range_words(row)})"
        for _, row in answer.cold_pressures.table.iterrows()
    ]
    return [Text(f"set cold, bar: {', '.join(cells)}")]


def _range_words(row: pd.Series) -> str:
    if not known(row.get("lower_bar")):
        return ""
    words = span(row["lower_bar"], row["upper_bar"], 2)
    return f"{words}, {row['basis']}" if row.get("limited") else words


def _why(answer: Answer) -> list[RenderableType]:
    """Return how sure the choice is and what the next best would mean."""
    found = verdict(answer)
    if found is None:
        return []
    reason = f"; {found.reason}" if found.reason else ""
    text = Text.assemble(("How sure: ", "bold"), f"{found.word}, {found.basis}{reason}")
    return [text, Text(f"Next best {found.next_best}")] if found.next_best else [text]


def _fuel_part(answer: Answer) -> list[RenderableType]:
    """Return the fuel loads of the sessions to come."""
    loads = fuel_table(answer)
    if not len(loads):
        return []
    drawn = _table(
        "fuel", "start with", "burns (90 %)", "running short", "ballast", "at the finish"
    )
    for _, row in loads.iterrows():
        load = answer.fuel_loads[row["session"]]
        blocked = row["status"] == "impossible"
        drawn.add_row(
            str(row["session"]),
            Text(f"{number(row['start_l'])} L  {number(row['start_kg'])} kg", style="bold"),
            f"{number(row['need_lower_kg'])} to {number(row['need_upper_kg'])} kg",
            one_in(float(row["shortfall_risk"])),
            f"{number(row['ballast_kg'], 0)} kg",
            "see notes" if blocked else f"{number(load.finish_mass_kg, 0)} kg or more",
        )
    blocked_by = [words for load in answer.fuel_loads.values() for words in load.blocked_by]
    return [drawn, *[Text(f"! {words}", style="bold") for words in blocked_by[:2]]]


def _plan_part(answer: Answer) -> list[RenderableType]:
    """Return the weekend's tyre plan, a row per session."""
    plan = plan_table(answer)
    if not len(plan):
        return []
    ages = plan_cells(answer).set_index(["label", "corner"])["age_laps"]
    drawn = _table("plan (age at start)", *CORNERS)
    for _, row in plan.iterrows():
        cells = [f"{row[c]} ({number(float(ages[row['label'], c]), 0)})" for c in CORNERS]
        drawn.add_row(str(row["label"]), *cells)
    return [drawn, Text(f"{proof(answer)}.".capitalize())]


def _remarks(answer: Answer, lines: int) -> list[RenderableType]:
    """Return the first doubts and notes, as many as `lines` one-line remarks allow."""
    texts = [f"! {d.name} ({percent(d.sure)}), {d.where}: {d.evidence}" for d in answer.doubts]
    texts += [f"- {note}" for note in notes_now(answer)]
    room = max(lines, 1)
    shown = texts if len(texts) <= room else texts[: room - 1]
    parts: list[RenderableType] = [Text(t, no_wrap=True, overflow="ellipsis") for t in shown]
    if len(shown) < len(texts):
        parts.append(Text(f"  and {len(texts) - len(shown)} more on the sheet"))
    return parts


def _table(*columns: str) -> Table:
    """Return an empty table in the report's one style."""
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, header_style="dim")
    for i, name in enumerate(columns):
        table.add_column(name, justify="left" if i == 0 else "right", no_wrap=i < len(columns) - 1)
    return table
