"""What to run next: the search against dense algebra, enumeration and drawn weekends.

Kinds of expected value: closed form (dense generalised least squares, enumeration) and simulated
truth, said test by test. The car and its sessions are invented (conftest).
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tyrekit.fit.lap_time import LapTimeModel
from tyrekit.fit.prior import beliefs
from tyrekit.plan.decision import Decision
from tyrekit.plan.lap_moments import lap_moments
from tyrekit.plan.practice import (
    decision_value_s,
    moments_for,
    practice_plan,
    run_information,
)  # fmt: skip
from tyrekit.plan.practice_runs import (
    PracticeSession,
    PracticeSet,
    candidates,
    practice_session,
    timed_laps,
)  # fmt: skip


@pytest.fixture(scope="module")
def decision():
    weight = np.zeros(40)
    weight[5:20] += 1.0
    weight[0:7] -= 1.0
    weight[10:18] -= 1.0
    return Decision("older tyres in the last race", weight, 3.0)


def a_session(minutes=30.0, **changes):
    values = {
        "session": "P3", "minutes": minutes, "lap_s": 95.0,
        "sets": (PracticeSet("set 0", 17, 2.0, 30), PracticeSet("new", 0, 0.0, 20)),
        "fuels_kg": (16.0, 40.0), "run_laps": (4, 7, 11), "use_kg_per_lap": 1.15,
        "field_laps": 700.0,
    }  # fmt: skip
    return PracticeSession(**(values | changes))


def dense_variance(moments, laps, row, noise_s, level_s, trend_s):
    """Variance of row @ unknowns after the laps: dense covariance of all laps, no shortcuts."""
    rows = moments.lap_rows(laps)
    cov = rows @ moments.cov @ rows.T + noise_s**2 * np.eye(len(laps))
    same = laps["run"].to_numpy()[:, None] == laps["run"].to_numpy()
    trend = laps["flying_lap"].to_numpy() - 5.0
    cov += same * (level_s**2 + trend_s**2 * np.outer(trend, trend))
    across = rows @ moments.cov @ row
    return row @ moments.cov @ row - across @ np.linalg.solve(cov, across)


def noise_of(lap_time, session):
    linger = (1 + lap_time.autocorrelation) / (1 - lap_time.autocorrelation)
    noise_s = lap_time.noise_s * np.sqrt(linger / session.clean_share)
    return noise_s, lap_time.spreads["stint_s"], lap_time.spreads["stint_slope_s_per_lap"]


def laps_of(session, found, sequence):
    laps = timed_laps(session, found)
    parts = [laps[laps["run"] == i - 1].assign(run=n) for n, i in enumerate(sequence) if i]
    return pd.concat(parts, ignore_index=True)


@pytest.mark.parametrize("which", ["lap_time", "believed_lap_time"])
def test_every_variance_equals_dense_algebra(which, request, decision):
    # closed form: generalised least squares with the laps' dense covariance
    lap_time = request.getfixturevalue(which)
    session = a_session()
    found = candidates(session)
    moments = moments_for(session, lap_time, decision)
    row = moments.loss_row(decision.age_weight, decision.heat_cycles)
    fast = run_information(session, moments, found).variance(row, found.sequences)
    rng = np.random.default_rng(1)
    for i in rng.choice(len(fast), size=25, replace=False):
        laps = laps_of(session, found, found.sequences[i])
        slow = dense_variance(moments, laps, row, *noise_of(lap_time, session))
        assert fast[i] == pytest.approx(slow, rel=1e-9)


def every_sequence(session):
    """Every sequence of (place, fuel, laps) that fits, by plain recursion."""
    takes = {n: round((n - 2 + 1.15 + 1.10) * session.lap_s / 60 * 600) for n in session.run_laps}
    found = []

    def walk(done, at, on):
        for place, tyres in enumerate(session.sets):
            for fuel in session.fuels_kg:
                for laps in session.run_laps:
                    enough = fuel - laps * session.use_kg_per_lap >= session.least_kg
                    fits = at + takes[laps] <= session.minutes * 600
                    if enough and fits and on[place] + laps <= tyres.longest_laps:
                        now = [*done, (place, fuel, laps)]
                        found.append(tuple(now))
                        more = [n + laps * (k == place) for k, n in enumerate(on)]
                        walk(now, at + takes[laps] + round(session.turn_round_min * 600), more)

    walk([], 0, [0] * len(session.sets))
    return found


@pytest.mark.parametrize("minutes", [8.0, 20.0, 30.0, 41.0])
def test_every_sequence_that_fits_is_judged_once(minutes):
    # closed form: enumeration by recursion
    session = a_session(minutes)
    found = candidates(session)
    ours = [tuple(tuple(found.runs[i - 1]) for i in s if i) for s in found.sequences]
    assert sorted(ours) == sorted(every_sequence(session))
    assert found.complete


def test_runs_find_the_track_and_tyres_the_runs_before_left():
    session = a_session(41.0)
    found = candidates(session)
    for sequence in found.sequences[:: max(1, len(found.sequences) // 50)]:
        at, on, cycles = 0.0, {0: 17, 1: 0}, {0: 2.0, 1: 0.0}
        for i in (i - 1 for i in sequence if i):
            run = found.runs[i]
            assert found.start_min[i] == pytest.approx(at, abs=0.01)
            assert found.age_laps[i] == on[run.place]
            assert found.heat_cycles[i] == cycles[run.place]
            at += session.run_min(run.laps) + session.turn_round_min
            on[run.place] += run.laps
            cycles[run.place] += 1


def test_never_worse_than_one_run_at_a_time(lap_time, decision):
    session = a_session(41.0)
    found = candidates(session)
    moments = moments_for(session, lap_time, decision)
    row = moments.loss_row(decision.age_weight, decision.heat_cycles)
    variance = run_information(session, moments, found).variance(row, found.sequences)
    greedy: tuple[int, ...] = ()
    while True:
        longer = [
            i for i, s in enumerate(found.sequences)
            if tuple(s[: len(greedy)]) == greedy and np.count_nonzero(s) == len(greedy) + 1
        ]  # fmt: skip
        if not longer:
            break
        greedy_at = min(longer, key=lambda i: variance[i])
        greedy = tuple(found.sequences[greedy_at][: len(greedy) + 1])
    assert variance.min() <= variance[greedy_at] + 1e-12
    assert practice_plan(session, lap_time, decision).after_sd_s == pytest.approx(
        np.sqrt(variance.min())
    )


def test_leaving_out_a_runs_own_level_and_trend_claims_too_much(lap_time, decision):
    # closed form: the same runs judged as if runs had no level and trend of their own
    session = a_session()
    bare = replace(
        lap_time, spreads=dict(lap_time.spreads) | {"stint_s": 1e-9, "stint_slope_s_per_lap": 1e-9}
    )
    honest = practice_plan(session, lap_time, decision)
    claimed = practice_plan(session, bare, decision)
    assert claimed.after_sd_s < honest.after_sd_s


def test_expected_narrowing_is_what_drawn_weekends_show(lap_time, decision):
    # simulated truth: unknowns, runs and laps drawn; the estimate's error has the stated spread
    session = a_session(35.0)
    plan = practice_plan(session, lap_time, decision)
    found = candidates(session)
    moments = moments_for(session, lap_time, decision)
    row = moments.loss_row(decision.age_weight, decision.heat_cycles)
    judged = run_information(session, moments, found)
    best = found.sequences[judged.variance(row, found.sequences).argmin()]
    laps = laps_of(session, found, best)
    rows = moments.lap_rows(laps)
    noise_s, level_s, trend_s = noise_of(lap_time, session)
    rng = np.random.default_rng(3)
    weekends = 20_000
    values, vectors = np.linalg.eigh(moments.cov)
    root = vectors * np.sqrt(np.clip(values, 0, None))
    truth = rng.standard_normal((weekends, len(root))) @ root.T
    run = laps["run"].to_numpy()
    level = level_s * rng.standard_normal((weekends, run.max() + 1))[:, run]
    trend = trend_s * rng.standard_normal((weekends, run.max() + 1))[:, run]
    flying = laps["flying_lap"].to_numpy() - 5.0
    seen = truth @ rows.T + level + trend * flying
    seen += noise_s * rng.standard_normal(seen.shape)
    cov = rows @ moments.cov @ rows.T + noise_s**2 * np.eye(len(laps))
    same = run[:, None] == run
    cov += same * (level_s**2 + trend_s**2 * np.outer(flying, flying))
    gain = np.linalg.solve(cov, rows @ moments.cov @ row)
    error = seen @ gain - truth @ row
    assert error.std() == pytest.approx(plan.after_sd_s, rel=0.02)
    assert (truth @ row).std() == pytest.approx(plan.before_sd_s, rel=0.02)


def test_a_real_refit_narrows_as_expected(event, laps, lap_time, decision):
    # simulated truth: proposed runs driven by drawn cars, added to the laps and fitted again
    session = a_session(35.0, clean_share=1.0)
    plan = practice_plan(session, lap_time, decision)
    found = candidates(session)
    moments = moments_for(session, lap_time, decision)
    row = moments.loss_row(decision.age_weight, decision.heat_cycles)
    best = found.sequences[
        run_information(session, moments, found).variance(row, found.sequences).argmin()
    ]
    new = laps_of(session, found, best)
    rows = moments.lap_rows(new)
    mean = lap_time.predict(new)["mean"].to_numpy()
    noise_s, level_s, trend_s = noise_of(lap_time, session)
    values, vectors = np.linalg.eigh(moments.cov)
    root = vectors * np.sqrt(np.clip(values, 0, None))
    rng = np.random.default_rng(8)
    after = []
    for _ in range(25):
        run = new["run"].to_numpy()
        time_s = mean + rows @ (root @ rng.standard_normal(len(root)))
        time_s += level_s * rng.standard_normal(run.max() + 1)[run]
        time_s += trend_s * rng.standard_normal(run.max() + 1)[run] * (new["flying_lap"] - 5)
        time_s += noise_s * rng.standard_normal(len(new))
        driven = new.assign(
            lap_time_s=time_s, run_id=[f"P3-{r}" for r in run], lap=new["flying_lap"] + 1,
            driver="Driver A", kind="timed", counts=True, reason="", air_c=18.0,
        )  # fmt: skip
        both = pd.concat([laps, driven], ignore_index=True)
        again = LapTimeModel(both, beliefs(event).lap_time, sessions=event.sessions).fit()
        later = lap_moments(again, sessions=[], sets=[], oldest_laps=len(decision.age_weight))
        c = later.loss_row(decision.age_weight, decision.heat_cycles)
        after.append(np.sqrt(c @ later.cov @ c))
    assert np.mean(after) == pytest.approx(plan.after_sd_s, rel=0.2)
    assert np.mean(after) < plan.before_sd_s


def test_spread_of_a_loss_is_that_of_the_fits_own_draws(lap_time, decision):
    # other package's way: the fit's draws, Student t, so wider by sqrt(df / (df - 2))
    moments = lap_moments(lap_time, sessions=[], sets=[], oldest_laps=45)
    heavy = np.sqrt(lap_time.df / (lap_time.df - 2))
    for weight in (decision.age_weight, np.eye(45)[12], np.eye(45)[40]):
        row = moments.loss_row(weight, 0.0)
        drawn = lap_time.age_loss_s(np.arange(len(weight)), 60_000, np.random.default_rng(2))
        stated = np.sqrt(row @ moments.cov @ row)
        assert stated < (drawn @ weight).std() * 1.02
        assert stated * heavy > (drawn @ weight).std() * 0.98


def test_rows_give_back_the_fits_own_lap_times(lap_time):
    # other way: the fit's own prediction, mean by mean
    moments = lap_moments(lap_time, sessions=["P3", "R1"], sets=["new"], oldest_laps=40)
    laps = pd.DataFrame(
        {
            "session": ["P3", "P1", "R1"], "set_id": ["new", "set 0", "set 1"],
            "age_laps": [4.0, 9.0, 30.0], "heat_cycles": [0.0, 1.0, 2.0],
            "fuel_kg": [25.0, 20.0, 41.0], "track_c": [27.0, 22.0, 31.0],
            "field_laps": [700.0, 300.0, 1500.0], "flying_lap": [4.0, 1.0, 9.0],
        }
    )  # fmt: skip
    params = pd.Series(0.0, index=moments.names)
    params[lap_time.params.index] = lap_time.params
    age = laps["age_laps"].to_numpy()
    bend = lap_time.mean_age_loss_s(age) - age * lap_time.params["drop_off_s_per_lap"]
    found = moments.lap_rows(laps) @ params.to_numpy() + bend
    assert found == pytest.approx(lap_time.predict(laps)["mean"].to_numpy(), abs=1e-9)


def test_value_of_deciding_later_equals_drawn_decisions():
    # simulated truth: 400,000 weekends decided before and after the narrowing
    rng = np.random.default_rng(6)
    mean, before, after = 1.3, 2.0, 0.8
    estimate = rng.normal(mean, np.sqrt(before**2 - after**2), 400_000)
    saved = np.maximum(-estimate, 0.0)  # the first plan is dearer: the second is chosen now
    error = 3 * saved.std() / np.sqrt(len(saved))
    assert decision_value_s(mean, before, after) == pytest.approx(saved.mean(), abs=error)
    assert decision_value_s(mean, before, before) == 0.0


def test_the_record_says_what_to_run_and_what_it_tells(lap_time, decision):
    plan = practice_plan(a_session(), lap_time, decision, count=4)
    assert plan.status == "optimal"
    assert plan.after_sd_s < plan.before_sd_s
    assert list(plan.table["run"]) == list(range(1, len(plan.table) + 1))
    assert (plan.table["end_min"] <= 30.0 + 1e-6).all()
    assert (plan.table["without_sd_s"] >= plan.after_sd_s - 1e-12).all()
    assert plan.table["tells_apart"].str.len().gt(5).all()
    assert plan.alternatives["after_sd_s"].is_monotonic_increasing
    assert len(plan.alternatives) == 4
    assert (plan.narrows["after_sd"] <= plan.narrows["before_sd"] + 1e-12).all()
    assert plan.judged == len(candidates(a_session()).sequences)
    assert plan.difference_s == pytest.approx(decision.difference_s(lap_time))


def test_fuel_and_age_are_told_apart_by_crossed_runs(believed_lap_time):
    # a decision about tyre age with only beliefs: one worn set heavy and light, or two sets
    weight = np.zeros(30)
    weight[20:30], weight[0:10] = 1.0, -1.0
    plan = practice_plan(a_session(41.0), believed_lap_time, Decision("age", weight))
    assert len(plan.table) >= 2
    assert plan.after_sd_s < 0.6 * plan.before_sd_s


def test_nothing_fits_is_said(lap_time, decision):
    short = practice_plan(a_session(5.0), lap_time, decision)
    bare = practice_plan(a_session(sets=()), lap_time, decision)
    dry = practice_plan(a_session(fuels_kg=(4.0,)), lap_time, decision)
    for plan in (short, bare, dry):
        assert plan.status == "impossible"
        assert plan.after_sd_s == plan.before_sd_s
        assert "no run fits" in plan.notes[0]


def test_more_sequences_than_can_be_judged_is_said(lap_time, decision):
    plan = practice_plan(a_session(), lap_time, decision, most=40)
    assert plan.status == "feasible"
    assert plan.judged == 40


def test_session_from_the_event(event, lap_time, fuel_use, decision):
    session = practice_session(
        event, event.session("P2"), lap_time, fuel_use, [PracticeSet("set 0", 17, 2.0, 20)]
    )
    assert session.minutes == 40.0
    assert session.lap_s == pytest.approx(95.5, abs=1.0)
    assert session.least_kg == pytest.approx(4.0 * 0.745)
    assert practice_plan(session, lap_time, decision).status == "optimal"
