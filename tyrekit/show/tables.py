"""What an answer says, as DataFrames: every figure on screen, paper or chart stands in one.

Columns are named as in `terms`; interval columns are 90 % unless said otherwise.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from tyrekit.record.event import Event, MinimumTread
from tyrekit.show.answer import SEED, Answer
from tyrekit.show.style import LEVEL
from tyrekit.show.words import each_once
from tyrekit.terms import CORNER_NAMES

CORNERS = CORNER_NAMES
PLACES = ("inner_mm", "centre_mm", "outer_mm")
DRAWS = 400
AHEAD_LAPS = 5  # how far past the ages seen or planned a drop-off curve is drawn
LATER_AGE_LAPS = 40


def next_tyres_table(answer: Answer) -> pd.DataFrame:
    """Return the tyres for the next session, a row per corner, with their cold pressures.

    Empty when no session is left or no plan exists.
    """
    chosen = _chosen(answer)
    if not chosen:
        return pd.DataFrame(columns=["corner", "tyre_id"])
    table = pd.DataFrame({"corner": list(chosen), "tyre_id": list(chosen.values())})
    state = answer.weekend.tyres.drop(columns=["axle", "side"], errors="ignore")
    table = table.merge(state, on="tyre_id", how="left")
    if answer.cold_pressures is not None:
        table = table.merge(answer.cold_pressures.table, on="corner", how="left")
    coming = answer.weekend.next_session
    plan = plan_cells(answer)
    if coming is not None and len(plan):
        ends = ["corner", "tyre_id", "age_end_laps", "tread_end_low_mm"]
        table = table.merge(plan.loc[plan["session"] == coming.id, ends], how="left")
    return table


def choices_table(answer: Answer, most: int = 6) -> pd.DataFrame:
    """Return the best choices of tyres for the next session, best first.

    Beside the columns of `plan.next_session`: session, and `tyres` in words.
    """
    if answer.next_session is None:
        return pd.DataFrame(columns=["session", "rank", "tyres", "expected_s"])
    table = answer.next_session.table.head(most).copy()
    coming = answer.weekend.next_session
    table.insert(0, "session", "" if coming is None else coming.id)
    table["tyres"] = [
        " ".join(str(row[corner]) for corner in ("fl", "fr", "rl", "rr"))
        for _, row in table.iterrows()
    ]
    return table


def fuel_table(answer: Answer) -> pd.DataFrame:
    """Return fuel loads of the sessions to come, a row each, in their order."""
    fields = (
        "session", "laps", "start_l", "start_kg", "need_kg", "need_lower_kg", "need_upper_kg",
        "shortfall_risk", "accepted_risk", "seconds_per_litre", "finish_mass_kg", "ballast_kg",
        "refuel_kg", "status",
    )  # fmt: skip
    loads = answer.fuel_loads.values()
    return pd.DataFrame([{f: getattr(load, f) for f in fields} for load in loads], columns=fields)


def fuel_risk_table(answer: Answer, session: str) -> pd.DataFrame:
    """Return start fuel against the chance of running short for one session; `chosen` marks one."""
    load = answer.fuel_loads[session]
    table = load.table.copy()
    table["chosen"] = np.isclose(table["start_l"], load.start_l, atol=0.01)
    return table


def plan_table(answer: Answer) -> pd.DataFrame:
    """Return the tyre plan, a row per fitting and a column per corner, ids only.

    `label` is the session's id, with the stint when tyres are changed at a stop.
    """
    cells = plan_cells(answer)
    if not len(cells):
        return pd.DataFrame(columns=["session", "label", *CORNERS])
    wide = cells.pivot(index="label", columns="corner", values="tyre_id").reset_index()
    order = cells[["session", "label"]].drop_duplicates()
    return order.merge(wide, on="label")[["session", "label", *CORNERS]]


def plan_cells(answer: Answer) -> pd.DataFrame:
    """Return the tyre plan, a row per fitting and corner.

    Stints run on the same four tyres are one fitting: age at its start, age and tread at its end,
    and what all of them lose.
    """
    plan = answer.allocation.table
    fittings: list[pd.DataFrame] = []
    for session, rows in plan.groupby("session", sort=False):
        for stint, cells in rows.groupby("stint"):
            cells = cells.set_index("corner", drop=False).reindex(list(CORNERS))
            before = fittings[-1] if fittings else None
            if stint != 1 and before is not None and _same_tyres(before, cells):
                ends = ["age_end_laps", "tread_end_mm", "tread_end_low_mm"]
                before[ends] = cells[ends]
                before["expected_loss_s"] += cells["expected_loss_s"]
                continue
            label = str(session) if stint == 1 else f"{session}, stint {stint}"
            fittings.append(cells.assign(label=label))
    if not fittings:
        return plan.assign(label="")
    return pd.concat(fittings, ignore_index=True)


def tyre_use_table(answer: Answer) -> pd.DataFrame:
    """Return session, corner and tyre of all running, done and planned.

    `state` is ``run``, ``next`` or ``planned``.
    """
    runs = answer.weekend.runs
    done = [
        (run["session"], corner, str(run[corner.lower()]), "run")
        for _, run in runs.iterrows()
        for corner in CORNERS
    ]
    coming = answer.weekend.next_session
    chosen = _chosen(answer)
    now = [(coming.id, c, t, "next") for c, t in chosen.items()] if coming is not None else []
    plan = plan_cells(answer)
    later = [
        (row["session"], row["corner"], row["tyre_id"], "planned")
        for _, row in plan.iterrows()
        if coming is None or row["session"] != coming.id
    ]
    table = pd.DataFrame([*done, *now, *later], columns=["session", "corner", "tyre_id", "state"])
    order = {tyre: i for i, tyre in enumerate(answer.weekend.tyres["tyre_id"])}
    return table.drop_duplicates().sort_values("tyre_id", key=lambda ids: ids.map(order))


def lap_times_table(answer: Answer) -> pd.DataFrame:
    """Return the timed laps in the order run with what the fit expected of each.

    `lap_count` counts timed laps over the weekend from 1; `mean`, `lower`, `upper` are the
    fitted lap and the interval in which a single lap was expected.
    """
    laps = answer.laps[answer.laps["kind"] == "timed"]
    laps = laps.sort_values("started_at").reset_index(drop=True)
    columns = ["session", "run_id", "lap", "lap_time_s", "counts", "reason", "set_id"]
    table = laps[columns].copy()
    table.insert(0, "lap_count", np.arange(1, len(laps) + 1))
    if not len(laps):
        return table.assign(mean=[], lower=[], upper=[])
    expected = answer.lap_time.predict(laps, level=LEVEL, new_lap=True)
    for name in ("mean", "lower", "upper"):
        table[name] = expected[name].to_numpy()
    return table


def drop_off_table(answer: Answer) -> pd.DataFrame:
    """Return seconds lost a lap against tyre age, relative to a new tyre; `seen` ages have laps."""
    counted = answer.laps[answer.laps["counts"].astype(bool)]
    seen_laps = float(counted["age_laps"].max()) if len(counted) else 0.0
    planned = answer.allocation.table
    planned_laps = float(planned["age_end_laps"].max()) if len(planned) else LATER_AGE_LAPS
    ages = np.arange(0.0, np.ceil(max(seen_laps, planned_laps)) + AHEAD_LAPS + 1)
    draws = answer.lap_time.age_loss_s(ages, DRAWS, np.random.default_rng(SEED))
    lower, upper = np.quantile(draws, [(1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=0)
    mean = np.asarray(answer.lap_time.mean_age_loss_s(ages), dtype=float)
    return pd.DataFrame(
        {"age_laps": ages, "mean": mean, "lower": lower, "upper": upper, "seen": ages <= seen_laps}
    )


def tread_table(answer: Answer) -> pd.DataFrame:
    """Return tread at the thinnest place: readings, and the forecast of the next tyres.

    Forecast rows (`forecast` true) run from the latest reading to the end of the tyre's planned
    running on that corner; `lower` and `upper` are NaN on measured rows.
    """
    table = pd.concat([_tread_measured(answer), _tread_forecast(answer)], ignore_index=True)
    return table.astype({"forecast": bool})


def tread_limit_mm(event: Event) -> float:
    """Return the least tread a tyre may end a session with: the stricter of limit and supplier."""
    return max((rule.mm for rule in event.rules if isinstance(rule, MinimumTread)), default=0.0)


def doubts_table(answer: Answer) -> pd.DataFrame:
    """Return what is doubtful in the data, the surest first."""
    rows = [(d.name, d.evidence, d.sure, d.where, d.next_step) for d in answer.doubts]
    return pd.DataFrame(rows, columns=["name", "evidence", "sure", "where", "next_step"])


def notes(answer: Answer) -> list[str]:
    """Return every note of the answer, its fits and plans, each once, in that order."""
    parts = [answer.allocation.notes]
    if answer.next_session is not None:
        parts.append(getattr(answer.next_session, "notes", ()))
    if answer.cold_pressures is not None:
        parts.append(answer.cold_pressures.notes)
    parts += [load.notes for load in answer.fuel_loads.values()]
    parts += [fit.notes for fit in (answer.lap_time, answer.fuel_use, answer.tread)]
    parts += [answer.pressure.notes, answer.notes]
    return each_once(parts)


def notes_now(answer: Answer) -> list[str]:
    """Return the notes that bear on the next session and the plan, each once."""
    coming = answer.weekend.next_session
    parts = [answer.allocation.notes, answer.notes[-1:]]  # the last is the weather assumed
    if coming is not None and coming.id in answer.fuel_loads:
        parts.append(answer.fuel_loads[coming.id].notes)
    if answer.cold_pressures is not None:
        parts.append(answer.cold_pressures.notes)
    parts += [fit.notes for fit in (answer.lap_time, answer.fuel_use, answer.tread)]
    parts.append(answer.notes)
    return each_once(parts)


def _chosen(answer: Answer) -> dict[str, str]:
    """Return corner -> tyre id for the next session; empty when there is none."""
    ranked = answer.next_session
    if ranked is not None and len(ranked.table):
        best = ranked.table.iloc[0]
        return {corner: str(best[corner.lower()]) for corner in CORNERS}
    coming, plan = answer.weekend.next_session, answer.allocation.table
    if coming is None or not len(plan):
        return {}
    rows = plan[plan["session"] == coming.id].set_index("corner")["tyre_id"]
    return {corner: str(rows[corner]) for corner in CORNERS if corner in rows.index}


def _same_tyres(one: pd.DataFrame, other: pd.DataFrame) -> bool:
    """Return whether two fittings have the same tyre on every corner."""
    return list(one["tyre_id"]) == list(other["tyre_id"])


def _tread_measured(answer: Answer) -> pd.DataFrame:
    """Return tread readings at the thinnest place, with the tyre's age."""
    tread = answer.weekend.tread
    table = tread[["tyre_id", "corner", "age_laps"]].copy()
    table["tread_mm"] = tread[list(PLACES)].min(axis=1)
    table["lower"], table["upper"], table["forecast"] = np.nan, np.nan, False
    return table[table["corner"].isin(CORNERS)]


