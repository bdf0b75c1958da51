"""Stand-ins for the fits, and an invented event with its tyres, for the allocation's tests.

The stand-ins are straight lines: 0.05 ± 0.015 s per lap of age, 0.04 ± 0.02 s per heat cycle,
wear of 0.06 to 0.03 mm per lap known to a tenth.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from invented_event import event_head
from scipy import stats

from tyrekit.record.event import parse_event

RATE_MM = {"FL": 0.06, "FR": 0.055, "RL": 0.035, "RR": 0.03}

HEAD = event_head()
SESSIONS = {
    "P1": 'kind = "practice"\nminutes = 30\nplanned_laps = 9\nvalue = 0.0',
    "Q": 'kind = "qualifying"\nminutes = 15\nplanned_laps = 5\nvalue = 2.0',
    "R1": 'kind = "race"\nlaps = 14\nformation_laps = 1\ncool_down_laps = 1\nvalue = 1.0',
    "R2": 'kind = "race"\nlaps = 20\nformation_laps = 1\nvalue = 1.5',
}


def make_event(limits: str = "", **sessions: str):
    """Return the event with these limits; sessions given replace or (empty) remove their own."""
    wanted = {name: text for name, text in (SESSIONS | sessions).items() if text}
    parts = [
        f'[[session]]\nid = "{name}"\nstart = "2026-05-16T{9 + 2 * i:02d}:00:00"\n{text}\n'
        for i, (name, text) in enumerate(wanted.items())
    ]
    return parse_event(HEAD + "".join(parts) + limits)


def make_tyres(*rows: dict, new: int = 4, used: int = 4) -> pd.DataFrame:
    """Return new tyres N1.., used tyres U1.. of 10 laps, and any other rows."""
    plain = {
        "spec": "control", "new": False, "marked": True, "age_laps": 10, "distance_km": 30.0,
        "heat_cycles": 2, "tread_mm": 5.0, "tread_min_mm": 4.8, "axle": "any", "side": "any",
        "last_corner": "", "used": False, "note": "",
    }  # fmt: skip
    fresh = {
        "new": True, "age_laps": 0, "distance_km": 0.0, "heat_cycles": 0, "tread_mm": 6.0,
        "tread_min_mm": 5.9,
    }  # fmt: skip
    listed = [plain | fresh | {"tyre_id": f"N{i + 1}"} for i in range(new)]
    listed += [plain | {"tyre_id": f"U{i + 1}"} for i in range(used)]
    return pd.DataFrame([*listed, *(plain | row for row in rows)])


class StraightLoss:
    """0.05 ± 0.015 s per lap of age."""

    def mean_age_loss_s(self, ages):
        return 0.05 * np.asarray(ages, dtype=float)

    def age_loss_s(self, ages, n, rng):
        return np.outer(rng.normal(0.05, 0.015, n), np.asarray(ages, dtype=float))

    def estimate(self, name):
        assert name == "heat_cycle_s"
        return 0.04, 0.02

    def base_lap_s(self, session):
        return 95.0, 1.0


class StraightWear:
    """`RATE_MM` per lap, a tenth of it uncertain; a new tyre loses 0.1 mm more at once."""

    def wear_mm_per_lap(self, corner):
        return RATE_MM[corner], 0.1 * RATE_MM[corner]

    def mean_wear_mm(self, corner, laps, *, age_laps):
        return RATE_MM[corner] * laps + 0.1 * (age_laps == 0) * (laps > 0)

    def quantile_wear_mm(self, corner, laps, confidence, *, age_laps):
        score = stats.norm.ppf(confidence)
        return self.mean_wear_mm(corner, laps, age_laps=age_laps) * (1 + 0.1 * score)
