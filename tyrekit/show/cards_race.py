"""The race on one card for the pit wall: start, stops, replies to cautions, fuel to be left.

Petrol vapour is explosive and a pit stop puts people beside a moving car: the event's
regulations, its fire cover and the crew's own drill come before any figure here.
"""

from __future__ import annotations

from itertools import groupby

import numpy as np
import pandas as pd

from tyrekit.plan.race_plan import RacePlan
from tyrekit.show.sheet_page import table
from tyrekit.show.words import degrees, html, number, one_in, span

FUEL_ROWS = 8  # laps at which the fuel left is read: what a person can keep up with


def race_card(plan: RacePlan) -> str:
    """Return the card of one race as HTML, for paper and for a panel; typed text is escaped."""
    parts = [_blocked(plan), _start(plan), _stops(plan), _cautions(plan), _fuel_left(plan)]
    return "\n".join(filter(None, [*parts, _notes(plan)]))


def reply_rows(plan: RacePlan) -> pd.DataFrame:
    """Return what to do if a caution comes, as long as the best stint plan is followed.

    Columns stint (from 1), set (on the car), from_lap, to_lap (laps of the stop window while that
    set is on and the next stop is still to come), reply (``stop`` or ``stay out``), next_set. A
    row per unbroken run of laps with the same reply; empty without a caution policy.
    """
    columns = ["stint", "set", "from_lap", "to_lap", "reply", "next_set"]
    if plan.caution is None or not plan.stints.plans:
        return pd.DataFrame(columns=columns)
    rows: list[tuple[object, ...]] = []
    for i, stint in plan.stints.best.table.reset_index(drop=True).iterrows():
        grid = _standing(plan.caution.grid, stint, int(str(i)))
        for (reply, onto), laps in groupby(
            grid.itertuples(), key=lambda row: (str(row.reply), str(row.next_set))
        ):
            run = [int(str(row.lap)) for row in laps]
            rows.append((int(str(i)) + 1, str(stint["set"]), run[0], run[-1], reply, onto))
    return pd.DataFrame(rows, columns=columns)


def fuel_rows(plan: RacePlan) -> pd.DataFrame:
    """Return the fuel that should be and must be left, at a few laps: `FUEL_ROWS` at most."""
    left = plan.fuel_left[plan.fuel_left["lap"] > 0]
    if len(left) <= FUEL_ROWS:
        return left
    return left.iloc[np.unique(np.linspace(0, len(left) - 1, FUEL_ROWS).round().astype(int))]


def _standing(grid: pd.DataFrame, stint: pd.Series, stops: int) -> pd.DataFrame:
    """Return the rows of the grid in which a stint's set stands at its own age."""
    age_laps = stint["age_laps"] + grid["lap"] - stint["first_lap"] + 1
    here = (grid["set"] == stint["set"]) & (grid["stops"] == stops)
    here &= (grid["lap"] >= stint["first_lap"]) & np.isclose(grid["age_laps"], age_laps)
    standing: pd.DataFrame = grid[here].sort_values("lap")
    return standing


def _blocked(plan: RacePlan) -> str:
    if plan.status == "optimal":
        return ""
    items = "".join(f"<li>{html(words)}</li>" for words in plan.blocked_by)
    return f'<div class="warn">This race cannot be run as the limits stand.<ul>{items}</ul></div>'


def _start(plan: RacePlan) -> str:
    """Return start fuel, tyres and laps in large figures."""
    load = plan.fuel
    tyres = _tyres_on(plan, 0)
    laps = f"{number(plan.race.laps, 0)} laps"
    risk = f"running short {one_in(load.shortfall_risk)}"
    return (
        '<section class="keep bigs">'
        + _big("start with", f"{number(plan.start_l)} l", f"{number(plan.start_kg)} kg, {risk}")
        + _big("start on", tyres or "–", laps)
        + _big(
            "least at the finish", f"{number(load.finish_mass_kg, 0)} kg",
            f"ballast {number(load.ballast_kg, 0)} kg, {load.driver}",
        )
        + "</section>"
    )  # fmt: skip


