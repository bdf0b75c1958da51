"""What is believed before the weekend's running: every fit's beliefs and where they come from.

A belief is a normal distribution: mean, spread (sd) and its source in words. A belief about an
offset that differs from session to session (set to set, ...) has mean 0 and that spread; a
belief about a spread itself has the spread as mean and its uncertainty as sd. Defaults are
scaled by lap time and car mass; ``event.toml`` overrides any of them.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from tyrekit.errors import EventError, InputError

if TYPE_CHECKING:
    from tyrekit.record.event import Event

REFERENCE_LAP_S = 100.0  # the defaults in seconds are for a lap of this length
AVERAGE_SPEED_MPS = 33.3  # common practice, no source: 120 km/h round a lap in such cars

COOLING = "reasoned from sliding work and cooling air at a slow lap's speed, kept wide"
LEARNT = "reasoned from simulated weekends of invented cars and circuits, kept wide"
TRADE = "common practice, no source"


@dataclass(frozen=True)
class Prior:
    """A belief: mean and spread, in the unit its name ends in, and its source in words.

    Raises
    ------
    InputError
        The mean is not finite, or the spread not a finite number above 0.
    """

    mean: float
    sd: float
    source: str

    def __post_init__(self) -> None:
        if not math.isfinite(self.mean):
            raise InputError(
                "a belief's mean is not a number",
                rule="mean is a finite number",
                got=self.mean,
                next_step="Correct it in event.toml.",
            )
        if not (math.isfinite(self.sd) and self.sd > 0):
            raise InputError(
                "a belief has no spread",
                rule="sd is above 0: nothing is believed with certainty",
                got=self.sd,
                next_step="Correct it in event.toml.",
            )

    @property
    def df(self) -> float:
        """Degrees of freedom of a belief about a spread: sd / mean = 1 / sqrt(2 df)."""
        return 0.5 * (self.mean / self.sd) ** 2

    def scaled(self, factor: float) -> Prior:
        """Return the belief with mean and spread multiplied by `factor` (above 0)."""
        return Prior(self.mean * factor, self.sd * factor, self.source)


@dataclass(frozen=True)
class Beliefs:
    """The beliefs of each fit, by parameter name."""

    lap_time: Mapping[str, Prior]
    fuel_use: Mapping[str, Prior]
    tread: Mapping[str, Prior]
    pressure: Mapping[str, Prior]


class Default(NamedTuple):
    """A default belief; `scale` says what it grows with: lap (lap time), length_km, or nothing."""

    mean: float
    sd: float
    scale: str
    source: str


# For a lap of 100 s. Age counts every lap on the tyre, fuel is in kg above 30, track 30 degC.
LAP_TIME: dict[str, Default] = {
    "drop_off_s_per_lap": Default(0.05, 0.06, "lap", LEARNT),
    "drop_off_curve_s": Default(0.15, 0.25, "lap", LEARNT + "; times (age / 10 laps) squared"),
    "drop_off_knee_s_per_lap": Default(0.10, 0.12, "lap", LEARNT + "; added past the knee"),
    # 0.07 by itself; an out- and an in-lap count as whole laps of age but wear a tyre about half,
    # so that a run's two of them take back most of a lap's drop-off
    "heat_cycle_s": Default(0.03, 0.07, "lap", LEARNT + "; net of its slow laps' lesser wear"),
    "track_evolution_s": Default(0.4, 0.4, "lap", LEARNT + "; per e-fold of the field's laps"),
    "track_temperature_s_per_k": Default(0.010, 0.015, "lap", LEARNT),
    "warm_up_1_s": Default(0.9, 0.6, "lap", LEARNT),
    "warm_up_2_s": Default(0.25, 0.25, "lap", LEARNT),
    "warm_up_3_s": Default(0.08, 0.10, "lap", LEARNT),
    "race_s": Default(0.0, 0.2, "lap", LEARNT + "; race pace against practice"),
    "driver_s": Default(0.0, 0.4, "lap", TRADE + "; a driver against the average"),
    "session_s": Default(0.0, 0.2, "lap", LEARNT + "; a session against the average"),
    "set_s": Default(0.0, 0.08, "lap", LEARNT + "; a set of tyres against the average"),
    "stint_s": Default(0.0, 0.05, "lap", LEARNT + "; a stint against its session"),
    "stint_slope_s_per_lap": Default(0.0, 0.01, "lap", LEARNT + "; a stint's own trend"),
    "noise_s": Default(0.28, 0.10, "lap", LEARNT + "; lap to lap, clean laps"),
}

FUEL_USE: dict[str, Default] = {
    "flow_scale": Default(1.0, 0.045, "", LEARNT + "; true kg per kg the channel says"),
    "use_l_per_lap": Default(0.55, 0.20, "length_km", TRADE + "; litres per km at race pace"),
    "session_change_pct": Default(1.0, 0.29, "", LEARNT + "; spread between sessions"),
    "race_shift_pct": Default(0.0, 2.0, "", LEARNT + "; a race against practice"),
    "wet_shift_pct": Default(-5.0, 5.0, "", TRADE + "; a wet session against a dry one"),
    "lap_noise_pct": Default(1.5, 0.5, "", LEARNT + "; spread of one lap"),
    "out_share": Default(0.85, 0.06, "", LEARNT + "; of a timed lap's fuel"),
    "in_share": Default(0.85, 0.06, "", LEARNT + "; of a timed lap's fuel"),
    "caution_share": Default(0.55, 0.10, "", LEARNT + "; of a timed lap's fuel"),
    "formation_share": Default(0.50, 0.10, "", LEARNT + "; of a timed lap's fuel"),
    "cool_down_share": Default(0.50, 0.10, "", LEARNT + "; of a timed lap's fuel"),
    "fill_l": Default(0.1, 0.03, "", TRADE + "; spread of one fill or drain as read"),
    "fill_kg": Default(0.2, 0.06, "", TRADE + "; spread of one weighing"),
    "fuel_c": Default(18.0, 6.0, "", TRADE + "; temperature of fuel nobody measured"),
}

TREAD: dict[str, Default] = {
    "wear_mm_per_lap": Default(0.055, 0.030, "lap", LEARNT),
    "first_laps_mm": Default(0.2, 0.1, "", LEARNT + "; lost early by a new tyre"),
    "first_laps_laps": Default(3.5, 1.0, "", LEARNT + "; how quickly it is lost"),
    # 0.85 to 0.92 of the speed is 0.72 to 0.85 of the force, wear goes with its 2nd to 4th power
    # (RCT46), and part of the lap is in the lane; formation and caution laps wear less still
    "slow_lap_share": Default(0.6, 0.2, "", LEARNT + "; wear of a slow lap, of one at pace"),
    "new_tread_mm": Default(4.5, 0.8, "", TRADE + "; a new semi-slick control tyre"),
    "new_spread_mm": Default(0.06, 0.02, "", LEARNT + "; between new tyres of a set"),
    "corner_spread_pct": Default(30.0, 10.0, "", LEARNT + "; wear rate, corner to corner"),
    "place_spread_pct": Default(20.0, 7.0, "", "SWRI1985: outer grooves wear 10 to 50 % faster"),
    "tyre_spread_pct": Default(7.0, 3.0, "", LEARNT + "; wear rate, tyre to tyre"),
    "session_spread_pct": Default(8.0, 4.0, "", LEARNT + "; wear rate, session to session"),
    "reading_mm": Default(0.10, 0.03, "", TRADE + "; spread of one depth reading"),
}

PRESSURE: dict[str, Default] = {
    "rise_c": Default(40.0, 15.0, "", LEARNT + "; gas above air once hot"),
    "track_share": Default(0.40, 0.15, "", LEARNT + "; of track above air"),
    "rise_laps": Default(3.2, 1.3, "", LEARNT + "; laps for 63 % of the rise"),
    "slow_lap_share": Default(0.75, 0.10, "", LEARNT + "; an out- or in-lap as part of a lap"),
    "corner_rise_c": Default(0.0, 8.0, "", LEARNT + "; a corner's rise against the mean"),
    "session_spread_c": Default(2.5, 0.9, "", LEARNT + "; plateau, session to session"),
    "run_spread_c": Default(1.5, 0.5, "", LEARNT + "; plateau, run to run, all corners"),
    "corner_spread_c": Default(1.5, 0.5, "", LEARNT + "; plateau, corner to corner in a run"),
    "pit_loss_pct": Default(12.0, 6.0, "", LEARNT + "; of the rise, lost 2 min after the run"),
    # sliding work per metre falls with v^4, cooling with v^0.8: at 0.75 (0.65 to 0.85) of the speed
    # the gas loses 24 (15 to 32) % of its rise, on an in-lap at 0.9 (0.85 to 0.95) 10 (5 to 15) %
    "cool_down_loss_pct": Default(14.0, 7.0, "", COOLING + "; of the rise, more than an in-lap"),
    # 10 kg of tyre at 1.5 kJ/(kg K) behind 1.2 m2 at 12 W/(m2 K), rim and brake aside: 17 min
    "cooling_min": Default(17.0, 7.0, "", LEARNT + "; standing, to lose 63 % of the rise"),
    "reading_bar": Default(0.015, 0.005, "", TRADE + "; spread of one gauge reading"),
}

# Beliefs about what cannot be 0 or less: a rate, a share, a time, a spread
ABOVE_ZERO: dict[str, frozenset[str]] = {
    "lap_time": frozenset({"base_lap_s", "noise_s"}),
    **{
        fit: frozenset(name for name, row in table.items() if row.mean > 0)
        for fit, table in (("fuel_use", FUEL_USE), ("tread", TREAD), ("pressure", PRESSURE))
    },
}

# (0.18 +- 0.10) x lap time / mass. A point-mass car round invented tracks gives 0.14 +- 0.02;
# constant power from rest gives at most 1/3 (dt/t = dm/3m), where grip limits nothing.
FUEL_EFFECT_SHARE = (0.18, 0.10)


def lap_time_belief(event: Event) -> Prior:
    """Return the clean lap believed before any running: stated, or from length and speed."""
    stated = event.circuit.lap_time_s
    if stated is not None:
        return Prior(stated.mean, stated.sd, "event.toml [circuit] lap_time_s")
    mean = event.circuit.length_m / AVERAGE_SPEED_MPS
    return Prior(mean, 0.12 * mean, f"{TRADE}: length at {AVERAGE_SPEED_MPS * 3.6:.0f} km/h")


def race_mass_kg(event: Event) -> float:
    """Return the car's mass with driver and ballast, without fuel, at least the minimum."""
    driver_kg = sum(driver.mass_kg for driver in event.drivers) / max(len(event.drivers), 1)
    car = event.car
    return max(car.minimum_mass_kg, car.mass_kg + car.ballast_kg + driver_kg)


