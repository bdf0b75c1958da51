"""The lap-time fit told to an engineer: what is it, how sure, from which laps, what would help."""

from __future__ import annotations

import textwrap

from tyrekit.fit.lap_design import SLOPE
from tyrekit.fit.lap_result import LapTimeEstimates
from tyrekit.fit.lap_words import BELIEF_ONLY, FUEL, counted, laps_alone, slow_laps, words
from tyrekit.fit.result import percent

WIDTH, MOST_LINES = 98, 35
NAMED = 0.8  # weight from which a shape is called by its name
SAID_ABOVE = ("left out for being slow", "burn-off", "Burn-off", "Belief only", "knee")
EXPLAINED = {
    "base_lap_s": "base lap, s (new tyres, 30 kg, 30 degC)",
    FUEL: "fuel effect, s per kg",
    SLOPE: "drop-off, s per lap of age",
    "heat_cycle_s": "each earlier run of the tyres, s",
    "track_evolution_s": "track gain per e-fold of laps, s",
    "track_temperature_s_per_k": "track temperature, s per K",
    "race_s": "race against practice, s",
    "warm_up_1_s": "warm-up on flying lap 1, s",
    "warm_up_2_s": "warm-up on flying lap 2, s",
    "warm_up_3_s": "warm-up on flying lap 3, s",
}


def summary(result: LapTimeEstimates) -> str:
    """Return the whole account as text for an engineer, at most 100 columns wide."""
    parts = [*_answers(result), "", *_table(result), "", *_laps(result)]
    surer = ["", *_wrapped(_surer(result), "")]
    parts += _mind(result, MOST_LINES - len(parts) - len(surer))
    return "\n".join([*parts, *surer])


def _mind(result: LapTimeEstimates, room: int) -> list[str]:
    """What was found odd and is not told yet, as far as there is room for."""
    odd = [n for n in result.notes if not any(part in n for part in SAID_ABOVE)]
    lines = ["", "Mind:"] if odd else []
    for at, note in enumerate(odd):
        told = _wrapped(note, "- ")
        if len(lines) + len(told) + (at + 1 < len(odd)) > room:
            return [*lines, f"- {counted(len(odd) - at, 'more note')} in `notes`."]
        lines += told
    return lines


def _wrapped(text: str, start: str) -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=start, subsequent_indent=" " * len(start),
        break_long_words=False, break_on_hyphens=False,
    )  # fmt: skip


def _answers(result: LapTimeEstimates) -> list[str]:
    """The two numbers that plans rest on, and the sentence about telling them apart."""
    limits = result.conf_int(0.9)
    basis = counted(result.n_rows, "clean lap") if result.n_rows else "beliefs alone, no lap yet"
    lost = ", ".join(
        f"{loss:.2f} s at {age:.0f}"
        for age, loss in zip((10, 20), result.mean_age_loss_s([10.0, 20.0]), strict=True)
    )

    def told(name: str, unit: str) -> str:
        low, high = limits.loc[name, ["lower", "upper"]]
        return f"{result.params[name]:.3f} {unit} (90 %: {low:.3f} to {high:.3f})"

    return [
        f"LAP TIME, from {basis}",
        *_wrapped(
            f"Tyres: {told(SLOPE, 's slower per lap of age')}, mean over ages 0 to "
            f"{result.oldest_laps:.0f}. A lap loses {lost} laps of age. {_shape(result)}", ""),
        *_wrapped(f"Fuel: {told(FUEL, 's per kg carried')}. {_fuel_rests_on(result)}", ""),
    ]  # fmt: skip


def _fuel_rests_on(result: LapTimeEstimates) -> str:
    belief = 1.0 - float(result.rests_on["data_share"][FUEL])
    start = f"{percent(belief)} of that is your belief, {percent(1 - belief)} the laps"
    alone = laps_alone(result, FUEL)
    if alone is not None:
        start += f" (alone they say {alone.mean:.3f} ± {alone.sd:.3f})"
    if result.n_rows == 0 or belief <= 0.5:
        return start + "."
    return (
        f"{start}: in a stint fuel falls as the tyres age, so they cannot tell burn-off from "
        f"drop-off (correlation {result.fuel_age_correlation:+.2f})."
    )


