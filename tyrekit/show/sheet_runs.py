"""The run plan: what to run in the next practice to learn most, with boxes for what was run."""

from __future__ import annotations

from tyrekit.fit.result import NORMAL_90
from tyrekit.plan.practice import LEARNT, PracticePlan
from tyrekit.record.event import Session
from tyrekit.show.answer import Answer
from tyrekit.show.sheet_page import (
    PETROL_CAUTIONS,
    TRACK_CAUTIONS,
    TYRE_CAUTIONS,
    Page,
    big,
    cautions,
    table,
)
from tyrekit.show.sheet_plans import SheetPlans
from tyrekit.show.words import degrees, html, number


def run_page(answer: Answer, plans: SheetPlans) -> Page | None:
    """Return the run plan; None when the next session is no practice."""
    plan, coming = plans.practice, answer.weekend.next_session
    if plan is None or coming is None:
        return None
    title = f"Runs of {coming.id}, {coming.start:%A %H:%M}, {number(coming.minutes, 0)} min"
    density = answer.weekend.event.fuel.density_kg_per_l
    sections = [
        _goal(plan), _runs(plan, coming, density), _learn(plan),
        cautions(TYRE_CAUTIONS, PETROL_CAUTIONS, TRACK_CAUTIONS), _notes(plan),
    ]  # fmt: skip
    return Page("run_plan", title, sections)


def _goal(plan: PracticePlan) -> str:
    """Return what the runs are to settle and how far they would."""
    spread = f"±{number(NORMAL_90 * plan.before_sd_s)} → ±{number(NORMAL_90 * plan.after_sd_s)} s"
    worth = f"{number(plan.value_s, 2)} s"
    return (
        f"<p><b>To settle:</b> {html(plan.decision)}.</p>"
        '<section class="keep bigs">'
        + big("its seconds are known to", spread, "90 % range: now → after these runs")
        + big("deciding afterwards saves", worth, "expected, against deciding now")
        + "</section>"
    )


def _runs(plan: PracticePlan, session: Session, density: float) -> str:
    """Return a row per run with boxes for what was run."""
    if not len(plan.table):
        return f'<p class="warn">No run fits {html(session.id)}.</p>'
    rows = [
        f'<tr><th class="row" scope="row">{row["run"]}</th>'
        f'<td class="huge">{int(row["laps"])} laps</td>'
        f'<td class="big words">{html(row["set_id"])}</td>'
        f'<td class="big one">{number(row["fuel_kg"])} kg'
        f'<div class="basis">{number(row["fuel_kg"] / density)} L</div></td>'
        f"<td>{number(row['start_min'], 0)} to {number(row['end_min'], 0)}</td>"
        f'<td class="words">{html(row["tells_apart"])}</td><td class="write"></td></tr>'
        for row in plan.table.to_dict("records")
    ]
    head = (
        "run",
        "with out and in",
        "tyres FL FR RL RR",
        "fuel at start",
        "minutes",
        "teaches",
        "laps run",
    )
    drawn = table(head, rows, "left")
    return f'<section class="keep"><h2>Runs</h2>{drawn}</section>'


def _learn(plan: PracticePlan) -> str:
    """Return what the runs make surer, and the next best programmes."""
    rows = [
        f'<tr><th class="row" scope="row">{html(LEARNT[str(row["parameter"])])}</th>'
        f"<td>±{number(NORMAL_90 * row['before_sd'], 3)} s</td>"
        f"<td>±{number(NORMAL_90 * row['after_sd'], 3)} s</td></tr>"
        for row in plan.narrows.to_dict("records")
    ]
    others = "".join(
        f"<li>{html(row['runs'])}: ±{number(NORMAL_90 * row['after_sd_s'], 2)} s</li>"
        for row in plan.alternatives.head(3).to_dict("records")
    )
    first = f"±{number(NORMAL_90 * plan.after_sd_s, 2)} s"
    more = f"<p>Nearly as good (known to; these runs {first}):</p><ul>{others}</ul>"
    head = ("what is learnt", "now, 90 %", "after, 90 %")
    drawn = table(head, rows)
    return (
        f'<section class="keep"><h2>What they make surer</h2>{drawn}{more if others else ""}'
        "</section>"
    )


def _notes(plan: PracticePlan) -> str:
    said = html(degrees("; ".join(plan.notes)))
    return f'<p class="small muted">{said}.</p>' if said else ""