def fuel_effect_belief(lap_time_s: float, mass_kg: float) -> Prior:
    """Return the default belief about seconds per kg carried; both arguments above 0."""
    share, spread = FUEL_EFFECT_SHARE
    source = f"{share} ± {spread} x lap time / mass; {LEARNT}"
    return Prior(share * lap_time_s / mass_kg, spread * lap_time_s / mass_kg, source)


def beliefs(event: Event) -> Beliefs:
    """Return every fit's beliefs for `event`, defaults scaled, then overridden by event.toml.

    Raises
    ------
    EventError
        ``[beliefs.<fit>.<name>]`` names a parameter the fit does not have.
    """
    base = lap_time_belief(event)
    lap_time = {"base_lap_s": base, **_defaults(LAP_TIME, event, base.mean)}
    lap_time["fuel_effect_s_per_kg"] = fuel_effect_belief(base.mean, race_mass_kg(event))
    found = {
        "lap_time": lap_time,
        "fuel_use": _defaults(FUEL_USE, event, base.mean),
        "tread": _defaults(TREAD, event, base.mean),
        "pressure": _defaults(PRESSURE, event, base.mean),
    }
    _override(found, event)
    return Beliefs(**found)


def _defaults(table: Mapping[str, Default], event: Event, lap_time_s: float) -> dict[str, Prior]:
    factor = {
        "lap": lap_time_s / REFERENCE_LAP_S,
        "length_km": event.circuit.length_m / 1000.0,
        "": 1.0,
    }
    said = {"lap": f"; scaled to a {lap_time_s:.0f} s lap", "length_km": "", "": ""}
    return {
        name: Prior(row.mean, row.sd, row.source + said[row.scale]).scaled(factor[row.scale])
        for name, row in table.items()
    }


