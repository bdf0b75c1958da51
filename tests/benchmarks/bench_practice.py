"""Speed of judging practice runs: python tests/benchmarks/bench_practice.py

Medians of processor time over five seeds in one process; the slow way is dense generalised least
squares for each sequence, timed on 200 of them. Car and sessions are invented.
"""

import time
from statistics import median

import numpy as np
import pandas as pd
from invented import invented

from tyrekit.fit.lap_time import LapTimeModel
from tyrekit.fit.prior import beliefs
from tyrekit.plan.decision import Decision
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
        "P3", 42.0, 95.0, sets, (15.0, 25.0, 40.0), (5, 7, 9, 12), 1.15, field_laps=700.0
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


def main() -> None:
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


if __name__ == "__main__":
    main()
