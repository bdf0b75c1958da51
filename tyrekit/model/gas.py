"""Tyre gas: pressure against temperature at constant or growing volume.

Ideal gas in absolute pressure and kelvin. A real gas differs by 6 mbar at most between
20 and 100 degC at 2 bar (checks against a reference equation of state), less than a
gauge's step; liquid water in the tyre can add up to 0.7 bar and is not modelled.
Pressures are gauge; `ambient_bar` is the absolute pressure of the air outside.
"""

from __future__ import annotations

from tyrekit.model.ranges import FloatArray, Numbers, within
from tyrekit.units import STANDARD_PRESSURE_HPA, ZERO_C_K

STANDARD_AMBIENT_BAR = STANDARD_PRESSURE_HPA / 1000.0


def _absolute_bar(name: str, gauge_bar: Numbers, ambient_bar: Numbers) -> FloatArray:
    ambient = within("ambient_bar", ambient_bar, 0.5, 1.1, "air pressure on the ground")
    return within(name, gauge_bar, 0.0, 10.0, "gauge pressure of a tyre") + ambient


def _kelvin(name: str, values_c: Numbers) -> FloatArray:
    return within(name, values_c, -60.0, 200.0, "gas in a tyre") + ZERO_C_K


def hot_pressure(
    cold_bar: Numbers,
    cold_c: Numbers,
    hot_c: Numbers,
    ambient_bar: Numbers = STANDARD_AMBIENT_BAR,
    volume_ratio: Numbers = 1.0,
) -> FloatArray:
    """Return the gauge pressure in bar after warming from `cold_c` to `hot_c`.

    Parameters
    ----------
    cold_bar : float or array
        Cold pressure, gauge, 0 to 10 bar.
    cold_c, hot_c : float or array
        Gas temperature when set and when hot, -60 to 200 degC.
    ambient_bar : float or array
        Air pressure, absolute, 0.5 to 1.1 bar.
    volume_ratio : float or array
        Hot over cold volume; 1 for a casing that does not grow, 0.9 to 1.2.

    Raises
    ------
    InputError
        A value outside its range.

    Notes
    -----
    ``(p + p_amb) V / T`` constant, OSCP eq. 13.18.
    """
    growth = within("volume_ratio", volume_ratio, 0.9, 1.2, "growth of a casing")
    absolute = _absolute_bar("cold_bar", cold_bar, ambient_bar)
    ratio = _kelvin("hot_c", hot_c) / _kelvin("cold_c", cold_c)
    return absolute * ratio / growth - ambient_bar


def cold_pressure(
    hot_bar: Numbers,
    hot_c: Numbers,
    cold_c: Numbers,
    ambient_bar: Numbers = STANDARD_AMBIENT_BAR,
) -> FloatArray:
    """Return the cold gauge pressure in bar that gives `hot_bar` at `hot_c`.

    The inverse of `hot_pressure` at constant volume; same ranges, errors and source. A
    result below 0 means no cold setting reaches the target.
    """
    absolute = _absolute_bar("hot_bar", hot_bar, ambient_bar)
    return absolute * _kelvin("cold_c", cold_c) / _kelvin("hot_c", hot_c) - ambient_bar


def gas_temperature(
    cold_bar: Numbers,
    cold_c: Numbers,
    hot_bar: Numbers,
    ambient_bar: Numbers = STANDARD_AMBIENT_BAR,
) -> FloatArray:
    """Return the gas temperature in degC that a hot gauge pressure implies.

    Ranges, errors and source as `hot_pressure`, at constant volume.
    """
    cold = _absolute_bar("cold_bar", cold_bar, ambient_bar)
    hot = _absolute_bar("hot_bar", hot_bar, ambient_bar)
    return hot / cold * _kelvin("cold_c", cold_c) - ZERO_C_K


def pressure_slope(
    gauge_bar: Numbers, gas_c: Numbers, ambient_bar: Numbers = STANDARD_AMBIENT_BAR
) -> FloatArray:
    """Return the pressure change in bar per kelvin at this pressure and temperature.

    ``(p + p_amb) / T`` of the ideal gas (OSCP eq. 13.18); ranges as `hot_pressure`.
    """
    return _absolute_bar("gauge_bar", gauge_bar, ambient_bar) / _kelvin("gas_c", gas_c)
