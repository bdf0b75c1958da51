"""What the lap-time fit inferred, assumed or found odd, in words."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterator

import numpy as np

from tyrekit.fit.lap_design import SLOPE
from tyrekit.fit.lap_result import LapTimeEstimates
from tyrekit.fit.result import Estimate, conflict_sd, percent

FUEL = "fuel_effect_s_per_kg"
BELIEF_ONLY = 0.05  # below this share of data a parameter is called belief only
APART = 2.0  # spreads between data and belief that are called a clash
LEANS = 1.0  # for the fuel effect, mostly belief, the laps' leaning is told earlier
FAR_SESSION = 4.0  # spreads: a session this far from the others is not the same track
NOISY = 3.0  # spreads of the belief: more scatter than this has a reason
WORDS = {
    "base_lap_s": "base lap",
    FUEL: "fuel effect",
    SLOPE: "drop-off",
    "heat_cycle_s": "loss per heat cycle",
    "track_evolution_s": "track evolution",
    "track_temperature_s_per_k": "track temperature",
    "warm_up_1_s": "warm-up, lap 1",
    "warm_up_2_s": "warm-up, lap 2",
    "warm_up_3_s": "warm-up, lap 3",
    "race_s": "race pace against practice",
}
CAUSES = {
    FUEL: "check the fuel entries",
    "race_s": "saving or a crowd in races does that",
    "track_temperature_s_per_k": "check the track temperatures",
    SLOPE: "check which tyres ran",
}


def words(name: str) -> str:
    """Return a parameter's name in words."""
    kind, _, own = name.partition(":")
    offsets = {"session_s": "session", "set_s": "set", "driver_s": "driver"}
    return f"{offsets[kind]} {own}" if own else WORDS[name]


def notes(result: LapTimeEstimates) -> tuple[str, ...]:
    """Return what was inferred or found odd, and what the answers rest on."""
    if result.n_rows == 0:
        said = "; ".join(f"{number} x {reason}" for reason, number in _reasons(result)[:3])
        out = f" ({len(result.left_out)} left out: {said})" if said else ""
        return (f"No lap counts yet{out}: every lap-time figure is belief, from event.toml.",)
    parts = (
        _left_out(result), _one_of_a_kind(result), [fuel_or_age(result)], _belief_only(result),
        _conflicts(result), _far_sessions(result), _scatter(result),
        [result.knee.words[0].upper() + result.knee.words[1:] + "."],
    )  # fmt: skip
    return tuple(note for part in parts for note in part)


def counted(number: int, thing: str) -> str:
    """Return a number with its thing, plural unless it is one."""
    return f"{number} {thing}{'' if number == 1 else 's'}"


def fuel_or_age(result: LapTimeEstimates) -> str:
    """Return the sentence about burn-off against drop-off, with the belief's share."""
    share = 1.0 - float(result.rests_on["data_share"][FUEL])
    tied = result.fuel_age_correlation
    if share > 0.5:
        start = "The laps cannot tell burn-off from drop-off: inside one stint fuel falls as age"
        return (
            f"{start} rises. {percent(share)} of the fuel effect is your belief (correlation with "
            f"the drop-off {tied:+.2f}). New tyres on low fuel and old ones on high would tell."
        )
    return (
        f"Burn-off and drop-off are told apart by {percent(1 - share)} from the laps, "
        f"{percent(share)} of the fuel effect is your belief (correlation {tied:+.2f})."
    )


def laps_alone(result: LapTimeEstimates, name: str) -> Estimate | None:
    """Return what the laps say with this parameter's own belief taken out; None if nothing."""
    if float(result.rests_on["data_share"][name]) < 0.01:
        return None
    belief, spread = (float(result.rests_on[c][name]) for c in ("belief", "belief_sd"))
    found = result.estimate(name)
    whole, before = found.sd**-2.0, spread**-2.0
    mean = (found.mean * whole - belief * before) / (whole - before)
    return Estimate(mean, (whole - before) ** -0.5)


def slow_laps(result: LapTimeEstimates, most: int = 4) -> str:
    """Return the laps left out by the fit with their size, the slowest first."""
    columns = (result.left_out[name].tolist() for name in ("residual_s", "run_id", "lap"))
    own = [row for row in zip(*columns, strict=True) if not math.isnan(row[0])]
    own.sort(key=lambda row: -row[0])
    named = [f"{run} lap {lap:.0f} +{late:.1f} s" for late, run, lap in own]
    more = [f"{len(named) - most} more"] if len(named) > most else []
    return ", ".join(named[:most] + more)