def _tyres_on(plan: RacePlan, stint: int) -> str:
    """Return the tyres of a stint in words; those never taken off are named with the first."""
    if not plan.stints.plans:
        return ""
    on = str(plan.stints.best.table["set"].iloc[stint])
    used = plan.tyres.table
    own = used[used["set"].isin([on, "stays on"])] if len(used) else used
    return ", ".join(f"{row.corner} {row.tyre_id}" for row in own.itertuples()) or on


def _stops(plan: RacePlan) -> str:
    """Return a row per planned stop, with room for what was done."""
    if not len(plan.card):
        return "<p>No stop is planned.</p>" if plan.status == "optimal" else ""
    rows = []
    for stop in plan.card.to_dict("records"):
        fuel = f"add {number(stop['added_kg'])} kg" if stop["added_kg"] else "no fuel added"
        change = "tyres stay on" if stop["on"] == stop["off"] else f"{stop['off']} → {stop['on']}"
        rows.append(
            f'<tr><th class="row" scope="row">{stop["stop"]}</th>'
            f'<td class="huge">lap {stop["lap"]}</td>'
            f"<td>{_laps(stop['from_lap'], stop['to_lap'])}</td>"
            f'<td class="big">{html(change)}</td><td>{fuel}</td><td class="write"></td></tr>'
        )
    head = ("stop", "in at the end of", "as good, within 1 s", "tyres", "fuel", "done on lap")
    return f'<section class="keep"><h2>Stops</h2>{table(head, rows)}</section>'


def _cautions(plan: RacePlan) -> str:
    """Return when a caution is answered by a stop, following the plan."""
    found = reply_rows(plan)
    if not len(found):
        return ""
    rows = [
        f'<tr><th class="row" scope="row">{_laps(row["from_lap"], row["to_lap"])}</th>'
        f"<td>{html(row['set'])}, stop {row['stint']} still to come</td>"
        f'<td class="big">{_reply(row["reply"], row["next_set"])}</td></tr>'
        for row in found.to_dict("records")
    ]
    gain = plan.gain
    basis = ""
    if gain is not None:
        basis = (
            f'<p class="muted">Replying so is worth {number(gain.gain_s)} ± {number(gain.se_s)} s'
            " on average against stopping as planned whatever comes. Seconds only: places lost in"
            " traffic are not counted. The flags and race control come first.</p>"
        )
    head = ("if a caution comes on", "while on the car", "then")
    return f'<section class="keep"><h2>Under a caution</h2>{table(head, rows)}{basis}</section>'


def _reply(reply: str, next_set: str) -> str:
    return f"STOP: {html(next_set)}" if reply == "stop" else "stay out"


def _fuel_left(plan: RacePlan) -> str:
    """Return what should and must be in the tank at a few laps, with room for the reading."""
    left = fuel_rows(plan)
    if not len(left):
        return ""
    rows = [
        f'<tr><th class="row" scope="row">{int(row["lap"])}</th>'
        f'<td class="big">{number(row["fuel_kg"])} kg</td>'
        f"<td>{span(row['lower_kg'], row['upper_kg'])} kg</td>"
        f'<td class="big">{number(row["least_kg"])} kg</td><td class="write"></td></tr>'
        for _, row in left.iterrows()
    ]
    head = ("end of lap", "should be left", "90 %", "must be left", "read")
    words = "With less than must be left: save fuel or come in; the chance of running short is then"
    return (
        f'<section class="keep"><h2>Fuel left</h2>{table(head, rows)}'
        f'<p class="muted">{words} above {one_in(plan.fuel.accepted_risk)}.</p></section>'
    )


def _notes(plan: RacePlan) -> str:
    said = html(degrees("; ".join(plan.notes)))
    return f'<p class="small muted">{said}.</p>' if said else ""


def _laps(first: int, last: int) -> str:
    return f"lap {first}" if first == last else f"laps {first} to {last}"


def _big(label: str, figure: str, basis: str) -> str:
    return (
        f'<div class="bigbox"><div class="place">{html(label)}</div>'
        f'<div class="figure">{html(figure)}</div><div class="muted">{html(basis)}</div></div>'
    )
