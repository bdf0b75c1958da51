"""The top of an invented event.toml, shared by the rooms' tests; every value is of nobody."""


def event_head(
    *, name: str = "Invented meeting", lap_time_s: str = "", more_drivers: str = ""
) -> str:
    """Return event.toml up to its sessions, with a belief about the lap and drivers if given."""
    belief = f"lap_time_s = {lap_time_s}\n" if lap_time_s else ""
    return f"""
[event]
name = "{name}"
timezone = "Europe/London"
[circuit]
length_m = 3000.0
pit_loss_s = 30.0
{belief}[car]
number = "9"
mass_kg = 1400.0
ballast_kg = 10.0
ballast_limit_kg = 90.0
minimum_mass_kg = 1520.0
wheelbase_m = 2.7
track_front_m = 1.58
track_rear_m = 1.56
centre_of_gravity_height_m = 0.48
front_mass_pct = 56.0
roll_stiffness_front_pct = 55.0
[[driver]]
name = "Driver A"
mass_kg = 80.0
{more_drivers}[fuel]
tank_l = 70.0
unusable_l = 2.5
density_kg_per_l = 0.745
sample_l = 1.5
shortfall_risk = 0.005
[tyres]
minimum_tread_mm = 1.6
hot_target_bar = {{ front = 2.10, rear = 2.00 }}
cold_minimum_bar = 1.40
"""
