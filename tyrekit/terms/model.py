"""Physics."""

from __future__ import annotations

from tyrekit.terms.term import Term

MODEL: dict[str, Term] = {
    "ambient_bar": Term("bar", "air pressure outside the tyre, absolute"),
    "cold_c": Term("degC", "gas temperature when the cold pressure was set"),
    "hot_c": Term("degC", "gas temperature when hot"),
    "gas_c": Term("degC", "temperature of the gas in the tyre"),
    "gauge_bar": Term("bar", "a pressure above the air outside"),
    "density_kg_per_l": Term(
        "kg/l", "density of the petrol at 15 degC unless a temperature is given"
    ),
    "fuel_c": Term("degC", "temperature of the petrol when measured"),
    "volume_l": Term("l", "volume of petrol at its temperature"),
    "mass_kg": Term("kg", "a mass: of petrol, driver or car"),
    "altitude_m": Term("m", "height above sea level"),
    "pressure_hpa": Term("hPa", "air pressure, absolute"),
    "humidity_pct": Term("%", "relative humidity"),
    "rated_bar": Term("bar", "pressure difference an injector's flow was rated at"),
    "difference_bar": Term("bar", "rail pressure minus manifold pressure"),
    "rated_l_per_h": Term("l/h", "static flow of one injector at its rated pressure"),
    "static_l_per_h": Term("l/h", "static flow of one injector at the present pressure"),
    "duty_pct": Term("%", "share of the engine cycle an injector is commanded open"),
    "engine_rpm": Term("rpm", "engine speed"),
    "battery_v": Term("V", "voltage at the injectors"),
    "load_n": Term("N", "vertical load of a tyre"),
    "along_n": Term("N", "force on a tyre along the car, forward positive"),
    "side_n": Term("N", "force on a tyre across the car, to the left positive"),
    "drag_n": Term("N", "air drag and rolling resistance"),
    "downforce_front_m2": Term("m2", "lift coefficient x area at the front, downwards positive"),
    "downforce_rear_m2": Term("m2", "lift coefficient x area at the rear, downwards positive"),
    "brake_front_pct": Term("%", "share of the braking force at the front"),
    "air_density_kg_per_m3": Term("kg/m3", "density of the air"),
    "acceleration_long_mps2": Term("m/s2", "acceleration forward"),
    "acceleration_lat_mps2": Term("m/s2", "acceleration to the left"),
    "speed_mps": Term("m/s", "speed over the ground"),
}
