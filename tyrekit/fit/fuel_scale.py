"""The fuel channel against the tank's ledger: which balances to trust, and unit mix-ups."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import pandas as pd

from tyrekit.fit.fuel_balance import Balance
from tyrekit.fit.prior import Prior
from tyrekit.units import UNITS

CHANNEL_SPREAD = 0.003  # of the channel from session to session; reasoned from simulated weekends
APART = 0.05  # balances this far from the others, as a share, are not believed
CONFLICT_SD = 4.0  # beyond this many spreads balances that agree overrule the belief
NEAR = 0.06  # how near a ratio must come to a unit mix-up to name it


class Checked(NamedTuple):
    """Balances with the logger's litres, which of them count, and the belief to go on with."""

    table: pd.DataFrame  # sessions, used_kg, used_sd_kg, flow_l, scale, scale_sd, used, reason
    belief: Prior
    notes: tuple[str, ...]


def mix_up(ratio: float, density_kg_per_l: float) -> str:
    """Return what unit mix-up a ratio of true to logged fuel looks like, or an empty text."""
    gallon, imperial = UNITS["gal"].scale, 4.54609
    looks = {
        gallon: "US gallons read as litres",
        imperial: "imperial gallons read as litres",
        1 / gallon: "litres read as US gallons",
        1 / imperial: "litres read as imperial gallons",
        1 / density_kg_per_l: "kilograms read as litres",
        density_kg_per_l: "litres read as kilograms",
        60.0: "litres per minute read as litres per hour",
        1 / 60.0: "litres per hour read as litres per minute",
        1000.0 / 60.0: "litres per hour read as cc per minute",
        60.0 / 1000.0: "cc per minute read as litres per hour",
        1000.0: "litres read as millilitres",
        0.001: "millilitres read as litres",
        2.0: "one bank of injectors out of two",
        0.5: "each injection counted twice",
    }
    near = min(looks, key=lambda value: abs(math.log(ratio / value)))
    return looks[near] if abs(math.log(ratio / near)) < NEAR else ""


def checked(
    balances: tuple[Balance, ...],
    flow_l: dict[str, float],
    density_kg_per_l: float,
    belief: Prior,
) -> Checked:
    """Compare balances with the channel and with each other.

    Parameters
    ----------
    balances : tuple of Balance
        What was burnt, in kg.
    flow_l : dict
        Run id -> the logger's litres over the whole run; a run without is not in it.
    density_kg_per_l : float
        At 15 degC: the channel's litres are taken at that.
    belief : Prior
        About the scale, kg burnt per kg the channel says.
    """
    table = _table(balances, flow_l, density_kg_per_l)
    known = table.index[table["scale"].notna()]
    logs = np.log(table.loc[known, "scale"].to_numpy(dtype=float))
    spread = table.loc[known, "scale_sd"].to_numpy(dtype=float)
    keep = _believed(logs, spread, belief, density_kg_per_l)
    table["used"] = False
    table.loc[known, "used"] = keep
    notes = []
    for index in known[~keep]:
        row = table.loc[index]
        table.loc[index, "reason"] = (
            f"fills and drains of {row['sessions']} say {row['used_kg']:.1f} kg, the channel "
            f"{row['used_kg'] / row['scale']:.1f} kg: a fill or drain may be missing or in another "
            "unit; not used"
        )
        notes.append(str(table.loc[index, "reason"]))
    if np.any(keep):
        belief, conflict = _against_belief(logs[keep], spread[keep], belief, density_kg_per_l)
        notes += [conflict] if conflict else []
    return Checked(table, belief, tuple(notes))