def _override(found: dict[str, dict[str, Prior]], event: Event) -> None:
    for fit, name, belief in (
        ("lap_time", "fuel_effect_s_per_kg", event.fuel.effect_s_per_kg),
        ("fuel_use", "flow_scale", event.fuel.flow_scale),
        ("fuel_use", "use_l_per_lap", event.fuel.use_l_per_lap),
    ):
        if belief is not None:
            key = "effect_s_per_kg" if fit == "lap_time" else name
            found[fit][name] = Prior(belief.mean, belief.sd, f"event.toml [fuel] {key}")
    stated = [s.caution.fuel_pct / 100.0 for s in event.sessions if s.caution is not None]
    if stated:
        usual = found["fuel_use"]["caution_share"]
        source = f"event.toml caution fuel_pct; its spread: {usual.source}"
        found["fuel_use"]["caution_share"] = Prior(sum(stated) / len(stated), usual.sd, source)
    for fit, named in event.beliefs.items():
        if (known := found.get(fit)) is None:
            continue  # what is believed of the tyre plan is read there
        for name, belief in named.items():
            where = f"event.toml [beliefs.{fit}.{name}]"
            if name not in known:
                raise _unknown(fit, name, list(known), where)
            if belief.mean <= 0 and name in ABOVE_ZERO[fit]:
                raise EventError(
                    f"a belief about {name} is not above 0",
                    where=where,
                    rule="its mean is above 0",
                    got=belief.mean,
                    next_step="Correct the mean.",
                )
            known[name] = Prior(belief.mean, belief.sd, where)


