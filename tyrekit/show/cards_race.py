"""A race's plan as HTML for its panel: what to do in big figures, what it rests on underneath."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pandas as pd

from tyrekit.fit.result import NORMAL_90
from tyrekit.plan.race_plan import RacePlan
from tyrekit.show import race
from tyrekit.show.fuel_sum import LEAST_KG, WEIGH
from tyrekit.show.words import degrees, html, known, number, one_in, percent, signed, span
from tyrekit.terms import CORNER_NAMES

AXLES = (CORNER_NAMES[:2], CORNER_NAMES[2:])
APART_LAPS = 10.0  # between axles: more is felt in the balance; common practice, no source
ACCOUNT = {
    "formation": "formation lap", "cool_down": "cool-down lap", "sample": "for the sample",
    "unusable": "cannot be used", "spare": "spare",
}  # fmt: skip
TWO_OR_FOUR = "grid-template-columns: repeat(auto-fit, minmax(265px, 1fr))"  # cards in a line


def blocked_card(plan: RacePlan) -> str:
    """Return what is in the way of the plan; empty when nothing is."""
    if plan.status != "impossible":
        return ""
    words = "".join(f"<li>{html(one)}</li>" for one in plan.blocked_by)
    return (
        f'<div class="tk-warn" role="alert"><b>{html(plan.session)} cannot be run like this.</b>'
        f"<ul>{words}</ul></div>"
    )


def decision_cards(plan: RacePlan, run_laps: float = math.inf) -> str:
    """Return fuel, mass, tyres and stop as cards side by side.

    Parameters
    ----------
    run_laps : float
        Age of the oldest tyre that has run here; 0 when none has.
    """
    cards = [_fuel(plan), _mass(plan), _tyres(plan, run_laps), _stop(plan)]
    return f'<div class="tk-cards" style="{TWO_OR_FOUR}">{"".join(cards)}</div>'


STOPS_SET = (
    "<details><summary>Where stops are set</summary><p>In event.toml: a [session.stops] table under"
    " the race.</p></details>"
)


def why_no_stops(plan: RacePlan, has_stops: bool) -> str:
    """Return why parts are missing: no stops in the race, no chance of cautions."""
    if not has_stops:
        return (
            f"<p>{html(plan.session)} is one stint without stops: there is no stop window and"
            f" nothing to decide under a caution.</p>{STOPS_SET}"
        )
    if plan.stints.plans and plan.caution is None:
        return "<p>No caution is counted on, so there is no reply to one.</p>"
    return ""


def replies_card(plan: RacePlan) -> str:
    """Return what to do under a caution by ranges of laps, and what replying gains."""
    table = race.replies_table(plan)
    if not len(table):
        return ""
    rows = "".join(
        f"<tr><td><b>{_laps(row)}</b></td><td><b>{_reply(row)}</b></td><td>{_gain(row)}</td></tr>"
        for _, row in table.iterrows()
    )
    return (
        "<h2>Under a caution</h2>"
        f"{_table(('lap run under caution', 'do', 'a stop then'), rows)}{_gained(plan)}"
    )


def plans_card(plan: RacePlan, most: int = 6) -> str:
    """Return the best stint plans without cautions, best first."""
    if not plan.stints.plans or not plan.race.most_stops:
        return ""
    rows = "".join(
        f"<tr><td>{signed(row['difference_s'], 2)} s</td>"
        f"<td>{html(row['sets'])}</td><td>{html(row['stops']) or 'none'}</td>"
        f"<td>{_chance(row['chance_best'])}</td></tr>"
        for _, row in plan.stints.ranking.head(most).iterrows()
    )
    heads = ("costs", "tyres and their laps", "stops, end of lap", "best with chance")
    other = ""
    if _without_cautions(plan):
        other = '<p class="tk-muted tk-small">The stop on top counts on the chance of a caution'
        other += " too, so it need not be the first of these.</p>"
    return f"<h2>Stint plans if no caution comes</h2>{_table(heads, rows)}{other}"


def fuel_left_card(plan: RacePlan) -> str:
    """Return what should be and must be in the tank at a few laps."""
    few = race.fuel_rows(plan)
    if plan.status != "optimal" or not len(few):
        return ""
    every = plan.fuel_left.assign(why="")
    return (
        f"<h2>How much must be in the tank?</h2>{_left_table(plan, few)}"
        '<p class="tk-muted tk-small">With less than must be left the chance of running short is'
        f" above {one_in(plan.fuel.accepted_risk)}: save fuel or come in. {_at_finish(plan)}</p>"
        f"<details><summary>Every lap</summary>{_left_table(plan, every)}</details>"
    )


def _at_finish(plan: RacePlan) -> str:
    """Return what the fuel that must be left at the finish is for."""
    fuel = plan.fuel
    kept_kg = fuel.sample_kg + fuel.unusable_kg
    slow_kg = float(plan.fuel_left["least_kg"].iloc[-1]) - kept_kg
    slow = f"{number(slow_kg)} kg for a thirsty cool-down lap, " if slow_kg >= LEAST_KG else ""
    return (
        f"At the finish it is {slow}{number(fuel.sample_kg)} kg for the sample and"
        f" {number(fuel.unusable_kg)} kg that cannot be used."
    )


def _left_table(plan: RacePlan, left: pd.DataFrame) -> str:
    rows = "".join(
        f'<tr><th class="row" scope="row">{int(row["lap"])}'
        f' <span class="tk-muted tk-small">{html(row["why"])}</span></th>'
        f"<td><b>{_pair(row['least_kg'], race.litres(plan, row['least_kg']))}</b></td>"
        f"<td>{_pair(row['fuel_kg'], race.litres(plan, row['fuel_kg']))}"
        f' <span class="tk-muted tk-small">({span(row["lower_kg"], row["upper_kg"])} kg)</span>'
        "</td></tr>"
        for _, row in left.iterrows()
    )
    return _table(("end of lap", "must be left", "should be left without a caution (90 %)"), rows)


def account_card(plan: RacePlan) -> str:
    """Return where the start fuel goes."""
    account = race.fuel_account(plan)
    if plan.status != "optimal" or not len(account):
        return ""
    rows = _account_row("at the start", "", _pair(plan.start_kg, plan.start_l))
    for row in account.to_dict("records"):
        what = str(row["what"])
        if what in ("formation", "cool_down") and not row["laps"]:
            continue
        label = ACCOUNT.get(what, f"{int(row['laps'])} laps, no caution")
        left = _pair(row["left_kg"], row["left_l"]) if what != "spare" else ""
        rows += _account_row(label, _pair(row["fuel_kg"], row["fuel_l"]), left)
    fuel = plan.fuel
    burnt = plan.fuel_account["what"].isin(("formation", "race", "cool_down"))
    saved_kg = float(plan.fuel_account.loc[burnt, "fuel_kg"].sum()) - fuel.need_kg
    saved = ""
    if saved_kg >= LEAST_KG:
        saved = (
            f" Cautions, as likely as they are taken to be, save {number(saved_kg)} kg on average:"
        )
        saved += " the sum on the page of the next session counts that."
    return (
        f"<h2>Where do the {number(plan.start_kg)} kg go?</h2>"
        f"{_table(('fuel for', 'takes', 'then left'), rows)}"
        '<p class="tk-muted tk-small">The spare is for high use: with it the chance of running'
        f" short is {one_in(fuel.shortfall_risk)}. The least mass at the finish counts on that:"
        f" spare gone, sample taken, {number(fuel.finish_fuel_kg)} kg of fuel left.{saved}</p>"
    )


def _pair(fuel_kg: float, fuel_l: float) -> str:
    """Return fuel in both units, each in one piece."""
    return (
        f'<span class="tk-whole">{number(fuel_kg)} kg</span>'
        f' <span class="tk-muted tk-whole">{number(fuel_l)} L</span>'
    )


def _account_row(label: str, takes: str, left: str) -> str:
    return f'<tr><th class="row" scope="row">{html(label)}</th><td>{takes}</td><td>{left}</td></tr>'


def _table(heads: Sequence[str], rows: str) -> str:
    cells = "".join(f'<th scope="col">{head}</th>' for head in heads)
    return f'<table class="tk-table"><thead><tr>{cells}</tr></thead><tbody>{rows}</tbody></table>'


def notes_card(plan: RacePlan) -> str:
    """Return what the plan rests on."""
    said = "".join(f"<li>{html(degrees(note))}</li>" for note in (*plan.notes, *plan.fuel.rests_on))
    return f"<details><summary>What this rests on</summary><ul>{said}</ul></details>"


def caution_words(plan: RacePlan) -> str:
    """Return what to do under a caution in a few words, laps given; empty without a reply."""
    table = race.replies_table(plan)
    stops = table[(table["reply"] == "stop") & ~table["planned"]]
    if not len(table):
        return ""
    if not len(stops):
        due = table.loc[table["planned"], "first_lap"]
        return "stay out under every caution" + (f" before lap {due.min()}" if len(due) else "")
    parts = [f"{_laps(row)} {_onto(row)}" for _, row in stops.iterrows()]
    return f"stop under a caution on lap {' or '.join(parts)}"


def _fuel(plan: RacePlan) -> str:
    fuel = plan.fuel
    low_l, high_l = (race.litres(plan, kg) for kg in (fuel.need_lower_kg, fuel.need_upper_kg))
    more = (
        f"<p>running short: {one_in(fuel.shortfall_risk)}</p>"
        f"<p>burns {span(fuel.need_lower_kg, fuel.need_upper_kg)} kg ({span(low_l, high_l)} L),"
        f" slow laps and cautions counted</p>"
        f"<p>a litre more costs {number(fuel.seconds_per_litre, 2)} s over the race</p>"
    )
    basis = f"{number(plan.start_kg)} kg at {number(fuel.bowser_c, 0)} °C;"
    basis += f" {number(fuel.laps, 0)} laps"
    if round(fuel.laps) != plan.race.laps:  # a race to time: cautions make it fewer laps
        basis += f" on average with cautions, {plan.race.laps} without"
    if plan.race.refuel and plan.stints.plans:
        added = race.stints_followed(plan)["added_kg"].sum()
        basis += f"; {number(added)} kg ({number(race.litres(plan, added))} L) added at stops"
    impossible = fuel.status == "impossible" and not plan.race.refuel
    big = "not enough" if impossible else f"{number(plan.start_l)} L"
    basis = f"the tank takes {number(plan.start_l)} L" if impossible else basis
    return decision_card("Fuel at the start", big, basis, more)


def _mass(plan: RacePlan) -> str:
    fuel = plan.fuel
    change = fuel.ballast_change_kg
    what = f"add {number(change)} kg" if change > 0 else f"up to {number(-change)} kg may come off"
    what = what if abs(change) >= LEAST_KG else "as it is"
    more = (
        f"<p>ballast {number(fuel.ballast_kg)} kg: {what}</p><p>{WEIGH}</p>"
        f"<p>under the minimum, or short of fuel: {one_in(fuel.joint_risk)}</p>"
        f"<p>{html(fuel.driver)},"
        f" the lightest, with {number(fuel.finish_fuel_kg)} kg"
        f" ({number(race.litres(plan, fuel.finish_fuel_kg))} L) of fuel, sample taken</p>"
    )
    over_kg = fuel.finish_mass_kg - fuel.minimum_mass_kg
    margin = f"{number(abs(over_kg))} kg {'over' if over_kg > 0 else 'UNDER'}"
    margin = margin if abs(over_kg) >= LEAST_KG else "nothing over"
    basis = f"minimum {number(fuel.minimum_mass_kg, 0)} kg: {margin}"
    label = "Least mass at the finish"
    return decision_card(label, f"{number(fuel.finish_mass_kg, 0)} kg", basis, more, accent=False)


def _tyres(plan: RacePlan, run_laps: float) -> str:
    rows = race.stints_followed(plan)
    if not len(rows):
        return decision_card("Tyres at the start", "no plan", "see above", accent=False)
    name = str(rows["set"].iloc[0])
    at = race.tyres_at(plan, name) or dict.fromkeys(CORNER_NAMES, "")
    pairs = [" ".join(at.get(corner) or "–" for corner in two) for two in AXLES]
    big = "<br>".join(html(pair) for pair in pairs) if any(at.values()) else html(name)
    table = plan.tyres.table
    ages = table[table["tyre_id"].isin(at.values())].set_index("corner")["age_laps"]
    said = ", ".join(f"{c} {number(float(ages[c]), 0)}" for c in CORNER_NAMES if c in ages)
    basis = f"laps run before: {said}" if said else "the set given"
    laps = int(rows["laps"].iloc[0]) + plan.race.formation_laps
    laps += plan.race.cool_down_laps if len(rows) == 1 else 0
    more = _on_old_tyres(ages.astype(float), laps, run_laps)
    return decision_card("Tyres at the start, seen from above", big, basis, more)


def _on_old_tyres(ages: pd.Series, laps: int, run_laps: float) -> str:
    """Return what the driver should know of the first stint's tyres: their age, their balance."""
    said = []
    old = [corner for corner in CORNER_NAMES if corner in ages and ages[corner] + laps > run_laps]
    if old and run_laps > 0:
        by_end: dict[str, list[str]] = {}
        for corner in old:
            by_end.setdefault(number(ages[corner] + laps, 0), []).append(corner)
        word = "reach" if len(by_end) == 1 else "to"
        reach = ", ".join(f"{', '.join(own)} {word} {end}" for end, own in by_end.items())
        said.append(
            f"{reach} laps with the slow ones; none was timed here beyond {number(run_laps, 0)}"
        )
    axles = [ages[[c for c in two if c in ages]].max() for two in AXLES]
    apart = axles[1] - axles[0]
    if abs(apart) >= APART_LAPS:
        end = "rear" if apart > 0 else "front"
        said.append(
            f"{end} {number(abs(apart), 0)} laps older: it may let go first, warn the driver"
        )
    return "".join(f'<p class="tk-warn">{html(one[:1].upper() + one[1:])}.</p>' for one in said)


