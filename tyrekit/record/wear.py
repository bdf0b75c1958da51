"""The life of each tyre: laps, distance and heat cycles, run after run."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from tyrekit.record.wet_tyres import scrapped_tyres, wet_tyres
from tyrekit.terms import CORNERS


@dataclass(frozen=True)
class Run:
    """What a run put on its tyres: `laps` counts every lap, out- and in-laps included."""

    run_id: str
    start: pd.Timestamp
    end: pd.Timestamp
    tyres: Mapping[str, str]
    laps: float
    distance_km: float


@dataclass(frozen=True)
class State:
    """A tyre's age at one moment, and the corner it last ran on (FL, empty before its first)."""

    age_laps: float
    distance_km: float
    heat_cycles: float
    corner: str = ""


@dataclass(frozen=True)
class Life:
    """A tyre's states: as brought, then after each of its runs."""

    brought: State
    after: tuple[tuple[Run, State], ...] = ()

    @property
    def now(self) -> State:
        """The state after every run in the book."""
        return self.after[-1][1] if self.after else self.brought

    def before(self, run_id: str) -> State:
        """Return the state in which the tyre began a run."""
        state = self.brought
        for run, later in self.after:
            if run.run_id == run_id:
                return state
            state = later
        return state

    def at(self, moment: pd.Timestamp, after_run: str = "") -> State:
        """Return the state at a reading: after the run it names, else after the last one begun.

        Before its first run a tyre has no corner; the one it runs on next is given, since the
        wear from this reading on belongs there.
        """
        state = self.brought
        for run, later in self.after:
            if run.start < moment or run.run_id == after_run:
                state = later
            if run.run_id == after_run:
                return later
        if not state.corner and self.after:
            first = self.after[0][1].corner
            return State(state.age_laps, state.distance_km, state.heat_cycles, first)
        return state


def lives_of(tyres: pd.DataFrame, runs: Sequence[Run]) -> dict[str, Life]:
    """Return tyre id -> its life, from the tyre list and the runs in order of time."""
    lives = {
        str(row["tyre_id"]): Life(
            State(float(row["age_laps"]), float(row["distance_km"]), float(row["heat_cycles"]))
        )
        for _, row in tyres.iterrows()
    }
    for run in runs:
        for corner in CORNERS:
            life = lives[run.tyres[corner]]
            now = life.now
            later = State(
                now.age_laps + run.laps,
                now.distance_km + run.distance_km,
                now.heat_cycles + 1,
                corner.upper(),
            )
            lives[run.tyres[corner]] = Life(life.brought, (*life.after, (run, later)))
    return lives


def tyres_now(tyres: pd.DataFrame, lives: Mapping[str, Life], tread: pd.DataFrame) -> pd.DataFrame:
    """Return the tyre list as it stands after every run: one row per tyre.

    `tread_mm` is the mean of the latest reading, `tread_min_mm` its thinnest place; without a
    reading the tyre list's own `tread_mm` is both, NaN when that is empty. `wet` and `scrapped`
    are true or false.
    """
    table = tyres.reset_index(drop=True).copy()
    states = [lives[tyre_id].now for tyre_id in table["tyre_id"]]
    for name in ("age_laps", "distance_km", "heat_cycles"):
        table[name] = pd.Series([getattr(s, name) for s in states], dtype="float64")
    table["last_corner"] = pd.Series([s.corner for s in states], dtype="str")
    table["used"] = [bool(lives[tyre_id].after) for tyre_id in table["tyre_id"]]
    table["wet"], table["scrapped"] = wet_tyres(table), scrapped_tyres(table)
    table["tread_min_mm"] = table["tread_mm"]
    places = ["inner_mm", "centre_mm", "outer_mm"]
    latest = tread.sort_values("taken_at", kind="stable").drop_duplicates("tyre_id", keep="last")
    depths = latest.set_index("tyre_id")[places]
    for name, depth in (("tread_mm", depths.mean(axis=1)), ("tread_min_mm", depths.min(axis=1))):
        table[name] = table["tyre_id"].map(depth).astype("float64").fillna(table[name])
    first = [
        "tyre_id", "spec", "new", "marked", "age_laps", "distance_km", "heat_cycles", "tread_mm",
        "tread_min_mm", "axle", "side", "last_corner", "used", "wet",
        "scrapped", "note",
    ]  # fmt: skip
    return table[[*first, *(name for name in table.columns if name not in first)]]


def tread_with_age(
    tread: pd.DataFrame, lives: Mapping[str, Life], wets: Collection[str] = ()
) -> pd.DataFrame:
    """Return the tread readings with the tyre's age, distance and corner when it was read.

    `wet` tells those of the tyres in `wets`.
    """
    table = tread.copy()
    states = [
        lives[tyre_id].at(moment, after_run)
        for tyre_id, moment, after_run in zip(
            tread["tyre_id"], tread["taken_at"], tread["after_run"], strict=True
        )
    ]
    table["age_laps"] = pd.Series([s.age_laps for s in states], table.index, dtype="float64")
    table["distance_km"] = pd.Series([s.distance_km for s in states], table.index, dtype="float64")
    table["corner"] = pd.Series([s.corner for s in states], table.index, dtype="str")
    table["wet"] = table["tyre_id"].isin(wets)
    return table
