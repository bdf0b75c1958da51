"""Pieces of the weekend plan as HTML: its cost, its rivals, clashing limits, what would help."""

from __future__ import annotations

from collections.abc import Collection

import pandas as pd

from tyrekit.plan.allocation import AllocationPlan
from tyrekit.plan.alternatives import SHORT
from tyrekit.plan.beyond import beside
from tyrekit.plan.fork import Fork
from tyrekit.plan.outlook import agreement, rivals
from tyrekit.show.answer import Answer
from tyrekit.show.plan_tables import (
    cost_parts_table,
    fitting_words,
    ran_table,
    side_by_side_table,
)
from tyrekit.show.tables import CORNERS
from tyrekit.show.verdict import proof
from tyrekit.show.words import html, known, number, percent, sentences, signed, span

PLANNED = ("optimal", "feasible")
TIE = 1e-9  # chances of a tie below this are rounding
LEAST_S = 0.005  # seconds below this are shown as none


def cost_card(answer: Answer, before_s: float | None = None) -> str:
    """Return the plan's cost as a sum over sessions, what the last change did, how good it is.

    Parameters
    ----------
    before_s : float, optional
        The cost before the last change; None when there is nothing to compare with.
    """
    plan = answer.allocation
    if plan.status not in PLANNED:
        return ""
    if not len(plan.table):
        return f"<p>{html(_why_nothing(answer))}</p>"
    change = ""
    if before_s is not None and abs(plan.cost_s - before_s) >= LEAST_S:
        said = f"{signed(plan.cost_s - before_s, 2)} s"
        change = f' <b id="tk-change">{said}</b> by the last change.'
    told = "".join(
        f'<div class="tk-warn">{html(note[0].upper() + note[1:])}</div>'
        for note in plan.notes
        if note.startswith("planned on expected wear") or note in beside(plan.notes)
    )
    parts = cost_parts_table(answer)
    total_s = number(parts["counted_s"].sum())
    added = " + ".join(
        f"{row['session']} {number(row['counted_s'])}" for _, row in parts.iterrows()
    )
    near = ""
    if plan.status == "optimal":
        near = " How others compare when the tyres turn out otherwise: see Nearly as good."
    return told + (
        f'<p><span class="tk-big" id="tk-cost" data-exact="{plan.cost_s:.4f}">{total_s} s</span>'
        " (weighted seconds) is what worn tyres are expected to cost from here on, against new"
        f" ones all the way, each session's seconds times what one counts: {html(added)} ="
        f' <b class="tk-whole">{total_s} s</b>.{change}</p>'
        f'<p class="tk-muted">{html(sentences([proof(answer)]))}{near}</p>'
    )


def _why_nothing(answer: Answer) -> str:
    """Return why there is nothing to plan."""
    if answer.weekend.next_session is None:
        return "The weekend is over: nothing is left to plan. What was run stands below."
    return "Every session to come is wet or has no laps: no dry tyres to plan."


def clash_card(answer: Answer) -> str:
    """Return which limits clash and the smallest changes, any one of which makes a plan possible.

    Empty when there is a plan.
    """
    plan = answer.allocation
    if plan.status in PLANNED:
        return ""
    items = "".join(f"<li>{html(words)}</li>" for words in plan.blocked_by)
    repairs = "".join(f"<li>{html(_repair(words))}</li>" for words in plan.repairs)
    head = html(proof(answer).capitalize())
    clash = f"<p>These cannot all hold together:</p><ul>{items}</ul>" if items else ""
    one = "The smallest change that would do:"
    many = "The smallest changes; any one of them would do:"
    more = f"<p>{many if len(plan.repairs) > 1 else one}</p><ul>{repairs}</ul>" if repairs else ""
    notes = "".join(f"<p>{html(note)}</p>" for note in plan.notes if "cut short" in note)
    more += _fixed(plan.repairs)
    return f'<div class="tk-warn" role="alert"><b>{head}.</b>{clash}{more}{notes}</div>'


