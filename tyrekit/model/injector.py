"""Injectors: flow against pressure difference, and fuel per pulse with dead time.

Another way to fuel flow when the logger has duty, engine speed and rail pressure. The
terms (static flow, slope, time offset) are those of the injector test standard SAEJ1832.
"""

from __future__ import annotations

import itertools

import numpy as np

from tyrekit.errors import InputError
from tyrekit.model.ranges import FloatArray, Numbers, within

MILLISECONDS_PER_CYCLE_RPM = 120_000.0  # four-stroke: one injection every two turns


def flow_at_pressure(
    rated_l_per_h: Numbers, rated_bar: Numbers, difference_bar: Numbers
) -> FloatArray:
    """Return the static flow in l/h at another pressure difference.

    Parameters
    ----------
    rated_l_per_h : float or array
        Static flow of one injector on the data sheet, 0.5 to 300 l/h.
    rated_bar : float or array
        Pressure difference it was rated at, 1 to 10 bar (the scope of SAEJ1832).
    difference_bar : float or array
        Rail pressure minus manifold pressure, 0.5 to 10 bar.

    Raises
    ------
    InputError
        A value outside its range.

    Notes
    -----
    Flow through an orifice goes with the root of the pressure difference (Bernoulli).
    """
    rated = within("rated_l_per_h", rated_l_per_h, 0.5, 300.0, "petrol injectors")
    at = within("rated_bar", rated_bar, 1.0, 10.0, "SAEJ1832: below 1000 kPa")
    now = within("difference_bar", difference_bar, 0.5, 10.0, "SAEJ1832: below 1000 kPa")
    return rated * np.sqrt(now / at)


def pulse_width(duty_pct: Numbers, engine_rpm: Numbers) -> FloatArray:
    """Return the commanded pulse in ms: duty share of one four-stroke cycle.

    Duty 0 to 100 %, engine speed 200 to 20000 rpm; outside raises `InputError`.
    """
    duty = within("duty_pct", duty_pct, 0.0, 100.0, "a share of the cycle")
    speed = within("engine_rpm", engine_rpm, 200.0, 20_000.0, "a running engine")
    return duty / 100.0 * MILLISECONDS_PER_CYCLE_RPM / speed


def dead_time(battery_v: Numbers, table: dict[float, float]) -> FloatArray:
    """Return the time offset in ms at `battery_v` from a data sheet's table.

    Parameters
    ----------
    battery_v : float or array
        Voltage at the injectors, 6 to 18 V.
    table : dict
        Voltage to dead time in ms; at least two points; falling with voltage. Between points
        the line is straight, outside them the end value holds.

    Raises
    ------
    InputError
        Voltage outside its range, or a table that is too short or rises.
    """
    volts = within("battery_v", battery_v, 6.0, 18.0, "a 12 V system")
    points = sorted(table.items())
    times = [offset for _, offset in points]
    if len(points) < 2 or any(b > a for a, b in itertools.pairwise(times)):
        raise InputError(
            "the dead-time table is not usable",
            rule="two or more voltages, dead time in ms falling as voltage rises",
            got=table,
            next_step="Copy it from the injector's data sheet.",
        )
    return np.interp(volts, [voltage for voltage, _ in points], times)


def flow(
    duty_pct: Numbers,
    engine_rpm: Numbers,
    *,
    injectors: int,
    static_l_per_h: Numbers,
    dead_time_ms: Numbers,
) -> FloatArray:
    """Return the fuel flow in l/h of the whole engine from the injectors' duty.

    Parameters
    ----------
    duty_pct, engine_rpm : float or array
        Commanded duty and engine speed, same shape.
    injectors : int
        How many, 1 to 16.
    static_l_per_h : float or array
        Static flow of one injector at the present pressure difference (see `flow_at_pressure`).
    dead_time_ms : float or array
        Time offset, 0 to 5 ms; a pulse shorter than it gives nothing.

    Raises
    ------
    InputError
        A value outside its range.

    Notes
    -----
    Fuel per pulse = slope x (pulse - offset), SAEJ1832; not static flow x pulse. Full duty
    means held open: no dead time.
    """
    count = within("injectors", injectors, 1, 16, "one engine")
    static = within("static_l_per_h", static_l_per_h, 0.5, 300.0, "petrol injectors")
    offset = within("dead_time_ms", dead_time_ms, 0.0, 5.0, "SAEJ1832 time offset")
    pulse = pulse_width(duty_pct, engine_rpm)
    cycle = MILLISECONDS_PER_CYCLE_RPM / np.asarray(engine_rpm, dtype=np.float64)
    open_share = np.where(pulse >= cycle, 1.0, np.maximum(pulse - offset, 0.0) / cycle)
    return count * static * open_share
