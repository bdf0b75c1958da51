"""The demo's weekend as a story: laps, tyres, timing and limits.

Expected numbers are simulated truth, or the rules of event.toml, unless said.
"""

import shutil
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tyrekit.demo.truth import noise_sd_s
from tyrekit.record.event import load_event
from tyrekit.record.laps import cut
from tyrekit.record.logs import read_log
from tyrekit.record.weekend import Weekend

CORNERS = ("fl", "fr", "rl", "rr")


DATA = Path(__file__).parents[2] / "data"


@pytest.fixture(scope="module")
def complete():
    return DATA / "fenmoor-complete"


@pytest.fixture(scope="module")
def event(complete):
    return load_event(complete / "event.toml")


def test_weekend_opens_with_the_true_laps_and_nothing_doubtful(tmp_path, truth):
    # Simulated truth. A caution called in mid-lap may make that lap either kind.
    for folder in ("book", "logs"):
        shutil.copytree(DATA / "fenmoor-complete" / folder, tmp_path / folder)
    shutil.copy(DATA / "fenmoor-complete" / "event.toml", tmp_path)
    weekend = Weekend.open(tmp_path)
    assert weekend.doubts == () and weekend.next_session is None
    true = pd.DataFrame(
        [{**lap, "run_id": run["run_id"]} for run in truth["runs"] for lap in run["laps"]]
    )
    both = weekend.laps.merge(true, on=["run_id", "lap"], suffixes=("", "_true"))
    assert len(both) == len(weekend.laps) == len(true)
    other = both[both.kind != both.kind_true]
    assert other[["run_id", "lap"]].to_numpy().tolist() in ([], [["R2", 6]])
    assert [list(ages) for ages in both.age_laps_true] == both[
        [f"age_{corner}_laps" for corner in CORNERS]
    ].to_numpy().tolist()


def test_laps_cut_from_position_are_the_true_ones(complete, event, truth):
    # Simulated truth. 30 ms: what a metre of slow position error is worth at 50 m/s, sqrt(2) x
    # (error along the track) / speed, is 28 ms.
    off, raced = [], {}
    for run in truth["runs"]:
        session = run["session"]
        data = read_log(complete / "logs" / f"{run['run_id']}.csv.gz", event.log)
        found = cut(
            data.channels, event.circuit, event.session(session), sample_s=data.sample_s,
            first_run=session not in raced, race_laps_run=raced.get(session, 0),
        )  # fmt: skip
        raced[session] = raced.get(session, 0) + sum(
            lap["kind"] != "formation" for lap in run["laps"]
        )
        assert found.way == "position"
        assert len(found.laps) == len(run["laps"]), run["run_id"]
        for lap, seconds in zip(run["laps"], found.laps["lap_time_s"], strict=True):
            if lap["kind"] in ("timed", "caution") and lap["start_s"] in run["crossings_s"]:
                off.append(seconds - lap["lap_time_s"])
    assert len(off) > 60
    assert np.sqrt(np.mean(np.square(off))) < 0.030
    assert np.max(np.abs(off)) < 0.12


def test_traffic_only_adds_and_noise_is_that_of_a_driver(truth):
    lost = [
        lap["lap_time_s"] - lap["clean_s"]
        for run in truth["runs"]
        for lap in run["laps"]
        if lap["traffic"] and lap["kind"] == "timed"
    ]
    assert len(lost) > 15 and np.mean(lost) > 0.5 and np.min(lost) > -0.6
    assert 0.15 < noise_sd_s() < 0.30


def test_drop_off_has_a_knee_late_and_fresh_tyres_gain(truth):
    loss = np.array(truth["measured"]["age_loss_s"])
    slope = np.diff(loss)
    assert (slope > 0).all()
    assert slope[0] > slope[10]  # what a fresh tyre has is soon gone
    assert slope[35] > 2 * slope[12]
    shares = truth["measured"]["corner_share"]
    assert sum(shares.values()) == pytest.approx(1.0, abs=1e-4)
    assert max(shares, key=shares.get) == "FL"  # a front-heavy car on a right-handed circuit


def test_laps_are_fair_for_such_a_car(truth):
    for run in truth["runs"]:
        for lap in run["laps"]:
            if lap["kind"] == "timed":
                assert 80 < lap["lap_time_s"] < 108


def test_official_times_add_up(complete, truth):
    expected = {"Q": 6, "R1": 14, "R2": 14, "R3": 28}
    for session, count in expected.items():
        rows = pd.read_csv(complete / "timing" / f"{session}.csv")
        assert rows.lap.tolist() == list(range(1, count + 1))
        passed = pd.to_datetime(rows.crossed_at)
        between = passed.diff().dt.total_seconds().iloc[1:]
        assert np.allclose(between, rows.lap_time_s.iloc[1:], atol=0.0015)
    r3 = pd.read_csv(complete / "timing" / "R3.csv")
    lap = r3.set_index("lap").lap_time_s
    lost = lap[14] + lap[15] - 2 * lap[[10, 11, 16, 17]].mean()
    assert lost == pytest.approx(30.0 + 45.0, abs=3.0)  # pit_loss_s and stationary_s of event.toml