def _repair(words: str) -> str:
    """Return a repair as an instruction."""
    parts = []
    for part in words.split("; and "):
        kind, _, rest = part.partition(": ")
        if rest.startswith("the lock of "):
            parts.append(f"take away {rest}")
        elif kind == "ease":
            parts.append(f"ease {_quoted(rest)}")
        else:
            parts.append(f"do without {_quoted(rest)}")
    return ", and ".join(parts)


def _quoted(words: str) -> str:
    """Return a limit, or a limit and what it is eased to, in quotes."""
    return " to ".join(f"“{limit}”" for limit in words.split(" → "))


def _fixed(changes: Collection[object]) -> str:
    """Return the reminder that goes with every list of limits one could do without."""
    words = "Regulations and the tyre supplier's limits stand; change only what is yours to change."
    return f'<p class="tk-muted tk-small">{words}</p>' if len(changes) else ""


def agreement_card(plan: AllocationPlan) -> str:
    """Return how far the near-best plans agree on the next session; empty without rivals."""
    table = agreement(plan)
    if not len(table) or not plan.alternatives:
        return ""
    both = table[table["axle"] == "both"].iloc[0]
    axles = table[table["axle"] != "both"]
    ages = ", ".join(
        f"{axle} {words}" for axle, words in zip(axles["axle"], axles["ages"], strict=True)
    )
    split = [
        f"{row['axle']} {row['plans']} of {row['of']}"
        for _, row in axles.iterrows()
        if row["plans"] != both["plans"]
    ]
    more = f" ({'; '.join(split)})" if split else ""
    return (
        f'<p><span class="tk-big">{both["plans"]} of {both["of"]}</span> best plans, all within'
        f" {number(both['within_s'], 2)} s, put the same on for <b>{html(both['session'])}</b>:"
        f" {html(ages)}{html(more)}.</p>"
    )


def rivals_card(plan: AllocationPlan) -> str:
    """Return the plan and its alternatives side by side; empty without one."""
    table, apart = side_by_side_table(plan), rivals(plan)
    if not len(apart):
        return ""
    heads = "".join(f'<th scope="col">plan {n + 1}</th>' for n in apart["plan"])
    rows = [
        ("costs more, expected", "–", [f"<b>+{number(s, 2)} s</b>" for s in apart["difference_s"]]),
        ("range of that, s", "", _spans(apart)),
        ("chance to beat plan 1", "", [html(percent(c)) for c in apart["chance_rival"]]),
    ]
    if (apart["chance_tie"] > TIE).any():
        rows.append(("chance it is level", "", [_tie(c) for c in apart["chance_tie"]]))
    rows += [_fitting_row(row) for _, row in table.iterrows()]
    body = "".join(
        f'<tr><th scope="row">{html(name)}</th><td>{own}</td>'
        + "".join(f"<td>{cell}</td>" for cell in cells) + "</tr>"
        for name, own, cells in rows
    )  # fmt: skip
    short = "".join(f"<p>{html(n)}</p>" for n in plan.notes if n.startswith(SHORT))
    return (
        f"<h2>Nearly as good</h2>{agreement_card(plan)}"
        '<div class="tk-wide"><table class="tk-table tk-sides"><thead><tr><td></td>'
        f'<th scope="col">plan 1, above</th>{heads}</tr></thead><tbody>{body}</tbody></table></div>'
        + short
    )


def _fitting_row(row: pd.Series) -> tuple[str, str, list[str]]:
    """Return a fitting: its name, what the plan has, and what the others have."""
    own, *others = row.drop("fitting")
    cells = [
        '<span class="tk-muted">same</span>' if other == own else f"<b>{html(other)}</b>"
        for other in others
    ]
    return str(row["fitting"]), html(own), cells


def _spans(apart: pd.DataFrame) -> list[str]:
    return [span(low, high) for low, high in zip(apart["lower_s"], apart["upper_s"], strict=True)]


def _tie(chance: float) -> str:
    return "none" if chance <= TIE else html(percent(chance))