def _stop(plan: RacePlan) -> str:
    rows = race.stints_followed(plan)
    if len(rows) < 2:
        what = "no stop" if len(rows) else "no plan"
        basis = f"{plan.race.laps} laps in one stint" if len(rows) else "see above"
        return decision_card("Stops", what, basis, accent=False)
    laps = [int(lap) for lap in rows["last_lap"].iloc[:-1]]
    big = " and ".join(f"lap {lap}" for lap in laps)
    onto = "; ".join(_fitted(plan, rows, i) for i in range(1, len(rows)))
    words = caution_words(plan)
    more = f"<p><b>{html(words[:1].upper() + words[1:])}</b></p>" if words else ""
    more += _without_cautions(plan)
    return decision_card("Stop at the end of", big, html(onto), more)


def _without_cautions(plan: RacePlan) -> str:
    """Return where the best plan that counts on no caution differs."""
    best, rows = plan.stints.best, race.stints_followed(plan)
    first = str(best.table["set"].iloc[0])
    laps = list(rows["last_lap"].iloc[:-1])
    if first == str(rows["set"].iloc[0]) and list(best.stops) == laps:
        return ""
    stops = " and ".join(f"lap {lap}" for lap in best.stops) or "no stop"
    return f"<p>counting on no caution: start on {html(first)}, {stops}</p>"


