"""Practice programmes: speed, and whether the promised narrowing comes about.

    python tests/benchmarks/bench_practice.py [weekends]

Medians of processor time over five seeds in one process; the slow way is dense generalised least
squares for each sequence, timed on 200 of them. Then cars are drawn from what the fit does not
know, drive the runs proposed, and the real fit is made again with their laps: its spread of the
decision against the one promised, and its error against the car's truth. Car and sessions are
invented.
"""

import sys
import time
from dataclasses import replace
from statistics import median

import numpy as np
import pandas as pd
from invented import invented

from tyrekit.fit.lap_time import LapTimeModel
from tyrekit.fit.prior import beliefs
from tyrekit.plan.decision import Decision
from tyrekit.plan.lap_moments import lap_moments
from tyrekit.plan.practice import moments_for, practice_plan, run_information
from tyrekit.plan.practice_runs import PracticeSession, PracticeSet, candidates, timed_laps
from tyrekit.record.event import parse_event


def session() -> PracticeSession:
    sets = (
        PracticeSet("set 0", 17, 2.0, 30),
        PracticeSet("set 1", 17, 2.0, 30),
        PracticeSet("new", 0, 0.0, 24),
        PracticeSet("worn", 26, 3.0, 20),
    )
    return PracticeSession(
        "P3", 42.5, 95.0, sets, (15.0, 25.0, 40.0), (5, 7, 9, 12), 1.15, field_laps=700.0
    )


def decision() -> Decision:
    weight = np.zeros(40)
    weight[5:20] += 1.0
    weight[0:7] -= 1.0
    weight[10:18] -= 1.0
    return Decision("older tyres in the last race", weight, 3.0)


def dense(moments, laps, row, noise_s, level_s, trend_s):
    rows = moments.lap_rows(laps)
    cov = rows @ moments.cov @ rows.T + noise_s**2 * np.eye(len(laps))
    same = laps["run"].to_numpy()[:, None] == laps["run"].to_numpy()
    trend = laps["flying_lap"].to_numpy() - 5.0
    cov += same * (level_s**2 + trend_s**2 * np.outer(trend, trend))
    across = rows @ moments.cov @ row
    return row @ moments.cov @ row - across @ np.linalg.solve(cov, across)


def speed() -> None:
    source = invented()
    event, asked, wanted = parse_event(source.EVENT), session(), decision()
    fast, slow, apart = [], [], []
    for seed in range(5):
        laps = source.invented_laps(seed=seed)
        lap_time = LapTimeModel(laps, beliefs(event).lap_time, sessions=event.sessions).fit()
        start = time.process_time()
        plan = practice_plan(asked, lap_time, wanted)
        fast.append(time.process_time() - start)
        found = candidates(asked)
        moments = moments_for(asked, lap_time, wanted)
        row = moments.loss_row(wanted.age_weight, wanted.heat_cycles)
        variance = run_information(asked, moments, found).variance(row, found.sequences)
        linger = (1 + lap_time.autocorrelation) / (1 - lap_time.autocorrelation)
        noise = (
            lap_time.noise_s * np.sqrt(linger / asked.clean_share),
            lap_time.spreads["stint_s"],
            lap_time.spreads["stint_slope_s_per_lap"],
        )
        table = timed_laps(asked, found)
        some = np.random.default_rng(seed).choice(len(variance), 200, replace=False)
        start = time.process_time()
        for i in some:
            chosen = [j for j in found.sequences[i] if j]
            parts = [table[table["run"] == j - 1].assign(run=n) for n, j in enumerate(chosen)]
            value = dense(moments, pd.concat(parts), row, *noise)
            apart.append(abs(variance[i] / value - 1))
        slow.append((time.process_time() - start) / 200 * len(variance))
    ratio = median(b / a for a, b in zip(fast, slow, strict=True))
    print(f"{plan.judged:,} sequences: {median(fast):.2f} s, {ratio:.0f} times faster than dense;")
    print(f"  {1e6 * median(fast) / plan.judged:.1f} us each; at most {max(apart):.1e} apart")
    print(f"  decision {plan.before_sd_s:.2f} s now, {plan.after_sd_s:.2f} s after the best runs:")
    print(plan.table.to_string(index=False))