def worth_card(worth: pd.DataFrame) -> str:
    """Return what changes of tyres and limits would save, from `plan.worth.worth_table`."""
    if not len(worth):
        return ""
    helps = worth[worth["worth_s"] >= LEAST_S]
    rows = "".join(
        f'<tr><td class="tk-number">{_at_least(row)}<b>{number(row["worth_s"], 2)} s</b></td>'
        f"<td>{html(_change(row))}</td></tr>"
        for _, row in helps.iterrows()
    )
    table = (
        '<table class="tk-table tk-worth"><thead><tr><th scope="col">would save</th><th'
        f' scope="col">change</th></tr></thead><tbody>{rows}</tbody></table>'
        if rows
        else "<p>Nothing asked about would save anything.</p>"
    )
    others = [_change(row) for _, row in worth.iterrows() if row["worth_s"] < LEAST_S]
    unknown = [_change(row) for _, row in worth.iterrows() if not known(row["worth_s"])]
    table += _fixed(helps)
    return table + _folded("No gain from", others) + _folded("Too large to work out", unknown)


def _change(row: pd.Series) -> str:
    """Return a change asked about as people say it."""
    words = str(row["change"])
    if row["kind"] == "step":
        return f"ease {_quoted(words)}"
    if row["kind"] == "dropped":
        rest = words.removeprefix("without: ")
        return f"without {rest if rest.startswith('the lock of ') else _quoted(rest)}"
    return words


def _at_least(row: pd.Series) -> str:
    return "" if row["status"] == "optimal" else "at least "


def _folded(head: str, items: list[str]) -> str:
    if not items:
        return ""
    listed = "".join(f"<li>{html(words)}</li>" for words in items)
    return f"<details><summary>{head} ({len(items)})</summary><ul>{listed}</ul></details>"


def fork_card(found: Fork, sessions: list[str]) -> str:
    """Return what the next session's tyres would cost if these sessions stay dry or turn wet."""
    names = html(", ".join(sessions))
    rows = "".join(
        f"<tr><td>{html(row['choice'])}</td>{_over(row['dry_cost_s'])}{_over(row['wet_cost_s'])}"
        "</tr>"
        for _, row in found.choices.iterrows()
    )
    if not rows:
        return f"<h2>If it rains in {names}</h2><p>No plan is possible either way.</p>"
    return (
        f'<h2>If it rains in {names}</h2><table class="tk-table"><thead><tr><th scope="col">next'
        f' on</th><th scope="col">costs if dry</th><th scope="col">costs if wet</th></tr></thead>'
        f"<tbody>{rows}</tbody></table><p>{html(_common(found))}</p>"
    )


def _over(cost_s: float) -> str:
    if cost_s == float("inf"):
        return "<td>no plan</td>"
    return f"<td>{'nothing' if cost_s < LEAST_S else f'+{number(cost_s, 2)} s'}</td>"


def _common(found: Fork) -> str:
    """Return in words what is fitted alike, dry or wet."""
    alike: dict[str, list[str]] = {}
    for _, row in found.common.iterrows():
        name = fitting_words((str(row["session"]), int(row["stint"]), ""))
        alike.setdefault(name, []).append(f"{row['corner']} {row['tyre_id']}")
    if not alike:
        return "No fitting is alike either way."
    said = [f"{name} {' '.join(tyres)}" for name, tyres in alike.items()]
    return f"Either way: {'; '.join(said)}."


def ran_card(answer: Answer, fold: bool = True) -> str:
    """Return what was run, a row per run; folded away unless the weekend is over."""
    table = ran_table(answer)
    if not len(table):
        return ""
    heads = "".join(f'<th scope="col">{c}</th>' for c in ("run", "driver", "laps", *CORNERS))
    rows = "".join(
        f"<tr><td><b>{html(row['run_id'])}</b></td><td>{html(row['driver'])}</td>"
        f"<td>{row['laps']}</td>" + "".join(f"<td>{html(row[c])}</td>" for c in CORNERS) + "</tr>"
        for _, row in table.iterrows()
    )
    body = f'<table class="tk-table"><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>'
    if not fold:
        return f"<h2>What was run</h2>{body}"
    return f"<details><summary>What was run ({len(table)} runs)</summary>{body}</details>"
