"""Fuel flow from injector duty where a log has no fuel channel."""

import numpy as np
import pandas as pd
import pytest

from tyrekit.model.injector import flow, flow_at_pressure
from tyrekit.record.injectors import (
    DEAD_TIME_MS,
    NOTE,
    RATED_BAR,
    STATIC_L_PER_H,
    has_injectors,
    injector_flow_l_per_h,
)
from tyrekit.record.laps import litres


def log(seconds=101):
    time_s = np.arange(seconds, dtype=float)
    return pd.DataFrame(
        {"time_s": time_s, "injector_duty_pct": 20 + 60 * np.abs(np.sin(time_s / 9)),
         "fuel_pressure_bar": 3.8 + 0.3 * np.cos(time_s / 5), "engine_rpm": 4500 + 20 * time_s}
    )  # fmt: skip


def test_the_same_as_the_injector_model():
    # the room's own formula held equal to model.injector, one injector of the assumed size
    channels = log()
    rail = channels["fuel_pressure_bar"].to_numpy()
    expected = flow(
        channels["injector_duty_pct"].to_numpy(), channels["engine_rpm"].to_numpy(), injectors=1,
        static_l_per_h=flow_at_pressure(STATIC_L_PER_H, RATED_BAR, rail),
        dead_time_ms=DEAD_TIME_MS,
    )  # fmt: skip
    assert injector_flow_l_per_h(channels) == pytest.approx(expected, rel=1e-12)


def test_a_worked_number():
    # closed form: 60 % duty at 6000 rpm is 12 ms, 11 open of 20; 4 bar instead of 3 is 1.1547
    one = pd.DataFrame({"time_s": [0.0], "injector_duty_pct": [60.0], "fuel_pressure_bar": [4.0],
                        "engine_rpm": [6000.0]})  # fmt: skip
    assert injector_flow_l_per_h(one)[0] == pytest.approx(95 * 0.55 * 1.154700538, rel=1e-9)


def test_litres_come_from_the_injectors_only_without_a_fuel_channel():
    channels = log()
    by_duty = litres(channels)
    flow_l_per_h = injector_flow_l_per_h(channels)
    assert by_duty[-1] == pytest.approx(np.trapezoid(flow_l_per_h, dx=1.0) / 3600)
    counted = channels.assign(fuel_used_l=0.02 * channels["time_s"])
    assert litres(counted)[-1] == pytest.approx(2.0) and not has_injectors(counted)
    assert len(litres(channels.drop(columns="engine_rpm"))) == 0
    assert "flow_scale" in NOTE


def test_gaps_and_a_switched_off_engine():
    channels = log()
    channels.loc[3:6, "injector_duty_pct"] = np.nan
    channels.loc[50:, ["injector_duty_pct", "engine_rpm"]] = 0.0
    found = injector_flow_l_per_h(channels)
    assert np.isfinite(found).all() and (found >= 0).all() and (found[50:] == 0).all()
