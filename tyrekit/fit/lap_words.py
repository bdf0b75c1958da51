"""The lap-time fit in words: what it found, how sure, from which laps, what would settle more."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import pandas as pd

from tyrekit.fit.lap_design import SLOPE
from tyrekit.fit.lap_result import LapTimeEstimates
from tyrekit.fit.result import conflict_sd

FUEL = "fuel_effect_s_per_kg"
BELIEF_ONLY = 0.05  # below this share of data a parameter is called belief only
APART = 2.0  # spreads between data and belief that are called a clash
LEANS = 1.0  # for the fuel effect, mostly belief, the laps' leaning is told earlier
FAR_SESSION = 4.0  # spreads: a session this far from the others is not the same track
NAMED = 0.8  # weight from which a shape is called by its name
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


def words(name: str) -> str:
    """Return a parameter's name in words."""
    kind, _, own = name.partition(":")
    offsets = {"session_s": "session", "set_s": "set", "driver_s": "driver"}
    return f"{offsets[kind]} {own}" if own else WORDS[name]


def notes(result: LapTimeEstimates) -> tuple[str, ...]:
    """Return what was inferred or found odd, and what the answers rest on."""
    if result.n_rows == 0:
        out = f" ({len(result.left_out)} laps left out)" if len(result.left_out) else ""
        return (f"No lap counts yet{out}: every lap-time figure is belief, from event.toml.",)
    parts = (
        _left_out(result), _one_of_a_kind(result), [fuel_or_age(result)], _belief_only(result),
        _conflicts(result), _far_sessions(result), _lingering(result),
        [result.knee.words[0].upper() + result.knee.words[1:] + "."],
    )  # fmt: skip
    return tuple(note for part in parts for note in part)


def counted(number: int, thing: str) -> str:
    """Return a number with its thing, plural unless it is one."""
    return f"{number} {thing}{'' if number == 1 else 's'}"


def fuel_or_age(result: LapTimeEstimates) -> str:
    """Return the sentence about burn-off against drop-off, with the belief's share."""
    share = 1.0 - float(result.rests_on["data_share"][FUEL])
    tied = correlation(result, FUEL, SLOPE)
    if share > 0.5:
        start = "The laps cannot tell burn-off from drop-off: inside one stint fuel falls as age"
        return (
            f"{start} rises. {share:.0%} of the fuel effect is your belief (correlation with the "
            f"drop-off {tied:+.2f}). New tyres on low fuel and old ones on high would tell."
        )
    return (
        f"Burn-off and drop-off are told apart by {1 - share:.0%} from the laps, {share:.0%} of "
        f"the fuel effect is your belief (correlation {tied:+.2f})."
    )


def correlation(result: LapTimeEstimates, one: str, other: str) -> float:
    """Return the correlation of two parameters' estimates."""
    names, cov = list(result.params.index), result.cov.to_numpy()
    i, j = names.index(one), names.index(other)
    return float(cov[i, j]) / math.sqrt(float(cov[i, i] * cov[j, j]))


def _left_out(result: LapTimeEstimates) -> Iterator[str]:
    own = int(result.left_out["residual_s"].notna().sum())
    if own:
        yield (
            f"{own} of {counted(result.n_rows + own, 'flying lap')} were left out by the fit "
            "for being slow: traffic only ever adds time."
        )
    twice = int(result.left_out["reason"].str.startswith("same run").sum())
    if twice:
        yield f"{counted(twice, 'row')} repeat a run and lap; the first was used."


def _one_of_a_kind(result: LapTimeEstimates) -> Iterator[str]:
    kept = result.laps[result.laps["kept"]]
    for column, word in (("session", "session"), ("set_id", "set of tyres"), ("run_id", "stint")):
        if kept[column].nunique() == 1:
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
            laps = _from_laps(belief, spread, found.mean, found.sd)
            yield (
                f"{words(name)}: the laps point to {laps:.3g}, the belief is {belief:.3g} ± "
                f"{spread:.2g}, {abs(apart):.1f} spreads apart. {_advice(name, apart)}"
            )


def _advice(name: str, apart: float) -> str:
    entries = "fuel entries" if name == FUEL else "entries"
    if abs(apart) > APART:
        return f"They clash: check the {entries} or widen the belief."
    return "Chance may do that; a belief that is wrong does it too."


def _from_laps(belief: float, spread: float, mean: float, sd: float) -> float:
    """The estimate with the belief taken out again."""
    whole, before = 1.0 / sd**2, 1.0 / spread**2
    return (mean * whole - belief * before) / (whole - before)


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