def _unknown(fit: str, name: str, known: list[str], where: str) -> EventError:
    near = difflib.get_close_matches(name, known, 1) or [known[0]]
    return EventError(
        f"the {fit} fit has no parameter {name!r}",
        where=where,
        rule=f"it has {', '.join(sorted(known))}",
        next_step=f"Did you mean {near[0]}?",
    )


EVENT_OWN = frozenset({"base_lap_s", "track_evolution_s", "race_s"})  # they do not travel


def carried(
    believed: Mapping[str, Prior],
    params: Mapping[str, float],
    bse: Mapping[str, float],
    *,
    source: str,
    widen: float = 2.0,
) -> dict[str, Prior]:
    """Return beliefs for the next event: what this one found, its spread widened.

    Parameters
    ----------
    believed : mapping
        The beliefs this event started from; they stay where a fit found nothing.
    params, bse : mapping
        Estimates and standard deviations of a fit, by the same names.
    source : str
        This event's name, told as the source.
    widen : float
        Factor on the spread, 1 or more, never beyond the old belief's own spread.

    Raises
    ------
    InputError
        `widen` is below 1.
    """
    if not widen >= 1.0:
        raise InputError(
            "beliefs cannot be carried on more surely than they were found",
            rule="widen is 1 or more",
            got=widen,
        )
    found = dict(believed)
    for name in set(believed) & set(params) - EVENT_OWN:
        sd = min(widen * float(bse[name]), believed[name].sd)
        found[name] = Prior(float(params[name]), sd, f"{source}, spread x {widen:g}")
    return found
