"""How a lap was driven: closed forms on a drive of our own, at three rates and with noise."""

import numpy as np
import pandas as pd
import pytest

from tyrekit.errors import InputError
from tyrekit.fit.driving import MEASURES, measure
from tyrekit.terms import TERMS

LAP_S, CYCLE_S = 90.0, 15.0


def drive(rate_hz: float, rng: np.random.Generator | None = None, **faults: float) -> pd.DataFrame:
    """Six equal cycles: 8 s full throttle, 3 s braking and turning in, 1 s coasting, 3 s turning.

    Channels are exact averages-free samples of smooth curves; noise as of common sensors.
    """
    time = np.arange(int(LAP_S * rate_hz) + 1) / rate_hz
    phase = time % CYCLE_S
    speed = np.interp(phase, [0, 8, 11, 12, 15], [30.0, 54.0, 30.0, 29.0, 30.0])
    along = np.interp(
        phase, [0, 0.5, 7.5, 8.2, 10.8, 11.2, 11.8, 12.2, 15], [3, 3, 3, -8, -8, -1, -1, 0.4, 0.4]
    )
    across = np.interp(phase, [0, 0.5, 9, 11, 14, 15], [0, 0, 0, 9, 9, 0])
    pedal = np.interp(phase, [0, 1, 7.8, 8.0, 12, 12.5, 15], [40, 100, 100, 0, 0, 40, 40])
    brake = np.interp(phase, [0, 7.9, 8.2, 10.8, 11.0, 15], [0, 0, 60, 60, 0, 0])
    steer = np.interp(phase, [0, 9, 11, 14, 15], [0, 0, 90, 90, 0]) * np.where(
        (time // CYCLE_S) % 2 == 0, 1, -1
    )
    frame = pd.DataFrame(
        {"time_s": time, "speed_mps": speed, "acceleration_long_mps2": along,
         "acceleration_lat_mps2": across, "throttle_pct": pedal, "brake_bar": brake,
         "steering_deg": steer}
    )  # fmt: skip
    for corner in ("fl", "fr", "rl", "rr"):
        frame[f"wheel_speed_{corner}_mps"] = speed
    lock = faults.get("lock_s", 0.0)
    locked = (phase > 9.0) & (phase < 9.0 + lock) & (time < 2 * CYCLE_S)
    frame.loc[locked, "wheel_speed_fl_mps"] *= 0.7
    if rng is not None:
        spread = {"speed_mps": 0.05, "acceleration_long_mps2": 0.4, "acceleration_lat_mps2": 0.4,
                  "throttle_pct": 0.5, "brake_bar": 0.3, "steering_deg": 0.7}  # fmt: skip
        for name, sd in spread.items():
            frame[name] += rng.normal(0.0, sd, len(frame))
    return frame


def test_measures_of_a_known_drive():
    found = measure(drive(100.0))
    # closed forms of the drive: trapezoids of the curves above, window ends aside
    assert found["steering_work_deg"] == pytest.approx(6 * 180.0, rel=0.03)
    assert found["steering_reversals"] == 6  # once in each bend
    assert found["braking_peak_mps2"] == pytest.approx(8.0, rel=0.01)
    assert found["coasting_pct"] == pytest.approx(
        100 * 1.1 / 15, abs=1.5
    )  # the window takes 0.1 s off each end
    braking = drive(100.0)
    on = braking["brake_bar"] > 3.6
    power = -braking["acceleration_long_mps2"].clip(upper=0) * braking["speed_mps"]
    assert found["braking_work_kj_per_kg"] == pytest.approx(power[on].sum() * 0.01 / 1000, rel=0.02)
    assert found["lock_ups"] == 0 and found["wheelspins"] == 0


@pytest.mark.parametrize("rate_hz", [10.0, 20.0])
def test_the_same_drive_at_another_rate_agrees(rate_hz):
    # Stated tolerance: 3 % of the value, or one count, or 0.6 of a percentage point.
    rng = np.random.default_rng(5)
    fine, coarse = measure(drive(100.0, rng)), measure(drive(rate_hz, rng))
    for one in MEASURES:
        loose = 1.0 if one.unit == "" else 0.6 if one.unit == "%" else 0.0
        assert coarse[one.name] == pytest.approx(fine[one.name], rel=0.03, abs=loose), one.name


def test_noise_moves_no_measure_by_more_than_the_stated_tolerance():
    clean, noisy = measure(drive(20.0)), measure(drive(20.0, np.random.default_rng(8)))
    for one in MEASURES:
        loose = 1.0 if one.unit == "" else 0.6 if one.unit == "%" else 0.0
        assert noisy[one.name] == pytest.approx(clean[one.name], rel=0.04, abs=loose), one.name


@pytest.mark.parametrize("rate_hz", [10.0, 20.0, 100.0])
def test_lock_ups_are_counted_at_every_rate(rate_hz):
    assert measure(drive(rate_hz, lock_s=0.8))["lock_ups"] == 2
    assert measure(drive(rate_hz, lock_s=0.05))["lock_ups"] == 0


def test_more_overlap_is_seen_as_such():
    lap = drive(20.0)
    lap["throttle_pct"] = lap["throttle_pct"].where(lap["brake_bar"] < 3.6, 25.0)
    assert measure(lap)["overlap_pct"] > measure(drive(20.0))["overlap_pct"] + 15


def test_missing_channels_leave_their_measures_unknown_and_no_others():
    lap = drive(20.0).drop(columns=["steering_deg", "wheel_speed_fl_mps"])
    lap["throttle_pct"] = np.nan
    found = measure(lap)
    unknown = {name for name, value in found.items() if np.isnan(value)}
    assert unknown == {
        "steering_work_deg", "steering_reversals", "lock_ups", "wheelspins", "overlap_pct",
        "coasting_pct", "throttle_rate_pct_per_s",
    }  # fmt: skip


def test_a_gap_in_a_channel_is_bridged():
    lap = drive(20.0)
    whole = measure(lap)
    lap.loc[lap["time_s"].between(3.0, 3.4), "acceleration_long_mps2"] = np.nan
    found = measure(lap)
    assert found["braking_work_kj_per_kg"] == pytest.approx(
        whole["braking_work_kj_per_kg"], rel=0.01
    )


def test_too_short_a_lap_is_refused():
    with pytest.raises(InputError, match="two seconds"):
        measure(drive(20.0).head(20))


def test_every_measure_is_in_the_glossary():
    assert all(TERMS[one.name].unit == one.unit for one in MEASURES)
