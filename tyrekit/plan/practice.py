"""What to run in practice: the runs that would most narrow the decision that matters.

Every sequence of runs that fits the session and the tyres' laps is judged beforehand on the
lap-time fit's own model (`run_design`); the best is proven best among them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from tyrekit.fit.lap_design import SETTLED_LAP
from tyrekit.fit.lap_time import LapTimeResults
from tyrekit.fit.result import percent
from tyrekit.plan.decision import Decision
from tyrekit.plan.lap_moments import LapMoments, lap_moments
from tyrekit.plan.practice_runs import (
    MOST_SEQUENCES,
    Candidates,
    PracticeSession,
    Run,
    candidates,
    timed_laps,
)  # fmt: skip
from tyrekit.plan.run_design import Design, Ints, RunNoise, design
from tyrekit.plan.stint_search import Floats

LEARNT = {
    "fuel_effect_s_per_kg": "seconds per kg of fuel",
    "drop_off_s_per_lap": "loss per lap of tyre age",
    "heat_cycle_s": "loss per heat cycle",
    "track_evolution_s": "gain as the track rubbers in",
}
TABLE = (
    "run", "set_id", "fuel_kg", "laps", "start_min", "end_min", "age_laps", "without_sd_s",
    "tells_apart",
)  # fmt: skip
NARROWS = ("parameter", "before_sd", "after_sd")
ALTERNATIVES = ("runs", "after_sd_s", "value_s")


@dataclass(frozen=True, eq=False)
class PracticePlan:
    """The runs that would narrow the decision most.

    Attributes
    ----------
    status : str
        ``optimal`` (best of every sequence that fits), ``feasible`` (more sequences fit than
        were judged) or ``impossible`` (no run fits).
    table : DataFrame
        A row per run: run, set_id, fuel_kg, laps, start_min, end_min, age_laps, without_sd_s
        (the decision's spread without this run), tells_apart.
    before_sd_s, after_sd_s : float
        Spread of the decision's difference now, and expected afterwards.
    difference_s : float
        The difference itself as now expected.
    value_s : float
        What deciding afterwards instead of now is expected to save; 0 when nothing is chosen.
    narrows : DataFrame
        Parameter, before_sd and after_sd.
    alternatives : DataFrame
        Other programmes, best first: runs (in words), after_sd_s, value_s.
    judged : int
        Sequences judged.
    """

    session: str
    status: str
    decision: str
    table: pd.DataFrame
    before_sd_s: float
    after_sd_s: float
    difference_s: float
    value_s: float
    narrows: pd.DataFrame
    alternatives: pd.DataFrame
    judged: int
    notes: tuple[str, ...] = ()


def practice_plan(
    session: PracticeSession,
    lap_time: LapTimeResults,
    decision: Decision,
    *,
    count: int = 5,
    most: int = MOST_SEQUENCES,
) -> PracticePlan:
    """Return the practice runs that would narrow `decision` most.

    Parameters
    ----------
    session : PracticeSession
        Minutes, sets, fuel loads and lengths of run to choose from.
    lap_time : LapTimeResults
        The fit before the session.
    decision : Decision
        Usually the two best plans' difference.
    count : int
        Alternatives wanted.
    most : int
        Sequences to judge at most; when more fit the result says so.
    """
    found = candidates(session, most)
    moments = moments_for(session, lap_time, decision)
    row = moments.loss_row(decision.age_weight, decision.heat_cycles)
    if not len(found.sequences):
        return _no_run(session, lap_time, decision, math.sqrt(row @ moments.cov @ row))
    judged = run_information(session, moments, found)
    variance = judged.variance(row, found.sequences)
    order = np.argsort(variance, kind="stable")
    best = found.sequences[order[0]]
    before_s, after_s = math.sqrt(judged.prior_variance(row)), math.sqrt(variance[order[0]])
    difference_s = decision.difference_s(lap_time)
    moved = (difference_s, before_s)
    return PracticePlan(
        session=session.session,
        status="optimal" if found.complete else "feasible",
        decision=decision.words,
        table=_table(session, found, judged, moments, row, best),
        before_sd_s=before_s,
        after_sd_s=after_s,
        difference_s=difference_s,
        value_s=decision_value_s(difference_s, before_s, after_s) if decision.choice else 0.0,
        narrows=_narrows(judged, moments, best),
        alternatives=_alternatives(session, found, variance, order, decision, moved, count),
        judged=len(found.sequences),
        notes=_notes(session, found, decision),
    )


def decision_value_s(difference_s: float, before_sd_s: float, after_sd_s: float) -> float:
    """Return the seconds that deciding after the narrowing is expected to save.

    Expected value of sample information for two actions and a normal difference
    (RaiffaSchlaifer1961, section 5.9): ``s (phi(z) - z Phi(-z))``, ``z = |difference| / s``,
    ``s^2 = before^2 - after^2``.
    """
    moved_s = math.sqrt(max(before_sd_s**2 - after_sd_s**2, 0.0))
    if moved_s == 0.0:
        return 0.0
    z = abs(difference_s) / moved_s
    return moved_s * float(stats.norm.pdf(z) - z * stats.norm.sf(z))


def moments_for(
    session: PracticeSession, lap_time: LapTimeResults, decision: Decision
) -> LapMoments:
    """Return what is unknown about the laps of the session and about the decision."""
    oldest = max([s.age_laps + s.longest_laps for s in session.sets], default=0)
    return lap_moments(
        lap_time,
        sessions=[session.session],
        sets=[s.set_id for s in session.sets],
        oldest_laps=max(oldest, len(decision.age_weight)),
    )


def run_information(session: PracticeSession, moments: LapMoments, found: Candidates) -> Design:
    """Return the information of every candidate run."""
    lap_time = moments.lap_time
    laps = timed_laps(session, found)
    noise = RunNoise(
        noise_s=lap_time.noise_s * math.sqrt(lap_time.linger / session.clean_share),
        stint_s=lap_time.spreads["stint_s"],
        stint_slope_s_per_lap=lap_time.spreads["stint_slope_s_per_lap"],
        settled_lap=SETTLED_LAP,
    )
    rows = moments.lap_rows(laps)
    flying = laps["flying_lap"].to_numpy(dtype=float)
    return design(moments.cov, rows, flying, laps["run"].to_numpy(), noise)


def _table(
    session: PracticeSession,
    found: Candidates,
    judged: Design,
    moments: LapMoments,
    row: Floats,
    best: Ints,
) -> pd.DataFrame:
    rows: list[dict[str, object]] = []
    chosen = [int(i) for i in best if i]
    for position, i in enumerate(chosen):
        run, start_min = found.runs[i - 1], float(found.start_min[i - 1])
        others = np.array([[*chosen[:position], *chosen[position + 1 :], 0]])
        rows.append(
            {
                "run": position + 1,
                "set_id": session.sets[run.place].set_id,
                "fuel_kg": run.fuel_kg,
                "laps": run.laps,
                "start_min": start_min,
                "end_min": start_min + session.run_min(run.laps),
                "age_laps": int(found.age_laps[i - 1]),
                "without_sd_s": math.sqrt(float(judged.variance(row, others)[0])),
                "tells_apart": _tells_apart(judged, moments, others[0], best),
            }
        )
    return pd.DataFrame(rows, columns=list(TABLE))


def _unit_rows(moments: LapMoments) -> Floats:
    rows = np.zeros((len(LEARNT), len(moments.names)))
    rows[range(len(LEARNT)), [moments.names.index(name) for name in LEARNT]] = 1.0
    return rows


def _tells_apart(judged: Design, moments: LapMoments, without: Ints, best: Ints) -> str:
    """Return in words what the run separates or settles most."""
    rows, words = _unit_rows(moments), list(LEARNT.values())
    before, after = judged.posterior(rows, without), judged.posterior(rows, best)
    sd_before, sd_after = np.sqrt(np.diag(before)), np.sqrt(np.diag(after))
    apart = np.abs(before / np.outer(sd_before, sd_before))
    apart = apart - np.abs(after / np.outer(sd_after, sd_after))
    i, j = np.unravel_index(int(np.argmax(np.triu(apart, 1))), apart.shape)
    settled = 1.0 - sd_after / sd_before
    k = int(np.argmax(settled))
    said = f"{words[k]}, {100 * settled[k]:.0f} % surer"
    if apart[i, j] >= 0.05:
        said = f"tells {words[i]} from {words[j]}; {said}"
    return said


def _narrows(judged: Design, moments: LapMoments, best: Ints) -> pd.DataFrame:
    rows = _unit_rows(moments)
    before = np.sqrt(np.diag(rows @ judged.cov @ rows.T))
    after = np.sqrt(np.diag(judged.posterior(rows, best)))
    return pd.DataFrame(dict(zip(NARROWS, (list(LEARNT), before, after), strict=True)))


def _in_words(session: PracticeSession, found: Candidates, sequence: Ints) -> str:
    runs = [found.runs[i - 1] for i in sequence if i]
    return ", then ".join(
        f"{session.sets[r.place].set_id} {r.laps} laps from {r.fuel_kg:.0f} kg" for r in runs
    )


def _alternatives(
    session: PracticeSession,
    found: Candidates,
    variance: Floats,
    order: Ints,
    decision: Decision,
    moved: tuple[float, float],
    count: int,
) -> pd.DataFrame:
    """Return the next programmes; those with the same runs in another order count once."""
    rows: list[tuple[str, float, float]] = []
    met: set[tuple[Run, ...]] = set()
    for i in order:
        runs = tuple(sorted(found.runs[j - 1] for j in found.sequences[i] if j))
        if runs in met:
            continue
        met.add(runs)
        after_s = math.sqrt(variance[i])
        value_s = decision_value_s(*moved, after_s) if decision.choice else 0.0
        rows.append((_in_words(session, found, found.sequences[i]), after_s, value_s))
        if len(rows) > count:
            break
    return pd.DataFrame(rows[1:], columns=list(ALTERNATIVES))


def _no_run(
    session: PracticeSession, lap_time: LapTimeResults, decision: Decision, before_s: float
) -> PracticePlan:
    shortest = session.run_min(min(session.run_laps, default=3))
    return PracticePlan(
        session=session.session,
        status="impossible",
        decision=decision.words,
        table=pd.DataFrame(columns=list(TABLE)),
        before_sd_s=before_s,
        after_sd_s=before_s,
        difference_s=decision.difference_s(lap_time),
        value_s=0.0,
        narrows=pd.DataFrame(columns=list(NARROWS)),
        alternatives=pd.DataFrame(columns=list(ALTERNATIVES)),
        judged=0,
        notes=(
            f"no run fits: the shortest takes {shortest:.0f} min of {session.minutes:.0f}, and"
            " each needs a set with laps to spare and fuel for it",
        ),
    )


def _notes(session: PracticeSession, found: Candidates, decision: Decision) -> tuple[str, ...]:
    notes = [
        f"{session.turn_round_min:.0f} min in the pits between runs and"
        f" {percent(session.clean_share)} clean laps are assumed",
        "a run's own level and trend are counted in; the weather is taken to stay",
    ]
    if not decision.choice:
        notes.append("no choice of tyres hangs on it now: it makes the forecasts surer, no more")
    if not found.complete:
        notes.append(f"more sequences fit than the {len(found.sequences)} judged")
    return tuple(notes)
