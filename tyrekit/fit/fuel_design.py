"""The fuel fit's parameters, their beliefs, and the rows that laps and balances give.

Everything is in natural logs or shares: log kg per timed lap, log share of a timed lap for the
other kinds, log scale of the channel, and relative changes for race, wet and each session.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import pandas as pd

from tyrekit.fit.fuel_balance import Balance
from tyrekit.fit.fuel_rows import KINDS, SCATTER
from tyrekit.fit.prior import Prior
from tyrekit.fit.result import Floats
from tyrekit.record.event import Event

SHARES = {kind: f"{kind}_share" for kind in KINDS if kind != "timed"}
SESSION = "session_change_pct"


class Rows(NamedTuple):
    """Rows of the log-linear model."""

    design: Floats
    response: Floats
    scatter: Floats  # multiple of the lap noise; 0 for a balance
    own_sd: Floats  # spread that is not lap noise


def session_name(session: str) -> str:
    """Return the name of a session's parameter."""
    return f"{SESSION}[{session}]"


def parameters(event: Event, sessions: set[str]) -> tuple[str, ...]:
    """Return the parameters: fixed ones, then a change per session that has fuel data."""
    order = [s.id for s in event.sessions if s.id in sessions]
    order += sorted(sessions - set(order))
    wet = ("wet_shift_pct",) if any(s.wet for s in event.sessions) else ()
    fixed = ("use_kg_per_lap", *SHARES.values(), "flow_scale", "race_shift_pct", *wet)
    return (*fixed, *(session_name(session) for session in order))


def is_log(name: str) -> bool:
    """Return whether a parameter is fitted as a log; the others as a share of 100 %."""
    return not name.partition("[")[0].endswith("_pct")


def log_beliefs(
    names: tuple[str, ...], beliefs: Mapping[str, Prior], scale: Prior, density_kg_per_l: float
) -> tuple[Floats, Floats]:
    """Return mean and spread of each parameter on the scale it is fitted on."""
    use = beliefs["use_l_per_lap"].scaled(density_kg_per_l)
    said = {**beliefs, "use_kg_per_lap": use, "flow_scale": scale}
    mean, sd = np.zeros(len(names)), np.zeros(len(names))
    for i, name in enumerate(names):
        if is_log(name):
            mean[i], sd[i] = math.log(said[name].mean), said[name].sd / said[name].mean
        elif name.startswith(SESSION):
            sd[i] = beliefs[SESSION].mean / 100
        else:
            mean[i], sd[i] = said[name].mean / 100, said[name].sd / 100
    return mean, sd


def lap_rows(
    names: tuple[str, ...], used: pd.DataFrame, event: Event, density_kg_per_l: float
) -> Rows:
    """Return a row per lap with logged litres: log of the kg the channel says."""
    design = use_design(names, used["session"], used["kind"], event)
    design[:, names.index("flow_scale")] = -1.0
    litres: Floats = used["fuel_used_l"].to_numpy(dtype=np.float64)
    scatter: Floats = np.array([SCATTER[kind] for kind in used["kind"]], dtype=np.float64)
    return Rows(
        design, np.log(density_kg_per_l * litres).astype(np.float64), scatter, np.zeros(len(used))
    )


def use_design(names: tuple[str, ...], session: pd.Series, kind: pd.Series, event: Event) -> Floats:
    """Return the design of the log of true kg per lap, a row per lap."""
    races = {s.id for s in event.sessions if s.kind == "race"}
    wets = {s.id for s in event.sessions if s.wet}
    design = np.zeros((len(session), len(names)))
    for i, name in enumerate(names):
        if name == "use_kg_per_lap":
            design[:, i] = 1.0
        elif name.endswith("_share"):
            design[:, i] = kind == name.removesuffix("_share")
        elif name == "race_shift_pct":
            design[:, i] = session.isin(races)
        elif name == "wet_shift_pct":
            design[:, i] = session.isin(wets)
        elif name.startswith(SESSION):
            design[:, i] = session == name.removeprefix(f"{SESSION}[").removesuffix("]")
    return design


def scale_row(names: tuple[str, ...], scale: float, scale_sd: float) -> Rows:
    """Return the row of a balance that the channel covers: log of kg burnt over kg logged."""
    design = np.zeros((1, len(names)))
    design[0, names.index("flow_scale")] = 1.0
    return Rows(design, np.array([math.log(scale)]), np.zeros(1), np.array([scale_sd]))


def use_row(
    names: tuple[str, ...], balance: Balance, laps: pd.DataFrame, event: Event,
    mean: Floats, noise: float,
) -> Rows:  # fmt: skip
    """Return the row of a balance without a channel: log of kg burnt by its laps.

    The sum over kinds of lap is taken to first order about the beliefs `mean`.
    """
    each = use_design(names, laps["session"], laps["kind"], event)
    relative = np.exp(each @ mean)
    share = relative / relative.sum()
    row = share @ each
    centre = math.log(relative.sum())
    scatter = np.array([SCATTER[kind] for kind in laps["kind"]])
    sd = math.hypot(
        balance.used_sd_kg / balance.used_kg, noise * math.sqrt(np.sum((share * scatter) ** 2))
    )
    response = math.log(balance.used_kg) - centre + float(row @ mean)
    return Rows(row[None, :], np.array([response]), np.zeros(1), np.array([sd]))


def stacked(parts: list[Rows]) -> Rows:
    """Return the rows of all parts together."""
    return Rows(*(np.concatenate(column) for column in zip(*parts, strict=True)))