def greedy_sd_s(found, variance) -> float:
    """The spread left when each next run is chosen as if it were the last."""
    chosen: tuple[int, ...] = ()
    left = np.inf
    while True:
        size = len(chosen) + 1
        longer = (found.sequences[:, : size - 1] == np.array(chosen, dtype=int)).all(axis=1)
        longer &= np.count_nonzero(found.sequences, axis=1) == size
        if not longer.any():
            return float(np.sqrt(left))
        at = np.flatnonzero(longer)[variance[longer].argmin()]
        chosen, left = tuple(found.sequences[at][:size]), min(left, variance[at])


def narrowing(weekends: int) -> None:
    source = invented()
    event, wanted = parse_event(source.EVENT), decision()
    print(f"promised and met narrowing, {weekends} drawn cars each, real fit made again:")
    for minutes, seed in ((20.0, 0), (30.0, 1), (42.5, 2)):
        asked = replace(session(), minutes=minutes, clean_share=1.0)
        laps = source.invented_laps(seed=seed)
        believed = beliefs(event).lap_time
        lap_time = LapTimeModel(laps, believed, sessions=event.sessions).fit()
        found, moments = candidates(asked), moments_for(asked, lap_time, wanted)
        row = moments.loss_row(wanted.age_weight, wanted.heat_cycles)
        variance = run_information(asked, moments, found).variance(row, found.sequences)
        best = [j for j in found.sequences[variance.argmin()] if j]
        table = timed_laps(asked, found)
        parts = [table[table["run"] == j - 1].assign(run=n) for n, j in enumerate(best)]
        new = pd.concat(parts, ignore_index=True)
        spread, error = driven(laps, new, lap_time, moments, wanted, event, weekends)
        before_s, after_s = np.sqrt(row @ moments.cov @ row), np.sqrt(variance.min())
        print(
            f"  {minutes:4.1f} min, {len(best)} runs: {before_s:.3f} s now, promised {after_s:.3f},"
            f" greedy {greedy_sd_s(found, variance):.3f}; spread after refit {spread:.3f},"
            f" error against truth {error:.3f} RMS"
        )


def driven(laps, new, lap_time, moments, wanted, event, weekends) -> tuple[float, float]:
    """Mean spread of the decision after refits, and RMS error against the drawn cars."""
    rng = np.random.default_rng(8)
    rows, run = moments.lap_rows(new), new["run"].to_numpy()
    row = moments.loss_row(wanted.age_weight, wanted.heat_cycles)
    mean = lap_time.predict(new)["mean"].to_numpy()
    linger = (1 + lap_time.autocorrelation) / (1 - lap_time.autocorrelation)
    values, vectors = np.linalg.eigh(moments.cov)
    root = vectors * np.sqrt(np.clip(values, 0, None))
    spreads, errors = [], []
    for _ in range(weekends):
        truth = root @ rng.standard_normal(len(root))
        time_s = (
            mean + rows @ truth + lap_time.noise_s * np.sqrt(linger) * rng.normal(size=len(new))
        )
        time_s += lap_time.spreads["stint_s"] * rng.standard_normal(run.max() + 1)[run]
        trend = lap_time.spreads["stint_slope_s_per_lap"] * rng.standard_normal(run.max() + 1)
        time_s += trend[run] * (new["flying_lap"] - 5)
        ran = new.assign(
            lap_time_s=time_s, run_id=[f"P3-{r}" for r in run], lap=new["flying_lap"] + 1,
            driver="Driver A", kind="timed", counts=True, reason="", air_c=18.0,
        )  # fmt: skip
        both = pd.concat([laps, ran], ignore_index=True)
        again = LapTimeModel(both, beliefs(event).lap_time, sessions=event.sessions).fit()
        later = lap_moments(again, sessions=[], sets=[], oldest_laps=len(wanted.age_weight))
        c = later.loss_row(wanted.age_weight, wanted.heat_cycles)
        spreads.append(np.sqrt(c @ later.cov @ c))
        true_s = wanted.difference_s(lap_time) + row @ truth
        errors.append(wanted.difference_s(again) - true_s)
    return float(np.mean(spreads)), float(np.sqrt(np.mean(np.square(errors))))


if __name__ == "__main__":
    speed()
    narrowing(int(sys.argv[1]) if len(sys.argv) > 1 else 60)
