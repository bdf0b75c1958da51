"""Simulated weekends for the lap-time fit: invented cars, circuits and tyres, true values known.

Kept apart from the fit on purpose: lap time is a power of mass, grip falls with accumulated
sliding (less on out- and in-laps than the fit's whole laps of age), rubber builds up as a
saturating exponential and is partly lost overnight, tyres warm up exponentially, traffic comes in
bunches. `harsh` adds what the fit leaves out: correlated noise, a fresh-tyre gain, saving in
races, a curved temperature effect and wear that depends on temperature. `believed` draws the truth
from the fit's own beliefs and forms (shape `believed`: any of its shapes too), to test whether its
intervals hold what they promise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tyrekit.fit import prior

SESSIONS = (("P1", "practice"), ("P2", "practice"), ("P3", "practice"), ("Q", "qualifying"),
            ("R1", "race"), ("R2", "race"), ("R3", "race"))  # fmt: skip
CARS = 18
FRESH_S, FRESH_LAPS = 0.25, 3.0  # harsh: what a new tyre gives, and how soon it is gone


@dataclass(frozen=True)
class Kind:
    """A session as the fit asks for it."""

    id: str
    kind: str
    wet: bool = False


KINDS = tuple(Kind(id, kind) for id, kind in SESSIONS)


@dataclass(frozen=True)
class Run:
    session: str
    tyres: str
    fuel_kg: float
    laps: int  # flying laps


@dataclass
class Truth:
    """What the weekend really is; times in s for the whole car."""

    lap_s: float
    mass_kg: float
    mass_power: float
    wear_s: float  # per lap of sliding
    shape: str
    curve: float
    knee_laps: float
    heat_s: float
    rubber_s: float
    rubber_laps: float
    kept_overnight: float
    warm_s: float
    warm_laps: float
    temperature_s: float
    noise_s: float
    traffic_practice: float
    traffic_race: float
    traffic_s: float
    race_s: float
    session_s: float
    set_s: float
    stint_s: float
    harsh: bool
    believed: bool
    burn_kg: float

    def loss_s(self, worn):
        """Time lost after `worn` flying laps of sliding, against a new tyre."""
        worn = np.asarray(worn, float)
        loss = self.wear_s * worn
        if self.shape == "curved":
            loss = loss + self.curve * (worn / 10.0) ** 2.0
        if self.shape == "cliff":
            soft = 0.5  # laps over which the cliff comes in
            loss = loss + self.curve * soft * np.logaddexp(0.0, (worn - self.knee_laps) / soft)
        if self.harsh:
            loss = loss + FRESH_S * (1 - np.exp(-worn / FRESH_LAPS))
        return loss

    def fuel_effect(self, fuel_kg=30.0):
        """Seconds per kg at this fuel."""
        if self.believed:
            return self.mass_power * self.lap_s / self.mass_kg
        mass = self.mass_kg + fuel_kg
        return self.mass_power * self.lap_s / mass * (mass / self.mass_kg) ** self.mass_power

    def fuel_s(self, fuel_kg):
        """Time for carrying this fuel, against none."""
        if self.believed:
            return self.fuel_effect() * fuel_kg
        return self.lap_s * ((1 + fuel_kg / self.mass_kg) ** self.mass_power - 1)


@dataclass(frozen=True)
class Weekend:
    laps: pd.DataFrame  # what the fit may see
    held_out: pd.DataFrame  # R3's first stint: rows to predict, with clean_s and time_s
    truth: Truth
    knee_age_laps: float  # counted age at which the cliff begins, mean of the sets that met it


def truth_of(rng, setting="typical", shape="linear", mass_power=None):
    """Draw a weekend's true values."""
    lap_s, mass_kg = rng.uniform(80, 120), rng.uniform(1350, 1700)
    believed = setting == "believed"
    if believed:
        lap_s = 100.0
    scale = lap_s / 100.0

    def believe(name):
        return rng.normal(*prior.LAP_TIME[name][:2])

    power = float(np.clip(rng.normal(0.18, 0.06), 0.04, 0.34))
    if believed:
        power = rng.normal(*prior.FUEL_EFFECT_SHARE)
    wear = believe("drop_off_s_per_lap") if believed else rng.uniform(0.01, 0.10) * scale
    earliest, latest = (6, 32) if shape == "believed" else (10, 17)
    if shape == "believed":
        shape = str(rng.choice(["linear", "curved", "cliff"]))
    if believed and shape != "linear":
        own = {"curved": "drop_off_curve_s", "cliff": "drop_off_knee_s_per_lap"}[shape]
        curve = believe(own)
    else:
        wear = rng.uniform(0.01, 0.04) * scale if shape != "linear" else wear
        most = {"linear": 0.0, "curved": 0.22, "cliff": 0.25}[shape]
        curve = rng.uniform(0.08, most) if most else 0.0
    return Truth(
        lap_s=lap_s, mass_kg=mass_kg, mass_power=power if mass_power is None else mass_power,
        wear_s=wear, shape=shape, curve=curve * scale, knee_laps=rng.uniform(earliest, latest),
        heat_s=believe("heat_cycle_s") if believed else rng.uniform(0.0, 0.15) * scale,
        rubber_s=believe("track_evolution_s") if believed else rng.uniform(0.3, 1.4) * scale,
        rubber_laps=rng.uniform(400, 1200), kept_overnight=rng.uniform(0.5, 0.9),
        warm_s=rng.uniform(0.5, 1.5) * scale, warm_laps=rng.uniform(0.5, 1.1),
        temperature_s=(
            believe("track_temperature_s_per_k") if believed else rng.uniform(-0.01, 0.03) * scale
        ),
        noise_s=rng.uniform(0.15, 0.40) * scale,
        traffic_practice=0.0 if setting == "clean" else 0.15,
        traffic_race=0.0 if setting == "clean" else 0.30,
        traffic_s=rng.uniform(0.5, 1.0) * scale,
        race_s=believe("race_s") if believed else rng.uniform(-0.25, 0.15) * scale,
        session_s=0.2 if believed else 0.15 * scale, set_s=0.08 if believed else 0.06 * scale,
        stint_s=0.05 if believed else 0.03 * scale, harsh=setting == "harsh", believed=believed,
        burn_kg=rng.uniform(1.1, 2.2) * scale,
    )  # fmt: skip


