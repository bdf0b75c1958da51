"""A small weekend made by hand, so that the room is tested without the fits and planners.

Every number here is invented; the fits are closed forms that a test can work out again.
"""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from invented_event import event_head

from tyrekit.record.event import parse_event

EVENT = (
    event_head(name="Hand <made> & invented, round 1")
    + """
[[session]]
id = "P1"
kind = "practice"
start = "2026-05-16T09:10:00"
minutes = 20
planned_laps = 9
value = 0.0
[[session]]
id = "Q"
kind = "qualifying"
start = "2026-05-16T12:10:00"
minutes = 15
planned_laps = 6
value = 1.0
[[session]]
id = "R1"
kind = "race"
start = "2026-05-16T16:10:00"
laps = 15
formation_laps = 1
cool_down_laps = 1
value = 1.0
[[limit]]
kind = "new_tyres"
most = 8
"""
)
CORNERS = ("FL", "FR", "RL", "RR")
START = datetime(2026, 5, 16, 8, 10, tzinfo=UTC)


@dataclass(frozen=True)
class LapTime:
    """Lap time 95 s + 0.05 s a lap of age; the band is half a second either side."""

    notes: tuple[str, ...] = ("drop-off rests mostly on belief",)
    fuel_effect_s_per_kg: tuple[float, float] = (0.018, 0.004)
    n_rows: int = 7
    noise_s: float = 0.6
    laps: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame(
            columns=["run_id", "lap", "residual_s", "kept"]
        ).astype({"run_id": str, "lap": int, "residual_s": float, "kept": bool})
    )

    @property
    def spreads(self):
        return {"noise": 0.25, "noise_sd": 0.1}

    @property
    def rests_on(self):
        share = {"drop_off_s_per_lap": 0.62, "fuel_effect_s_per_kg": 0.07, "heat_cycle_s": 0.0,
                 "race_s": 0.01, "track_temperature_s_per_k": 0.4}  # fmt: skip
        return pd.DataFrame({"data_share": share})

    def predict(self, rows, level=0.9, new_lap=False):
        mean = 95.0 + 0.05 * rows["age_laps"].to_numpy(float)
        return pd.DataFrame({"mean": mean, "lower": mean - 0.5, "upper": mean + 0.5})

    def age_loss_s(self, ages, n, rng):
        return np.outer(np.linspace(0.03, 0.07, n), np.asarray(ages))

    def mean_age_loss_s(self, ages):
        return 0.05 * np.asarray(ages)


@dataclass(frozen=True)
class Tread:
    """The thinnest place wears 0.05 mm a lap, known to a tenth of what has worn."""

    notes: tuple[str, ...] = ()

    def predict(self, corner, tread_now_mm, laps, level=0.9, *, age_laps=0.0, tyre_id=None):
        now, worn = np.min(tread_now_mm), 0.05 * np.atleast_1d(laps)
        return pd.DataFrame(
            {"mean": now - worn, "lower": now - 1.1 * worn, "upper": now - 0.9 * worn}
        )


