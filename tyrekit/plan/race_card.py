"""What the pit wall wants to read during a race: when to stop, and how much fuel must be left."""

from __future__ import annotations

import numpy as np
import pandas as pd

from tyrekit.fit.fuel_use import FuelUseResults
from tyrekit.plan.caution import CautionPolicy
from tyrekit.plan.fuel_load import FuelLoad
from tyrekit.plan.programme import SHORTEST_MIN, less_stops
from tyrekit.plan.stint_search import Floats
from tyrekit.plan.stints import StintPlans, StintRace
from tyrekit.record.event import Event, Session

CHEAP_S = 1.0  # a stop that costs less than this against the planned lap is as good; ours
NODES = 16  # laps at which the fuel left is worked out; it is all but straight between them
LAST = 10  # laps before the finish that are each worked out: there cautions bend it
CARD = (
    "stop", "lap", "from_lap", "to_lap", "until_lap", "off", "on", "fuel_kg", "added_kg",
    "under_caution",
)  # fmt: skip
FUEL_LEFT = ("lap", "fuel_kg", "lower_kg", "upper_kg", "least_kg")
FUEL_ACCOUNT = ("what", "laps", "fuel_kg", "left_kg")


def stop_card(stints: StintPlans, policy: CautionPolicy | None) -> pd.DataFrame:
    """Return a row per planned stop.

    Columns: stop, lap (at whose end), from_lap to to_lap (laps around it that cost less than a
    second more), until_lap (how long to wait for a caution at most), off and on (tyres; the same
    when they stay on), fuel_kg aboard when leaving, added_kg at the stop, under_caution (in
    words: on which laps a caution is answered by a stop).
    """
    if not stints.plans:
        return pd.DataFrame(columns=list(CARD))
    table, window = stints.best.table, stints.window
    burnt_kg = stints.race.use_kg_per_lap * table["laps"]
    burnt_kg.iloc[0] += stints.race.formation_kg
    waiting = [] if policy is None else list(policy.table.loc[policy.table["planned"], "lap"])
    rows: list[tuple[object, ...]] = []
    for i, lap in enumerate(stints.best.stops):
        own = window[window["stop"] == i + 1]
        cheap = _around(own, lap)
        left_kg = float(table["fuel_kg"].iloc[i] - burnt_kg.iloc[i])
        fuel_kg = float(table["fuel_kg"].iloc[i + 1])
        tyres = (str(table["set"].iloc[i]), str(table["set"].iloc[i + 1]))
        added_kg = max(fuel_kg - left_kg, 0.0) if stints.race.refuel else 0.0
        until = int(waiting[i]) if i < len(waiting) else lap
        said = "no cautions are counted on" if policy is None else _words(policy, i)
        rows.append((i + 1, lap, *cheap, until, *tyres, fuel_kg, added_kg, said))
    return pd.DataFrame(rows, columns=list(CARD))


def _around(own: pd.DataFrame, lap: int) -> tuple[int, int]:
    """Return the first and last of the unbroken row of cheap laps around a stop."""
    cheap = set(own.loc[own["lost_s"] <= CHEAP_S, "lap"])
    first = last = lap
    while first - 1 in cheap:
        first -= 1
    while last + 1 in cheap:
        last += 1
    return first, last


def _words(policy: CautionPolicy, stops: int) -> str:
    """Return on which laps a caution is answered by the next stop, the ones before as planned."""
    table = policy.table
    made = table["planned"].cumsum().shift(fill_value=0)
    laps = table.loc[(table["reply"] == "stop") & (made == stops), "lap"].to_numpy(dtype=int)
    if not len(laps):
        return "stay out"
    parts = np.split(laps, np.flatnonzero(np.diff(laps) > 1) + 1)
    said = [str(p[0]) if len(p) == 1 else f"{p[0]} to {p[-1]}" for p in parts]
    return f"stop on lap {' and '.join(said)}"


