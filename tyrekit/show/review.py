"""The review after a weekend: wear against driving, plan against outcome, beliefs for the next."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from tyrekit.errors import TyrekitError
from tyrekit.fit.handover import handover_text
from tyrekit.fit.lap_stints import driver_table, drop_off_rows, stint_table
from tyrekit.fit.result import FitResult
from tyrekit.fit.style import DROP_OFF, WEAR, StyleModel, StyleResults
from tyrekit.fit.style_rows import driver_sessions, run_wear
from tyrekit.fit.tread import TreadModel
from tyrekit.fit.tread_rows import with_running
from tyrekit.fit.tyre_work import WORK_MJ
from tyrekit.record.weekend import Weekend
from tyrekit.show.answer import Fits, fit_weekend, planned
from tyrekit.show.review_driving import NAMES, Driving, driving
from tyrekit.show.review_findings import cause_table, findings, open_questions
from tyrekit.show.review_outcome import beyond_note, coverage_table, outcome_table
from tyrekit.show.review_tyres import life_words, tyre_table, use_table
from tyrekit.show.tables import tread_limit_mm

LEVEL = 0.9
CLAIM_LEVEL = 0.96  # two questions are asked of the driving; study_style.py holds both to 8 %
ROWS = ["session", "driver"]


@dataclass(frozen=True)
class Review:
    """What a weekend taught.

    Attributes
    ----------
    weekend, fits : Weekend, Fits
        What it rests on.
    tyres : DataFrame
        What each tyre did, wore and has left (`review_tyres.tyre_table`).
    life : str
        What the tyres' lives say, those taken off before the limit counted as such.
    driving : Driving
        Work and measures per lap, and the work along the lap.
    uses : DataFrame
        Where on the lap each corner works hardest.
    stints, drivers : DataFrame
        Stint against stint and driver against driver at equal tyre age and fuel.
    measures : DataFrame
        Driving measures per driver and session: laps, mean and spread of each, consistency_s.
    work : DataFrame
        Tread lost per MJ of sliding work by corner, and the chance (`weight`) that work tells
        wear better than laps do (`TreadResults.work`); empty where the logs do not allow it.
    wear, drop_off : StyleResults
        What the measures do to wear and to the drop-off.
    outcome, coverage : DataFrame
        What was forecast before each session, what happened, and whether intervals were honest.
    causes, findings, open : DataFrame
        What made tyres wear, up to three claims, and what cannot be told.
    beliefs_text : str
        ``[beliefs]`` tables for the next event.toml.
    notes : tuple of str
        What was assumed, and what was passed over.
    """

    weekend: Weekend
    fits: Fits
    tyres: pd.DataFrame
    life: str
    driving: Driving
    uses: pd.DataFrame
    stints: pd.DataFrame
    drivers: pd.DataFrame
    measures: pd.DataFrame
    work: pd.DataFrame
    wear: StyleResults
    drop_off: StyleResults
    outcome: pd.DataFrame
    coverage: pd.DataFrame
    causes: pd.DataFrame
    findings: pd.DataFrame
    open: pd.DataFrame
    beliefs_text: str
    notes: tuple[str, ...]


def review(
    weekend: Weekend, fits: Fits | None = None, progress: Callable[[str], None] | None = None
) -> Review:
    """Review what has been run of a weekend, whole or not.

    Parameters
    ----------
    weekend : Weekend
        What happened; its logs are read once.
    fits : Fits, optional
        Its fits, where they are already made.
    progress : callable, optional
        Told in a few words what is being worked on.
    """
    say = progress or (lambda _: None)
    fits = fits or fit_weekend(weekend, say)
    say("work of the tyres")
    driven = driving(weekend, fits.laps)
    say("driving")
    stints = stint_table(fits.laps, fits.lap_time, LEVEL)
    drivers = driver_table(fits.laps, fits.lap_time, LEVEL)
    wear_rows, passed = run_wear(weekend.tread, fits.laps, fits.tread)
    wear = _style(driver_sessions(wear_rows, driven.laps, NAMES), WEAR)
    fell = drop_off_rows(stints).merge(_means(driven.laps), on=ROWS)
    drop_off = _style(fell, DROP_OFF)
    say("plan against outcome")
    outcome = outcome_table(weekend, fits, LEVEL)
    coverage = coverage_table(outcome, LEVEL)
    plan, no_plan = _plan(weekend, fits)
    tyres = tyre_table(weekend, fits, driven.laps, plan, LEVEL)
    uses = use_table(driven.profile)
    causes = cause_table(fits.tread, wear, set(tyres["tyre_id"]), LEVEL)
    said = (
        *beyond_note(outcome),
        *passed,
        *driven.notes,
        *no_plan,
        *(f"driving and wear: {n}" for n in wear.notes),
    )
    return Review(
        weekend=weekend, fits=fits, tyres=tyres,
        life=life_words(
            tyres, weekend.tyres.set_index("tyre_id")["age_laps"], tread_limit_mm(weekend.event)
        ),
        driving=driven, uses=uses, stints=stints, drivers=drivers,
        measures=measure_table(driven.laps, stints), work=work_table(weekend, fits, driven.laps),
        wear=wear, drop_off=drop_off,
        outcome=outcome, coverage=coverage, causes=causes,
        findings=findings(fits, causes, uses, drivers, drop_off, coverage, LEVEL),
        open=open_questions(causes, drop_off, drivers),
        beliefs_text=handover_text(fits.beliefs, results_of(fits), weekend.event),
        notes=tuple(dict.fromkeys(said)),
    )  # fmt: skip


def work_table(weekend: Weekend, fits: Fits, driven: pd.DataFrame) -> pd.DataFrame:
    """Return wear per MJ of sliding work, from the tread fit with each lap's work beside it."""
    columns = ["corner", "mean", "sd", "usual_mj", "session_spread_pct", "weight"]
    if not len(driven):
        return pd.DataFrame(columns=columns)
    laps = fits.laps.merge(driven[["run_id", "lap", *WORK_MJ]], on=["run_id", "lap"], how="left")
    readings = with_running(weekend.tread, laps)
    found = TreadModel(readings, weekend.event, fits.beliefs.tread).fit().work
    return pd.DataFrame(columns=columns) if found is None else found


