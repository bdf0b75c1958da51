"""Air: standard atmosphere, moist density, and what the air does to power and fuel."""

from __future__ import annotations

import numpy as np

from tyrekit.errors import InputError
from tyrekit.model.ranges import FloatArray, Numbers, within
from tyrekit.units import STANDARD_PRESSURE_HPA, ZERO_C_K

GAS_CONSTANT_J_PER_MOL_K = 8.314472  # as CIPM2007 prescribes, not the later exact value
MOLAR_MASS_AIR_KG_PER_MOL = 28.96546e-3  # CIPM2007 eq. 3, 400 ppm carbon dioxide
WATER_SHARE = 0.3780  # CIPM2007: 1 - M_water / M_air

# Reference states and exponents of the three power corrections:
# pressure hPa, its exponent, temperature K, its exponent, and whether the pressure is dry.
POWER_RULES: dict[str, tuple[float, float, float, float, bool]] = {
    "SAEJ1349": (990.0, 1.0, 298.0, 0.5, True),
    "ISO1585": (990.0, 1.2, 298.0, 0.6, True),
    "DIN70020": (1013.0, 1.0, 293.0, 0.5, False),
}


def _weather(
    air_c: Numbers, pressure_hpa: Numbers, humidity_pct: Numbers
) -> tuple[FloatArray, FloatArray, FloatArray]:
    return (
        within("air_c", air_c, -30.0, 55.0, "outdoor air"),
        within("pressure_hpa", pressure_hpa, 500.0, 1100.0, "air pressure on the ground"),
        within("humidity_pct", humidity_pct, 0.0, 100.0, "relative humidity"),
    )


def standard_pressure(altitude_m: Numbers) -> FloatArray:
    """Return the air pressure in hPa at `altitude_m` in the standard atmosphere.

    Geopotential altitude, -500 to 5000 m (ISO2533 eq. 12: 1013.25 (1 - 0.0065 H/288.15)^5.25588).

    Raises
    ------
    InputError
        Altitude outside the range.
    """
    height = within("altitude_m", altitude_m, -500.0, 5000.0, "circuits")
    pressure: FloatArray = STANDARD_PRESSURE_HPA * (1.0 - 0.0065 * height / 288.15) ** 5.25588
    return pressure


def vapour_pressure(
    air_c: Numbers, humidity_pct: Numbers, pressure_hpa: Numbers = STANDARD_PRESSURE_HPA
) -> FloatArray:
    """Return the pressure in hPa of the water vapour in moist air.

    CIPM2007 eq. A1.1 (saturation) with the enhancement factor of eq. A1.2; -30 to 55 degC.
    """
    celsius, total, humidity = _weather(air_c, pressure_hpa, humidity_pct)
    kelvin = celsius + ZERO_C_K
    saturation_pa = np.exp(
        1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin
    )
    enhancement = 1.00062 + 3.14e-8 * 100.0 * total + 5.6e-7 * celsius**2
    vapour: FloatArray = humidity / 100.0 * enhancement * saturation_pa / 100.0
    return vapour


def _compressibility(pa: FloatArray, celsius: FloatArray, water: FloatArray) -> FloatArray:
    kelvin = celsius + ZERO_C_K
    first = (
        1.58123e-6 - 2.9331e-8 * celsius + 1.1043e-10 * celsius**2
        + (5.707e-6 - 2.051e-8 * celsius) * water
        + (1.9898e-4 - 2.376e-6 * celsius) * water**2
    )  # fmt: skip
    second = 1.83e-11 - 0.765e-8 * water**2
    return 1.0 - pa / kelvin * first + (pa / kelvin) ** 2 * second


