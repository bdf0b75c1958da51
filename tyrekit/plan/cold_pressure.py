"""Cold pressures to set so that the tyres reach the hot target when it matters."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from tyrekit.fit.pressure import PressureResults
from tyrekit.plan.programme import laps_to_run
from tyrekit.record.event import Event, Session

TARGET_LAP = {"qualifying": 2, "practice": 4, "race": 6}  # lap by which the target should be met
STEP_BAR = 0.01


@dataclass(frozen=True)
class ColdPressures:
    """Cold gauge pressure per corner with its interval.

    ``table`` has a row per corner: hot target, cold pressure to set, interval, whether the lowest
    allowed pressure was in the way (``limited``) and in words what the figure rests on.
    """

    session: str
    target_lap: int
    air_c: float
    track_c: float
    table: pd.DataFrame
    notes: tuple[str, ...]


def cold_pressures(
    event: Event,
    session: Session,
    pressure: PressureResults,
    *,
    air_c: float,
    track_c: float,
    target_lap: int | None = None,
    level: float = 0.9,
) -> ColdPressures:
    """Return the cold pressures for the hot target at `target_lap` of a session.

    Parameters
    ----------
    event : Event
        Hot targets per axle and the lowest cold pressure the kit may advise.
    air_c, track_c : float
        Temperatures expected when the session starts; the pressures are set at `air_c`.
    target_lap : int, optional
        Lap by which the target should be met; by default 2 in qualifying, 4 in practice and 6 in
        races (common practice, no source), never more than the session's laps.
    level : float
        Share of the interval, between 0 and 1.
    """
    lap = target_lap or min(TARGET_LAP[session.kind], laps_to_run(session, 90.0))
    rows = []
    for corner in ("FL", "FR", "RL", "RR"):
        target = event.tyres.hot_target_bar
        hot_bar = target.front if corner.startswith("F") else target.rear
        found = pressure.cold_bar(
            corner, hot_bar=hot_bar, laps=lap, air_c=air_c, track_c=track_c, level=level
        )
        rows.append(_row(event, corner, hot_bar, *found))
    table = pd.DataFrame(rows)
    return ColdPressures(
        session=session.id,
        target_lap=lap,
        air_c=air_c,
        track_c=track_c,
        table=table,
        notes=_notes(event, table, air_c),
    )


def _row(
    event: Event, corner: str, hot_bar: float, mean: float, lower: float, upper: float
) -> dict[str, object]:
    floor = event.tyres.cold_minimum_bar
    limited = floor is not None and mean < floor
    set_bar = floor if floor is not None and limited else mean
    return {
        "corner": corner,
        "hot_target_bar": hot_bar,
        "cold_bar": round(set_bar / STEP_BAR) * STEP_BAR if not limited else set_bar,
        "lower_bar": lower,
        "upper_bar": upper,
        "limited": limited,
        "basis": f"lowest allowed is {floor:.2f} bar" if limited else "hot target",
    }


def _notes(event: Event, table: pd.DataFrame, air_c: float) -> tuple[str, ...]:
    notes = [f"set cold, tyres at {air_c:.0f} degC; re-check if the air changes by 3 degC or more"]
    if table["limited"].any():
        corners = ", ".join(table.loc[table["limited"], "corner"])
        notes.append(
            f"{corners}: the hot target would need less than the lowest allowed cold pressure;"
            " the limit wins and the tyre will run above target"
        )
    if event.tyres.cold_minimum_bar is None:
        notes.append("no lowest cold pressure is given: look up the tyre supplier's limit")
    return tuple(notes)