def _fitted(plan: RacePlan, rows: pd.DataFrame, i: int) -> str:
    before, now = str(rows["set"].iloc[i - 1]), str(rows["set"].iloc[i])
    added = float(rows["added_kg"].iloc[i])
    words = "tyres stay on" if before == now else f"{now} on for {before}"
    litres = number(race.litres(plan, added))
    return words + (f", {number(added)} kg ({litres} L) of fuel" if added > 0.05 else "")


def _laps(row: pd.Series) -> str:
    first, last = int(row["first_lap"]), int(row["last_lap"])
    return str(first) if first == last else f"{first} to {last}"


def _onto(row: pd.Series) -> str:
    return "tyres stay on" if row["next_set"] == row["set"] else f"for {row['next_set']}"


def _reply(row: pd.Series) -> str:
    if row["reply"] != "stop":
        return "stay out"
    return html(f"STOP {_onto(row)}{', as planned' if row['planned'] else ''}")


def _gain(row: pd.Series) -> str:
    low, high = float(row["low_s"]), float(row["high_s"])
    if not known(low):
        return "must be made"
    if low < 0 and high <= 0:
        return f"costs {_range(-high, -low)} s"
    return f"saves {_range(low, high)} s"


def _range(low: float, high: float) -> str:
    if number(low) == number(high):
        return number(low)
    return span(low, high)


def _gained(plan: RacePlan) -> str:
    if plan.gain is None:
        return ""
    gain = plan.gain
    return (
        f'<p class="tk-muted tk-small">Replying gains {number(gain.gain_s)} ±'
        f" {number(NORMAL_90 * gain.se_s)} s a race on average over {gain.races} drawn races,"
        " against the best stops fixed beforehand. As long as no caution has come; position and"
        " traffic are not counted.</p>"
    )


def _chance(value: float) -> str:
    return percent(float(value)) if known(value) else "–"


def decision_card(label: str, big: str, basis: str, more: str = "", accent: bool = True) -> str:
    """Return a card: a label, a big figure, its basis; all but the label are HTML."""
    tint = " tk-tyre" if accent else ""
    return (
        f'<div class="tk-card"><div class="tk-place">{html(label)}</div>'
        f'<div class="tk-big{tint}">{big}</div><div class="tk-muted">{basis}</div>'
        f'<div class="tk-small">{more}</div></div>'
    )
