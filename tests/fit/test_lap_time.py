"""The lap-time fit against statsmodels with every row written out, and what it says in words."""

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy.stats import multivariate_normal
from simulated_weekends import KINDS, default_beliefs, simulate

from tyrekit.errors import FitError
from tyrekit.fit import lap_problem
from tyrekit.fit.lap_design import lap_rows
from tyrekit.fit.lap_time import LapTimeModel, LapTimeResults
from tyrekit.fit.lap_words import laps_alone
from tyrekit.fit.prior import Prior
from tyrekit.fit.result import FitResult
from tyrekit.model.drop_off import Shape, bend

BELIEFS = default_beliefs(95.0, 1520.0)
NOISE_S = 0.27


@pytest.fixture(scope="module")
def weekend():
    return simulate(np.random.default_rng(7), shape="cliff")


@pytest.fixture(scope="module")
def fit(weekend):
    return LapTimeModel(weekend.laps, BELIEFS, KINDS).fit()


def problem_of(laps):
    kinds = {s.id: s.kind for s in KINDS}
    return lap_problem.lap_problem(lap_rows(laps).table, BELIEFS, kinds)


def written_out(problem, shape=None):
    """The same estimate the long way: every lap, offset, stint and belief a row of sm.WLS."""
    table = problem.table
    stint, _ = pd.factorize(table["stint"])
    blocks, mean, sd = [], [problem.mean], [problem.sd]
    columns = np.zeros((len(table), len(problem.names)))
    for group in problem.groups:
        at = len(group.offsets)
        columns[group.rows] = group.columns[:, at : at + len(problem.names)]
    blocks.append(columns)
    for column, spread in (("session", "session_s"), ("set_id", "set_s")):
        codes, _ = pd.factorize(table[column])
        blocks.append(np.eye(codes.max() + 1)[codes])
        sd.append(np.full(codes.max() + 1, BELIEFS[spread].sd))
    own = np.eye(stint.max() + 1)[stint]
    blocks += [own, own * (table["flying_lap"].to_numpy() - 5.0)[:, None]]
    for spread in ("stint_s", "stint_slope_s_per_lap"):
        sd.append(np.full(own.shape[1], BELIEFS[spread].sd))
    mean.append(np.zeros(sum(len(part) for part in sd[1:])))
    if shape is not None:
        at = problem.shapes.index(shape) - 1
        blocks.append(bend(shape, table["age_laps"])[:, None])
        mean.append([problem.curve_mean[at]])
        sd.append([problem.curve_sd[at]])
    design, mean, sd = np.hstack(blocks), np.concatenate(mean), np.concatenate(sd)
    time = table["lap_time_s"].to_numpy() - problem.middle_s
    row_sd = np.hypot(NOISE_S, table["lap_time_se_s"].to_numpy())
    rows = np.vstack([design, np.eye(len(mean))])
    weights = np.concatenate([row_sd, sd]) ** -2.0
    model = sm.WLS(np.concatenate([time, mean]), rows, weights=weights)
    found = model.fit(cov_type="fixed scale", cov_kwds={"scale": 1.0})
    return found, design, (time, row_sd, mean, sd)


def test_straight_line_equals_statsmodels_with_every_row(weekend):
    """Other package: sm.WLS on all laps with session, set and stint columns and belief rows."""
    problem = problem_of(weekend.laps)
    solution = lap_problem.solve(problem, np.ones(problem.n_laps, bool), NOISE_S)
    found, design, (time, *_) = written_out(problem)
    g = len(problem.names)
    assert_allclose(solution.common, found.params[:g], rtol=0, atol=1e-9)
    assert_allclose(solution.cov, found.cov_params()[:g, :g], rtol=1e-8, atol=1e-12)
    straight = np.zeros(len(problem.shapes) - 1)
    for group, part in zip(problem.groups, solution.reduced, strict=True):
        left = lap_problem.reduction.residuals(group, part, solution.common, straight)
        assert_allclose(left, (time - design @ found.params)[group.rows], atol=1e-9)