def _lingering(result: LapTimeEstimates) -> Iterator[str]:
    if result.autocorrelation > 0.3:
        yield (
            f"What a lap is off by lingers to the next (correlation {result.autocorrelation:.2f}):"
            " intervals are widened for it."
        )


def summary(result: LapTimeEstimates) -> str:
    """Return the whole account as text for an engineer."""
    head = [_basis(result), "", _table(result), "", _shape(result)]
    tail = ["", "What it rests on:", *(f"- {note}" for note in result.notes)]
    return "\n".join([*head, *tail, "", _surer(result)])


def _basis(result: LapTimeEstimates) -> str:
    if result.n_rows == 0:
        return "Lap time: no laps yet, beliefs only."
    kept = result.laps[result.laps["kept"]]
    seen = result.seen
    own = int(result.left_out["residual_s"].notna().sum())
    return (
        f"Lap time from {counted(result.n_rows, 'lap')}, "
        f"{counted(kept['run_id'].nunique(), 'stint')}, "
        f"{counted(kept['set_id'].nunique(), 'set')}, sessions "
        f"{', '.join(kept['session'].unique())}; left out: {own} by the fit, "
        f"{len(result.left_out) - own} that do not count.\n"
        f"Seen: tyre age {seen['age_laps'][0]:.0f} to {seen['age_laps'][1]:.0f} laps, fuel "
        f"{seen['fuel_kg'][0]:.0f} to {seen['fuel_kg'][1]:.0f} kg, track "
        f"{seen['track_c'][0]:.0f} to {seen['track_c'][1]:.0f} degC. "
        f"A clean lap scatters by {result.noise_s:.2f} s."
    )


def _table(result: LapTimeEstimates) -> str:
    """The common terms with 90 % intervals and where they come from."""
    limits = result.conf_int(0.9)
    lines = [f"{'':28}{'estimate':>10}{'90 % from':>11}{'to':>10}   from laps   belief"]
    for name in [n for n in result.params.index if not n.startswith(("session_s", "set_s"))]:
        unit = "s/kg" if name == FUEL else "s/lap" if name == SLOPE else "s"
        unit = "s/K" if name.endswith("_per_k") else unit
        share = float(result.rests_on["data_share"][name])
        lines.append(
            f"{words(name) + ', ' + unit:28}{result.params[name]:10.4f}"
            f"{limits['lower'][name]:11.4f}{limits['upper'][name]:10.4f}{share:>12.0%}"
            f"   {result.rests_on['belief'][name]:.4g} ± {result.rests_on['belief_sd'][name]:.2g}"
        )
    return "\n".join(lines)


def _shape(result: LapTimeEstimates) -> str:
    weights = result.shape_weights
    best = str(weights.idxmax())
    told = ", ".join(f"{name} {weight:.0%}" for name, weight in weights.items())
    name = f"{best}" if weights.max() > NAMED else "shape not told apart, all are weighed"
    loss = result.mean_age_loss_s([10.0, 20.0])
    return (
        f"Drop-off (mean over ages 0 to {result.oldest_laps:.0f}): {name} ({told}). "
        f"Lost per lap at age 10: {loss[0]:.2f} s, at 20: {loss[1]:.2f} s."
    )


def _surer(result: LapTimeEstimates) -> str:
    """What running would help most."""
    share = result.rests_on["data_share"]
    wanted = []
    if result.n_rows == 0:
        wanted.append("any clean laps; a long run first")
    elif share[FUEL] < 0.5:
        wanted.append("two runs on the same tyres with different fuel, or old tyres on high fuel")
    if result.n_rows and not result.knee.seen:
        wanted.append(
            f"a run past {result.oldest_laps + 8:.0f} laps of age to show or rule out a knee"
        )
    if result.n_rows and share["heat_cycle_s"] < 0.3:
        wanted.append("a used set against a new one in the same session")
    return "What would make it surer: " + ("; ".join(wanted) or "more laps of the same kind") + "."


def residual_spread(result: LapTimeEstimates) -> pd.DataFrame:
    """Return laps and spread of the residuals by session: session, laps, mean_s, spread_s."""
    kept = result.laps[result.laps["kept"]]
    by = kept.groupby("session", sort=False)["residual_s"]
    table = pd.DataFrame({"laps": by.size(), "mean_s": by.mean(), "spread_s": by.std(ddof=0)})
    return table.reset_index()