def hand_laps():
    rows = []
    for lap in range(1, 10):
        kind = "out" if lap == 1 else "in" if lap == 9 else "timed"
        counts = kind == "timed" and lap != 5
        rows.append(
            {
                "run_id": "P1-1", "session": "P1", "driver": "Driver A", "lap": lap,
                "started_at": START + timedelta(seconds=100 * lap), "kind": kind,
                "lap_time_s": 98.7 if lap == 5 else 95.0 + 0.05 * lap, "counts": counts,
                "reason": "" if counts else "traffic" if lap == 5 else kind,
                "flying_lap": max(lap - 1, 0), "set_id": "N1 N2 N3 N4",
                "age_laps": float(lap - 1), "heat_cycles": 0.0, "fuel_kg": 30.0 - 1.8 * lap,
                "air_c": 18.0, "track_c": 26.0, "field_laps": 20.0 * lap,
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def hand_tyres():
    ids = [f"N{i}" for i in range(1, 9)]
    used = [True] * 4 + [False] * 4
    return pd.DataFrame(
        {
            "tyre_id": ids, "spec": "control", "new": True, "marked": True,
            "age_laps": [9.0 if u else 0.0 for u in used],
            "distance_km": [27.0 if u else 0.0 for u in used],
            "heat_cycles": [1 if u else 0 for u in used],
            "tread_mm": [5.4, 5.6, 5.9, 6.0, np.nan, 8.0, 8.0, 8.0],
            "tread_min_mm": [5.2, 5.4, 5.7, 5.8, np.nan, 7.9, 7.9, 7.9],
            "axle": "any", "side": "any", "last_corner": [*CORNERS, "", "", "", ""],
            "used": used, "note": "",
        }
    )  # fmt: skip


def hand_runs():
    return pd.DataFrame(
        [{"run_id": "P1-1", "session": "P1", "driver": "Driver A", "start": START, "fl": "N1",
          "fr": "N2", "rl": "N3", "rr": "N4"}]
    )  # fmt: skip


def hand_tread():
    rows = [
        {
            "taken_at": START + timedelta(minutes=30), "tyre_id": f"N{i + 1}", "corner": corner,
            "age_laps": 9.0, "inner_mm": 5.2 + 0.1 * i, "centre_mm": 5.4 + 0.1 * i,
            "outer_mm": 5.6 + 0.1 * i,
        }
        for i, corner in enumerate(CORNERS)
    ]  # fmt: skip
    return pd.DataFrame(rows)


def hand_plan(event):
    sets = {"Q": ("N5", "N6", "N7", "N8"), "R1": ("N5", "N6", "N3", "N4")}
    rows = []
    for session, ids in sets.items():
        for corner, tyre_id in zip(CORNERS, ids, strict=True):
            age = 0.0 if session == "Q" else 6.0 if tyre_id in ("N5", "N6") else 9.0
            rows.append(
                {
                    "session": session, "stint": 1, "corner": corner, "tyre_id": tyre_id,
                    "age_laps": age, "age_end_laps": age + (6.0 if session == "Q" else 17.0),
                    "tread_start_mm": 8.0, "tread_end_mm": 7.2, "tread_end_low_mm": 6.9,
                    "expected_loss_s": 0.4, "locked": False,
                }
            )  # fmt: skip
    return SimpleNamespace(
        status="optimal", cost_s=3.21, bound_s=3.21, gap_s=0.0, table=pd.DataFrame(rows),
        problem=SimpleNamespace(
            stints=[SimpleNamespace(session=name, value=1.0) for name in sets]
        ),
        alternatives=(
            SimpleNamespace(difference_s=0.42, differs="R1 RL: N7 instead of N3", table=None),
        ),
        blocked_by=(), repairs=(), notes=("costs are averaged over 200 draws",),
    )  # fmt: skip


def hand_choices():
    rows = [
        (1, "N5", "N6", "N7", "N8", 0.0, 0.0, 0.0, 0.81, 0.0, 0.0, 0.0, 0.0, "all four new"),
        (2, "N5", "N6", "N3", "N4", 0.31, -0.12, 0.74, 0.13, -0.21, 0.1, -0.3, 0.5, "two new"),
        (3, "N1", "N2", "N3", "N4", 1.90, 0.80, 3.10, 0.06, 0.1, 2.0, 0.9, 3.2, "all used"),
    ]
    names = ["rank", "fl", "fr", "rl", "rr", "expected_s", "lower_s", "upper_s", "chance_best",
             "later_cost_s", "weekend_cost_s", "weekend_lower_s", "weekend_upper_s",
             "reason"]  # fmt: skip
    return SimpleNamespace(table=pd.DataFrame(rows, columns=names), notes=())


def hand_load(session, start_l, laps):
    start = np.arange(start_l - 4, start_l + 4, 0.1)
    table = pd.DataFrame(
        {"start_l": start, "start_kg": start * 0.745,
         "shortfall_risk": 0.005 * 10.0 ** (start_l - start)}
    )  # fmt: skip
    return SimpleNamespace(
        session=session, status="optimal", laps=laps, start_l=start_l, start_kg=start_l * 0.745,
        bowser_c=15.0, unusable_kg=0.6, sample_kg=0.4, need_kg=start_l * 0.66,
        need_lower_kg=start_l * 0.64,
        need_upper_kg=start_l * 0.68, shortfall_risk=0.0048, accepted_risk=0.005, refuel_kg=0.0,
        seconds_per_litre=0.2, finish_fuel_kg=3.0, finish_mass_kg=1521.4,
        minimum_mass_kg=1520.0, ballast_kg=34.0,
        ballast_change_kg=24.0, driver="Driver A", table=table, blocked_by=(),
        notes=("litres are at 15 degC in the bowser; weigh the fuel if you can",),
    )  # fmt: skip


def hand_pressures():
    table = pd.DataFrame(
        {
            "corner": CORNERS, "hot_target_bar": [2.1, 2.1, 2.0, 2.0],
            "cold_bar": [1.62, 1.64, 1.58, 1.40], "lower_bar": [1.58, 1.60, 1.54, 1.36],
            "upper_bar": [1.66, 1.68, 1.62, 1.44], "limited": [False, False, False, True],
            "basis": ["hot target"] * 3 + ["lowest allowed is 1.40 bar"],
        }
    )  # fmt: skip
    return SimpleNamespace(
        session="Q", target_lap=2, air_c=18.0, track_c=26.0, table=table,
        notes=("set cold, tyres at 18 degC; re-check if the air changes by 3 degC or more",),
    )  # fmt: skip


def hand_weekend(event, folder):
    doubt = SimpleNamespace(
        name="gauge reads low", evidence="RL is <0.3 bar> under its pair", sure=0.7,
        where="book/pressures.csv row 4", next_step="Check the gauge against another.",
    )  # fmt: skip
    return SimpleNamespace(
        folder=folder, event=event, inputs={"event.toml": "ab" * 32, "logs/p1.csv.gz": "cd" * 32},
        notes=("P1-1: lap line inferred",), doubts=(doubt,), laps=hand_laps(), tyres=hand_tyres(),
        tread=hand_tread(), runs=hand_runs(), done=("P1",), next_session=event.session("Q"),
    )  # fmt: skip


@pytest.fixture
def hand_event():
    return parse_event(EVENT)


@pytest.fixture
def hand_answer(hand_event, tmp_path: Path):
    weekend = hand_weekend(hand_event, tmp_path / "hand")
    return SimpleNamespace(
        weekend=weekend, beliefs=None, fuel_use=SimpleNamespace(notes=()), laps=weekend.laps,
        doubts=weekend.doubts,
        lap_time=LapTime(), tread=Tread(), pressure=SimpleNamespace(notes=()),
        conditions=SimpleNamespace(air_c=18.0, track_c=26.0, bowser_c=15.0, basis="weather",
                                   again=""),
        allocation=hand_plan(hand_event), next_session=hand_choices(),
        fuel_loads={"Q": hand_load("Q", 14.2, 7.0), "R1": hand_load("R1", 38.6, 17.0)},
        cold_pressures=hand_pressures(), next_is_wet=False,
        notes=("P1-1: lap line inferred", "weather"),
    )  # fmt: skip