def fuel_left(
    event: Event,
    session: Session,
    fuel_use: FuelUseResults,
    race: StintRace,
    load: FuelLoad,
    lap_s: tuple[float, float],
) -> pd.DataFrame:
    """Return what should be in the tank at the end of every lap, and what must be.

    Columns lap, fuel_kg (expected, without cautions), lower_kg, upper_kg (90 %), least_kg: with
    less the chance of running short from there is above the accepted risk. What the race itself
    has shown by then is not counted in, so `least_kg` is on the careful side. Empty where fuel
    may be added.
    """
    if race.refuel:
        return pd.DataFrame({name: pd.Series(dtype=float) for name in FUEL_LEFT})
    every = np.arange(race.laps + 1)
    nodes = np.linspace(0, race.laps, min(race.laps + 1, NODES)).astype(int)
    laps = np.union1d(nodes, every[-LAST:])
    kept_kg = load.unusable_kg + load.sample_kg
    burnt = np.array([_burnt_kg(session, fuel_use, int(n)) for n in laps])
    wanted = [_to_come_kg(event, session, fuel_use, lap_s, int(n), race.laps) for n in laps]
    ends = {"fuel_kg": burnt[:, 1], "lower_kg": burnt[:, 2], "upper_kg": burnt[:, 0]}
    left = {name: np.maximum(load.start_kg - kg, 0.0) for name, kg in ends.items()}
    left["least_kg"] = np.array(wanted) + kept_kg
    return pd.DataFrame({"lap": every, **{n: np.interp(every, laps, kg) for n, kg in left.items()}})


def fuel_account(
    session: Session, fuel_use: FuelUseResults, load: FuelLoad, left: pd.DataFrame
) -> pd.DataFrame:
    """Return where the start fuel is expected to go when no caution comes.

    Rows formation, race, cool_down, sample, unusable, spare; columns what, laps, fuel_kg, left_kg
    (in the tank after it; for unusable and spare what is left to take off). The rows add up to the
    start fuel; below 0 the spare is what lacks. Empty where fuel may be added.

    Parameters
    ----------
    left : DataFrame
        From `fuel_left`.
    """
    if not len(left):
        return pd.DataFrame({name: pd.Series(dtype=float) for name in FUEL_ACCOUNT})
    start_kg, lined_up_kg, flag_kg = load.start_kg, *left["fuel_kg"].iloc[[0, -1]]
    slow_kg = float(fuel_use.use_by_kind(race=True)["mean"]["cool_down"])
    rows = (
        ("formation", session.formation_laps, start_kg - lined_up_kg),
        ("race", int(left["lap"].iloc[-1]), lined_up_kg - flag_kg),
        ("cool_down", session.cool_down_laps, session.cool_down_laps * slow_kg),
        ("sample", 0, load.sample_kg),
        ("unusable", 0, load.unusable_kg),
    )
    table = pd.DataFrame(rows, columns=["what", "laps", "fuel_kg"])
    spare_kg = start_kg - float(table["fuel_kg"].sum())
    table.loc[len(table)] = ("spare", 0, spare_kg)
    return table.assign(left_kg=start_kg - table["fuel_kg"].cumsum())


def _burnt_kg(session: Session, fuel_use: FuelUseResults, laps: int) -> Floats:
    """Return the 5 % end, the mean and the 95 % end of what so many laps burn."""
    if not laps and not session.formation_laps:
        return np.zeros(3)
    if not laps:
        kg = session.formation_laps * fuel_use.use_by_kind(race=True).loc["formation"]
        return np.array([kg["lower"], kg["mean"], kg["upper"]])
    need = fuel_use.need(laps, formation_laps=session.formation_laps, wet=session.wet)
    return np.array([need.quantile(0.05), need.mean, need.quantile(0.95)])


def _to_come_kg(
    event: Event,
    session: Session,
    fuel_use: FuelUseResults,
    lap_s: tuple[float, float],
    done: int,
    laps: int,
) -> float:
    """Return what the rest of the race burns at most, at the accepted risk."""
    risk = event.fuel.shortfall_risk
    if done == laps:
        cool_down = fuel_use.use_by_kind(1 - 2 * risk, race=True)["upper"]["cool_down"]
        return session.cool_down_laps * float(cool_down)
    minutes = less_stops(event, session).minutes
    if minutes is not None:
        minutes = max(minutes - done * lap_s[0] / 60.0, SHORTEST_MIN)
    need = fuel_use.need(
        session.laps - done if session.laps is not None else None,
        minutes=minutes,
        lap_time=lap_s if minutes is not None else None,
        cool_down_laps=session.cool_down_laps,
        caution=session.caution,
        wet=session.wet,
    )
    return need.quantile(1 - risk)