def programme(rng, plan="usual"):
    """The runs of a weekend: `usual`, `full` (all runs start full), `crossed` (fuel and age)."""

    def laps(low, high):
        return int(rng.integers(low, high + 1))

    def kg(low, high):
        return float(rng.uniform(low, high))

    if plan == "crossed":
        runs = [
            Run("P1", "A", kg(50, 58), laps(5, 6)), Run("P1", "A", kg(12, 16), laps(5, 6)),
            Run("P2", "A", kg(50, 58), laps(5, 6)), Run("P2", "B", kg(12, 16), laps(5, 6)),
            Run("P3", "A", kg(14, 18), laps(5, 6)), Run("P3", "C", kg(50, 58), laps(5, 6)),
        ]  # fmt: skip
    else:
        runs = [
            Run("P1", "A", kg(30, 45), laps(6, 8)), Run("P1", "A", kg(20, 30), laps(5, 7)),
            Run("P2", "A", kg(18, 25), laps(4, 6)), Run("P2", "B", kg(40, 50), laps(9, 12)),
            Run("P3", "B", kg(18, 30), laps(6, 8)), Run("P3", "C", kg(16, 20), laps(4, 5)),
        ]  # fmt: skip
    runs += [
        Run("Q", "D", kg(14, 18), laps(4, 5)), Run("Q", "D", kg(10, 14), laps(2, 3)),
        Run("R1", "D", kg(44, 50), laps(14, 16)), Run("R2", "B", kg(44, 50), laps(14, 16)),
        Run("R3", "C", kg(52, 60), laps(14, 16)),
    ]  # fmt: skip
    if plan == "full":
        return [Run(r.session, r.tyres, 58.0, r.laps) for r in runs]
    return runs


def simulate(rng, plan="usual", setting="typical", shape="linear", mass_power=None):
    """Return a weekend: its laps up to R2, R3's first stint held out, and the truth."""
    truth = truth_of(rng, setting, shape, mass_power)
    state = {"worn": {}, "age": {}, "runs": {}}
    sets = {name: rng.normal(0, truth.set_s) for name in "ABCD"}
    weather = _weather(rng, truth)
    rows = []
    for number, run in enumerate(programme(rng, plan)):
        rows += _run(rng, truth, run, f"{run.session}-{number}", sets, weather, state)
    laps = pd.DataFrame(rows)
    later = laps["session"] == "R3"
    kept = laps[~later].drop(columns=["clean_s", "alone_s", "true_age"]).reset_index(drop=True)
    return Weekend(kept, laps[later].reset_index(drop=True), truth, _knee_age(laps[~later], truth))


def _knee_age(laps, truth):
    """Laps counted on a tyre when its sliding reaches the knee: out- and in-laps slide less."""
    met = [
        np.interp(truth.knee_laps, tyres["true_age"], tyres["age_laps"])
        for _, tyres in laps.groupby("set_id")
        if tyres["true_age"].max() > truth.knee_laps
    ]
    return float(np.mean(met)) if met else float("nan")


def _weather(rng, truth):
    """Per session: offset, track temperature at its start, rubber (field laps) before it."""
    field, rubber, found = 0.0, 0.0, {}
    for i, (id, kind) in enumerate(SESSIONS):
        if i == 3:
            rubber *= truth.kept_overnight
        own = rng.normal(0, truth.session_s) + (truth.race_s if kind == "race" else 0.0)
        found[id] = {"own_s": own, "track_c": rng.uniform(20, 38), "field": field, "rubber": rubber}
        run = CARS * rng.uniform(10, 16)
        field, rubber = field + run, rubber + run
    return found