def _shape(result: LapTimeEstimates) -> str:
    """The shape in words: named only when one outweighs the others clearly."""
    weights = result.shape_weights
    if result.n_rows == 0:
        return "The shape is not known."
    if weights.max() > NAMED:
        said = {"linear": "a straight line", "quadratic": "a curve", "hinge": "a knee"}
        kind = f"The shape is {said[str(weights.idxmax())]} ({percent(weights.max())})"
    else:
        curved = result.curved_chance
        most, chance = ("curved", curved) if curved > 0.5 else ("straight", 1 - curved)
        kind = f"More likely {most} than not ({percent(chance)}), all shapes are weighed"
    return f"{kind}; {result.knee.words}."


def _table(result: LapTimeEstimates) -> list[str]:
    """The common terms with 90 % intervals and what they rest on; belief-only ones named below."""
    limits, share = result.conf_int(0.9), result.rests_on["data_share"]
    common = [n for n in result.params.index if not n.startswith(("session_s", "set_s"))]
    shown = [n for n in common if share[n] >= BELIEF_ONLY or n in (SLOPE, FUEL, common[0])]
    lines = [f"{'':40}{'found':>9}{'90 % from':>11}{'to':>9}{'from laps':>11}   belief before"]
    for name in shown:
        label = EXPLAINED.get(name) or f"{words(name).replace('driver ', '')} against the others, s"
        digits = 2 if name == "base_lap_s" else 3
        found, low, high = result.params[name], limits["lower"][name], limits["upper"][name]
        believed = result.rests_on.loc[name]
        lines.append(
            f"{label[:39]:40}{found:9.{digits}f}{low:11.{digits}f}{high:9.{digits}f}"
            f"{percent(share[name]):>11}   {believed['belief']:.3g} ± {believed['belief_sd']:.2g}"
        )
    hidden = [words(name) for name in common if name not in shown]
    return lines + (_wrapped(f"Belief only: {', '.join(hidden)}.", "") if hidden else [])


def _laps(result: LapTimeEstimates) -> list[str]:
    """Which laps it rests on, which were left out, and what they have seen."""
    out = result.left_out
    by_fit = int(out["residual_s"].notna().sum())
    other = counted(len(out) - by_fit, "lap") + " not counting (reasons in left_out)"
    if result.n_rows == 0:
        return [f"Left out: {other}."] if len(out) else []
    kept, seen = result.laps[result.laps["kept"]], result.seen
    slow = f"{by_fit} too slow ({slow_laps(result, 3)}), " if by_fit else ""
    spans = ", ".join(
        f"{word} {seen[name][0]:.0f} to {seen[name][1]:.0f}{unit}"
        for name, word, unit in (("age_laps", "tyre age", " laps"), ("fuel_kg", "fuel", " kg"),
                                 ("track_c", "track", " degC"))
    )  # fmt: skip
    return [
        *_wrapped(
            f"Laps: {counted(kept['run_id'].nunique(), 'stint')} on "
            f"{counted(kept['set_id'].nunique(), 'set')}, {_and(kept['session'].unique())}. "
            f"One clean lap scatters by {result.noise_s:.2f} s. Left out: {slow}{other}.", ""),
        *_wrapped(f"Seen: {spans}; predictions outside say so.", ""),
    ]  # fmt: skip


def _and(names: object) -> str:
    listed = [str(name) for name in names]  # type: ignore[attr-defined]
    return ", ".join(listed) if len(listed) < 6 else f"{listed[0]} to {listed[-1]}"


def _surer(result: LapTimeEstimates) -> str:
    """What running would help most."""
    share = result.rests_on["data_share"]
    wanted = []
    if result.n_rows == 0:
        wanted.append("any clean laps, a long run first")
    elif share[FUEL] < 0.5:
        wanted.append("two runs on the same tyres with different fuel, or old tyres on high fuel")
    if result.n_rows and not result.knee.seen:
        wanted.append(f"a run to {result.oldest_laps + 8:.0f} laps of age, to show or deny a knee")
    if result.n_rows and share["heat_cycle_s"] < 0.3:
        wanted.append("a used set against a new one in the same session")
    return "Surer with: " + ("; ".join(wanted) or "more laps of the same kind") + "."
