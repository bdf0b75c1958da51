"""How firmly the choice for the next session stands, in words used alike on every surface."""

from __future__ import annotations

from typing import NamedTuple

import pandas as pd

from tyrekit.plan.cold_pressure import NO_BLEED
from tyrekit.record.event import Session
from tyrekit.show import tables
from tyrekit.show.answer import Answer
from tyrekit.show.words import known, number, percent, sizes, sureness

LEAST_S = 0.005  # seconds below this are shown as none


class Verdict(NamedTuple):
    """One word, what it rests on, why the choice is made, what the next best means and tips it.

    `costs` is what the choice costs in the session itself, in words.
    """

    word: str
    basis: str
    reason: str
    next_best: str
    tips: str = ""
    costs: str = ""


def verdict(answer: Answer) -> Verdict | None:
    """Return how sure the choice is; None when nothing was ranked."""
    choices = tables.choices_table(answer, 2)
    if not len(choices):
        return None
    best = choices.iloc[0]
    reason = str(best["reason"]) if known(best.get("reason")) else ""
    if len(choices) == 1:
        words = "no other choice was weighed against it"
        return Verdict("not compared", words, reason, "", costs=_costs(answer))
    chance, other = float(best["chance_best"]), choices.iloc[1]
    coming = answer.weekend.next_session
    assert coming is not None
    next_best = f"{other['tyres']}: {against(other, coming.id)}"
    word = sureness(chance)
    tips = "" if word == "clear" else _tips(other, coming)
    assert answer.next_session is not None
    basis = f"{percent(chance)} to be the best of {len(answer.next_session.table)}"
    return Verdict(word, basis, reason, next_best, tips, _costs(answer))


def _costs(answer: Answer) -> str:
    """Return what the first choice costs in the session, against new tyres and the fastest."""
    plan, coming = answer.allocation.table, answer.weekend.next_session
    own = plan[plan["session"] == ("" if coming is None else coming.id)]
    if coming is None or not len(own):
        return ""
    lost_s = float(own["expected_loss_s"].sum())
    if lost_s < LEAST_S:
        return f"As fast in {coming.id} as four new"
    words = f"Costs {number(lost_s, 2)} s in {coming.id} against four new"
    choices = tables.choices_table(answer).sort_values("expected_s")
    fastest = choices.iloc[0]
    slower_s = -float(fastest["expected_s"])
    if slower_s < LEAST_S:
        return f"{words}; no other choice listed is faster there"
    later = [s for s in plan["session"].unique() if s != coming.id]
    races = all(answer.weekend.event.session(s).kind == "race" for s in later)
    saved = f"; saved for {'the races' if races and len(later) > 1 else ', '.join(later)}"
    return (
        f"{words}, {number(slower_s, 2)} s against the fastest listed ({fastest['tyres']})"
        f"{saved if later else ''}"
    )


def against(choice: pd.Series, session: str) -> str:
    """Return what a choice means against the first: seconds in the session, and in all."""
    here = _here(choice, session)
    cost_s = float(choice["weekend_cost_s"])
    if abs(cost_s) < 0.05:
        return f"{here}, level over the weekend"
    but = ", but" if float(choice["expected_s"]) < 0 < cost_s else ","
    more = "dearer" if cost_s > 0 else "cheaper"
    return f"{here}{but} {number(abs(cost_s), 2)} s {more} over the weekend"


def _here(choice: pd.Series, session: str) -> str:
    """Return the seconds of a choice in the session itself with their interval."""
    mean_s, low_s, high_s = (float(choice[n]) for n in ("expected_s", "lower_s", "upper_s"))
    if abs(mean_s) < LEAST_S:
        return f"as fast in {session}"
    word = "faster" if mean_s < 0 else "slower"
    if low_s < 0 < high_s:
        between = f"{number(-low_s, 2)} faster to {number(high_s, 2)} slower"
    else:
        between = sizes(low_s, high_s, 2)
    return f"{number(abs(mean_s), 2)} s {word} in {session} ({between})"


def _tips(other: pd.Series, session: Session) -> str:
    """Return what would make the next best the better one; the value at which both are level."""
    here_s, later_s = float(other["expected_s"]), float(other["later_cost_s"])
    if here_s * later_s >= 0 or abs(here_s) < LEAST_S:
        return ""
    level = abs(later_s / here_s)
    gains, costs = ("gains", "costs") if here_s < 0 else ("loses", "saves")
    counted_s = abs(here_s) * session.value
    rise = "more" if here_s < 0 else "less"
    return (
        f"It {gains} {number(counted_s, 2)} s in {session.id} ({number(abs(here_s), 2)} s, counted"
        f" {session.value:g} times) and {costs} {number(abs(later_s), 2)} s later. It becomes the"
        f" better one if a second in {session.id} counts {number(level)} or {rise},"
        f" not {session.value:g}."
    )


def musts(answer: Answer) -> list[str]:
    """Return what whoever sets the cold pressures has to know, a sentence each."""
    found = answer.cold_pressures
    if found is None:
        return []
    bled = [note for note in found.notes if note.startswith(NO_BLEED)]
    return [*filter(None, [answer.conditions.again]), *bled]


def proof(answer: Answer) -> str:
    """Return in words how good the weekend's plan is proved to be."""
    plan = answer.allocation
    if plan.status == "optimal":
        return "the cheapest within the limits (proved), if the tyres behave as expected"
    if plan.status == "feasible":
        return (
            "not proved the cheapest: if the tyres behave as expected another could save at most"
            f" {number(plan.gap_s)} s"
        )
    if plan.status == "unknown":
        return (
            "no plan was found in the work allowed, nor proved impossible: lock tyres already"
            " decided, ease a limit that is yours to ease or leave out late sessions, and ask again"
        )
    return "no plan meets every limit"