def _table(balances: tuple[Balance, ...], flow_l: dict[str, float], density: float) -> pd.DataFrame:
    rows = []
    for one in balances:
        litres = sum(flow_l.get(run_id, math.nan) for run_id in one.run_ids)
        litres = litres if litres > 0 else math.nan
        rows.append(
            {
                "sessions": one.sessions,
                "used_kg": one.used_kg,
                "used_sd_kg": one.used_sd_kg,
                "flow_l": litres,
                "scale": one.used_kg / (density * litres),
                "scale_sd": math.hypot(one.used_sd_kg / one.used_kg, CHANNEL_SPREAD),
                "used": False,
                "reason": "" if litres > 0 else "the channel does not cover every run of it",
            }
        )
    columns = ["sessions", "used_kg", "used_sd_kg", "flow_l", "scale", "scale_sd", "used", "reason"]
    return pd.DataFrame(rows, columns=columns)


def _believed(
    logs: np.ndarray[tuple[int], np.dtype[np.float64]],
    spread: np.ndarray[tuple[int], np.dtype[np.float64]],
    belief: Prior,
    density: float,
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Return which balances to use: the majority's, or with one or two what the belief allows."""
    if len(logs) == 0:
        return np.zeros(0, dtype=bool)
    centre = float(np.median(logs))
    together = np.abs(logs - centre) <= np.maximum(APART, CONFLICT_SD * spread)
    if len(logs) >= 3 or (len(logs) == 2 and together.all()):
        return together
    allowed = CONFLICT_SD * np.hypot(spread, belief.sd / belief.mean)
    named = np.array([mix_up(math.exp(value), density) != "" for value in logs])
    return (np.abs(logs - math.log(belief.mean)) <= allowed) | (named & (len(logs) == 1))


def _against_belief(
    logs: np.ndarray[tuple[int], np.dtype[np.float64]],
    spread: np.ndarray[tuple[int], np.dtype[np.float64]],
    belief: Prior,
    density: float,
) -> tuple[Prior, str]:
    """Return the belief to use, widened when the balances overrule it, and what to say."""
    weight = spread**-2
    mean, sd = float(np.sum(weight * logs) / np.sum(weight)), float(np.sum(weight) ** -0.5)
    relative = belief.sd / belief.mean
    apart = (mean - math.log(belief.mean)) / math.hypot(sd, relative)
    if abs(apart) < 2.5:
        return belief, ""
    ratio = math.exp(mean)
    unit = mix_up(ratio, density)
    likely = f"; it looks like {unit}: correct the unit in event.toml [log]" if unit else ""
    said = (
        f"fills and drains say {ratio:.3f} kg per kg of the fuel channel, {abs(apart):.0f} spreads "
        f"from the belief of {belief.mean:.2f} ± {belief.sd:.3f}{likely}"
    )
    if abs(apart) < CONFLICT_SD:
        return belief, said
    wide = Prior(ratio, ratio, f"{belief.source}; overruled by fills and drains")
    return wide, said + "; the fills and drains are believed"


def suspicion(
    scale: Checked, used: pd.DataFrame, density_kg_per_l: float, beliefs: Mapping[str, Prior]
) -> Checked:
    """Widen the belief about the scale when uncalibrated litres per lap cannot be right.

    Parameters
    ----------
    scale : Checked
        As `checked` left it, with no balance in use.
    used : DataFrame
        Laps with kind and fuel_used_l.
    """
    litres = used.loc[used["kind"] == "timed", "fuel_used_l"]
    belief = beliefs["use_l_per_lap"]
    if len(litres) == 0:
        return scale
    ratio = belief.mean / float(litres.median())
    if abs(math.log(ratio)) < 2.5 * belief.sd / belief.mean:
        return scale
    unit = mix_up(ratio, density_kg_per_l)
    likely = f"it looks like {unit}" if unit else "the unit may be wrong"
    note = (
        f"the channel says {litres.median():.2f} L per lap, believed is {belief.mean:.2f} ± "
        f"{belief.sd:.2f}: {likely}; check [log] in event.toml. Until a fill and a drain settle "
        "it the belief counts more than the channel"
    )
    wide = Prior(scale.belief.mean, scale.belief.mean * abs(math.log(ratio)), scale.belief.source)
    return scale._replace(belief=wide, notes=(*scale.notes, note))
