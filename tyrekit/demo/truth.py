"""What is true of the demo weekend, for tests only: measured by driving clean laps and differing.

Nothing here is a parameter that somebody typed in as a result: the simulator has grip, heat and
work, and what a lap costs comes out of driving it. `measured` says for which conditions.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np

from tyrekit.demo import car, petrol, programme, track, tyre
from tyrekit.demo.car import Air, Floats
from tyrekit.demo.crew import CORNERS, line_passed_s
from tyrekit.demo.drive import AXLES, Driven, State, drive, even, stretch
from tyrekit.demo.logger import crossings_s
from tyrekit.demo.running import BOX, LapTruth, Luck
from tyrekit.demo.tyre import WORK_J_PER_M_LAP, Heat, Tyre
from tyrekit.demo.weekend import Done, RunDone, drive_weekend

STANDARD = Air(16.0, 24.0, 1012.0)
FUEL_KG = 20.0
SETTLED_LAPS = 10
OLDEST_LAPS = 45
ABOUT = (
    "Invented weekend: what is true in its simulator. For tests only; no part of the kit reads it. "
    "'measured' is found by driving clean laps (Driver A, 20 kg, air 16 C, track 24 C, rubbered-in "
    "track, tyres of average grip and wear rate) and taking differences."
)


def truth(done: Done) -> dict[str, Any]:
    """Return everything that is true of a weekend, as plain numbers for JSON."""
    found: dict[str, Any] = _rounded({
        "about": ABOUT,
        "seed": programme.SEED,
        "track": _track(),
        "measured": measured(),
        "sessions": _sessions(),
        "tyres": [_tyre(one) for one in done.tyres().values()],
        "fuel": _fuel(done),
        "runs": [_run(run) for run in done.runs],
    })  # fmt: skip
    return found


def _rounded(value: Any) -> Any:
    """Round every float, so that the last bits of a processor do not show."""
    if isinstance(value, float):
        return round(value, 5) + 0.0
    if isinstance(value, dict):
        return {key: _rounded(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(one) for one in value]
    return value


def _track() -> dict[str, Any]:
    corners = [
        {"start_m": start, "radius_m": radius, "angle_deg": angle}
        for start, radius, angle in track.fenmoor().corners
    ]
    return {"length_m": track.LENGTH_M, "corners": corners}


def settled(state: State, *, laps: int = SETTLED_LAPS, air: Air = STANDARD, grip: float = 1.0,
            mass_kg: float = 0.0) -> list[Driven]:  # fmt: skip
    """Drive clean laps with fuel and tyres kept as they are; only heat and speed carry over."""
    driver = programme.DRIVERS["Driver A"]
    path = stretch(0, track.NODES)
    aboard = mass_kg or _aboard_kg("Driver A")
    driven: list[Driven] = []
    for _ in range(laps):
        driven.append(drive(state, path, even(path, driver.pace * grip), aboard, air))
        state = replace(driven[-1].end, fuel_kg=state.fuel_kg, tyres=state.tyres)
    return driven


def average_tyres(work_laps: Sequence[float], heat_cycles: int = 0) -> tuple[Tyre, ...]:
    """Return four tyres of the make's average with this much work done."""
    return tuple(
        Tyre(corner, 1.0, 1.0, work_laps=work, heat_cycles=heat_cycles)
        for corner, work in zip(CORNERS, work_laps, strict=True)
    )


@lru_cache(maxsize=1)
def _out_lap() -> State:
    """The car after an out-lap from cold, on tyres with 10 laps."""
    path = stretch(BOX, track.NODES, pit_out=True)
    cold = np.full(4, STANDARD.air_c)
    start = State(0.0, FUEL_KG, Heat(cold, cold), average_tyres((10.0,) * 4))
    out = drive(start, path, even(path, 0.93, 0.93), _aboard_kg("Driver A"), STANDARD)
    return replace(out.end, tyres=start.tyres, fuel_kg=FUEL_KG)


def _aboard_kg(driver: str) -> float:
    return car.MASS_KG + car.BALLAST_KG + programme.DRIVERS[driver].mass_kg


@lru_cache(maxsize=1)
def _warm() -> tuple[State, Floats]:
    """A settled state on tyres with 10 laps, and each corner's work in a clean lap."""
    out = _out_lap()
    last = settled(out)[-1]
    steps = last.forces.work_j_per_m * last.stretch.step_m[:, None]
    work = np.cumsum(steps, axis=0)[-1] / WORK_J_PER_M_LAP
    return replace(last.end, tyres=out.tyres, fuel_kg=FUEL_KG), work


