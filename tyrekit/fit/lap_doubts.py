"""What the lap times themselves cast doubt on: a stint, a session, or the beliefs.

Second witnesses beside the checks of files and book: a wrong set, a wrong fuel entry or a change
to the car shows as a stint that all the others do not predict.
"""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from tyrekit.fit.lap_residuals import residual_spread
from tyrekit.fit.lap_result import LapTimeEstimates
from tyrekit.fit.lap_steps import stint_steps
from tyrekit.fit.lap_time import LapTimeModel
from tyrekit.record.evidence import Doubt

STEP = 3.0  # spreads; a stint lies that far out by chance in 14 of 120 simulated clean weekends
WIDE = 0.001  # chance of a session's scatter below which it is told
LINGERS = 0.4  # lag-1 correlation above which the laps move together for a reason


def lap_doubts(model: LapTimeModel, result: LapTimeEstimates | None = None) -> tuple[Doubt, ...]:
    """Return what the lap times do not agree with, the surest first.

    Parameters
    ----------
    model : LapTimeModel
        It is fitted once more for every stint, without that stint.
    result : LapTimeEstimates, optional
        ``model.fit()`` when it has been made already.
    """
    result = result or model.fit()
    if result.n_rows == 0:
        return ()
    found = [*_steps(stint_steps(model)), *_scatter(result), *_memory(result)]
    return tuple(sorted(found, key=lambda doubt: -doubt.sure))


def _steps(steps: pd.DataFrame) -> Iterator[Doubt]:
    for run, session, laps, step, sd, spreads in steps.itertuples(index=False):
        if abs(spreads) <= STEP:
            continue
        yield Doubt(
            name="stint does not fit the others",
            evidence=(
                f"run {run} ({session}): {laps} laps {abs(step):.2f} s "
                f"{'slower' if step > 0 else 'faster'} than all other stints say, expected within "
                f"{sd:.2f} s ({abs(spreads):.1f} spreads)"
            ),
            sure=min(0.9, 0.3 + 0.2 * (abs(spreads) - STEP)),
            where=f"book/runs.csv, run_id {run}",
            next_step="Check the set, the fuel at the start, what was changed on the car, and"
            " that the log is this car's.",
        )


def _scatter(result: LapTimeEstimates) -> Iterator[Doubt]:
    table = residual_spread(result)
    for name, spread, chance in zip(
        table["session"], table["spread_s"], table["chance"], strict=True
    ):
        if chance >= WIDE:
            continue
        yield Doubt(
            name="session scatters more than the others",
            evidence=(
                f"{name}: clean laps scatter by {spread:.2f} s, all together by "
                f"{result.noise_s:.2f} s; by chance 1 in {1 / max(chance, 1e-6):.0f}"
            ),
            sure=0.5 if chance > WIDE / 20 else 0.8,
            where=f"session {name}",
            next_step="Check its clock and splits; damp patches or traffic do it too.",
        )


def _memory(result: LapTimeEstimates) -> Iterator[Doubt]:
    if result.autocorrelation > LINGERS:
        yield Doubt(
            name="laps move together",
            evidence=f"neighbouring laps' residuals correlate by {result.autocorrelation:.2f}",
            sure=0.3,
            where="lap times",
            next_step="Look for a drying track, saving, or traffic over many laps.",
        )