def test_offsets_and_their_covariance_equal_statsmodels(weekend):
    problem = problem_of(weekend.laps)
    whole = LapTimeModel(weekend.laps, BELIEFS, KINDS).fit()
    settled = lap_problem.settle(problem)
    wide = settled.noise_s * math.sqrt(
        (1 + settled.autocorrelation) / (1 - settled.autocorrelation)
    )
    kept = problem_of(weekend.laps)
    weights = np.where(settled.kept, np.hypot(wide, 0.02), 1e6)
    found, design, (time, _, mean, sd) = written_out(kept)
    rows = np.vstack([design, np.eye(len(mean))])
    model = sm.WLS(np.r_[time, mean], rows, weights=np.r_[weights, sd] ** -2.0)
    found = model.fit(cov_type="fixed scale", cov_kwds={"scale": 1.0})
    p = len(whole.line)
    expected = found.params[:p] + np.eye(p)[0] * problem.middle_s
    assert_allclose(whole.line, expected, atol=1e-7)
    assert_allclose(whole.line_cov, found.cov_params()[:p, :p], rtol=1e-6, atol=1e-10)


@pytest.mark.parametrize("at", [1, 2, 7])
def test_a_curve_equals_statsmodels_with_its_column(weekend, at):
    """Other package: the one-column update against sm.WLS with that column among the others."""
    problem = problem_of(weekend.laps)
    solution = lap_problem.solve(problem, np.ones(problem.n_laps, bool), NOISE_S)
    shape = problem.shapes[at]
    found, *_ = written_out(problem, shape)
    curve = solution.curve
    assert curve.coefficient[at - 1] == pytest.approx(found.params[-1], abs=1e-9)
    assert curve.sd[at - 1] == pytest.approx(found.bse[-1], rel=1e-8)
    common = solution.common - curve.shift[:, at - 1] * curve.coefficient[at - 1]
    assert_allclose(common, found.params[: len(common)], atol=1e-9)


def test_evidence_equals_the_marginal_density_of_the_lap_times(weekend):
    """Other package: scipy's multivariate normal of all lap times, beliefs integrated out."""
    problem = problem_of(weekend.laps)
    solution = lap_problem.solve(problem, np.ones(problem.n_laps, bool), NOISE_S)

    def log_density(shape):
        _, design, (time, row_sd, mean, sd) = written_out(problem, shape)
        cov = (design * sd**2) @ design.T + np.diag(row_sd**2)
        return multivariate_normal(design @ mean, cov).logpdf(time)

    straight = log_density(None)
    for at in (1, 3, 9):
        against = log_density(problem.shapes[at]) - straight
        assert solution.curve.log_evidence[at - 1] == pytest.approx(against, abs=1e-5)


def test_parameters_used_equal_the_trace_of_the_hat_matrix(weekend):
    problem = problem_of(weekend.laps)
    solution = lap_problem.solve(problem, np.ones(problem.n_laps, bool), NOISE_S)
    found, design, (_, row_sd, *_) = written_out(problem)
    hat = (design / row_sd[:, None]) @ found.cov_params() @ (design / row_sd[:, None]).T
    gained = solution.weight[1:] @ (1 - (solution.curve.sd / problem.curve_sd) ** 2)
    assert lap_problem._used(problem, solution) - gained == pytest.approx(np.trace(hat), abs=1e-6)


def test_unconnected_weekends_are_solved_apart_and_agree(weekend):
    """Two weekends that share no session and no set: own groups, the same as written out."""
    other = simulate(np.random.default_rng(8)).laps
    for column in ("run_id", "session", "set_id"):
        other[column] = "x" + other[column]
    problem = problem_of(pd.concat([weekend.laps, other], ignore_index=True))
    owner = problem.table["session"].str.startswith("x").to_numpy()
    assert len(problem.groups) > 1
    assert all(len(set(owner[group.rows])) == 1 for group in problem.groups)
    solution = lap_problem.solve(problem, np.ones(problem.n_laps, bool), NOISE_S)
    found, *_ = written_out(problem)
    g = len(problem.names)
    assert_allclose(solution.common, found.params[:g], atol=1e-8)
    assert_allclose(solution.cov, found.cov_params()[:g, :g], rtol=1e-7, atol=1e-12)


def test_order_of_the_rows_does_not_matter(weekend, fit):
    mixed = weekend.laps.sample(frac=1.0, random_state=4)
    assert_allclose(
        LapTimeModel(mixed, BELIEFS, KINDS).fit().params[fit.params.index], fit.params, atol=1e-9
    )