def lap_s(
    state: State, *, air: Air = STANDARD, grip: float = 1.0, mass_kg: float = 0.0, laps: int = 2
) -> float:
    """Return the time of a settled clean lap from a warm state."""
    return settled(state, laps=laps, air=air, grip=grip, mass_kg=mass_kg)[-1].time_s


@lru_cache(maxsize=1)
def measured() -> dict[str, Any]:
    """Return the lap-time, wear, heat and pressure effects of the simulator."""
    warm, work = _warm()
    base = lap_s(warm)
    heavier = lap_s(replace(warm, fuel_kg=30.0)) - lap_s(replace(warm, fuel_kg=10.0))
    per_grip = (lap_s(warm, grip=0.995) - lap_s(warm, grip=1.005)) / 0.01
    b = programme.DRIVERS["Driver B"]
    b_kg = _aboard_kg("Driver B")
    hot = [lap_s(warm, air=replace(STANDARD, track_c=c), laps=SETTLED_LAPS) for c in (19.0, 29.0)]
    mild = [lap_s(warm, air=replace(STANDARD, air_c=c), laps=SETTLED_LAPS) for c in (13.0, 19.0)]
    cycled = replace(warm, tyres=average_tyres((10.0,) * 4, heat_cycles=3))
    return {
        "base_lap_s": base,
        "fuel_effect_s_per_kg": heavier / 20.0,
        "grip_effect_s_per_share": per_grip,
        **_ageing(warm, work),
        "heat_cycle_s": (lap_s(cycled) - base) / 3,
        "warm_up_s": _warm_up(),
        "track_temperature_s_per_k": (hot[1] - hot[0]) / 10,
        "air_temperature_s_per_k": (mild[1] - mild[0]) / 6,
        "driver_s": {"Driver A": 0.0, "Driver B": lap_s(warm, grip=b.pace, mass_kg=b_kg) - base},
        "race_s": lap_s(warm, grip=programme.PACE["race"]) - base,
        "qualifying_s": lap_s(warm, grip=programme.PACE["qualifying"]) - base,
        "tread": _tread(work),
        "pressure": _pressure(),
    }


def _ageing(warm: State, work: Floats) -> dict[str, Any]:
    """Loss per lap by age in laps of a set kept on its corners, and each corner's part of it."""

    def aged(ages: Sequence[float]) -> float:
        done = tuple(float(age * work[i]) for i, age in enumerate(ages))
        return lap_s(replace(warm, tyres=average_tyres(done)))

    new = aged((0.0,) * 4)
    loss = [aged((float(age),) * 4) - new for age in range(OLDEST_LAPS + 1)]
    alone = [aged([20.0 if i == j else 0.0 for j in range(4)]) - new for i in range(4)]
    return {
        "age_loss_s": loss,
        "corner_share": {c: part / sum(alone) for c, part in zip(CORNERS, alone, strict=True)},
        "work_laps_per_lap": dict(zip(CORNERS, work.tolist(), strict=True)),
        "knee_work_laps": tyre.KNEE_LAPS,
        "knee_age_laps": {c: tyre.KNEE_LAPS / float(w) for c, w in zip(CORNERS, work, strict=True)},
    }


def _warm_up() -> list[float]:
    """Extra seconds on the first three flying laps after an out-lap from cold."""
    out = _out_lap()
    laps = settled(out)
    return [lap.time_s - laps[-1].time_s for lap in laps[:3]]


def _tread(work: Floats) -> dict[str, Any]:
    """Wear per settled lap at each place, and what the first laps take besides."""
    places = ("inner_mm", "centre_mm", "outer_mm")
    rates = {
        corner: {
            place: float(work[i]) * tyre.WEAR_MM_PER_LAP * across
            for place, across in zip(places, tyre.WEAR_ACROSS[AXLES[i]], strict=True)
        }
        for i, corner in enumerate(CORNERS)
    }
    return {
        "new_mm": dict(zip(places, tyre.NEW_TREAD_MM, strict=True)),
        "wear_mm_per_lap": rates,
        "first_laps_mm": tyre.BEDDING * tyre.BEDDING_LAPS * tyre.WEAR_MM_PER_LAP,
        "first_laps_work_laps": tyre.BEDDING_LAPS,
    }


