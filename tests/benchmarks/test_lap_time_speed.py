"""Speed of the lap-time fit, processor time, best of several: ratios within one process.

Nothing here is compared with a clock of another machine.
"""

import time

import numpy as np
import pandas as pd
import statsmodels.api as sm
from simulated_weekends import default_beliefs, simulate

from tyrekit.fit.lap_time import LapTimeModel

RATIO = 20  # several times what was seen: catches a change of growth, not a busy machine
BELIEFS = default_beliefs(100.0, 1550.0)


def best_s(task, times):
    found = []
    for _ in range(times):
        begin = time.process_time()
        task()
        found.append(time.process_time() - begin)
    return min(found)


def seasons(weekends):
    """Simulated weekends one after the other, each with its own sessions and sets."""
    tables = []
    for number in range(weekends):
        laps = simulate(np.random.default_rng(number)).laps
        for column in ("run_id", "session", "set_id"):
            laps[column] = f"{number} " + laps[column]
        tables.append(laps)
    return pd.concat(tables, ignore_index=True)


def one_weekend(laps_wanted=400):
    """One weekend with many runs in the same sessions on the same sets."""
    laps = simulate(np.random.default_rng(1)).laps
    runs = laps_wanted // len(laps) + 1
    more = [laps.assign(run_id=f"{i} " + laps["run_id"]) for i in range(runs)]
    return pd.concat(more, ignore_index=True)


def plain(laps):
    """One statsmodels least-squares fit of the same terms, one shape, beliefs as rows below."""
    used = laps[laps["counts"]]
    parts = [used[["fuel_kg", "age_laps", "heat_cycles", "track_c", "field_laps"]].to_numpy()]
    parts += [pd.get_dummies(used[c]).to_numpy(float) for c in ("session", "set_id", "run_id")]
    trend = used["flying_lap"].to_numpy(float)[:, None] - 5.0
    design = np.hstack([np.ones((len(used), 1)), *parts, parts[-1] * trend])
    rows = np.vstack([design, np.eye(design.shape[1])])
    answers = np.concatenate([used["lap_time_s"].to_numpy(), np.zeros(design.shape[1])])
    return sm.OLS(answers, rows).fit().bse


def test_a_weekend_of_400_laps_with_every_shape_and_knee(figure):
    laps = one_weekend()
    fit_s = best_s(lambda: LapTimeModel(laps, BELIEFS).fit(), 7)
    plain_s = best_s(lambda: plain(laps), 7)
    figure(f"{len(laps)} laps: fit {1e3 * fit_s:.1f} ms, least squares {1e3 * plain_s:.1f} ms, "
          f"ratio {fit_s / plain_s:.1f}")  # fmt: skip
    assert fit_s < RATIO * plain_s


def test_time_grows_with_the_laps_and_no_faster(figure):
    small, large = seasons(30), seasons(210)
    rates = []
    for laps in (small, large):
        rates.append(best_s(lambda laps=laps: LapTimeModel(laps, BELIEFS).fit(), 2) / len(laps))
        figure(f"{len(laps)} laps: {1e6 * rates[-1]:.0f} microseconds a lap")
    # closed form: seven times the laps in seven times the time; the room is for the machine
    assert rates[1] < 2.0 * rates[0]
