"""The race card for the pit wall on paper: start, stops, replies to cautions, fuel to be left.

Petrol vapour is explosive and a pit stop puts people beside a moving car: the event's
regulations, its fire cover and the crew's own drill come before any figure here.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping

from tyrekit.fit.result import NORMAL_90
from tyrekit.plan.race_plan import RacePlan
from tyrekit.show import race
from tyrekit.show.cards_race import ACCOUNT
from tyrekit.show.sheet_page import (
    PETROL_CAUTIONS,
    TRACK_CAUTIONS,
    TYRE_CAUTIONS,
    Page,
    big,
    cautions,
    table,
)
from tyrekit.show.words import degrees, html, known, number, one_in, span
from tyrekit.terms import CORNER_NAMES


def race_page(plan: RacePlan) -> Page:
    """Return the card of one race; typed text is escaped."""
    sections = [
        _blocked(plan), _start(plan), _stops(plan), _replies(plan), _fuel_left(plan),
        cautions(TRACK_CAUTIONS, PETROL_CAUTIONS, TYRE_CAUTIONS), _notes(plan),
    ]  # fmt: skip
    return Page(f"race_card_{plan.session}", f"Race card {plan.session}", sections)


def _blocked(plan: RacePlan) -> str:
    if plan.status == "optimal":
        return ""
    items = "".join(f"<li>{html(words)}</li>" for words in plan.blocked_by)
    return f'<div class="warn">No plan for this race as the limits stand.<ul>{items}</ul></div>'


def _start(plan: RacePlan) -> str:
    """Return start fuel, laps, mass and tyres in large figures."""
    load, rows = plan.fuel, race.stints_followed(plan)
    start = f"{number(plan.start_l)} L"
    risk = f"{number(plan.start_kg)} kg; running short {one_in(load.shortfall_risk)}"
    if load.status == "impossible" and not plan.race.refuel:
        start, risk = "not enough", f"the tank takes {start}; {risk}"
    mass = f"ballast {number(load.ballast_kg, 0)} kg, {load.driver}"
    on = race.tyres_at(plan, str(rows["set"].iloc[0])) if len(rows) else {}
    front = " ".join(on.get(corner, "–") for corner in CORNER_NAMES[:2])
    rear = " ".join(on.get(corner, "–") for corner in CORNER_NAMES[2:])
    return (
        '<section class="keep bigs">'
        + big("start with", start, risk)
        + big("start on", f"{front} / {rear}", "front left, right / rear left, right")
        + big("least at the finish", f"{number(load.finish_mass_kg, 0)} kg", mass)
        + big("race", f"{number(plan.race.laps, 0)} laps", "at racing pace, expected")
        + "</section>"
    )


def _stops(plan: RacePlan) -> str:
    """Return a row per stop to make when no caution comes, with room for what was done."""
    rows = race.stints_followed(plan)
    if len(rows) < 2:
        return "<p>No stop is planned.</p>" if plan.status == "optimal" else ""
    drawn = []
    for i in range(1, len(rows)):
        before, now = rows.iloc[i - 1], rows.iloc[i]
        added_l = number(race.litres(plan, now["added_kg"]))
        fuel = "none"
        if now["added_kg"] > 0.05:
            aboard_kg = number(plan.card["fuel_kg"].iloc[i - 1])
            fuel = f"add {number(now['added_kg'])} kg, {added_l} L, to leave with {aboard_kg} kg"
        change = "stay on" if before["set"] == now["set"] else f"{before['set']} → {now['set']}"
        drawn.append(
            f'<tr><th class="row" scope="row">{i}</th><td class="huge">lap {before["last_lap"]}'
            f'</td><td class="big">{html(change)}</td><td class="big">{fuel}</td>'
            '<td class="write"></td></tr>'
        )
    head = ("stop", "at the end of, at the latest", "tyres off → on", "fuel", "done on lap")
    if not race.follows_replies(plan):
        head = ("stop", "at the end of", "tyres off → on", "fuel", "done on lap")
    other = _without_cautions(plan)
    return f'<section class="keep"><h2>Stops</h2>{table(head, drawn)}{other}</section>'


def _without_cautions(plan: RacePlan) -> str:
    """Return the best plan that counts on no caution, where it is another one."""
    best, rows = plan.stints.best, race.stints_followed(plan)
    same = str(best.table["set"].iloc[0]) == str(rows["set"].iloc[0])
    if same and list(best.stops) == list(rows["last_lap"].iloc[:-1]):
        return ""
    stops = " and ".join(f"lap {lap}" for lap in best.stops) or "no stop"
    first = html(best.table["set"].iloc[0])
    return f"<p>Counting on no caution at all: start on {first}, {stops}.</p>"


def _replies(plan: RacePlan) -> str:
    """Return on which laps a caution is answered by a stop, and what that is worth."""
    found = race.replies_table(plan)
    if not len(found) or not race.follows_replies(plan):
        return ""
    rows = [
        f'<tr><th class="row" scope="row">{_laps(row["first_lap"], row["last_lap"])}</th>'
        f'<td class="big words">{_reply(row)}</td></tr>'
        for row in found.to_dict("records")
    ]
    worth = ""
    if plan.gain is not None:
        worth = (
            f"Worth {number(plan.gain.gain_s)} ± {number(NORMAL_90 * plan.gain.se_s)} s on average"
            " against the best stops fixed beforehand; places lost in traffic are not counted. "
        )
    head = ("lap run under caution", "then")
    return (
        '<section class="keep"><h2>Under the first caution</h2>'
        f"{table(head, rows, 'left')}"
        f'<p class="muted">{worth}Race control and the flags come first.</p></section>'
    )


def _reply(row: Mapping[Hashable, object]) -> str:
    if row["reply"] != "stop":
        return "stay out"
    onto = f": on with {row['next_set']}" if known(row["next_set"]) else ""
    return html(f"STOP{', caution or not' if row['planned'] else ''}{onto}")


def _fuel_left(plan: RacePlan) -> str:
    """Return what should and must be in the tank at a few laps, with room for the reading."""
    left = race.fuel_rows(plan)
    if not len(left):
        return ""
    rows = [
        f'<tr><th class="row" scope="row">{int(row["lap"])}'
        f' <span class="small muted">{html(row["why"])}</span></th>'
        f'<td class="big">{number(row["least_kg"])} kg</td>'
        f"<td>{number(race.litres(plan, row['least_kg']))} L</td>"
        f'<td class="big">{number(row["fuel_kg"])} kg</td>'
        f"<td>{number(race.litres(plan, row['fuel_kg']))} L</td>"
        f'<td>{span(row["lower_kg"], row["upper_kg"])} kg</td><td class="write"></td></tr>'
        for _, row in left[left["lap"] > 0].iterrows()
    ]
    head = ("end of lap", "must be left", "litres", "should be left", "litres", "90 %", "read")
    return (
        f'<section class="keep"><h2>Fuel left</h2>{table(head, rows)}'
        "<p>Less than must be left: save fuel or come in. The chance of running short is then above"
        f" {one_in(plan.fuel.accepted_risk)}.</p><p>{_account(plan)}</p></section>"
    )


def _account(plan: RacePlan) -> str:
    """Return where the start fuel goes in one line."""
    parts = [
        f"{ACCOUNT.get(row['what'], str(row['laps']) + ' laps')} {number(row['fuel_kg'])} kg"
        for row in race.fuel_account(plan).to_dict("records")
        if row["fuel_kg"]
    ]
    return f"Where the {number(plan.start_kg)} kg go without a caution: {', '.join(parts)}."


def _notes(plan: RacePlan) -> str:
    said = html(degrees("; ".join(plan.notes)))
    return f'<p class="small muted">{said}.</p>' if said else ""


def _laps(first: int, last: int) -> str:
    return str(first) if first == last else f"{first} to {last}"
