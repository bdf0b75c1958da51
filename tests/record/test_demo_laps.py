"""The demo weekend read from its files against what its simulator knows to be true."""

import json

import numpy as np
import pytest
from demo_weekends import DATA, copy_of

from tyrekit.record.weekend import Weekend
from tyrekit.terms import CORNERS


@pytest.fixture(scope="module")
def complete(tmp_path_factory):
    name = "fenmoor-complete"
    truth = json.loads((DATA / name / "truth.json").read_text(encoding="utf-8"))
    return Weekend.open(copy_of(name, tmp_path_factory.mktemp("demo"))), truth


def pairs(weekend, truth):
    """Each true lap with the lap read."""
    for run in truth["runs"]:
        own = weekend.laps[weekend.laps["run_id"] == run["run_id"]]
        assert len(own) == len(run["laps"]), run["run_id"]
        for lap, (_, read) in zip(run["laps"], own.iterrows(), strict=True):
            yield lap, read


def test_every_lap_is_found_with_its_kind(complete):
    weekend, truth = complete
    for lap, read in pairs(weekend, truth):
        begun_on_it = read["reason"] == "a caution began or ended on it"
        assert read["kind"] == lap["kind"] or (lap["kind"] == "caution" and begun_on_it)
        assert read["counts"] <= (lap["kind"] == "timed")


def test_lap_times_are_within_their_stated_error(complete):
    weekend, truth = complete
    laps = [(lap, read) for lap, read in pairs(weekend, truth) if read["counts"]]
    error = np.array([read["lap_time_s"] - lap["lap_time_s"] for lap, read in laps])
    stated = np.array([read["lap_time_se_s"] for _, read in laps])
    assert len(error) > 60 and np.sqrt(np.mean(error**2)) <= 0.028
    assert np.mean(np.abs(error) <= 2 * stated) >= 0.95


def test_ages_and_fuel_follow_the_truth(complete):
    weekend, truth = complete
    for lap, read in pairs(weekend, truth):
        assert [read[f"age_{corner}_laps"] for corner in CORNERS] == lap["age_laps"]
        # the crew's start fuel and an uncalibrated channel: within a twentieth of the load
        assert read["fuel_kg"] == pytest.approx(lap["fuel_kg"], abs=0.05 * 45)
    now = {tyre["tyre_id"]: tyre["age_laps"] for tyre in truth["tyres"]}
    assert dict(zip(weekend.tyres["tyre_id"], weekend.tyres["age_laps"], strict=True)) == now


@pytest.mark.parametrize("name", ["fenmoor-after-p3", "fenmoor-complete"])
def test_the_demo_raises_no_doubt(name, tmp_path):
    assert Weekend.open(copy_of(name, tmp_path)).doubts == ()
