"""Invented weekends with next to nothing to learn from, and some at the ends of what is legal.

All are `plain_weekends.plain` with something taken away or made constant; each is one that a crew
can come to: a logger that failed, a practice rained off, a tyre list not filled in yet.
"""

from __future__ import annotations

import random
from collections.abc import Callable

from plain_weekends import Plain, plain


def one_lap() -> Plain:
    one = plain(run=("P1",))
    one.book["laps"] = one.book["laps"][1:2]
    one.book["laps"][0]["lap"] = 1
    return one


def one_set() -> Plain:
    return plain(sets=1, sessions=("P1", "Q", "R1"), run=("P1",))


def one_session() -> Plain:
    return plain(sessions=("R1",), run=())


def one_session_run() -> Plain:
    return plain(sessions=("R1",), run=("R1",))


def all_excluded() -> Plain:
    one = plain()
    for row in one.rows("laps"):
        row["kind"] = "caution"
    return one


def all_left_out() -> Plain:
    one = plain()
    one.book["left_out"] = [
        {"run_id": row["run_id"], "lap": row["lap"], "reason": "by hand"}
        for row in one.rows("laps")
    ]
    return one


def no_logs() -> Plain:
    one = plain()
    one.book["laps"] = []
    return one


def _constant(*columns: str) -> Plain:
    one = plain(logged=True)
    for log in one.logs.values():
        for column in columns:
            log[column] = log[column].iloc[len(log) // 2]
    return one


def constant_speed() -> Plain:
    return _constant("Speed")


def constant_fuel() -> Plain:
    return _constant("Used")


def constant_pressure() -> Plain:
    return _constant("PFL", "PFR", "PRL", "PRR")


def constant_everything() -> Plain:
    return _constant("Speed", "Used", "Air", "PFL", "PFR", "PRL", "PRR")


def perfect_line() -> Plain:
    one = plain()
    for at, row in enumerate(one.rows("laps")):
        row["lap_time_s"] = round(90.0 + 0.05 * (at % 7) + 10.0 * (row["lap"] in (1, 7)), 3)
        row["fuel_used_l"] = 1.8
    for row in one.rows("tread"):
        row.update(inner_mm=4.0, centre_mm=4.0, outer_mm=4.0)
    for row in one.rows("pressures"):
        row["hot_bar"] = 2.0
    return one


def identical_laps() -> Plain:
    one = plain()
    for row in one.rows("laps"):
        row.update(lap_time_s=90.0, fuel_used_l=1.8)
    return one


def no_practice() -> Plain:
    return plain(sessions=("R1", "R2"), run=())


def no_practice_one_race_run() -> Plain:
    return plain(sessions=("R1", "R2"), run=("R1",))


def smallest_tank() -> Plain:
    one = plain()
    one.event["fuel"] |= {"tank_l": 3.1, "unusable_l": 2.0, "sample_l": 1.0}
    return one


def all_run() -> Plain:
    return plain(run=("P1", "P2", "Q", "R1", "R2"))


def twelve_limits() -> Plain:
    one = plain()
    one.limits = [
        {"kind": "new_tyres", "most": 4},
        {"kind": "pool", "sessions": ["Q", "R1", "R2"], "most": 8, "marked_only": True},
        {"kind": "start_on", "session": "R1", "same_as": "Q"},
        {"kind": "minimum_tread", "mm": 1.6, "confidence_pct": 95.0},
        {"kind": "longest_life", "laps": 60, "heat_cycles": 9},
        {"kind": "longest_life", "km": 180.0},
        {"kind": "same_side"}, {"kind": "matched_axle", "laps": 8},
        {"kind": "scrubbed_before", "sessions": ["R2"]},
        {"kind": "keep_spare", "session": "R2", "per": "axle"},
        {"kind": "lock", "session": "Q", "tyres": {"FL": "N1", "FR": "N2"}},
        {"kind": "pool", "sessions": ["R1", "R2"], "most": 8},
    ]  # fmt: skip
    return one


def clashing_limits() -> Plain:
    one = plain()
    one.limits = [{"kind": "new_tyres", "most": 0}, {"kind": "longest_life", "laps": 1}]
    return one


def no_tyres() -> Plain:
    one = plain(run=())
    one.book["tyres"], one.book["tread"] = [], []
    return one


def three_tyres() -> Plain:
    one = plain(run=())
    one.book["tyres"] = one.book["tyres"][:3]
    one.book["tread"] = one.book["tread"][:3]
    return one


def worn_out() -> Plain:
    one = plain()
    for row in one.rows("tread"):
        row.update(inner_mm=1.6, centre_mm=1.6, outer_mm=1.6)
    return one


def no_weather() -> Plain:
    one = plain()
    one.book["weather"] = []
    for row in one.rows("laps"):
        row.update(air_c="", track_c="")
    return one


def no_readings() -> Plain:
    one = plain()
    for table in ("tread", "pressures", "temperatures", "fuel", "weather"):
        one.book[table] = []
    return one


def only_runs() -> Plain:
    one = no_readings()
    one.book["laps"] = []
    return one


def race_to_time() -> Plain:
    one = plain()
    one.sessions[-1].pop("laps")
    one.sessions[-1]["minutes"] = 1.0
    return one


def wet_race() -> Plain:
    one = plain()
    one.sessions[-1]["wet"] = True
    return one


def race_of_one_lap() -> Plain:
    one = plain()
    one.sessions[-1]["laps"] = 1
    return one


def race_with_every_stop() -> Plain:
    one = plain()
    one.sessions[-1] |= {
        "laps": 8, "formation_laps": 2, "cool_down_laps": 2,
        "stops": {"minimum": 2, "first_lap": 1, "last_lap": 7, "stationary_s": 0.0, "tyres": True,
                  "refuel": True},
        "caution": {"chance_per_lap": 0.9, "mean_laps": 1.0, "lap_time_pct": 100.0,
                    "fuel_pct": 200.0, "pit_loss_s": 0.0},
    }  # fmt: skip
    return one


DEGENERATE: dict[str, Callable[[], Plain]] = {
    made.__name__.replace("_", " "): made
    for made in (
        one_lap, one_set, one_session, one_session_run, all_excluded, all_left_out, no_logs,
        constant_speed, constant_fuel, constant_pressure, constant_everything, perfect_line,
        identical_laps, no_practice, no_practice_one_race_run, smallest_tank, all_run,
        twelve_limits, clashing_limits, no_tyres, three_tyres, worn_out, no_weather, no_readings,
        only_runs, race_to_time, wet_race, race_of_one_lap, race_with_every_stop,
    )
}  # fmt: skip


def extreme(rng: random.Random) -> Plain:
    """Return a weekend at the ends of what event.toml and the book allow, a few at a time."""
    lap_s, length_m = rng.choice([(25.0, 800.0), (90.0, 3000.0), (600.0, 25_000.0)])
    count = rng.choice([1, 5, 30])
    names = {1: ("R1",), 5: ("P1", "P2", "Q", "R1", "R2")}.get(
        count, (*(f"P{i}" for i in range(1, 25)), "Q", *(f"R{i}" for i in range(1, 6)))
    )
    one = plain(
        rng.randint(1, 9), lap_s=lap_s, length_m=length_m, sessions=names,
        run=rng.choice([(), names[:1], names[:2]]), sets=rng.choice([1, 2, 10]),
        use_l=rng.choice([0.2, 1.8, 6.0]), every_min=150.0,
    )  # fmt: skip
    for session in one.sessions[2:24] if count == 30 else []:
        session["planned_laps"] = 0  # the tyre plan of 30 sessions at once takes minutes
    one.event["event"]["cars"] = rng.choice([1, 18, 200])
    car = rng.choice([(400.0, 90.0), (1400.0, 90.0), (10_000.0, 0.0)])
    one.event["car"] |= {"mass_kg": car[0], "ballast_limit_kg": car[1]} | (
        {} if car[1] else {"ballast_kg": 0.0}
    )
    one.event["fuel"] |= {
        "tank_l": rng.choice([8.0, 70.0, 1000.0]),
        "density_kg_per_l": rng.choice([0.653, 0.745, 0.838]),
        "shortfall_risk": rng.choice([1e-6, 0.005, 0.499]),
    }  # fmt: skip
    one.event["tyres"]["minimum_tread_mm"] = rng.choice([0.0, 1.6, 15.0])
    air_c = rng.choice([-20.0, 15.0, 45.0])
    hpa = rng.choice([1013.0, 701.0])  # sea level and 3000 m (published: ISO 2533)
    for row in one.rows("weather"):
        row.update(air_c=air_c, track_c=max(air_c, -20.0) + 5.0, pressure_hpa=hpa)
    for row in one.rows("laps"):
        row.update(air_c=air_c, track_c=air_c + 5.0)
    for session in one.sessions:
        if session["kind"] == "race" and rng.random() < 0.5:
            session["laps"] = rng.choice([1, 8, 60])
        session["value"] = rng.choice([0.0, 1.0, 1000.0])
    return one