def air_density(
    air_c: Numbers,
    pressure_hpa: Numbers = STANDARD_PRESSURE_HPA,
    humidity_pct: Numbers = 50.0,
) -> FloatArray:
    """Return the density in kg/m3 of moist air.

    Parameters
    ----------
    air_c : float or array
        Air temperature, -30 to 55 degC (the source states its accuracy for 15 to 27).
    pressure_hpa : float or array
        Air pressure, absolute, 500 to 1100 hPa.
    humidity_pct : float or array
        Relative humidity, 0 to 100 %.

    Raises
    ------
    InputError
        A value outside its range.

    Notes
    -----
    CIPM2007 eq. 1 with the compressibility of eq. A1.4.
    """
    celsius, total, _ = _weather(air_c, pressure_hpa, humidity_pct)
    water = vapour_pressure(air_c, humidity_pct, pressure_hpa) / total
    pa = 100.0 * total
    factor = _compressibility(pa, celsius, water)
    ideal = pa * MOLAR_MASS_AIR_KG_PER_MOL / (GAS_CONSTANT_J_PER_MOL_K * (celsius + ZERO_C_K))
    return ideal / factor * (1.0 - WATER_SHARE * water)


def power_correction(
    air_c: Numbers,
    pressure_hpa: Numbers = STANDARD_PRESSURE_HPA,
    humidity_pct: Numbers = 50.0,
    rule: str = "SAEJ1349",
) -> FloatArray:
    """Return the factor from power in this air to power in the rule's reference air.

    Parameters
    ----------
    air_c, pressure_hpa, humidity_pct : float or array
        Intake air, ranges as `air_density`.
    rule : {"SAEJ1349", "ISO1585", "DIN70020"}
        SAEJ1349 (1990): 1.180 (990/p_dry) sqrt(T/298) - 0.18; ISO1585: (990/p_dry)^1.2
        (T/298)^0.6; DIN70020: (1013/p) sqrt(T/293), temperatures in K with 273 at 0 degC.

    Raises
    ------
    InputError
        A value outside its range or an unknown rule.
    """
    if rule not in POWER_RULES:
        raise InputError(
            f"power correction {rule!r} is not known",
            rule="known are " + ", ".join(POWER_RULES),
            next_step="Name one of them.",
        )
    reference, pressure_power, kelvin, kelvin_power, dry = POWER_RULES[rule]
    celsius, total, _ = _weather(air_c, pressure_hpa, humidity_pct)
    vapour = vapour_pressure(air_c, humidity_pct, pressure_hpa) if dry else 0.0
    factor: FloatArray = (reference / (total - vapour)) ** pressure_power * (
        (celsius + 273.0) / kelvin
    ) ** kelvin_power
    return 1.180 * factor - 0.18 if rule == "SAEJ1349" else factor


def power_share(
    air_c: Numbers,
    pressure_hpa: Numbers,
    humidity_pct: Numbers,
    reference: tuple[float, float, float],
    rule: str = "SAEJ1349",
) -> FloatArray:
    """Return full-throttle power in this air over that in `reference` air.

    `reference` is (air_c, pressure_hpa, humidity_pct). An engine that is not boosted.
    """
    here = power_correction(air_c, pressure_hpa, humidity_pct, rule)
    return power_correction(*reference, rule) / here


def fuel_share(
    air_c: Numbers,
    pressure_hpa: Numbers,
    humidity_pct: Numbers,
    reference: tuple[float, float, float],
) -> FloatArray:
    """Return fuel flow at full throttle in this air over that in `reference` air.

    At one mixture and engine speed the fuel follows the mass of dry air drawn in, taken as
    the dry air's density (ideal gas). `reference` is (air_c, pressure_hpa, humidity_pct).
    """

    def dry_mass(celsius: Numbers, hpa: Numbers, humidity: Numbers) -> FloatArray:
        dry = np.asarray(hpa, dtype=np.float64) - vapour_pressure(celsius, humidity, hpa)
        return dry / (np.asarray(celsius, dtype=np.float64) + ZERO_C_K)

    return dry_mass(air_c, pressure_hpa, humidity_pct) / dry_mass(*reference)
