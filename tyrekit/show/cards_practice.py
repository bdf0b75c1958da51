"""A practice programme as HTML for its panel: the runs, what they make surer, what a run taught."""

from __future__ import annotations

import pandas as pd

from tyrekit.fit.result import NORMAL_90
from tyrekit.plan.practice import LEARNT, PracticePlan
from tyrekit.show.cards_race import decision_card
from tyrekit.show.charts_practice import in_figures
from tyrekit.show.lessons import LESS_SURE, SURER, narrowing
from tyrekit.show.words import degrees, html, number, percent

LARGE = "font-size: 18px; font-weight: bold"  # what the crew acts on
NOTHING_RUN = (
    "<h2>What the last run taught</h2><p>Nothing has been run yet: everything still rests on"
    " what was expected before the weekend.</p>"
)


def no_practice_card(any_practice: bool) -> str:
    """Return that no practice is left, and what can be looked at instead."""
    if not any_practice:
        return '<div class="tk-warn">This event has no practice session.</div>'
    return (
        '<div class="tk-warn"><b>No practice is left.</b> What the last run taught stands below;'
        " choose a session that has been run to see which runs would have taught most.</div>"
    )


def runs_card(table: pd.DataFrame, plan: PracticePlan) -> str:
    """Return the runs to make in order, or why there are none."""
    if plan.status == "impossible" or not len(table):
        return (
            f'<div class="tk-warn" role="alert"><b>No run fits {html(plan.session)}.</b>'
            f" {html('; '.join(plan.notes))}</div>"
        )
    rows = "".join(
        f"<tr><td>{row['run']}</td>"
        f"<td>{number(row['start_min'], 0)} to {number(row['end_min'], 0)}</td>"
        f'<td><span class="tk-tyre" style="{LARGE}">{html(row["set_id"])}</span>'
        f'<div class="tk-muted tk-small">{number(row["age_laps"], 0)} laps at the start</div></td>'
        f'<td><span style="{LARGE}">{number(row["fuel_kg"])} kg</span>'
        f'<div class="tk-muted tk-small">{number(row["fuel_l"])} L</div></td>'
        f'<td><span style="{LARGE}">{row["laps"]}</span></td>'
        f"<td>{html(row['tells_apart'])}</td></tr>"
        for _, row in table.iterrows()
    )
    heads = ("run", "minutes", "tyres FL FR RL RR", "start fuel", "laps", "teaches")
    cells = "".join(f'<th scope="col">{head}</th>' for head in heads)
    return (
        f'<h2>What to run in {html(plan.session)}</h2><table class="tk-table"><thead><tr>{cells}'
        f"</tr></thead><tbody>{rows}</tbody></table>"
    )


def worth_cards(plan: PracticePlan) -> str:
    """Return what the runs are for: what they make surest, and what that is worth."""
    if plan.status == "impossible":
        return ""
    surest = plan.narrows.assign(left=plan.narrows["after_sd"] / plan.narrows["before_sd"])
    row = surest.sort_values("left").iloc[0]
    before, after = NORMAL_90 * row["before_sd"], NORMAL_90 * row["after_sd"]
    digits = 2 if after >= 0.095 else 3
    surer = decision_card(
        f"Surer: {LEARNT[str(row['parameter'])]}",
        f"by {percent(1.0 - float(row['left']))}",
        f"±{number(before, digits)} → ±{number(after, digits)} s, 90 % range", accent=False,
    )  # fmt: skip
    choice = plan.value_s > 0
    worth = decision_card(
        "Choosing tyres after these runs saves", _saved(plan.value_s) if choice else "nothing now",
        "expected, over the sessions to come" if choice
        else "the same tyres are chosen either way: the forecasts become surer",
        f"<p>{html(_first(plan.decision))}: known to ±{number(NORMAL_90 * plan.before_sd_s)} s now,"
        f" ±{number(NORMAL_90 * plan.after_sd_s)} s afterwards</p>" if choice else "",
        accent=False,
    )  # fmt: skip
    how = "best of all" if plan.status == "optimal" else "best of"
    judged = decision_card(
        "Chosen as", f"{how} {plan.judged:,}".replace(",", " "), "ways to fill the session",
        accent=False,
    )  # fmt: skip
    return f'<div class="tk-cards">{surer}{worth}{judged}</div>'


def _first(decision: str) -> str:
    """Return a choice by the first of its differences."""
    first, _, more = decision.partition("; ")
    return f"{first}, and more" if more else first


def _saved(value_s: float) -> str:
    return f"{number(value_s, 2)} s" if value_s >= 0.005 else "under 0.01 s"


def alternatives_card(plan: PracticePlan, most: int = 4) -> str:
    """Return other programmes and how well the choice would be known after them."""
    if not len(plan.alternatives):
        return ""
    rows = "".join(
        f"<tr><td>{html(row['runs'])}</td>"
        f"<td>±{number(NORMAL_90 * row['after_sd_s'], 2)} s</td></tr>"
        for _, row in plan.alternatives.head(most).iterrows()
    )
    return (
        '<h2>Nearly as good</h2><table class="tk-table"><thead><tr><th scope="col">runs</th>'
        '<th scope="col">choice then known to (first choice'
        f" ±{number(NORMAL_90 * plan.after_sd_s, 2)} s)</th></tr></thead>"
        f"<tbody>{rows}</tbody></table>"
    )


def notes_card(plan: PracticePlan) -> str:
    """Return what the programme assumes."""
    said = "".join(f"<li>{html(degrees(note))}</li>" for note in plan.notes)
    return f"<details><summary>What this rests on</summary><ul>{said}</ul></details>"


def taught_card(table: pd.DataFrame, run: str) -> str:
    """Return in a sentence what a run made surer, with every figure folded away."""
    found = narrowing(table).sort_values("narrower_pct", ascending=False, kind="stable")
    surer, less = found[found["surer"] == SURER], found[found["surer"] == LESS_SURE]
    what = f"<b>Surer now:</b> {_named(surer)}." if len(surer) else "Nothing became surer."
    if len(less):
        what += f" <b>Less sure:</b> {_named(less.iloc[::-1])}; the laps came otherwise than"
        what += " expected, or are too few to tell."
    rows = "".join(_taught_row(row) for _, row in found.sort_index().iterrows())
    heads = ("figure", "before → after", "range", "so")
    cells = "".join(f'<th scope="col">{head}</th>' for head in heads)
    return (
        f"<h2>What {html(run)} taught</h2><p>{what}</p><details><summary>All figures, 90 %"
        f'</summary><table class="tk-table"><thead><tr>{cells}</tr></thead>'
        f"<tbody>{rows}</tbody></table></details>"
    )


def _named(found: pd.DataFrame) -> str:
    """Return up to three quantities by name."""
    names = list(found["quantity"])
    more = f" and {len(names) - 3} more" if len(names) > 3 else ""
    return html("; ".join(names[:3]) + more)


def _taught_row(row: pd.Series) -> str:
    change = f"{number(abs(row['narrower_pct']), 0)} %"
    change += " shorter" if row["narrower_pct"] >= 0 else " longer"
    cells = (in_figures(row), change, row["surer"])
    rest = "".join(f"<td>{html(cell)}</td>" for cell in cells)
    return f'<tr><th class="row" scope="row">{html(row["quantity"])}</th>{rest}</tr>'
