"""An invented event and the real fits on a few invented laps, for the tests of this room."""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from invented_event import event_head

from tyrekit.fit.fuel_use import FuelUseModel
from tyrekit.fit.lap_time import LapTimeModel
from tyrekit.fit.prior import beliefs
from tyrekit.record.event import parse_event

HERE = str(Path(__file__).parent)
if HERE not in sys.path:  # lets tests import the modules beside this file
    sys.path.insert(0, HERE)

EVENT = (
    event_head(
        lap_time_s="{ mean = 95.0, sd = 3.0 }",
        more_drivers='[[driver]]\nname = "Driver B"\nmass_kg = 72.0\n',
    )
    + """
[[session]]
id = "P1"
kind = "practice"
start = "2026-05-16T09:10:00"
minutes = 30
planned_laps = 12
value = 0.0
[[session]]
id = "P2"
kind = "practice"
start = "2026-05-16T11:10:00"
minutes = 40
value = 0.0
[[session]]
id = "Q"
kind = "qualifying"
start = "2026-05-16T13:10:00"
minutes = 15
planned_laps = 6
value = 1.0
[[session]]
id = "R1"
kind = "race"
start = "2026-05-17T10:10:00"
laps = 24
formation_laps = 1
cool_down_laps = 1
value = 1.0
[session.caution]
chance_per_lap = 0.03
mean_laps = 3.0
lap_time_pct = 160.0
fuel_pct = 45.0
pit_loss_s = 18.0
[[session]]
id = "R2"
kind = "race"
start = "2026-05-17T12:10:00"
minutes = 40
formation_laps = 1
cool_down_laps = 1
value = 1.0
[session.caution]
chance_per_lap = 0.02
mean_laps = 3.0
lap_time_pct = 160.0
fuel_pct = 45.0
pit_loss_s = 18.0
[[session]]
id = "R3"
kind = "race"
start = "2026-05-17T15:30:00"
laps = 34
formation_laps = 1
cool_down_laps = 1
value = 1.5
[session.stops]
minimum = 1
first_lap = 8
last_lap = 28
stationary_s = 45.0
tyres = true
refuel = false
[session.caution]
chance_per_lap = 0.02
mean_laps = 3.0
lap_time_pct = 160.0
fuel_pct = 45.0
pit_loss_s = 18.0
"""
)
TRUE_LITRES = 1.55  # per timed lap of the invented car


@pytest.fixture(scope="session")
def make_event():
    def make(*changes):
        text = EVENT
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        return parse_event(text)

    return make


@pytest.fixture(scope="session")
def event(make_event):
    return make_event()


def invented_laps(sessions=("P1", "P2"), runs=2, laps=9, seed=4):
    """Laps of an invented car: 95 s, 0.05 s a lap of age, 0.012 s per kg, 1.55 l a lap."""
    rng = np.random.default_rng(seed)
    rows = []
    field_laps = 200.0
    for s, session in enumerate(sessions):
        change = rng.normal(0, 0.008)
        for run in range(runs):
            fuel_kg, start_age = 18.0 + 8 * run, 8.0 * ((run + s) % 2)
            for lap in range(1, laps + 1):
                kind = "out" if lap == 1 else "in" if lap == laps else "timed"
                share = 1.0 if kind == "timed" else 0.85
                litres = TRUE_LITRES * share * np.exp(change + rng.normal(0, 0.015))
                age = start_age + lap - 1
                time_s = 95 + 0.05 * age + 0.012 * (fuel_kg - 30) + rng.normal(0, 0.15)
                time_s += {2: 0.9, 3: 0.25}.get(lap, 0.0) + (12 if kind != "timed" else 0)
                rows.append(
                    {
                        "run_id": f"{session}-{run}", "session": session, "driver": "Driver A",
                        "lap": lap, "kind": kind, "counts": kind == "timed", "reason": kind,
                        "flying_lap": lap - 1, "set_id": f"set {(run + s) % 2}", "age_laps": age,
                        "heat_cycles": float(s), "fuel_kg": fuel_kg, "lap_time_s": time_s,
                        "fuel_used_l": litres, "air_c": 18.0, "track_c": 27.0,
                        "field_laps": field_laps, "fuel_start_kg": 18.0 + 8 * run,
                    }
                )  # fmt: skip
                fuel_kg -= litres * 0.745
                field_laps += 20
    return pd.DataFrame(rows)


NO_FUEL_BOOK = pd.DataFrame(
    columns=["taken_at", "run_id", "kind", "mass_kg", "volume_l", "fuel_c"]
)  # fmt: skip


@pytest.fixture(scope="session")
def laps():
    return invented_laps()


@pytest.fixture(scope="session")
def fuel_use(event, laps):
    starts = laps.groupby(["run_id", "session"], as_index=False)["fuel_start_kg"].first()
    runs = starts.assign(start=pd.date_range("2026-05-16T09:10", periods=len(starts), tz="UTC"))
    return FuelUseModel(laps, NO_FUEL_BOOK, runs, event, beliefs(event).fuel_use).fit()


@pytest.fixture(scope="session")
def lap_time(event, laps):
    return LapTimeModel(laps, beliefs(event).lap_time, sessions=event.sessions).fit()


@pytest.fixture(scope="session")
def believed_lap_time(event, laps):
    return LapTimeModel(laps.iloc[:0], beliefs(event).lap_time, sessions=event.sessions).fit()