def _pressure() -> dict[str, Any]:
    """Gas temperature above air after many laps, and how soon 63 % of it is there."""
    out = _out_lap()
    laps = settled(out, laps=20)
    gas = np.array([out.heat.gas_c, *(lap.end.heat.gas_c for lap in laps)]) - STANDARD.air_c
    plateau = gas[-1]
    laps_to = [
        float(np.interp(0.632 * plateau[i], gas[:, i], np.arange(1, len(gas) + 1)))
        for i in range(4)
    ]
    return {
        "rise_c": dict(zip(CORNERS, plateau.tolist(), strict=True)),
        "rise_laps": dict(zip(CORNERS, laps_to, strict=True)),
        "gas_c_by_lap": {c: gas[:, i].tolist() for i, c in enumerate(CORNERS)},
    }


def _sessions() -> list[dict[str, Any]]:
    """Each session's own offset and the rubber on the track when it starts, in seconds per lap."""
    per_grip = measured()["grip_effect_s_per_share"]
    return [
        {
            "session": meet.session,
            "offset_s": (1 - programme.session_grip(meet.session)) * per_grip,
            "field_laps": programme.field_laps(meet.start),
            "evolution_s": (1 - programme.track_grip(meet.start)) * per_grip,
        }
        for meet in programme.MEETS
    ]


def _tyre(one: Tyre) -> dict[str, Any]:
    inner, centre, outer = one.tread_mm
    return {
        "tyre_id": one.tyre_id, "age_laps": one.laps, "heat_cycles": one.heat_cycles,
        "work_laps": one.work_laps, "wear_rate": one.rate, "grip": one.offset,
        "inner_mm": inner, "centre_mm": centre, "outer_mm": outer,
    }  # fmt: skip


def _fuel(done: Done) -> dict[str, Any]:
    kinds: dict[str, list[float]] = {}
    for run in done.runs:
        for lap in run.trace.laps:
            if lap.luck == Luck() or lap.luck.caution_from == 0:  # whole laps only
                kinds.setdefault(_kind(lap), []).append(lap.fuel_used_kg)
    return {
        "flow_scale": petrol.FLOW_TRUE_PER_LOGGED,
        "density_kg_per_l": petrol.DENSITY_KG_PER_L,
        "use_kg_per_lap": {kind: sum(used) / len(used) for kind, used in kinds.items()},
        "moved": [
            {"taken_at": h.taken_at.isoformat(timespec="seconds"), "run_id": h.run_id,
             "kind": h.kind, "mass_kg": h.mass_kg}
            for h in done.handlings
        ],
    }  # fmt: skip


def _kind(lap: LapTruth) -> str:
    return "caution" if lap.luck.caution_from is not None else lap.kind


def _run(run: RunDone) -> dict[str, Any]:
    passed = line_passed_s(run)
    return {
        "run_id": run.plan.run_id,
        "session": run.plan.session,
        "driver": run.plan.driver,
        "fuel_start_kg": run.fuel_start_kg,
        "grip": run.grip,
        "crossings_s": crossings_s(run.trace).tolist(),
        "laps": [_lap(lap, passed[i]) for i, lap in enumerate(run.trace.laps)],
    }


def _lap(lap: LapTruth, passed_s: float) -> dict[str, Any]:
    """One lap; the first of a race starts at the signal, in- and cool-down laps end at rest."""
    luck = lap.luck
    return {
        "lap": lap.lap, "kind": _kind(lap), "start_s": lap.start_s, "end_s": lap.end_s,
        "lap_time_s": lap.end_s - lap.start_s, "passed_s": passed_s, "clean_s": lap.clean_s,
        "traffic": luck.traffic is not None, "mistake": luck.mistake_corner is not None,
        "fuel_kg": lap.fuel_kg, "fuel_used_kg": lap.fuel_used_kg,
        "age_laps": [one.laps for one in lap.tyres],
        "work_laps": [one.work_laps for one in lap.tyres],
    }  # fmt: skip


def noise_sd_s() -> float:
    """Return the spread of undisturbed laps about their clean times over the whole weekend."""
    off = [
        lap.end_s - lap.start_s - lap.clean_s
        for run in drive_weekend().runs
        for lap in run.trace.laps
        if lap.clean_s is not None and lap.luck == Luck()
    ]
    return float(np.std(off, ddof=1))
