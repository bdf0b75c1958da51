"""How good the lap-time fit is on simulated weekends: error and coverage tables.

``python tests/study_lap_time.py [WEEKENDS] [SEED]`` fits everything up to the second race and asks
for the third race's first stint. Expected numbers are simulated truth; the goals stand beside.
"""

from __future__ import annotations

import sys
import time
from collections import defaultdict

import numpy as np
import pandas as pd
import statsmodels.api as sm
from simulated_weekends import KINDS, default_beliefs, simulate

from tyrekit.fit.lap_time import LapTimeModel

PLANS, SETTINGS = ("usual", "full", "crossed"), ("clean", "typical", "harsh", "believed")


def one_weekend(rng, plan="usual", setting="typical", shape="linear", mass_power=None):
    """Fit one simulated weekend; errors and whether the 90 % intervals hold."""
    weekend = simulate(rng, plan, setting, shape, mass_power)
    truth = weekend.truth
    begin = time.perf_counter()
    fit = LapTimeModel(weekend.laps, default_beliefs(truth.lap_s, truth.mass_kg), KINDS).fit()
    found = {"fit_ms": 1e3 * (time.perf_counter() - begin), "fit": fit, "weekend": weekend}
    limits = fit.conf_int(0.9)
    slope = float(truth.loss_s(fit.oldest_laps)) / fit.oldest_laps
    for short, name, true in (
        ("wear", "drop_off_s_per_lap", slope),
        ("fuel", "fuel_effect_s_per_kg", truth.fuel_effect()),
    ):
        found[short] = float(fit.params[name]) - true
        found[short + "_held"] = limits["lower"][name] <= true <= limits["upper"][name]
    stint = weekend.held_out[weekend.held_out["counts"]]
    n = len(stint)
    ends = np.zeros(n)
    ends[-3:], ends[2:5] = 1 / 3, -1 / 3
    for short, weights, column, noise in (
        ("level", np.full(n, 1 / n), "clean_s", False),
        ("loss", ends, "clean_s", False),
        ("sum", np.ones(n), "alone_s", True),
    ):
        got = fit.combined(stint, weights, 0.9, noise).iloc[0]
        true = float(weights @ stint[column].to_numpy())
        found[short], found[short + "_held"] = (
            got["mean"] - true,
            got["lower"] <= true <= got["upper"],
        )
    found["ols"] = pooled_slope(weekend.laps) - slope
    return found


def pooled_slope(laps):
    """The slope of plain least squares: lap time on age and fuel, all flying laps together."""
    used = laps[laps["counts"]]
    used = used[used["lap_time_s"] < 1.03 * used["lap_time_s"].median()]
    design = sm.add_constant(used[["age_laps", "fuel_kg"]].to_numpy())
    return float(sm.OLS(used["lap_time_s"].to_numpy(), design).fit().params[1])


def table(weekends, seed=1, **how):
    """RMSE, bias and coverage over many weekends."""
    rng = np.random.default_rng(seed)
    found = pd.DataFrame([one_weekend(rng, **how) for _ in range(weekends)])
    row = {}
    for short, scale in (("wear", 1e3), ("fuel", 1e3), ("level", 1.0), ("loss", 1.0), ("sum", 1.0)):
        row[short] = scale * float(np.sqrt(np.mean(found[short] ** 2)))
        row[short + "_bias"] = scale * float(found[short].mean())
        row[short + "_cover"] = 100 * float(found[short + "_held"].mean())
    row["ols"] = 1e3 * float(np.sqrt(np.mean(found["ols"] ** 2)))
    row["ms"] = float(found["fit_ms"].median())
    return row


def shapes(weekends, shape, seed=1, setting="typical"):
    """How often a shape is told, and how good the knee is."""
    rng, counts = np.random.default_rng(seed), defaultdict(list)
    for _ in range(weekends):
        found = one_weekend(rng, setting=setting, shape=shape)
        fit, knee_age = found["fit"], found["weekend"].knee_age_laps
        counts["curved"].append(fit.shape_weights.idxmax() != "linear")
        counts["hinge"].append(fit.shape_weights.idxmax() == "hinge")
        counts["named"].append(fit.shape_weights.max() > 0.8)
        counts["loss"].append(found["loss"])
        for short in ("loss_held", "level_held", "sum_held"):
            counts[short].append(found[short])
        past = fit.oldest_laps - knee_age
        if shape == "cliff":
            knee = fit.knee
            low, high = knee.lower_laps or -np.inf, knee.upper_laps or np.inf
            group = "far" if past >= 8 else "near"
            if knee.best_laps is not None:
                counts[group + "_error"].append(knee.best_laps - knee_age)
                counts[group + "_held"].append(low <= knee_age <= high)
                counts[group + "_open"].append(knee.upper_laps is None)
    row = {k: 100 * np.mean(v) for k, v in counts.items() if "error" not in k and k != "loss"}
    row |= {
        k: np.sqrt(np.mean(np.square(v))) for k, v in counts.items() if "error" in k or k == "loss"
    }
    return row | {"far_n": len(counts["far_error"])}


def main(weekends=500, seed=1):
    """Print the tables with the number of weekends behind them."""
    pd.set_option(
        "display.width", 200, "display.max_columns", 40, "display.float_format", "{:.3f}".format
    )
    print(f"{weekends} weekends a row. wear: ms a lap, fuel: ms/kg, level: s a lap, loss, sum: s;")
    print("cover: % of 90 % intervals that hold. Goals: usual wear <= 13, full <= 14, harsh <= 17,")
    print("fuel <= 4.5, believed cover 87 to 93, harsh cover >= 85, wear at most half of ols.")
    rows = {(p, s): table(weekends, seed, plan=p, setting=s) for s in SETTINGS for p in PLANS}
    rows["usual", "fuel belief 1.6 sd off"] = table(weekends, seed, mass_power=0.34)
    print(pd.DataFrame(rows).T.to_string())
    print("\nShapes (usual, typical): straight called curved <= 15 %, curve found >= 75 %;")
    print("knee with 8 laps past it: error <= 2.6 laps, cover >= 87 %.")
    kinds = {(s, how): shapes(weekends, s, seed, how) for s in ("linear", "curved", "cliff")
             for how in ("typical", "harsh")}  # fmt: skip
    print(pd.DataFrame(kinds).T.to_string())


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
