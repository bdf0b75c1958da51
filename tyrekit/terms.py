"""The glossary: every column, result field and public quantity, with unit and meaning.

A test compares this with the tables and signatures of the kit: a quantity has one name.
Corner names are fl, fr, rl, rr; ``{corner}`` below stands for each of them.
"""

from __future__ import annotations

from typing import NamedTuple


class Term(NamedTuple):
    """Unit and meaning of one name."""

    unit: str
    meaning: str


CORNERS = ("fl", "fr", "rl", "rr")

RECORD: dict[str, Term] = {
    "run_id": Term("", "a run: out of the pits, some laps, in again"),
    "session": Term("", "session id from event.toml"),
    "driver": Term("", "driver's name"),
    "lap": Term("", "lap within the run, from 1"),
    "started_at": Term("", "clock time at the start of the lap, with offset"),
    "lap_time_s": Term("s", "time from line to line"),
    "lap_time_se_s": Term("s", "standard error of the lap time from how it was measured"),
    "source": Term("", "log, timing or typed"),
    "kind": Term("", "out, timed, in, caution, formation or cool_down"),
    "counts": Term("", "true when the lap enters the lap-time fit"),
    "reason": Term("", "why a lap does not count; empty when it does"),
    "flying_lap": Term("", "timed laps of this run up to and including this one; 0 on an out-lap"),
    "{corner}": Term("", "id of the tyre on that corner"),
    "set_id": Term("", "the four tyre ids, FL FR RL RR, joined by spaces"),
    "age_{corner}_laps": Term("laps", "laps on that tyre at the start of the lap"),
    "age_laps": Term("laps", "mean age of the four tyres at the start of the lap"),
    "heat_cycles": Term("", "mean number of earlier runs of the four tyres"),
    "fuel_kg": Term("kg", "fuel aboard at the start of the lap"),
    "fuel_used_l": Term("l", "logger's fuel over the lap, uncorrected"),
    "fuel_start_kg": Term("kg", "fuel aboard at the start of the run or race"),
    "air_c": Term("degC", "air temperature"),
    "track_c": Term("degC", "track surface temperature"),
    "field_laps": Term("laps", "laps run by all cars since the first session began, estimated"),
    "distance_km": Term("km", "distance run on the tyre"),
    "tyre_id": Term("", "the tyre's own id"),
    "spec": Term("", "tyre specification as written by the crew"),
    "new": Term("", "true when unused before the event"),
    "marked": Term("", "true when marked at scrutineering"),
    "axle": Term("", "front, rear or any"),
    "side": Term("", "left, right or any"),
    "tread_mm": Term("mm", "tread depth, thinnest place unless said"),
    "inner_mm": Term("mm", "tread depth at the inner shoulder"),
    "centre_mm": Term("mm", "tread depth in the centre"),
    "outer_mm": Term("mm", "tread depth at the outer shoulder"),
    "taken_at": Term("", "clock time of a reading"),
    "corner": Term("", "FL, FR, RL or RR"),
    "hot_bar": Term("bar", "hot pressure, gauge"),
    "cold_bar": Term("bar", "cold pressure, gauge"),
    "after_laps": Term("laps", "laps run when the reading was taken"),
    "length_m": Term("m", "length of a lap of the circuit"),
    "pit_loss_s": Term("s", "time the lane costs against the track, standing still not counted"),
    "latitude_deg": Term("deg", "latitude, WGS 84"),
    "longitude_deg": Term("deg", "longitude, WGS 84"),
    "heading_deg": Term("deg", "direction of travel, clockwise from north"),
    "width_m": Term("m", "width of the start/finish line"),
    "mass_kg": Term("kg", "mass as weighed"),
    "ballast_kg": Term("kg", "ballast aboard"),
    "ballast_limit_kg": Term("kg", "most ballast that may be carried"),
    "minimum_mass_kg": Term("kg", "least mass allowed at the finish, driver aboard"),
    "wheelbase_m": Term("m", "distance between the axles"),
    "track_front_m": Term("m", "distance between the front wheels' centre planes"),
    "track_rear_m": Term("m", "distance between the rear wheels' centre planes"),
    "centre_of_gravity_height_m": Term("m", "height of the car's centre of gravity"),
    "front_mass_pct": Term("%", "share of the mass on the front axle"),
    "roll_stiffness_front_pct": Term("%", "share of the roll stiffness at the front"),
    "tank_l": Term("l", "volume of the tank"),
    "unusable_l": Term("l", "fuel the pick-up cannot reach"),
    "sample_l": Term("l", "fuel to be left for scrutineering"),
    "density_kg_per_l": Term("kg/l", "density of the petrol at 15 degC"),
    "effect_s_per_kg": Term("s/kg", "lap time per kg carried"),
    "use_l_per_lap": Term("", "fuel used per lap"),
    "minimum_tread_mm": Term("mm", "least tread allowed"),
    "hot_target_bar": Term("bar", "hot pressure wanted, gauge"),
    "cold_minimum_bar": Term("bar", "least cold pressure allowed, gauge"),
    "stationary_s": Term("s", "time standing still at a stop"),
    "mean_laps": Term("laps", "mean length of a caution"),
    "lap_time_pct": Term("%", "lap time under caution, of a clean lap's"),
    "fuel_pct": Term("%", "fuel used on a lap under caution, of a clean lap's"),
    "planned_laps": Term("laps", "laps meant to be run"),
    "formation_laps": Term("laps", "laps behind the leading car before the start"),
    "cool_down_laps": Term("laps", "laps after the finish"),
    "confidence_pct": Term("%", "confidence with which a limit must hold"),
    "lap_s": Term("s", "lap time assumed"),
}

