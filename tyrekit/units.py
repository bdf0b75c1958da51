"""Unit conversion at the edge, and the physical constants the rooms share.

Inside the kit a quantity has the unit its name ends in; only `record` converts.
Sources: SI brochure 9th ed. (SI9); NIST SP 811 appendix B (SP811); ISO 2533 (ISO2533).
"""

from __future__ import annotations

from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from tyrekit.errors import InputError

Number = TypeVar("Number", float, NDArray[np.float64])

ZERO_C_K = 273.15  # SI9
STANDARD_PRESSURE_HPA = 1013.25  # ISO2533
GRAVITY_MPS2 = 9.80665  # SI9
GAS_CONSTANT_AIR_J_PER_KG_K = 287.05287  # ISO2533


class Unit(NamedTuple):
    """A known unit: value in the kit's unit = scale x value + offset."""

    quantity: str
    scale: float
    offset: float = 0.0


# SP811 unless said. The first of each quantity is the kit's own unit.
UNITS: dict[str, Unit] = {
    "s": Unit("time", 1.0),
    "ms": Unit("time", 1e-3),
    "min": Unit("time", 60.0),
    "h": Unit("time", 3600.0),
    "m": Unit("length", 1.0),
    "km": Unit("length", 1e3),
    "mi": Unit("length", 1609.344),
    "ft": Unit("length", 0.3048),
    "mm": Unit("depth", 1.0),
    "32nd in": Unit("depth", 25.4 / 32),
    "mil": Unit("depth", 0.0254),
    "m/s": Unit("speed", 1.0),
    "km/h": Unit("speed", 1 / 3.6),
    "mph": Unit("speed", 0.44704),
    "kn": Unit("speed", 1852 / 3600),
    "m/s2": Unit("acceleration", 1.0),
    "g": Unit("acceleration", GRAVITY_MPS2),
    "bar": Unit("pressure", 1.0),
    "kPa": Unit("pressure", 0.01),
    "hPa": Unit("pressure", 1e-3),
    "mbar": Unit("pressure", 1e-3),
    "MPa": Unit("pressure", 10.0),
    "psi": Unit("pressure", 0.06894757),
    "degC": Unit("temperature", 1.0),
    "degF": Unit("temperature", 5 / 9, -160 / 9),
    "K": Unit("temperature", 1.0, -ZERO_C_K),
    "l/h": Unit("flow", 1.0),
    "l/min": Unit("flow", 60.0),
    "ml/s": Unit("flow", 3.6),
    "cc/min": Unit("flow", 0.06),
    "gal/h": Unit("flow", 3.785412),
    "l": Unit("volume", 1.0),
    "ml": Unit("volume", 1e-3),
    "cc": Unit("volume", 1e-3),
    "gal": Unit("volume", 3.785412),
    "kg": Unit("mass", 1.0),
    "lb": Unit("mass", 0.45359237),
    "rpm": Unit("rotation", 1.0),
    "1/min": Unit("rotation", 1.0),
    "%": Unit("share", 1.0),
    "ratio": Unit("share", 100.0),
    "deg": Unit("angle", 1.0),
    "rad": Unit("angle", 180 / np.pi),
    "V": Unit("voltage", 1.0),
    "mV": Unit("voltage", 1e-3),
    "": Unit("count", 1.0),
}

# Spellings seen for the same unit; compared in lower case without spaces or degree signs.
SPELLINGS: dict[str, str] = {
    "sec": "s", "secs": "s", "second": "s", "seconds": "s", "metre": "m", "meter": "m",
    "meters": "m", "metres": "m", "miles": "mi", "mps": "m/s", "kph": "km/h", "kmh": "km/h",
    "km/hr": "km/h", "mi/h": "mph", "knots": "kn", "kt": "kn", "m/s^2": "m/s2", "m/s²": "m/s2",
    "c": "degC", "celsius": "degC", "f": "degF", "fahrenheit": "degF", "kelvin": "K",
    "lph": "l/h", "l/hr": "l/h", "lpm": "l/min", "litre": "l", "liter": "l", "litres": "l",
    "liters": "l", "gallon": "gal", "gallons": "gal", "usgal": "gal", "us gal": "gal",
    "cm3": "cc", "lbs": "lb", "percent": "%", "pct": "%", "degrees": "deg", "r/min": "rpm",
    "°": "deg", "º": "deg", "degree": "deg", "grad": "deg", "tr/min": "rpm", "u/min": "rpm",
    "min-1": "rpm",
    "volt": "V", "volts": "V", "none": "", "-": "", "no": "", "count": "",
}  # fmt: skip

# What the last part of one of our names says: suffix -> (quantity, kit unit -> suffix unit).
SUFFIXES: dict[str, tuple[str, str]] = {
    "_s_per_kg": ("fuel effect", "s/kg"), "_kj_per_kg": ("work over mass", "kJ/kg"),
    "_pct_per_s": ("rate", "%/s"),
    "_l_per_h": ("flow", "l/h"), "_kg_per_l": ("density", "kg/l"),
    "_mps2": ("acceleration", "m/s2"),
    "_kg_per_m3": ("density of air", "kg/m3"), "_j_per_m": ("work over distance", "J/m"),
    "_mps": ("speed", "m/s"), "_m2": ("area", "m2"), "_n": ("force", "N"), "_mj": ("work", "MJ"),
    "_laps": ("laps", "laps"), "_bar": ("pressure", "bar"),
    "_hpa": ("pressure", "hPa"), "_min": ("time", "min"), "_km": ("length", "km"),
    "_kg": ("mass", "kg"), "_mm": ("depth", "mm"), "_deg": ("angle", "deg"),
    "_rpm": ("rotation", "rpm"), "_pct": ("share", "%"), "_s": ("time", "s"), "_m": ("length", "m"),
    "_l": ("volume", "l"), "_c": ("temperature", "degC"), "_v": ("voltage", "V"),
}  # fmt: skip


def known_unit(name: str) -> str:
    """Return the kit's spelling of a unit name.

    Raises
    ------
    InputError
        For a name that is neither a unit nor a known spelling; lists the known ones.
    """
    if name in UNITS:
        return name
    bare = name.strip("[]() ").casefold()
    plain = bare if bare in SPELLINGS else bare.replace("°", "").strip()
    lower = {unit.casefold(): unit for unit in UNITS}
    for candidate in (plain, plain.replace(" ", ""), plain.removeprefix("deg")):
        if candidate in SPELLINGS:
            return SPELLINGS[candidate]
        if candidate in lower:
            return lower[candidate]
    known = ", ".join(unit for unit in UNITS if unit)
    raise InputError(
        f"unit {name!r} is not known",
        rule=f"known units are {known}",
        next_step="Correct the unit in [log].",
    )


def convert(values: Number, unit: str, to: str) -> Number:
    """Convert `values` from `unit` to the unit `to` of the same quantity.

    Raises
    ------
    InputError
        Unknown unit, or two units of different quantities.
    """
    from_name, to_name = known_unit(unit), known_unit(to)
    source, target = UNITS[from_name], UNITS[to_name]
    if source.quantity != target.quantity:
        raise InputError(
            f"{unit!r} measures {source.quantity}, {to!r} measures {target.quantity}",
            next_step="Correct the unit or the column it is given for.",
        )
    if from_name == to_name:
        return values
    return (values * source.scale + source.offset - target.offset) / target.scale


def suffix_unit(name: str) -> str | None:
    """Return the unit that a name of ours ends in, or None."""
    for suffix, (_, unit) in SUFFIXES.items():
        if name.endswith(suffix):
            return unit
    return None
