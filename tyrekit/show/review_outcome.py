"""Plan against outcome: what the fits before each session forecast, and what happened."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import stats

from tyrekit.fit.pressure_readings import hot_readings
from tyrekit.fit.result import t_quantile
from tyrekit.fit.tread_rows import PLACES, usable, with_running
from tyrekit.plan.beyond import of_pressures
from tyrekit.record.event import Session
from tyrekit.record.weekend import Weekend
from tyrekit.show.answer import Fits, fit_weekend
from tyrekit.terms import CORNERS

COLUMNS = ("session", "run_id", "what", "where", "unit", "mean", "lower", "upper", "happened",
           "inside", "laps", "outside")  # fmt: skip
LEVEL, TREND, FUEL, TREAD, PRESSURE = (
    "clean lap", "trend of lap times", "fuel per timed lap", "tread after", "hot pressure",
)  # fmt: skip
ASKED = (LEVEL, TREND, FUEL, TREAD, PRESSURE)
LEAST_LAPS = 3
UNLIKELY = 0.05


def outcome_table(weekend: Weekend, fits: Fits, level: float = 0.9) -> pd.DataFrame:
    """Return a row per thing forecast: `COLUMNS`.

    Parameters
    ----------
    weekend : Weekend
        All that happened.
    fits : Fits
        Of the whole weekend: they say which laps are clean and how far the fuel channel is off.
    level : float
        Of the intervals, between 0 and 1.

    Notes
    -----
    For each session every fit is made again from the sessions before it alone; before the first
    it is belief. What is forecast is conditional on the tyres, fuel and temperatures that came.
    Intervals cover the reading with which they are compared. `outside` says in words what lies
    beyond all that had been seen by then: an older tyre, a hotter track; empty when nothing does.
    """
    rows: list[tuple[object, ...]] = []
    tread, _ = usable(with_running(weekend.tread, weekend.laps))
    wets = weekend.tyres.loc[weekend.tyres["wet"], "tyre_id"]
    hot = hot_readings(weekend.pressures, weekend.laps, weekend.runs, weekend.weather, wets)
    for name in weekend.done:
        session = weekend.event.session(name)
        before = fit_weekend(as_before(weekend, name))
        rows += _lap_times(fits, before, session, level)
        rows += _fuel(weekend, fits, before, session, level)
        rows += _tread(weekend, tread, before, session, level)
        rows += _pressures(weekend, hot, before, session, level)
    table = pd.DataFrame(rows, columns=list(COLUMNS)).astype({"inside": bool, "laps": float})
    return table


def coverage_table(outcome: pd.DataFrame, level: float = 0.9) -> pd.DataFrame:
    """Return how often each thing fell inside: what, forecasts, inside, inside_pct, verdict.

    Things of one session move together, so a verdict counts sessions, not rows: intervals are
    called too narrow when so few inside would be unlikely (1 in 20) with honest ones.
    """
    rows = []
    for what in ASKED:
        own = outcome[outcome["what"] == what]
        if not len(own):
            continue
        share, sessions = float(own["inside"].mean()), int(own["session"].nunique())
        chance = float(stats.binom.cdf(round(share * sessions), sessions, level))
        verdict = "too narrow" if chance < UNLIKELY else "held"
        verdict = "too few to tell" if sessions < 3 else verdict
        rows.append((what, sessions, len(own), int(own["inside"].sum()), 100 * share, verdict))
    columns = ["what", "sessions", "forecasts", "inside", "inside_pct", "verdict"]
    return pd.DataFrame(rows, columns=columns)


def as_before(weekend: Weekend, session: str) -> Weekend:
    """Return the weekend as it stood before a session began."""
    done = tuple(weekend.done[: weekend.done.index(session)])
    began = weekend.runs.loc[weekend.runs["session"] == session, "start"].min()

    def earlier(table: pd.DataFrame) -> pd.DataFrame:
        return table[table["taken_at"] < began] if len(table) else table

    return replace(
        weekend,
        laps=weekend.laps[weekend.laps["session"].isin(done)],
        runs=weekend.runs[weekend.runs["session"].isin(done)],
        done=done,
        tread=earlier(weekend.tread),
        pressures=earlier(weekend.pressures),
        temperatures=earlier(weekend.temperatures),
        fuel=earlier(weekend.fuel),
        weather=earlier(weekend.weather),
    )


def _row(
    session: Session, run_id: str, what: str, where: str, unit: str,
    told: tuple[float, float, float], happened: float, laps: float, outside: str = "",
) -> tuple[object, ...]:  # fmt: skip
    inside = told[1] <= happened <= told[2]
    return (session.id, run_id, what, where, unit, *told, happened, inside, laps, outside)


def beyond_note(outcome: pd.DataFrame) -> tuple[str, ...]:
    """Return in one sentence how many forecasts went beyond what had been seen by then."""
    far = outcome[outcome["outside"] != ""]
    if not len(far):
        return ()
    first = far.iloc[0]
    return (
        f"{len(far)} of {len(outcome)} forecasts went beyond what had been seen by then, the first"
        f" {first['session']} {first['what']}: {first['outside']}",
    )


def _lap_times(
    fits: Fits, before: Fits, session: Session, level: float
) -> Iterator[tuple[object, ...]]:
    """Give the mean clean lap of each run and the trend over it."""
    if session.wet:
        return
    used = fits.lap_time.laps
    kept = used[used["kept"] & (used["session"] == session.id)][["run_id", "lap"]]
    laps = fits.laps.assign(lap=fits.laps["lap"].astype(float)).merge(
        kept.assign(lap=kept["lap"].astype(float)), on=["run_id", "lap"]
    )
    for run_id, own in laps.groupby("run_id", sort=False):
        count = len(own)
        if count < LEAST_LAPS:
            continue
        seconds = own["lap_time_s"].to_numpy(dtype=np.float64)
        at = np.arange(count) - (count - 1) / 2
        for what, unit, weights in (
            (LEVEL, "s", np.full(count, 1 / count)), (TREND, "s per lap", at / (at @ at)),
        ):  # fmt: skip
            told = before.lap_time.combined(own, weights, level).iloc[0]
            ends = float(told["mean"]), float(told["lower"]), float(told["upper"])
            yield _row(session, str(run_id), what, "", unit, ends, float(weights @ seconds), count,
                       str(told["outside"]) if before.lap_time.seen else "")  # fmt: skip


def _fuel(
    weekend: Weekend, fits: Fits, before: Fits, session: Session, level: float
) -> Iterator[tuple[object, ...]]:
    """Give the fuel of a timed lap; what happened is the channel by its final calibration."""
    laps = fits.laps
    own = laps[(laps["session"] == session.id) & (laps["kind"] == "timed")
               & laps["logger_time_s"].notna() & laps["fuel_used_l"].notna()]  # fmt: skip
    if not len(own):
        return
    need = before.fuel_use.need(len(own), race=session.kind == "race", wet=session.wet)
    ends = (need.mean, need.quantile((1 - level) / 2), need.quantile((1 + level) / 2))
    told = tuple(float(end) / len(own) for end in ends)
    per_l = weekend.event.fuel.density_kg_per_l * fits.fuel_use.flow_scale.mean
    burnt = float(own["fuel_used_l"].mean()) * per_l
    runs = " ".join(dict.fromkeys(own["run_id"].astype(str)))
    yield _row(session, runs, FUEL, "", "kg", (told[0], told[1], told[2]), burnt, len(own))


def _tread(
    weekend: Weekend, readings: pd.DataFrame, before: Fits, session: Session, level: float
) -> Iterator[tuple[object, ...]]:
    """Give the thinnest place of every tyre read after the session, from the reading before."""
    runs = weekend.runs[weekend.runs["session"] == session.id]
    first, result = runs["start"].min(), before.tread
    score = t_quantile(0.5 + level / 2, result.df)
    for _, run in runs.iterrows():
        for corner in CORNERS:
            own = readings[readings["tyre_id"] == str(run[corner])].sort_values("taken_at")
            then = own[own["taken_at"] < first].tail(1)
            after = own[own["after_run"] == run["run_id"]].tail(1)
            depths = np.concatenate([p[[f"{x}_mm" for x in PLACES]].to_numpy(dtype=np.float64)
                                     for p in (then, after)])  # fmt: skip
            if len(depths) < 2 or not np.isfinite(depths).all():
                continue
            old, new = then.iloc[0], after.iloc[0]
            count = float(new["age_laps"] - old["age_laps"])
            slow = float(new["slow_laps"] - old["slow_laps"])
            if count < 1:
                continue
            told = result.predict(
                corner.upper(), [float(d) for d in depths[0]], count, level,
                age_laps=float(old["age_laps"]), slow_laps=slow, tyre_id=str(old["tyre_id"]),
            ).iloc[0]  # fmt: skip
            mean = float(told["mean"])
            # its interval is of the tread; a reading of it scatters by a reading's spread
            low, high = (
                math.hypot(float(told[end]) - mean, score * result.reading_mm)
                for end in ("lower", "upper")
            )
            deepest, age = result.deepest_age_laps, float(new["age_laps"])
            far = f"age {age:.0f}, above {deepest:.0f} read" if 0 < deepest < age else ""
            yield _row(session, str(run["run_id"]), TREAD, f"{corner.upper()} {old['tyre_id']}",
                       "mm", (mean, mean - low, mean + high), float(depths[1].min()), count,
                       far)  # fmt: skip


def _pressures(
    weekend: Weekend, readings: pd.DataFrame, before: Fits, session: Session, level: float
) -> Iterator[tuple[object, ...]]:
    """Give every pit reading; where a run has none, the sensors at its last lap at pace."""
    own = readings[(readings["session"] == session.id) & ~readings["wet"].eq(True)].dropna(
        subset=["hot_bar", "cold_bar", "after_laps", "air_c", "track_c"]
    )
    result = before.pressure
    score = t_quantile(0.5 + level / 2, result.df)
    for run_id, of_run in own.groupby("run_id", sort=False):
        pit = of_run[of_run["source"] == "pit"]
        timed = weekend.laps[(weekend.laps["run_id"] == run_id) & (weekend.laps["kind"] == "timed")]
        last = of_run[of_run["after_laps"] == timed["lap"].max()]
        for row in (pit if len(pit) else last).to_dict("records"):
            gauge = score * result.reading_bar
            asked = {} if pd.isna(row["delay_min"]) else {"delay_min": float(row["delay_min"])}
            if not pd.isna(row["pressure_hpa"]):
                asked["ambient_bar"] = float(row["pressure_hpa"]) / 1000
            if not 0 <= asked.get("delay_min", 0.0) <= 60:
                continue
            mean, low, high = result.hot_bar(
                str(row["corner"]), float(row["cold_bar"]), float(row["after_laps"]),
                float(row["air_c"]), float(row["track_c"]), level, source=str(row["source"]),
                cool_laps=float(row["cool_laps"]), **asked,
            )  # fmt: skip
            ends = mean - math.hypot(mean - low, gauge), mean + math.hypot(high - mean, gauge)
            said = of_pressures(
                result, air_c=float(row["air_c"]), track_c=float(row["track_c"]),
                laps=float(row["after_laps"]),
            )  # fmt: skip
            yield _row(session, str(run_id), PRESSURE, f"{row['corner']}, {row['source']}", "bar",
                       (mean, *ends), float(row["hot_bar"]), float(row["after_laps"]),
                       "; ".join(said))  # fmt: skip
