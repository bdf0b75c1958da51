"""The demo's petrol: litres at a temperature, in and out of the tank, as the crew reads them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

DENSITY_KG_PER_L = 0.745  # at 15 degC
FLOW_TRUE_PER_LOGGED = 1.039  # the logger's channel reads low
READING_L = 0.08  # spread of one reading of the bowser
SAMPLE_L = 1.5


def density_kg_per_l(fuel_c: float) -> float:
    """Return density at a temperature by the volume correction of Table 54B for petrol."""
    dense = 1000 * DENSITY_KG_PER_L
    alpha = 346.4228 / dense**2 + 0.4388 / dense
    warmer = fuel_c - 15.0
    return DENSITY_KG_PER_L * math.exp(-alpha * warmer * (1 + 0.8 * alpha * warmer))


@dataclass(frozen=True)
class Handling:
    """One fill, drain or sample: true kilograms, and the litres read off.

    Attributes
    ----------
    kind : str
        fill, drain or sample.
    mass_kg : float
        True mass moved; positive.
    volume_l : float
        As read, with the reading's error.
    fuel_c : float
        Temperature of what was moved.
    """

    taken_at: datetime
    run_id: str
    kind: str
    mass_kg: float
    volume_l: float
    fuel_c: float