def _tread_forecast(answer: Answer) -> pd.DataFrame:
    """Return the forecast of the thinnest place for the next tyres over their planned running."""
    state = answer.weekend.tyres.set_index("tyre_id")
    parts = []
    for corner, tyre_id in _chosen(answer).items():
        now_mm = _latest_reading(answer, tyre_id)
        if now_mm is None:
            continue
        age_laps = float(state["age_laps"][tyre_id])
        laps = np.linspace(0.0, _planned_laps(answer, tyre_id, corner, age_laps), 9)
        found = answer.tread.predict(
            corner, now_mm, laps, LEVEL, age_laps=age_laps, tyre_id=tyre_id
        )
        part = found.reset_index(drop=True).rename(columns={"mean": "tread_mm"})
        part = part[["tread_mm", "lower", "upper"]]
        parts.append(
            part.assign(tyre_id=tyre_id, corner=corner, age_laps=age_laps + laps, forecast=True)
        )
    columns = ["tyre_id", "corner", "age_laps", "tread_mm", "lower", "upper", "forecast"]
    return pd.concat(parts)[columns] if parts else pd.DataFrame(columns=columns)


def _latest_reading(answer: Answer, tyre_id: str) -> list[float] | float | None:
    """Return a tyre's newest inner, centre and outer depth, or its thinnest, or None."""
    tread = answer.weekend.tread
    own = tread[tread["tyre_id"] == tyre_id].sort_values("taken_at")
    if len(own):
        return [float(value) for value in own.iloc[-1][list(PLACES)]]
    tyres = answer.weekend.tyres.set_index("tyre_id")
    thinnest = float(tyres["tread_min_mm"][tyre_id])
    return thinnest if np.isfinite(thinnest) else None


def _planned_laps(answer: Answer, tyre_id: str, corner: str, age_laps: float) -> float:
    """Return the laps a tyre is planned to run before it leaves a corner; 10 when none are."""
    plan = answer.allocation.table
    own = plan[plan["tyre_id"] == tyre_id]
    there = own[(own["corner"] == corner).cummin()]
    return max(float(there["age_end_laps"].max()) - age_laps, 1.0) if len(there) else 10.0
