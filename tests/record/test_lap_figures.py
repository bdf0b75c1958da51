"""The studies of lap times and repairs in small, with wide bands: simulated truth."""

import pytest
from study_laps import CASES, Case, figures
from study_repairs import DROP_OUTS, FAULTS, repairs

RUNS = 8


@pytest.mark.parametrize(
    "name,most_ms",
    [
        ("position 10 Hz, 1 m white", 6.0),
        ("position 10 Hz, 1 m, 80 % of its variance wandering", 32.0),  # 26 over many runs
        ("position 10 Hz, 1 m wandering over 15 s", 35.0),
    ],
)
def test_position_is_as_good_as_its_noise_and_says_so(name, most_ms):
    found = figures(CASES[name], RUNS)
    assert found.rms_ms <= most_ms and found.lost == 0
    assert found.cover_pct >= 76  # 80 to 97 over many runs


@pytest.mark.parametrize("way", ["stamp", "running time", "lap time"])
def test_a_time_of_crossing_is_used(way):
    found = figures(Case(way, 20.0), RUNS)
    assert found.rms_ms <= 2.0 and found.stated_ms <= 10.0 and found.lost == 0


@pytest.mark.parametrize("way", ["beacon", "lap", "late lap"])
def test_where_no_time_is_carried_the_sample_period_is_the_uncertainty(way):
    found = figures(Case(way, 20.0), RUNS)
    # closed form: two ends evenly spread over 50 ms, 50 / sqrt(6)
    assert found.stated_ms == pytest.approx(20.4, abs=0.1)
    assert 14 < found.rms_ms < 27


def test_the_white_receiver_is_told_from_the_wandering_one():
    white, slow = (
        figures(CASES[f"position 10 Hz, 1 m {kind}"], RUNS).stated_ms
        for kind in ("white", "wandering over 15 s")
    )
    assert white < 10 and slow > 22


@pytest.mark.parametrize("fault", FAULTS)
def test_repairs(fault):
    found = repairs(fault, "beacon", 3)
    assert found.found_pct == 100 and found.wrong_pct == 0
    assert found.told_pct == (0 if fault == "none" else 100)


@pytest.mark.parametrize("fault", DROP_OUTS)
def test_drop_outs_of_position(fault):
    found = repairs(fault, "position", 3)
    assert found.found_pct == 100 and found.wrong_pct == 0
    assert found.told_pct == (0 if "singly" in fault else 100)