def test_common_names_of_the_results(fit):
    assert isinstance(fit, FitResult)
    p = len(fit.params)
    assert fit.cov.shape == (p, p) and list(fit.rests_on.index) == list(fit.params.index)
    assert_allclose(fit.bse, np.sqrt(np.diag(fit.cov)))
    assert fit.rests_on["data_share"].between(0, 1).all()
    assert fit.fuel_effect_s_per_kg == fit.estimate("fuel_effect_s_per_kg")
    assert fit.warm_up_s[0] == fit.params["warm_up_1_s"]
    assert fit.shape_weights.sum() == pytest.approx(1.0)
    assert set(fit.seen) >= {"age_laps", "fuel_kg", "track_c"}
    assert fit.base_lap_s("never run").mean == pytest.approx(fit.params["base_lap_s"])


def test_traffic_is_left_out_on_the_slow_side_only(weekend, fit):
    laps = weekend.laps.copy()
    clean = fit.laps[fit.laps["kept"] & (fit.laps["residual_s"].abs() < 0.1)].iloc[::5]
    keys = set(zip(clean["run_id"], clean["lap"], strict=True))
    flying = [i for i, row in laps.iterrows() if (row["run_id"], row["lap"]) in keys]
    laps.loc[flying, "lap_time_s"] += 1.6
    fit = LapTimeModel(laps, BELIEFS, KINDS).fit()
    out = fit.left_out.set_index(["run_id", "lap"])
    for at in flying:
        row = out.loc[(laps.loc[at, "run_id"], laps.loc[at, "lap"])]
        assert "slower than expected" in row["reason"] and row["residual_s"] > 0.8
    kept = fit.laps[fit.laps["kept"]]
    assert kept["residual_s"].max() <= 2.0 * math.hypot(fit.noise_s, 0.02)


def test_a_quick_lap_stays_in_and_an_impossible_one_does_not(weekend, fit):
    row = fit.laps[fit.laps["kept"] & (fit.laps["residual_s"].abs() < 0.05)].iloc[4]
    at = (weekend.laps["run_id"] == row["run_id"]) & (weekend.laps["lap"] == row["lap"])

    def reasons(quicker):
        laps = weekend.laps.assign(
            lap_time_s=weekend.laps["lap_time_s"] - quicker * fit.noise_s * at
        )
        out = LapTimeModel(laps, BELIEFS, KINDS).fit().left_out
        return out[(out["run_id"] == row["run_id"]) & (out["lap"] == row["lap"])]["reason"].tolist()

    assert reasons(2.8) == []
    assert reasons(6.0) == []  # quick laps tell most about the car: traffic cannot make them
    assert "check the lap time" in reasons(0.04 * row["lap_time_s"] / fit.noise_s)[0]


def test_laps_taken_out_by_hand_refit_and_are_listed(weekend, fit):
    kept = fit.laps[fit.laps["kept"]].iloc[10]
    without = LapTimeModel(weekend.laps, BELIEFS, KINDS, without=[(kept.run_id, kept.lap)]).fit()
    assert without.n_rows in (fit.n_rows - 1, fit.n_rows, fit.n_rows - 2)
    row = without.left_out.query("run_id == @kept.run_id and lap == @kept.lap").iloc[0]
    assert row["reason"] == "taken out by hand"
    assert not np.allclose(without.params, fit.params, atol=1e-6)


def test_left_out_carries_the_reasons_of_the_table(weekend, fit):
    table = weekend.laps
    said = fit.left_out.set_index(["run_id", "lap"])["reason"]
    for row in table[~table["counts"]].itertuples():
        assert said[(row.run_id, row.lap)] == row.reason
    assert len(fit.left_out) + fit.n_rows == len(table)


def test_wet_sessions_stay_out(weekend):
    kinds = [type(k)(k.id, k.kind, wet=k.id == "P2") for k in KINDS]
    fit = LapTimeModel(weekend.laps, BELIEFS, kinds).fit()
    assert "session_s:P2" not in fit.params
    assert (fit.left_out.query("session == 'P2'")["reason"] == "wet session").any()


def test_a_session_of_another_kind_of_track_is_told(weekend):
    laps = weekend.laps.copy()
    laps.loc[laps["session"] == "P2", "lap_time_s"] += 8.0
    fit = LapTimeModel(laps, BELIEFS, KINDS).fit()
    assert any("session P2" in note and "Wet" in note for note in fit.notes)