def results_of(fits: Fits) -> dict[str, FitResult]:
    """Return the four results by the names of their beliefs."""
    return {
        "lap_time": fits.lap_time, "fuel_use": fits.fuel_use, "tread": fits.tread,
        "pressure": fits.pressure,
    }  # fmt: skip


def measure_table(laps: pd.DataFrame, stints: pd.DataFrame) -> pd.DataFrame:
    """Return per driver and session: laps, each measure's mean and ``_sd``, consistency_s."""
    paced = laps.dropna(subset=["braking_work_kj_per_kg"])
    if not len(paced):
        return pd.DataFrame(columns=[*ROWS, "laps", "consistency_s"])
    grouped = paced.groupby(ROWS, sort=False)[list(NAMES)]
    found = grouped.mean().join(grouped.std(ddof=1).add_suffix("_sd"))
    found.insert(0, "laps", grouped.size())
    steady = stints.groupby(ROWS, sort=False)["consistency_s"].mean()
    return found.join(steady).dropna(axis="columns", how="all").reset_index()


def _plan(weekend: Weekend, fits: Fits) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return the tyre plan of the sessions to come, without one its columns and why."""
    none = pd.DataFrame(columns=["session", "corner", "tyre_id", "age_laps", "age_end_laps"])
    if weekend.next_session is None or not len(weekend.laps):
        return none, ()
    try:
        found = planned(weekend, weekend.event, (fits.lap_time, fits.tread), plan_only=True)
    except TyrekitError as error:
        return none, (f"no tyre plan of the sessions to come: {error}",)
    if not len(found.table):
        return none, ("no tyre plan of the sessions to come: the tyre plan's notebook says why",)
    return found.table, ()


def _means(laps: pd.DataFrame) -> pd.DataFrame:
    return laps.groupby(ROWS, sort=False)[list(NAMES)].mean().reset_index()


def _style(rows: pd.DataFrame, question: object) -> StyleResults:
    """Fit the measures that were logged at all."""
    known = [name for name in NAMES if name in rows and rows[name].notna().any()]
    asked = DROP_OFF if question is DROP_OFF else WEAR
    return StyleModel(rows, known, asked).fit(LEVEL, CLAIM_LEVEL)
