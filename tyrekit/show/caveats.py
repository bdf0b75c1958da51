"""What to keep in mind about the lap times behind the advice, in plain words."""

from __future__ import annotations

import pandas as pd

from tyrekit.fit import lap_words
from tyrekit.show.answer import Answer
from tyrekit.show.words import number, percent

SHARES = {
    "drop_off_s_per_lap": "what a tyre loses with age",
    lap_words.FUEL: "what a kilogram of fuel costs",
}
UNSEEN = {
    "heat_cycle_s": "what a heat cycle costs",
    "race_s": "race pace against practice",
    "track_temperature_s_per_k": "what track temperature does",
}
COLUMNS = ["name", "words", "figure", "expected"]
FURTHEST = 1.5  # times the others' mean square: the run to look at first
LEAST_LAPS = 3


def caveats_table(answer: Answer) -> pd.DataFrame:
    """Return name, words, figure and expected: what the lap times leave open.

    `figure` is what was found (seconds, or a share of 1), `expected` what was believed before.
    """
    found = answer.lap_time
    if found.n_rows == 0:
        words = "Every lap-time figure is what was expected before the weekend."
        return pd.DataFrame([("no lap counts yet", words, 0.0, 1.0)], columns=COLUMNS)
    rows = []
    believed, sd = found.spreads["noise"], found.spreads["noise_sd"]
    if found.noise_s > believed + lap_words.NOISY * sd:
        words = (
            f"Clean laps differ by {number(found.noise_s, 2)} s from what tyres, fuel and track"
            f" explain; {number(believed, 2)} s was expected. Something not written down moves"
            f" them, so every range here is wide.{_furthest_off(found.laps)}"
        )
        rows.append(("laps scatter", words, found.noise_s, believed))
    share = found.rests_on["data_share"]
    own = {words: float(share[name]) for name, words in SHARES.items()}
    unseen = [words for name, words in UNSEEN.items() if share[name] < lap_words.BELIEF_ONLY]
    least = min(own.values())
    if least < 0.5 or unseen:
        said = ", ".join(f"{words} {percent(part)}" for words, part in own.items())
        words = f"Measured by this weekend's laps: {said}; the rest is what was expected before it."
        if unseen:
            words += f" No lap has told yet: {', '.join(unseen)}."
        rows.append(("much is expected, not measured", words, least, 1.0))
    return pd.DataFrame(rows, columns=COLUMNS)


def _furthest_off(laps: pd.DataFrame) -> str:
    """Return which run to look at first; empty when none stands out."""
    kept = laps[laps["kept"]].sort_values("lap", kind="stable")
    runs = kept.assign(square=kept["residual_s"] ** 2).groupby("run_id")["square"]
    mean = runs.mean()[runs.size() >= LEAST_LAPS]
    if len(mean) < 2:
        return ""
    run = str(mean.idxmax())
    own = kept.loc[kept["run_id"] == run, "residual_s"].to_list()
    others = kept.loc[kept["run_id"] != run, "residual_s"]
    if mean.max() < FURTHEST * float((others**2).mean()):
        return ""
    first, last = sorted((own.index(min(own)), own.index(max(own))))
    ends = [
        f"{number(abs(off_s), 2)} s {'slower' if off_s > 0 else 'faster'}"
        for off_s in (own[first], own[last])
    ]
    return f" Look first at run {run}: its laps go from {ends[0]} to {ends[1]} than expected."