def test_runs_follow_one_another_inside_their_sessions(event, truth, book):
    runs = book["runs"]
    starts = [datetime.fromisoformat(s) for s in runs.start]
    ends = [
        start + timedelta(seconds=run["laps"][-1]["end_s"] - run["laps"][0]["start_s"])
        for start, run in zip(starts, truth["runs"], strict=True)
    ]
    assert all(a < b for a, b in zip(ends, starts[1:], strict=False))
    for row, start, run in zip(runs.itertuples(), starts, truth["runs"], strict=True):
        session = event.session(row.session)
        opens = session.start.replace(tzinfo=None)
        if session.kind == "race":
            assert abs((start - opens).total_seconds()) < 1500
            continue
        closes = opens + timedelta(minutes=session.minutes)
        timed = [lap for lap in run["laps"] if lap["kind"] == "timed"]
        last = timedelta(seconds=timed[-1]["start_s"] - run["laps"][0]["start_s"])
        assert start >= opens and start + last < closes


def test_laps_run_are_the_event_s(event, truth):
    for session in event.sessions:
        kinds = [
            lap["kind"] for r in truth["runs"] if r["session"] == session.id for lap in r["laps"]
        ]
        if session.kind == "race":
            assert kinds.count("formation") == session.formation_laps
            assert kinds.count("cool_down") == session.cool_down_laps
            assert len(kinds) - 2 == session.laps
        else:
            assert len(kinds) == session.planned_laps


def fitments(book):
    """Session, run, corner, tyre and laps before the run, from the book and the laps run."""
    laps = {"P1": 6, "P2-1": 7, "P2-2": 4, "P3": 6, "Q": 7, "R1": 16, "R2": 16, "R3": 15}
    age = book["tyres"].set_index("tyre_id").age_laps.to_dict()
    cycles = book["tyres"].set_index("tyre_id").heat_cycles.to_dict()
    rows = []
    for run in book["runs"].itertuples():
        ran = laps.get(run.run_id) or laps[run.session]
        for corner in CORNERS:
            tyre = getattr(run, corner)
            rows.append((run.session, run.run_id, corner, tyre, age[tyre], cycles[tyre], ran))
            age[tyre], cycles[tyre] = age[tyre] + ran, cycles[tyre] + 1
    names = ["session", "run_id", "corner", "tyre_id", "age", "cycles", "ran"]
    return pd.DataFrame(rows, columns=names)


def test_crew_kept_every_limit(book, truth):
    fits = fitments(book)
    tyres = book["tyres"].set_index("tyre_id")
    assert tyres.loc[fits.tyre_id.unique()].new.sum() <= 8
    late = fits[fits.session.isin(["Q", "R1", "R2", "R3"])]
    assert late.tyre_id.nunique() <= 12 and tyres.loc[late.tyre_id].marked.all()
    q, r1 = (
        fits[fits.session == s][["corner", "tyre_id"]].to_numpy().tolist() for s in ("Q", "R1")
    )
    assert q == r1
    assert ((fits.age + fits.ran) <= 45).all() and (fits.cycles + 1 <= 8).all()
    assert (fits[fits.session == "R3"].cycles >= 1).all()
    sides = fits.corner.str[1].groupby(fits.tyre_id).nunique()
    assert (sides == 1).all()
    ages = fits.pivot(index="run_id", columns="corner", values="age")
    assert ((ages.fl - ages.fr).abs() <= 6).all() and ((ages.rl - ages.rr).abs() <= 6).all()
    depths = book["tread"][["inner_mm", "centre_mm", "outer_mm"]].min(axis=1)
    assert (depths > 1.6).all()


def test_ages_in_the_truth_are_the_book_s(book, truth):
    fits = fitments(book)
    for run in truth["runs"]:
        first = run["laps"][0]["age_laps"]
        assert first == fits[fits.run_id == run["run_id"]].age.tolist()


def test_minimum_tread_would_bind_if_nobody_swapped_tyres(truth):
    # The event is worth planning: a tyre left on the left front all weekend would be too thin.
    left = next(t for t in truth["tyres"] if t["tyre_id"] == "N5")
    measured = truth["measured"]["tread"]
    worst = max(measured["wear_mm_per_lap"]["FL"].values())
    assert measured["new_mm"]["outer_mm"] - measured["first_laps_mm"] - 38 * worst < 1.6
    assert min(left[place] for place in ("inner_mm", "centre_mm", "outer_mm")) > 1.6


def test_tread_read_is_the_true_depth_and_a_gauge_s_noise(book, truth):
    last = book["tread"].groupby("tyre_id").last()
    off = [
        last.loc[tyre["tyre_id"], place] - tyre[place]
        for tyre in truth["tyres"]
        for place in ("inner_mm", "centre_mm", "outer_mm")
    ]
    assert len(off) == 48
    assert 0.03 < np.std(off) < 0.07 and abs(np.mean(off)) < 0.025
