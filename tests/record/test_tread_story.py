"""What tread readings say of each other: against conditioning written out, and simulated truth."""

import numpy as np
import pandas as pd
import pytest
from demo_weekends import copy_of

from tyrekit.record import tread_story
from tyrekit.record.tread_story import Stint, readings, story
from tyrekit.record.weekend import Weekend

START = pd.Timestamp("2026-05-16T09:00:00Z")
WEAR = np.array([0.08, 0.06, 0.035, 0.025])  # invented, mm per lap


def a_weekend(seed=1, sets=3, gauge_mm=0.05):
    """Readings before, and after each of six runs of eight laps; simulated truth."""
    rng = np.random.default_rng(seed)
    ids = [tuple(f"{s}{c}" for c in "abcd") for s in range(sets)]
    stints = [Stint(f"R{i}", START + pd.Timedelta(hours=i), ids[i % sets], 8.0) for i in range(6)]
    depth = {t: 5.0 + rng.normal(0, 0.03, 3) for s in ids for t in s}
    rows = [(START - pd.Timedelta(hours=1), t, "", *d) for t, d in depth.items()]
    for i, stint in enumerate(stints):
        for k, t in enumerate(stint.tyres):
            early = 0.18 * (np.exp(-8 * (i // sets) / 3.5) - np.exp(-8 * (i // sets + 1) / 3.5))
            depth[t] = depth[t] - 8 * WEAR[k] - early
            rows.append((stint.start + pd.Timedelta(minutes=30), t, stint.run_id, *depth[t]))
    names = ["taken_at", "tyre_id", "after_run", "inner_mm", "centre_mm", "outer_mm"]
    table = pd.DataFrame(rows, columns=names)
    table[names[3:]] += rng.normal(0, gauge_mm, (len(table), 3))
    return table, dict.fromkeys(depth, 0.0), stints


def test_a_block_is_foretold_as_by_conditioning_on_all_others():
    """Closed form: the normal distribution of a block given the rest, from the covariance."""
    found = story(readings(*a_weekend()))
    at = found.of.stint == 3
    off, spread = found.block(at)
    covariance = np.linalg.inv(found.inverse)
    away = covariance @ found.weighed
    told = covariance[np.ix_(at, ~at)] @ np.linalg.solve(covariance[np.ix_(~at, ~at)], away[~at])
    assert off == pytest.approx(away[at] - told, abs=1e-8)
    rest = covariance[np.ix_(at, ~at)] @ np.linalg.solve(
        covariance[np.ix_(~at, ~at)], covariance[np.ix_(~at, at)]
    )
    assert spread == pytest.approx(covariance[np.ix_(at, at)] - rest, abs=1e-8)


def test_off_by_spread_has_the_spread_it_promises():
    """Simulated truth: over 20 weekends, values off over their spread scatter by about one."""
    spreads = np.concatenate([story(readings(*a_weekend(seed))).off_mm()[1] for seed in range(20)])
    assert 0.85 < spreads.std() < 1.15
    assert np.mean(np.abs(spreads) > 4) < 0.002


def test_histories_count_only_runs_before_a_reading():
    table, brought, stints = a_weekend()
    of = readings(table, brought, stints)
    fourth = of.row == table.index[(table["after_run"] == "R3") & (table["tyre_id"] == "0a")][0]
    assert of.age_laps[fourth].tolist() == [16.0] * 3
    assert of.stint[fourth].tolist() == [3] * 3 and of.corner[fourth].tolist() == [0] * 3
    assert of.laps[fourth][0].tolist() == [8, 0, 0, 8, 0, 0]
    assert (of.stint[table["after_run"].repeat(3).to_numpy() == ""] == -1).all()


def test_gauge_and_belief_are_in_the_range_the_fit_has():
    assert 0.05 <= story(readings(*a_weekend())).gauge_mm <= 0.2
    assert pytest.approx(0.05, abs=0.02) == tread_story.WEAR  # fit.prior: 0.055 +- 0.03


@pytest.mark.parametrize("name", ["fenmoor-after-p3", "fenmoor-complete"])
def test_the_demo_weekends_raise_no_doubt(tmp_path, name):
    assert Weekend.open(copy_of(name, tmp_path)).doubts == ()
