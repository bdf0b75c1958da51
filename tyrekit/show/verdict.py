"""How firmly the choice for the next session stands, in words used alike on every surface."""

from __future__ import annotations

from typing import NamedTuple

from tyrekit.show import tables
from tyrekit.show.answer import Answer
from tyrekit.show.words import known, number, percent, signed, span, sureness


class Verdict(NamedTuple):
    """One word, what it rests on, why the choice is made, and what the next best would mean."""

    word: str
    basis: str
    reason: str
    next_best: str


def verdict(answer: Answer) -> Verdict | None:
    """Return how sure the choice is; None when nothing was ranked."""
    choices = tables.choices_table(answer, 2)
    if not len(choices):
        return None
    best = choices.iloc[0]
    reason = str(best["reason"]) if known(best.get("reason")) else ""
    if len(choices) == 1:
        return Verdict("not compared", "no other choice was weighed against it", reason, "")
    chance = float(best["chance_best"])
    other = choices.iloc[1]
    next_best = (
        f"{other['tyres']}: {signed(other['expected_s'], 2)} s in the session"
        f" ({span(other['lower_s'], other['upper_s'], 2)}),"
        f" {signed(other['weekend_cost_s'])} s over the weekend by the sessions' values"
    )
    return Verdict(sureness(chance), f"best with chance {percent(chance)}", reason, next_best)


def proof(answer: Answer) -> str:
    """Return in words how good the weekend's plan is proved to be."""
    plan = answer.allocation
    if plan.status == "optimal":
        return "no plan within the limits is expected to be faster (proved)"
    if plan.status == "feasible":
        return f"a better plan could gain at most {number(plan.gap_s, 2)} s (not proved best)"
    if plan.status == "unknown":
        return "no plan was found in the time allowed, nor proved impossible"
    return "no plan meets every limit"
