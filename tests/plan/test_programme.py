"""How far a session is expected to run: what it says wins, then its laps, then its minutes."""

import numpy as np
import pytest

from tyrekit.plan.programme import lap_time_s, laps_to_run
from tyrekit.plan.weekend_problem import laps_by_time


def test_planned_laps_win(event):
    assert laps_to_run(event.session("P1"), 95.0) == 12


def test_practice_by_its_minutes_less_the_time_in_the_pits(event):
    # closed form: 40 min x 0.65 = 1560 s, begun laps counted: 1560 / 95 = 16.4
    assert laps_to_run(event.session("P2"), 95.0) == 17


def test_race_to_laps_and_to_time(event):
    # closed form: 40 min = 2400 s; the lap under way at 2400 s is finished: 2400 / 95 = 25.3
    assert laps_to_run(event.session("R1"), 95.0) == 24
    assert laps_to_run(event.session("R2"), 95.0) == 26
    assert laps_to_run(event.session("R2"), 100.0) == 24  # 24 x 100 s is time up to the second


def test_whichever_comes_first(make_event):
    event = make_event(("laps = 24", "laps = 24\nminutes = 30"))
    assert laps_to_run(event.session("R1"), 95.0) == 19
    assert laps_to_run(event.session("R1"), 60.0) == 24


def test_lap_time_is_the_fits_with_its_spread(event, lap_time, believed_lap_time):
    # simulated truth: the invented car laps in 95 s and 0.05 s per lap of age, 30 kg aboard
    mean, sd = lap_time_s(lap_time, event.session("P2"))
    assert mean == pytest.approx(95.4, abs=0.5)
    assert 0.0 < sd < lap_time_s(believed_lap_time, event.session("P2"))[1]
    assert np.isfinite(sd)


def test_a_race_has_one_clean_lap_in_the_tyre_plan_and_the_race_plan(event, lap_time):
    # two ways to the same lap: a prediction, and base lap plus losses
    for session in ("R1", "R2"):
        race = event.session(session)
        assert lap_time_s(lap_time, race)[0] == pytest.approx(
            laps_by_time(event, race, lap_time)[1]
        )
