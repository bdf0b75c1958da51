"""event.toml of the invented weekend, as its crew would write it before the first session."""

from __future__ import annotations

from tyrekit.demo import car, track
from tyrekit.demo.programme import CARS, DRIVERS

PIT_LOSS_S = 30.0

HEAD = f"""\
# Invented: series, circuit, drivers and cars are of nobody. The circuit lies on open sea.
# Every key is explained in the kit's documentation; numbers are what this crew knew or believed
# before the first session.

[event]
name = "Fenmoor Park, round 3 (invented)"
timezone = "Europe/London"
cars = {CARS}

[circuit]
length_m = {track.LENGTH_M}
pit_loss_s = {PIT_LOSS_S}          # lane instead of track, without the stationary time
lap_time_s = {{ mean = 92.0, sd = 3.0 }}

[circuit.start_finish]
latitude_deg = {track.LATITUDE_DEG:.5f}
longitude_deg = {track.LONGITUDE_DEG:.5f}
heading_deg = {track.HEADING_DEG}
width_m = 30.0

[car]
number = "27"
mass_kg = {car.MASS_KG}
ballast_kg = {car.BALLAST_KG}
ballast_limit_kg = 90.0
minimum_mass_kg = 1520.0   # at the finish, driver aboard
wheelbase_m = {car.WHEELBASE_M:.2f}
track_front_m = {car.TRACK_FRONT_M:.2f}
track_rear_m = {car.TRACK_REAR_M:.2f}
centre_of_gravity_height_m = {car.GRAVITY_HEIGHT_M:.2f}
front_mass_pct = {100 * car.FRONT_SHARE:.1f}
roll_stiffness_front_pct = {100 * car.ROLL_FRONT_SHARE:.1f}
"""

FUEL = """
[fuel]
tank_l = 70.0
unusable_l = 2.5           # pick-up starves below this
density_kg_per_l = 0.745   # at 15 degC
sample_l = 1.5             # to be left for scrutineering
shortfall_risk = 0.005     # accepted chance of running short in a race
effect_s_per_kg = { mean = 0.011, sd = 0.004 }
flow_scale = { mean = 1.0, sd = 0.04 }
use_l_per_lap = { mean = 1.4, sd = 0.3 }

[tyres]
minimum_tread_mm = 1.6
hot_target_bar = { front = 2.10, rear = 2.00 }
cold_minimum_bar = 1.40
"""

SESSIONS = """
[[session]]
id = "P1"
kind = "practice"
start = "2026-05-16T09:10:00"
minutes = 20
planned_laps = 12
value = 0.0

[[session]]
id = "P2"
kind = "practice"
start = "2026-05-16T11:20:00"
minutes = 20
planned_laps = 11
value = 0.0

[[session]]
id = "P3"
kind = "practice"
start = "2026-05-16T14:00:00"
minutes = 20
planned_laps = 12
value = 0.0

[[session]]
id = "Q"
kind = "qualifying"
start = "2026-05-16T16:25:00"
minutes = 15
planned_laps = 7
value = 5.0

[[session]]
id = "R1"
kind = "race"
start = "2026-05-17T10:20:00"
laps = 14
formation_laps = 1
cool_down_laps = 1
value = 1.0

[session.caution]
chance_per_lap = 0.02
mean_laps = 3.0
lap_time_pct = 160.0
fuel_pct = 45.0
pit_loss_s = 17.0

[[session]]
id = "R2"
kind = "race"
start = "2026-05-17T13:05:00"
laps = 14
formation_laps = 1
cool_down_laps = 1
value = 1.0

[session.caution]
chance_per_lap = 0.02
mean_laps = 3.0
lap_time_pct = 160.0
fuel_pct = 45.0
pit_loss_s = 17.0

[[session]]
id = "R3"
kind = "race"
start = "2026-05-17T16:10:00"
laps = 28
formation_laps = 1
cool_down_laps = 1
value = 1.5

[session.stops]
minimum = 1
first_lap = 8
last_lap = 20
stationary_s = 45.0
tyres = true
refuel = false

[session.caution]
chance_per_lap = 0.02
mean_laps = 3.0
lap_time_pct = 160.0
fuel_pct = 45.0
pit_loss_s = 17.0
"""

LIMITS = """
[[limit]]
kind = "new_tyres"         # tyres first used at this event
most = 8

[[limit]]
kind = "pool"              # different tyres from qualifying on, marked at scrutineering
sessions = ["Q", "R1", "R2", "R3"]
most = 12
marked_only = true

[[limit]]
kind = "start_on"          # R1 starts on the tyres used in qualifying
session = "R1"
same_as = "Q"

[[limit]]
kind = "minimum_tread"     # at the end of every session
mm = 1.6
confidence_pct = 90.0

[[limit]]
kind = "longest_life"
laps = 45
heat_cycles = 8

[[limit]]
kind = "same_side"

[[limit]]
kind = "matched_axle"      # left and right differ by at most this age
laps = 6

[[limit]]
kind = "scrubbed_before"
sessions = ["R3"]

[[limit]]
kind = "keep_spare"
session = "R3"
per = "axle"
"""

LOG = """
[log]                      # how this logger names things
files = "*.csv.gz"
time = { column = "Elapsed", unit = "s" }
latitude = { column = "Lat", unit = "deg" }
longitude = { column = "Lon", unit = "deg" }
speed = { column = "Velocity", unit = "km/h" }
acceleration_long = { column = "Long Accel", unit = "g" }
acceleration_lat = { column = "Lat Accel", unit = "g" }
throttle = { column = "Pedal", unit = "%" }
brake = { column = "Brake Line", unit = "kPa" }
steering = { column = "Steer", unit = "deg" }
engine_rpm = { column = "Engine Speed", unit = "rpm" }
gear = { column = "Gear" }
fuel_flow = { column = "Fuel Rate", unit = "l/h" }
fuel_used = { column = "Fuel Total", unit = "l" }
injector_duty = { column = "Duty", unit = "%" }
fuel_pressure = { column = "Rail", unit = "kPa" }
intake_air = { column = "Inlet Temp", unit = "degC" }
coolant = { column = "Water Temp", unit = "degC" }
oil = { column = "Oil Temp", unit = "degC" }
tyre_pressure_fl = { column = "Tyre FL", unit = "kPa" }
tyre_pressure_fr = { column = "Tyre FR", unit = "kPa" }
tyre_pressure_rl = { column = "Tyre RL", unit = "kPa" }
tyre_pressure_rr = { column = "Tyre RR", unit = "kPa" }
battery = { column = "Supply", unit = "V" }
# The file also has "Trigger", which is 1 on the first sample after the trackside trigger is passed.
# Position times a lap more closely than 10 samples a second can, so it is not used here:
# beacon = { column = "Trigger" }
"""


def event_toml() -> str:
    """Return the text of event.toml."""
    drivers = "".join(
        f'\n[[driver]]\nname = "{one.name}"\nmass_kg = {one.mass_kg}\n' for one in DRIVERS.values()
    )
    return HEAD + drivers + FUEL + SESSIONS + LIMITS + LOG