def test_draws_follow_the_mixture(fit):
    draws = fit.draws(60_000, np.random.default_rng(1))
    numbers = draws[fit.params.index].to_numpy()
    assert_allclose(numbers.mean(axis=0), fit.params, atol=4 * fit.bse.max() / math.sqrt(60_000))
    # closed form: a t with df degrees has df / (df - 2) of the scale as variance
    assert_allclose(numbers.std(axis=0), fit.bse * math.sqrt(fit.df / (fit.df - 2)), rtol=0.05)
    shares = draws["shape"].value_counts(normalize=True)
    for name, weight in fit.shape_weights.items():
        assert shares.get(name, 0.0) == pytest.approx(weight, abs=0.01)


def test_age_loss_draws_have_the_stated_mean_and_start_at_zero(fit):
    ages = np.arange(0.0, 60.0, 4.0)
    draws = fit.age_loss_s(ages, 60_000, np.random.default_rng(2))
    assert draws.shape == (60_000, len(ages)) and not draws[:, 0].any()
    spread = draws.std(axis=0) / math.sqrt(60_000)
    assert (np.abs(draws.mean(axis=0) - fit.mean_age_loss_s(ages)) <= 4.5 * spread + 1e-9).all()


def test_age_loss_agrees_with_prediction_on_two_ages(weekend, fit):
    rows = weekend.held_out.iloc[[4, 4]].assign(age_laps=[0.0, 18.0])
    told = fit.predict(rows)["mean"]
    assert told.iloc[1] - told.iloc[0] == pytest.approx(fit.mean_age_loss_s([18.0])[0], abs=1e-9)
    loss = fit.stint_loss([3.0, 4.0, 5.0]).iloc[0]
    assert loss["mean"] == pytest.approx(fit.mean_age_loss_s([3.0, 4.0, 5.0]).sum())


def test_prediction_widens_for_one_lap_and_for_what_was_never_seen(weekend, fit):
    row = weekend.held_out.iloc[[6]]

    def width(**changed):
        told = fit.predict(row.assign(**changed)).iloc[0]
        return told["upper"] - told["lower"], told["outside"]

    usual, said = width()
    assert said == ""
    lap = fit.predict(row, new_lap=True).iloc[0]
    assert lap["upper"] - lap["lower"] > usual
    for changed, word in (
        ({"age_laps": fit.oldest_laps + 12}, "age"),
        ({"fuel_kg": 95.0}, "fuel"),
        ({"track_c": 58.0}, "track temperature"),
        ({"session": "nowhere"}, "nowhere"),
    ):
        wide, said = width(**changed)
        assert wide > usual and word in said
    assert width(session="R1")[0] < usual  # its offset is known
    assert width(set_id="new set")[0] > usual
    assert width(track_c=math.nan)[1]


def test_stint_total_is_less_sure_than_its_laps_taken_as_independent(weekend, fit):
    rows = weekend.held_out[weekend.held_out["counts"]]
    laps = fit.predict(rows, new_lap=True)
    total = fit.stint_time(rows).iloc[0]
    assert total["mean"] == pytest.approx(laps["mean"].sum())
    apart = math.sqrt((((laps["upper"] - laps["lower"]) / 2) ** 2).sum())
    assert (total["upper"] - total["lower"]) / 2 > 1.3 * apart
    mean = fit.combined(rows, np.full(len(rows), 1 / len(rows)), noise=False).iloc[0]
    assert mean["mean"] == pytest.approx(total["mean"] / len(rows))


def test_saved_fit_predicts_the_same(weekend, fit):
    loaded = LapTimeResults.from_json(fit.to_json())
    pd.testing.assert_frame_equal(loaded.predict(weekend.held_out), fit.predict(weekend.held_out))
    assert loaded.summary() == fit.summary()
    assert loaded.knee.words == fit.knee.words
    one = loaded.age_loss_s([5.0], 3, np.random.default_rng(1))
    assert_allclose(one, fit.age_loss_s([5.0], 3, np.random.default_rng(1)))


def test_rows_that_cannot_be_predicted_are_refused(weekend, fit):
    with pytest.raises(FitError, match="fuel_kg"):
        fit.predict(weekend.held_out.drop(columns="fuel_kg"))
    with pytest.raises(FitError, match="age_laps"):
        fit.predict(weekend.held_out.assign(age_laps=math.nan))
    with pytest.raises(FitError, match="ages"):
        fit.mean_age_loss_s([-1.0])


