"""What is believed and what an event found, side by side, and handed over to the next event.

A person decides what the next event starts from: the kit writes the text, and nothing reads it
until it stands in that event's event.toml.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass

import pandas as pd

from tyrekit.fit.fuel_use import FuelUseResults
from tyrekit.fit.prior import (
    EVENT_OWN,
    FUEL_USE,
    LAP_TIME,
    PRESSURE,
    TREAD,
    Beliefs,
    carried,
    lap_time_belief,
    race_mass_kg,
)
from tyrekit.fit.result import FitResult
from tyrekit.fit.tread_rows import PLACES
from tyrekit.record.event import Event

DEFAULTS = {"lap_time": LAP_TIME, "fuel_use": FUEL_USE, "tread": TREAD, "pressure": PRESSURE}
TAUGHT = 0.05  # of a belief's variance; with less removed by data there is nothing to hand over


@dataclass(frozen=True)
class Found:
    """What a fit found about a belief: estimate, its spread, and the data's share of it, 0..1."""

    found: float
    found_sd: float
    data_share: float


def beliefs_table(beliefs: Beliefs, results: Mapping[str, FitResult] | None = None) -> pd.DataFrame:
    """Return every belief in force and, where a fit speaks of it, what it found.

    Parameters
    ----------
    beliefs : Beliefs
        As `prior.beliefs` gives them for an event.
    results : mapping of FitResult, optional
        By fit: lap_time, fuel_use, tread, pressure; any may be missing.

    Returns
    -------
    DataFrame
        fit, name, mean, sd, source, found, found_sd, data_share; the last three NaN for beliefs
        about a spread and without a fit. Any row may be changed in event.toml as
        ``[beliefs.<fit>.<name>]`` with mean and sd.
    """
    rows = []
    for fit, named in asdict(beliefs).items():
        results_of = (results or {}).get(fit)
        known = found_in(results_of) if results_of is not None else {}
        for name, prior in named.items():
            spoken = asdict(known[name]) if name in known else {}
            rows.append({"fit": fit, "name": name, **prior, **spoken})
    columns = ["fit", "name", "mean", "sd", "source", "found", "found_sd", "data_share"]
    table = pd.DataFrame(rows).reindex(columns=columns)
    return table.astype(dict.fromkeys(columns[5:], float))


def found_in(results: FitResult) -> dict[str, Found]:
    """Return what a fit found, by the names of its beliefs."""
    share, bse = results.rests_on["data_share"], results.bse
    found = {
        str(name): Found(float(results.params[name]), float(bse[name]), float(share[name]))
        for name in results.params.index
    }
    if isinstance(results, FuelUseResults):
        use = found["use_kg_per_lap"]
        per_l = 1 / results.density_kg_per_l
        found["use_l_per_lap"] = Found(use.found * per_l, use.found_sd * per_l, use.data_share)
    if all(f"new_tread_mm[{place}]" in found for place in PLACES):
        each = [found[f"new_tread_mm[{place}]"] for place in PLACES]
        found["new_tread_mm"] = Found(
            sum(one.found for one in each) / len(each),
            max(one.found_sd for one in each),
            min(one.data_share for one in each),
        )
    return found


def handover_text(
    beliefs: Beliefs,
    results: Mapping[str, FitResult],
    event: Event,
    *,
    to: Event | None = None,
    widen: float = 2.0,
) -> str:
    """Return the ``[beliefs]`` tables for the next event's event.toml: what this one found.

    Parameters
    ----------
    beliefs : Beliefs
        What this event started from.
    results : mapping of FitResult
        Its fits, by name as in `beliefs_table`.
    event : Event
        This event; its name is told as the source.
    to : Event, optional
        The next event: what goes with lap time, length or mass is scaled to it. Without, the text
        holds for the same circuit and car.
    widen : float
        Factor on the spread, 1 or more; never wider than the belief this event started from.

    Raises
    ------
    InputError
        `widen` is below 1.

    Notes
    -----
    Beliefs about a spread, what belongs to one event (its clean lap, its rubber, its race pace)
    and what the data left as it was are not handed over.
    """
    scale = _scales(event, to or event)
    lines = [f"# found at {event.meeting.name}, spread x {widen:g}; yours to change or delete"]
    for fit, named in asdict(beliefs).items():
        if fit not in results:
            continue
        known = found_in(results[fit])
        taught = {
            name: one
            for name, one in known.items()
            if name in named and name not in EVENT_OWN and one.data_share >= TAUGHT
        }
        after = carried(
            getattr(beliefs, fit),
            {name: one.found for name, one in taught.items()},
            {name: one.found_sd for name, one in taught.items()},
            source=event.meeting.name,
            widen=widen,
        )
        for name, one in taught.items():
            factor = scale.get((fit, name), 1.0)
            prior = after[name].scaled(factor)
            basis = f"found {one.found:.4g} ± {one.found_sd:.2g}, {100 * one.data_share:.0f} %"
            scaled = f"; scaled by {factor:.3f}" if abs(factor - 1) > 1e-9 else ""
            lines += [
                "",
                f"[beliefs.{fit}.{name}]  # {basis} from data{scaled}",
                f"mean = {prior.mean:.6g}",
                f"sd = {prior.sd:.6g}",
            ]
    return "\n".join(lines) + "\n"


def _scales(event: Event, to: Event) -> dict[tuple[str, str], float]:
    """Return the factor of each belief that goes with lap time, length or mass."""
    lap = lap_time_belief(to).mean / lap_time_belief(event).mean
    by = {"lap": lap, "length_km": to.circuit.length_m / event.circuit.length_m, "": 1.0}
    found = {
        (fit, name): by[row.scale] for fit, table in DEFAULTS.items() for name, row in table.items()
    }
    found[("lap_time", "fuel_effect_s_per_kg")] = lap * race_mass_kg(event) / race_mass_kg(to)
    return found
