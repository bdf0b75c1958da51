"""A practice programme as HTML for its panel: the runs, what they narrow, what a run taught."""

from __future__ import annotations

import pandas as pd

from tyrekit.plan.practice import PracticePlan
from tyrekit.show.cards_race import decision_card
from tyrekit.show.lessons import narrowing
from tyrekit.show.words import clock, degrees, html, number, percent, signed, span

LARGE = "font-size: 18px; font-weight: bold"  # what the crew acts on
NOTHING_RUN = (
    "<h2>What the last run taught</h2><p>Nothing has been run yet: everything still rests on"
    " beliefs, those of event.toml or the kit's own.</p>"
)


def no_practice_card(any_practice: bool) -> str:
    """Return that no practice is left, and what can be looked at instead."""
    if not any_practice:
        return '<div class="tk-warn">event.toml has no practice session.</div>'
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
        f'<div class="tk-muted tk-small">{number(row["fuel_l"])} l</div></td>'
        f'<td><span style="{LARGE}">{row["laps"]}</span></td>'
        f"<td>{html(row['tells_apart'])}</td></tr>"
        for _, row in table.iterrows()
    )
    heads = ("run", "minutes", "tyres FL FR RL RR", "start fuel", "laps", "tells apart")
    cells = "".join(f'<th scope="col">{head}</th>' for head in heads)
    return (
        f'<h2>What to run in {html(plan.session)}</h2><table class="tk-table"><thead><tr>{cells}'
        f"</tr></thead><tbody>{rows}</tbody></table>"
    )


def worth_cards(plan: PracticePlan) -> str:
    """Return what the runs are for: the choice they narrow and what knowing it is worth."""
    if plan.status == "impossible":
        return ""
    less = 1.0 - plan.after_sd_s / plan.before_sd_s if plan.before_sd_s > 0 else 0.0
    narrow = decision_card(
        "The runs narrow", f"{percent(less)} less spread",
        f"{number(plan.before_sd_s, 2)} → {number(plan.after_sd_s, 2)} s, one standard deviation",
        f"<p>{html(plan.decision)}</p>", accent=False,
    )  # fmt: skip
    choice = plan.value_s > 0
    worth = decision_card(
        "Deciding afterwards saves", _saved(plan.value_s) if choice else "nothing now",
        "expected, weighed by the sessions' values" if choice
        else "no choice of tyres hangs on it: the forecasts become surer",
        accent=False,
    )  # fmt: skip
    how = "best of all" if plan.status == "optimal" else "best of"
    judged = decision_card(
        "Chosen as", f"{how} {plan.judged:,}".replace(",", " "), "sequences of runs that fit",
        accent=False,
    )  # fmt: skip
    return f'<div class="tk-cards">{narrow}{worth}{judged}</div>'


def _saved(value_s: float) -> str:
    return f"{number(value_s, 2)} s" if value_s >= 0.005 else "under 0.01 s"


def alternatives_card(plan: PracticePlan, most: int = 4) -> str:
    """Return other programmes and what they would leave open."""
    if not len(plan.alternatives):
        return ""
    rows = "".join(
        f"<tr><td>{html(row['runs'])}</td><td>{number(row['after_sd_s'], 2)} s</td></tr>"
        for _, row in plan.alternatives.head(most).iterrows()
    )
    return (
        '<h2>Nearly as good</h2><table class="tk-table"><thead><tr><th scope="col">runs</th>'
        f'<th scope="col">leaves a spread of</th></tr></thead><tbody>{rows}</tbody></table>'
    )


def notes_card(plan: PracticePlan) -> str:
    """Return what the programme assumes."""
    said = "".join(f"<li>{html(degrees(note))}</li>" for note in plan.notes)
    return f"<details><summary>What this rests on</summary><ul>{said}</ul></details>"


def taught_card(table: pd.DataFrame, run: str) -> str:
    """Return what a run taught: what narrowed most in words, then every quantity."""
    found = narrowing(table).sort_values("narrower_pct", ascending=False, kind="stable")
    narrow, wide = found[found["narrower_pct"] >= 1.0], found[found["narrower_pct"] <= -5.0]
    said = _named(narrow.head(3))
    what = f"Narrowed most: {said}." if said else "It narrowed nothing by 1 % or more."
    if len(wide):
        what += f" Wider than before: {_named(wide.iloc[::-1].head(3))}: the laps came otherwise"
        what += " than expected, or are too few to know their scatter."
    found = found.sort_index()
    rows = "".join(_taught_row(row) for _, row in found.iterrows())
    heads = ("", "before", "after", "interval")
    cells = "".join(f'<th scope="col">{head}</th>' for head in heads)
    return (
        f"<h2>What {html(run)} taught</h2><p>{what}</p><details><summary>All figures, 90 %"
        f'</summary><table class="tk-table"><thead><tr>{cells}</tr></thead>'
        f"<tbody>{rows}</tbody></table></details>"
    )


def _named(found: pd.DataFrame) -> str:
    """Return quantities with how much shorter or longer their intervals became."""
    return html(
        ", ".join(f"{row['quantity']} ({number(abs(row['narrower_pct']), 0)} %)"
                  for _, row in found.iterrows())
    )  # fmt: skip


def _taught_row(row: pd.Series) -> str:
    digits = 3 if row["unit"] != "s" else 2
    ends = []
    for stage in ("before", "after"):
        mean, low, high = (row[f"{name}_{stage}"] for name in ("mean", "lower", "upper"))
        if mean > 60:
            ends.append(f"{clock(mean)} ({clock(low)} to {clock(high)})")
        else:
            ends.append(f"{number(mean, digits)} ({span(low, high, digits)})")
    change = f"{signed(-float(row['narrower_pct']), 0)} %"
    name = html(f"{row['quantity']}, {row['unit']}")
    return f"<tr><td>{name}</td><td>{ends[0]}</td><td>{ends[1]}</td><td>{change}</td></tr>"