def _run(rng, truth, run, run_id, sets, weather, state):
    session, race = weather[run.session], run.session[0] == "R"
    state["runs"].setdefault(run.tyres, 0)
    stint_s = rng.normal(0, truth.stint_s)
    saving_s = rng.uniform(0.1, 0.35) if race and truth.harsh else 0.0
    kinds = ["formation" if race else "out", *["timed"] * run.laps, *([] if race else ["in"])]
    noise, busy, rows, fuel, flying = 0.0, False, [], run.fuel_kg, 0
    for lap, kind in enumerate(kinds, start=1):
        flying += kind == "timed"
        track_c = session["track_c"] + 0.08 * lap
        noise = _noise(rng, truth, noise)
        busy, traffic = _traffic(rng, truth, race, busy)
        clean = _clean(truth, run, session, sets, state, fuel, flying, track_c)
        clean += stint_s + saving_s * min(flying / 6.0, 1.0)
        start_s = 4.0 if race and flying == 1 and kind == "timed" else 0.0
        mistake = rng.uniform(0.8, 3.0) if not truth.believed and rng.random() < 0.02 else 0.0
        slow = {"timed": 0.0, "out": 18.0, "in": 14.0, "formation": 55.0}[kind]
        counts = kind == "timed" and not start_s
        rows.append({
            "run_id": run_id, "session": run.session, "driver": "A", "lap": lap, "kind": kind,
            "lap_time_s": clean + noise + traffic + mistake + start_s + slow, "lap_time_se_s": 0.02,
            "counts": counts, "reason": "" if counts else "standing start" if start_s else kind,
            "flying_lap": flying, "set_id": " ".join(run.tyres + c for c in ("1", "2", "3", "4")),
            "age_laps": float(state["age"].get(run.tyres, 0)),
            "heat_cycles": float(state["runs"][run.tyres]), "fuel_kg": fuel,
            "track_c": track_c + rng.normal(0, 0.7),
            "field_laps": session["field"] + CARS * 0.8 * lap,
            "clean_s": clean, "alone_s": clean + noise,
            "true_age": state["worn"].get(run.tyres, 0.0),
        })  # fmt: skip
        fuel -= truth.burn_kg * {"timed": 1.0, "out": 0.85, "in": 0.8, "formation": 0.5}[kind]
        _wear(truth, run, state, kind, track_c)
    state["runs"][run.tyres] += 1
    return rows


def _noise(rng, truth, before):
    if not truth.harsh:
        return rng.normal(0, truth.noise_s)
    return 0.35 * before + rng.normal(0, truth.noise_s * math.sqrt(1 - 0.35**2))


def _traffic(rng, truth, race, busy):
    """A bunch of laps behind others: as likely as the setting says, two laps long on average."""
    share = truth.traffic_race if race else truth.traffic_practice
    busy = rng.random() < (0.5 if busy else 0.5 * share / max(1 - share, 0.01))
    return busy, rng.exponential(truth.traffic_s) if busy else 0.0


def _clean(truth, run, session, sets, state, fuel, flying, track_c):
    worn = state["worn"].get(run.tyres, 0.0)
    time = truth.lap_s + truth.fuel_s(fuel) + float(truth.loss_s(worn))
    time += truth.heat_s * state["runs"][run.tyres]
    time += truth.warm_s * math.exp(-(max(flying, 1) - 1) / truth.warm_laps)
    time += session["own_s"] + sets[run.tyres] + truth.temperature_s * (track_c - 30.0)
    if truth.believed:
        time -= truth.rubber_s * math.log((1 + session["field"] / 250.0) / 6.0)
    else:
        time -= truth.rubber_s * (1 - math.exp(-session["rubber"] / truth.rubber_laps))
    if truth.harsh:
        time += 0.0008 * (track_c - 30.0) ** 2
    return time


def _wear(truth, run, state, kind, track_c):
    share = {"timed": 1.0, "out": 0.6, "in": 0.6, "formation": 0.4}[kind]
    if truth.believed:
        share = 1.0
    if truth.harsh:
        share *= 1.0 + 0.015 * (track_c - 30.0)
    state["worn"][run.tyres] = state["worn"].get(run.tyres, 0.0) + share
    state["age"][run.tyres] = state["age"].get(run.tyres, 0) + 1


def default_beliefs(lap_s, mass_kg):
    """The kit's own default beliefs for a lap of this length and a car of this mass."""
    found = {
        name: prior.Prior(d.mean, d.sd, d.source).scaled(lap_s / prior.REFERENCE_LAP_S)
        for name, d in prior.LAP_TIME.items()
    }
    found["base_lap_s"] = prior.Prior(1.02 * lap_s, 0.12 * lap_s, "invented")
    found["fuel_effect_s_per_kg"] = prior.fuel_effect_belief(lap_s, mass_kg)
    return found
