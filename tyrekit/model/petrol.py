"""Petrol: density and volume against temperature, mass, energy and a ceiling on flow.

Petrol vapour is explosive: measure, drain and sample only as the event's regulations say,
with the fire cover they ask for. These formulas replace none of that.
"""

from __future__ import annotations

import numpy as np

from tyrekit.model.ranges import FloatArray, Numbers, within

BASE_C = 15.0
DENSITY_RANGE = (0.653, 0.8385)  # kg/l at 15 degC: petrol and the two bands above it in API54B
EN228_DENSITY = (0.720, 0.775)  # kg/l at 15 degC, EN228 table 1
HEATING_VALUE = 42.98  # MJ/kg, CFR600, the standard test petrol: 18 478 Btu/lb


def _expansion_per_k(density: FloatArray) -> FloatArray:
    kg_per_m3 = 1000.0 * density
    petrol = 346.4228 / kg_per_m3**2 + 0.4388 / kg_per_m3
    transition = 2680.3206 / kg_per_m3**2 - 0.00336312
    kerosine = 594.5418 / kg_per_m3**2
    return np.where(kg_per_m3 <= 770.0, petrol, np.where(kg_per_m3 < 787.5, transition, kerosine))


def volume_correction(density_kg_per_l: Numbers, fuel_c: Numbers) -> FloatArray:
    """Return the volume at 15 degC of one litre of petrol measured at `fuel_c`.

    Parameters
    ----------
    density_kg_per_l : float or array
        Density at 15 degC, 0.653 to 0.8385 kg/l.
    fuel_c : float or array
        Temperature of the petrol when measured, -30 to 60 degC.

    Raises
    ------
    InputError
        A value outside its range.

    Notes
    -----
    ``exp(-alpha d (1 + 0.8 alpha d))``, ``d = t - 15``, ``alpha = K0/rho^2 + K1/rho`` with the
    petrol constants 346.4228 and 0.4388 (API54B); from 770 to 787.5 kg/m3 the
    transition band and above it 594.5418/rho^2.
    """
    density = within("density_kg_per_l", density_kg_per_l, *DENSITY_RANGE, "API54B, petrol")
    above_base = within("fuel_c", fuel_c, -30.0, 60.0, "liquid petrol in the open") - BASE_C
    step = _expansion_per_k(density) * above_base
    factor: FloatArray = np.exp(-step * (1.0 + 0.8 * step))
    return factor


def density_kg_per_l(density_kg_per_l: float, fuel_c: float) -> float:
    """Return the density in kg/l at `fuel_c` of petrol known at 15 degC (API54B).

    One petrol at one temperature; ranges and errors as `volume_correction`.
    """
    return float(density_kg_per_l * volume_correction(density_kg_per_l, fuel_c))


def mass(volume_l: Numbers, density_kg_per_l: Numbers, fuel_c: Numbers = BASE_C) -> FloatArray:
    """Return kg in `volume_l` litres measured at `fuel_c`; density at 15 degC (API54B)."""
    litres = within("volume_l", volume_l, 0.0, 2000.0, "a volume of fuel")
    return litres * density_kg_per_l * volume_correction(density_kg_per_l, fuel_c)


def volume(mass_kg: Numbers, density_kg_per_l: Numbers, fuel_c: Numbers = BASE_C) -> FloatArray:
    """Return litres at `fuel_c` that `mass_kg` fills; density at 15 degC (API54B)."""
    kilograms = within("mass_kg", mass_kg, 0.0, 1500.0, "a mass of fuel")
    return kilograms / (density_kg_per_l * volume_correction(density_kg_per_l, fuel_c))


def density_doubt(density_kg_per_l: float) -> str:
    """Return why a density at 15 degC is unusual for pump petrol, or an empty text.

    EN228 allows 0.720 to 0.775 kg/l; race fuels may lie outside.
    """
    low, high = EN228_DENSITY
    if low <= density_kg_per_l <= high:
        return ""
    return (
        f"a density of {density_kg_per_l:.3f} kg/l at 15 °C is outside {low:.3f} to {high:.3f}, "
        "what pump petrol may have; right only for a special fuel"
    )


def flow_for_power(
    power_kw: Numbers, bsfc_g_per_kwh: Numbers, density_kg_per_l: Numbers
) -> FloatArray:
    """Return the fuel flow in l/h of an engine at `power_kw`.

    Parameters
    ----------
    power_kw : float or array
        Power at the crank, 0 to 1500 kW.
    bsfc_g_per_kwh : float or array
        Brake specific fuel consumption, 180 to 600 g/kWh; about 300 at full power
        (common practice, no source).
    density_kg_per_l : float or array
        Density at 15 degC.

    Notes
    -----
    Definition of brake specific consumption. At full power it is a ceiling for the mean of
    a lap, so a logger above it has the wrong unit or factor.
    """
    power = within("power_kw", power_kw, 0.0, 1500.0, "a car's engine")
    bsfc = within("bsfc_g_per_kwh", bsfc_g_per_kwh, 180.0, 600.0, "a petrol engine under load")
    density = within("density_kg_per_l", density_kg_per_l, *DENSITY_RANGE, "API54B, petrol")
    return power * bsfc / 1000.0 / density


def efficiency(bsfc_g_per_kwh: Numbers, heating_value: Numbers = HEATING_VALUE) -> FloatArray:
    """Return the share of the fuel's energy that reaches the crank, 0 to 1.

    ``3600 / (bsfc x heating value)``; heating value in MJ/kg, 42 to 44.6 for petrol.
    """
    bsfc = within("bsfc_g_per_kwh", bsfc_g_per_kwh, 180.0, 600.0, "a petrol engine under load")
    heat = within("heating_value", heating_value, 40.0, 46.0, "petrol")
    return 3600.0 / (bsfc * heat)
