"""The fuel card: what to fill for each session, how sure, the mass at the finish, boxes to write.

Petrol vapour is explosive: filled, drained and weighed only as the event's regulations say.
"""

from __future__ import annotations

import pandas as pd

from tyrekit.plan.fuel_load import FuelLoad
from tyrekit.show import tables
from tyrekit.show.answer import Answer
from tyrekit.show.fuel_sum import ballast_short, ballast_words, fuel_sum_table
from tyrekit.show.sheet_page import PETROL_CAUTIONS, TRACK_CAUTIONS, Page, big, blanks, cautions
from tyrekit.show.sheet_page import table as rows_table
from tyrekit.show.words import degrees, html, number, one_in, sentences, span


def fuel_page(answer: Answer) -> Page | None:
    """Return the fuel card; None when no session is left."""
    loads = list(answer.fuel_loads.values())
    if not loads:
        return None
    sections = [
        _blocked(loads), _first(loads[0]), _sum(loads[0]),
        cautions(PETROL_CAUTIONS, TRACK_CAUTIONS), _all(answer), _notes(loads),
    ]  # fmt: skip
    return Page("fuel_card", f"Fuel for {loads[0].session}", sections)


def _blocked(loads: list[FuelLoad]) -> str:
    words = "<br>".join(html(w) for load in loads for w in load.blocked_by)
    return f'<p class="warn">{words}</p>' if words else ""


def _first(load: FuelLoad) -> str:
    """Return the next session's load in large figures with boxes for what was filled."""
    ends = (load.need_lower_kg, load.need_upper_kg, load.start_l / load.start_kg)
    burns = f"burns {_burns(*ends, ' (')}) in"
    fill, basis = f"{number(load.start_l)} L", f"at {number(load.bowser_c, 0)} °C in the bowser"
    if load.status == "impossible":
        fill, basis = "not enough", f"at most {fill} is allowed or fits: see above"
    figures = (
        big("fill", fill, basis)
        + big("weigh", f"{number(load.start_kg)} kg", "the scales count before the litres")
        + big("running short", one_in(load.shortfall_risk), f"{burns} {number(load.laps, 0)} laps")
        + big(
            "ballast",
            f"{number(load.ballast_kg)} kg",
            ballast_short(load),
        )
    )
    boxes = blanks("left in the tank kg", "filled L", "weighed kg", "petrol °C", "by, checked by")
    return f'<section class="keep"><div class="bigs">{figures}</div>{boxes}</section>'


def _sum(load: FuelLoad) -> str:
    """Return the start fuel as a sum, and the ballast with what it rests on."""
    table = fuel_sum_table(load)
    rows = [
        "<tr>" + "".join(f"<td>{number(value)} {unit}</td>" for value in table[name]) + "</tr>"
        for name, unit in (("volume_l", "L"), ("mass_kg", "kg"))
    ]
    head = table["part"].tolist()
    head = [head[0], *(f"+ {part}" for part in head[1:-1]), f"= {head[-1]}"]
    ballast = html(ballast_words(load))
    return (
        f'<section class="keep"><h2>In the tank for {html(load.session)}</h2>'
        f"{rows_table(head, rows)}<p>{ballast}</p></section>"
    )


def _all(answer: Answer) -> str:
    """Return a row per session to come, with a box for what was filled."""
    rows = [
        f'<tr><th class="row" scope="row">{html(row["session"])}</th>'
        f'<td class="big">{_fill(row)}</td>'
        f'<td class="big">{number(row["start_kg"])} kg</td>'
        f"<td>{_burns(*_ends(row), '<br>')}</td>"
        f"<td>{one_in(float(row['shortfall_risk']))}</td>"
        f"<td>{number(row['ballast_kg'])} kg</td>"
        f"<td>{number(row['finish_mass_kg'], 0)} kg</td>"
        '<td class="write"></td></tr>'
        for _, row in tables.fuel_table(answer).iterrows()
    ]
    head = ("session", "fill", "weigh", "burns", "short", "ballast", "finish, least", "filled")
    return f'<section class="keep"><h2>All sessions to come</h2>{rows_table(head, rows)}</section>'


def _burns(lower_kg: float, upper_kg: float, l_per_kg: float, between: str) -> str:
    """Return the interval of fuel burnt in both units."""
    return (
        f"{span(lower_kg, upper_kg)} kg{between}{span(lower_kg * l_per_kg, upper_kg * l_per_kg)} L"
    )


def _ends(row: pd.Series) -> tuple[float, float, float]:
    return row["need_lower_kg"], row["need_upper_kg"], row["start_l"] / row["start_kg"]


def _fill(row: pd.Series) -> str:
    words = f"{number(row['start_l'])} L"
    return f"not enough: {words}" if row["status"] == "impossible" else words


def _notes(loads: list[FuelLoad]) -> str:
    said = dict.fromkeys(note for load in loads for note in load.notes)
    return f'<p class="small muted">{html(degrees(sentences(said)))}</p>'
