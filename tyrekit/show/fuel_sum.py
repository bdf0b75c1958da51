"""What is in the tank at the start as a sum that adds up, and the ballast that goes with it."""

from __future__ import annotations

import pandas as pd

from tyrekit.plan.fuel_load import FuelLoad
from tyrekit.show.words import adding_up, html, number

LEAST_KG = 0.05  # less is no change of ballast
WEIGH = "Weigh the car first, and keep the error of the scales on top."


def fuel_sum_table(load: FuelLoad) -> pd.DataFrame:
    """Return part, volume_l and mass_kg of the start fuel; the last row is the sum of the others.

    Volumes are at the bowser's temperature; every figure is rounded so that it adds up.
    """
    aside_kg = load.unusable_kg + load.sample_kg
    spare_kg = load.start_kg + load.refuel_kg - load.need_kg - aside_kg
    parts = [
        ("burnt, expected", load.need_kg),
        ("spare", spare_kg),
        ("cannot be used", load.unusable_kg),
        ("for the sample", load.sample_kg),
    ]
    if load.refuel_kg > 0:
        parts.append(("added at stops", -load.refuel_kg))
    names = [name for name, _ in parts]
    masses_kg = adding_up([mass_kg for _, mass_kg in parts])
    l_per_kg = load.start_l / load.start_kg
    volumes_l = adding_up([mass_kg * l_per_kg for _, mass_kg in parts])
    rows = list(zip(names, volumes_l, masses_kg, strict=True))
    rows.append(("in the tank", sum(volumes_l), sum(masses_kg)))
    return pd.DataFrame(rows, columns=["part", "volume_l", "mass_kg"])


def fuel_sum_rows(load: FuelLoad) -> list[str]:
    """Return the sum as rows of an HTML table, the total marked."""
    table = fuel_sum_table(load)
    rows = [
        f'<td>{html(row["part"])}</td><td class="tk-number">{number(row["volume_l"])} L</td>'
        f'<td class="tk-number">{number(row["mass_kg"])} kg</td>'
        for _, row in table.iterrows()
    ]
    return [*(f"<tr>{cells}</tr>" for cells in rows[:-1]), f'<tr class="tk-sum">{rows[-1]}</tr>']


def ballast_short(load: FuelLoad) -> str:
    """Return the ballast and what to change, in a few words."""
    change = load.ballast_change_kg
    if abs(change) < LEAST_KG:
        return f"{number(load.ballast_kg)} kg, as it is"
    what = "more" if change > 0 else "less"
    aboard_kg = number(load.ballast_kg - change)
    return f"{number(load.ballast_kg)} kg, {number(abs(change))} kg {what} than the {aboard_kg} now"


def ballast_words(load: FuelLoad) -> str:
    """Return the ballast with why it is so, relative to what, and at which fuel left."""
    change = load.ballast_change_kg
    given = f"{number(load.ballast_kg - change)} kg is entered for the car"
    if abs(change) < LEAST_KG:
        what = f"Ballast for {load.session} stays at {number(load.ballast_kg)} kg"
    elif change > 0:
        what = f"Ballast for {load.session}: add {number(change)} kg ({given}), then it is"
        what += f" {number(load.ballast_kg)} kg"
    else:
        what = f"Ballast for {load.session}: {number(-change)} kg may come off ({given}), then it"
        what += f" is {number(load.ballast_kg)} kg"
    left = f"{load.driver} aboard, {number(load.finish_fuel_kg)} kg of fuel left and the sample"
    left += " taken"
    finish = f"the car weighs {number(load.finish_mass_kg, 0)} kg at the finish with {left}"
    over_kg = load.finish_mass_kg - load.minimum_mass_kg
    allowed = f"the least allowed is {number(load.minimum_mass_kg, 0)} kg"
    if over_kg < -LEAST_KG:
        return f"{what}: that is all that is allowed. Even so {finish}; {allowed}."
    if over_kg > LEAST_KG:
        return f"{what}. Even so {finish}; {allowed}."
    return f"{what}. It just reaches the minimum: {finish}; {allowed}. {WEIGH}"