def test_missing_columns_and_beliefs_are_refused(weekend):
    with pytest.raises(FitError, match="set_id"):
        LapTimeModel(weekend.laps.drop(columns="set_id"), BELIEFS).fit()
    few = {n: p for n, p in BELIEFS.items() if n != "noise_s"}
    with pytest.raises(FitError, match="noise_s"):
        LapTimeModel(weekend.laps, few).fit()


def test_summary_answers_the_four_questions(fit):
    text = fit.summary()
    for part in ("fuel effect", "drop-off", "90 %", "laps", "stints", "sets", "P1", "Left out",
                 "Seen:", "belief", "from laps", "Surer with"):  # fmt: skip
        assert part in text
    lines = text.splitlines()
    assert len(lines) <= 35 and max(map(len, lines)) <= 100
    assert "nan" not in text.lower()


def test_conflict_of_laps_and_belief_is_told(weekend):
    sure = {**BELIEFS, "fuel_effect_s_per_kg": Prior(-0.05, 0.004, "wrong on purpose")}
    notes = LapTimeModel(weekend.laps, sure, KINDS).fit().notes
    assert any(note.startswith("fuel effect: the laps point to") for note in notes)


def test_what_the_laps_alone_say_is_the_fit_without_the_belief(weekend, fit):
    """Closed form for one normal; the shapes' mixture and the trimming leave a little apart."""
    flat = {**BELIEFS, "fuel_effect_s_per_kg": Prior(0.0, 10.0, "nothing believed")}
    free = LapTimeModel(weekend.laps, flat, KINDS).fit().fuel_effect_s_per_kg
    alone = laps_alone(fit, "fuel_effect_s_per_kg")
    assert abs(alone.mean - free.mean) < 0.35 * free.sd
    assert alone.sd == pytest.approx(free.sd, rel=0.15)
    assert laps_alone(LapTimeModel(weekend.laps.iloc[:0], BELIEFS).fit(), "race_s") is None


def test_fuel_and_age_are_as_correlated_as_their_draws(fit):
    draws = fit.draws(40_000, np.random.default_rng(3))
    pair = draws[["fuel_effect_s_per_kg", "drop_off_s_per_lap"]].corr().iloc[0, 1]
    assert fit.fuel_age_correlation == pytest.approx(pair, abs=0.03)
    assert fit.curved_chance == pytest.approx(1 - fit.shape_weights["linear"])


def test_a_cliff_is_found_and_its_knee_named():
    weekend = simulate(np.random.default_rng(12), shape="cliff", setting="clean")
    fit = LapTimeModel(weekend.laps, default_beliefs(weekend.truth.lap_s, 1520.0), KINDS).fit()
    assert fit.shape_weights.idxmax() == "hinge" and fit.shape_weights.max() > 0.8
    # simulated truth
    assert abs(fit.knee.best_laps - weekend.knee_age_laps) < 3 and fit.knee.seen
    assert "knee at" in fit.knee.words
    early = weekend.laps[weekend.laps["age_laps"] < weekend.knee_age_laps + 3]
    knee = LapTimeModel(early, default_beliefs(weekend.truth.lap_s, 1520.0), KINDS).fit().knee
    assert not knee.seen and knee.upper_laps is None


def test_shape_in_the_record_draws_the_curve(fit):
    hinges = [
        Shape(n, k) for n, k in zip(fit.shapes["shape"], fit.shapes["knee_laps"], strict=True)
    ]
    at = int(fit.shapes["weight"].to_numpy()[2:].argmax()) + 2
    slope = fit.line[2] - fit.shift[2, at] * fit.shapes["coefficient"][at]
    ends = bend(hinges[at], fit.oldest_laps) / fit.oldest_laps
    # closed form: mean slope to the oldest age = slope before the knee + bend x coefficient
    before = slope - ends * fit.shapes["coefficient"][at]
    curve = before * 9.0 + fit.shapes["coefficient"][at] * bend(hinges[at], 9.0)
    own = fit.curves(np.array([9.0]))[0, at] * fit.shapes["coefficient"][at] + slope * 9.0
    assert curve == pytest.approx(own)