def _left_out(result: LapTimeEstimates) -> Iterator[str]:
    own = int(np.isfinite(result.left_out["residual_s"].to_numpy()).sum())
    if own:
        verb = "was" if own == 1 else "were"
        yield (
            f"{own} of {counted(result.n_rows + own, 'flying lap')} {verb} left out for "
            f"being slow, since traffic only ever adds time: {slow_laps(result)}."
        )
    for why, number in _reasons(result):
        if why.startswith("same run"):
            yield f"{counted(number, 'row')} repeat a run and lap; the first was used."
        if "not possible" in why or "check the lap time" in why:
            yield f"{counted(number, 'lap')} left out: {why}. Correct the entry."


def _reasons(result: LapTimeEstimates) -> list[tuple[str, int]]:
    """Return the reasons for laps left out, without their own numbers, and how many have each."""
    reasons = result.left_out["reason"].tolist()
    kinds = (re.sub(r" \S+ is not possible", " is not possible", str(why)) for why in reasons)
    return Counter(kinds).most_common()


def _one_of_a_kind(result: LapTimeEstimates) -> Iterator[str]:
    kept = result.laps["kept"].to_numpy()
    for column, word in (("session", "session"), ("set_id", "set of tyres"), ("run_id", "stint")):
        if len(set(result.laps[column].to_numpy(dtype=object)[kept])) == 1:
            yield f"All laps are from one {word}: what is its own and what is general is belief."
    least, most = result.seen["track_c"]
    if most - least < 1.0:
        yield f"Track temperature hardly changed ({least:.0f} to {most:.0f} degC): belief only."


def _belief_only(result: LapTimeEstimates) -> Iterator[str]:
    share = result.rests_on["data_share"]
    named = [words(n) for n in WORDS if share[n] < BELIEF_ONLY]
    if named:
        yield f"Belief only, the laps say nothing: {', '.join(named)}."


def _conflicts(result: LapTimeEstimates) -> Iterator[str]:
    believed = result.rests_on[["belief", "belief_sd"]].to_numpy()
    for at, name in enumerate(result.params.index):
        if name not in WORDS:
            continue
        (belief, spread), found = believed[at].tolist(), result.estimate(str(name))
        apart = conflict_sd(belief, spread, found.mean, found.sd)
        if abs(apart) > (LEANS if name == FUEL else APART):
            alone = laps_alone(result, str(name)) or found
            yield (
                f"{words(name)}: the laps point to {alone.mean:.3g} ± {alone.sd:.2g}, the "
                f"belief is {belief:.3g} ± {spread:.2g}, {abs(apart):.1f} spreads apart. "
                f"{_advice(name, apart)}"
            )


def _advice(name: str, apart: float) -> str:
    if abs(apart) > APART:
        return f"They clash: {CAUSES.get(name, 'check the entries')}, or widen the belief."
    return "Chance may do that; a belief that is wrong does it too."


def _far_sessions(result: LapTimeEstimates) -> Iterator[str]:
    session = result.laps["session"].to_numpy(dtype=object)
    residual, kept = (result.laps[name].to_numpy() for name in ("residual_s", "kept"))
    for name in dict.fromkeys(session):
        at = session == name
        off = float(result.params[f"session_s:{name}"]) + float(np.median(residual[at]))
        if abs(off) > FAR_SESSION * result.spreads["session_s"] or kept[at].mean() < 0.5:
            yield (
                f"session {name} is {abs(off):.1f} s {'slower' if off > 0 else 'faster'} than the "
                f"others for no reason in the table, {kept[at].sum()} of {at.sum()} laps fit. "
                "Wet, another layout, or a wrong clock? Mark it wet in event.toml if so."
            )


def _scatter(result: LapTimeEstimates) -> Iterator[str]:
    believed, sd = result.spreads["noise"], result.spreads["noise_sd"]
    if result.noise_s > believed + NOISY * sd:
        yield (
            f"Clean laps scatter by {result.noise_s:.2f} s where {believed:.2f} ± {sd:.2f} s was "
            "believed: something not in the table moves them, so every interval is wide."
        )
    if result.autocorrelation > 0.3:
        yield (
            f"What a lap is off by lingers to the next (correlation {result.autocorrelation:.2f}):"
            " intervals are widened for it."
        )