FIT: dict[str, Term] = {
    "base_lap_s": Term("s", "clean lap on tyres of age 0, 30 kg of fuel, 30 degC of track"),
    "fuel_effect_s_per_kg": Term("s/kg", "lap time per kg of fuel carried"),
    "drop_off_s_per_lap": Term("", "lap time lost per lap of tyre age, s per lap"),
    "drop_off_curve_s": Term("s", "lap time lost with the square of (tyre age / 10 laps)"),
    "drop_off_knee_s_per_lap": Term("", "added loss per lap of age past the knee, s per lap"),
    "heat_cycle_s": Term("s", "lap time lost per earlier run of the tyres"),
    "track_evolution_s": Term("s", "lap time gained each time the field's laps grow e-fold"),
    "track_temperature_s_per_k": Term("", "lap time per K of track temperature, s/K"),
    "warm_up_s": Term("s", "extra time on flying laps 1, 2 and 3 of a run"),
    "race_s": Term("s", "race pace against practice"),
    "driver_s": Term("s", "a driver's offset from the average driver"),
    "session_s": Term("s", "a session's offset from the average session"),
    "set_s": Term("s", "a set's offset from the average set"),
    "stint_s": Term("s", "a stint's offset from its session"),
    "noise_s": Term("s", "lap-to-lap spread of clean laps"),
    "residual_s": Term("s", "lap time minus the fit"),
    "fitted_s": Term("s", "the fit's lap time, the stint's own level and trend included"),
    "middle_s": Term("s", "median lap time, taken off before solving"),
    "knee_laps": Term("laps", "tyre age at which the drop-off steepens"),
    "best_laps": Term("laps", "most likely knee"),
    "lower_laps": Term("laps", "lower end of the knee's interval; none when open"),
    "upper_laps": Term("laps", "upper end of the knee's interval; none when open"),
    "oldest_laps": Term("laps", "tyre age to which the mean drop-off refers, the oldest seen"),
    "data_share": Term("", "share of a belief's variance that the data removed, 0 to 1"),
    "mean": Term("", "expected value"),
    "lower": Term("", "lower end of an interval"),
    "upper": Term("", "upper end of an interval"),
}

MODEL: dict[str, Term] = {
    "ambient_bar": Term("bar", "air pressure outside the tyre, absolute"),
    "cold_c": Term("degC", "gas temperature when the cold pressure was set"),
    "hot_c": Term("degC", "gas temperature when hot"),
    "gas_c": Term("degC", "temperature of the gas in the tyre"),
    "gauge_bar": Term("bar", "a pressure above the air outside"),
    "density_kg_per_l": Term("kg/l", "density of the petrol at 15 degC unless a temperature is given"),
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
}

TERMS: dict[str, Term] = {**RECORD, **MODEL, **FIT}
