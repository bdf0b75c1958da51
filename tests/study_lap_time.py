"""How good the lap-time fit is on simulated weekends: error and coverage tables.

``python tests/study_lap_time.py [WEEKENDS] [SEED] [WORKERS]`` fits everything up to the second
race and asks for the third race's first stint. Expected numbers are simulated truth; the goals
stand beside them. Every weekend has its own seed, so the tables do not depend on the workers.
"""

from __future__ import annotations

import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from typing import NamedTuple

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
import statsmodels.api as sm
from simulated_weekends import KINDS, default_beliefs, simulate

from tyrekit.fit.lap_time import LapTimeModel


class Row(NamedTuple):
    """A row of the tables: what the simulator is asked for."""

    plan: str = "usual"
    setting: str = "typical"
    shape: str = "linear"
    mass_power: float | None = None


RUNNING = {
    f"{plan}, {setting}": Row(plan, setting)
    for setting in ("clean", "typical", "harsh")
    for plan in ("usual", "full", "crossed")
} | {
    "truth from beliefs": Row(setting="believed"),
    "same, any shape": Row(setting="believed", shape="believed"),
    "fuel belief 1.6 sd off": Row(mass_power=0.34),
}
SHAPES = {
    f"{shape}, {setting}": Row(setting=setting, shape=shape)
    for shape in ("linear", "curved", "cliff")
    for setting in ("typical", "harsh")
}
ERRORS = ("wear", "fuel", "level", "loss", "sum")
MILLI = {"wear": 1e3, "fuel": 1e3}
GOALS = """wear: ms per lap, fuel: ms/kg; next race's first stint: level s a lap, loss and sum s;
cover: % of nominal 90 % intervals that hold the truth (500 weekends: +-1.3 points); ols: plain
pooled least squares on the same laps; told / clash: % of weekends whose notes say that the laps
lean away from the belief on the fuel effect / clash with it.
Goals: usual wear <= 13 and at most half of ols, fuel <= 4.5; full <= 14; harsh <= 17 and cover
>= 85; truth from beliefs: cover of wear, fuel, level 87 to 93; belief off: wear cover >= 87."""
SHAPE_GOALS = """Shapes. curved: straight line's weight below a half; best: it is not the heaviest;
named: one shape above 80 %; knee far: 8 or more laps run past it, near: fewer.
Goals: straight called curved <= 15 %, curve found >= 75 %; knee far: error <= 2.6 laps and
cover >= 87 %, otherwise an open bound."""


def one_weekend(rng, plan="usual", setting="typical", shape="linear", mass_power=None):
    """Fit one simulated weekend; errors and whether the 90 % intervals hold."""
    weekend = simulate(rng, plan, setting, shape, mass_power)
    truth = weekend.truth
    begin = time.process_time()
    fit = LapTimeModel(weekend.laps, default_beliefs(truth.lap_s, truth.mass_kg), KINDS).fit()
    found = {"fit_ms": 1e3 * (time.process_time() - begin), "fit": fit, "weekend": weekend}
    limits = fit.conf_int(0.9)
    slope = float(truth.loss_s(fit.oldest_laps)) / fit.oldest_laps
    for short, name, true in (
        ("wear", "drop_off_s_per_lap", slope),
        ("fuel", "fuel_effect_s_per_kg", truth.fuel_effect()),
    ):
        found[short] = float(fit.params[name]) - true
        found[short + "_held"] = limits["lower"][name] <= true <= limits["upper"][name]
    found |= next_stint(fit, weekend.held_out)
    least_squares = pooled(weekend.laps)
    found["wear_ols"] = least_squares[1] - slope
    found["fuel_ols"] = least_squares[2] - truth.fuel_effect()
    said = [note for note in fit.notes if note.startswith("fuel effect: the laps point to")]
    found["told"], found["clash"] = bool(said), any("clash" in note for note in said)
    return found | shape_found(fit, weekend)


def next_stint(fit, held_out):
    """Errors and cover of the held-out stint: mean clean lap, slowing within it, total time."""
    stint = held_out[held_out["counts"]]
    n = len(stint)
    ends = np.zeros(n)
    ends[-3:], ends[2:5] = 1 / 3, -1 / 3
    found = {}
    for short, weights, column, noise in (
        ("level", np.full(n, 1 / n), "clean_s", False),
        ("loss", ends, "clean_s", False),
        ("sum", np.ones(n), "alone_s", True),
    ):
        got = fit.combined(stint, weights, 0.9, noise).iloc[0]
        true = float(weights @ stint[column].to_numpy())
        found[short] = got["mean"] - true
        found[short + "_held"] = got["lower"] <= true <= got["upper"]
    return found


def shape_found(fit, weekend):
    """What the fit says of the shape, and the knee's error when there is one."""
    weights, knee, true = fit.shape_weights, fit.knee, weekend.knee_age_laps
    past = fit.oldest_laps - true
    if weekend.truth.shape != "cliff" or knee.best_laps is None or not np.isfinite(past):
        error, held, far = np.nan, np.nan, np.nan
    else:
        low, high = knee.lower_laps or -np.inf, knee.upper_laps or np.inf
        error, held, far = knee.best_laps - true, float(low <= true <= high), float(past >= 8)
    return {
        "curved": weights["linear"] < 0.5, "best": weights.idxmax() != "linear",
        "named": weights.max() > 0.8, "knee": error, "knee_held": held, "far": far,
        "open": knee.upper_laps is None,
    }  # fmt: skip


def pooled(laps):
    """Plain least squares: lap time on age and fuel, all flying laps together (WLS no, OLS)."""
    used = laps[laps["counts"]]
    used = used[used["lap_time_s"] < 1.03 * used["lap_time_s"].median()]
    design = sm.add_constant(used[["age_laps", "fuel_kg"]].to_numpy())
    return sm.OLS(used["lap_time_s"].to_numpy(), design).fit().params


def seeded(job):
    """One weekend of a row, by its own seed, without what is large."""
    row, seed, number = job
    found = one_weekend(np.random.default_rng([seed, number]), *row)
    del found["fit"], found["weekend"]
    return found


def weekends(row, count, seed=1, pool=None):
    """Return a table with one line per simulated weekend of this row."""
    jobs = [(row, seed, number) for number in range(count)]
    found = pool.map(seeded, jobs, chunksize=10) if pool else map(seeded, jobs)
    return pd.DataFrame(list(found))


def accuracy(found):
    """RMSE, bias and coverage over many weekends."""
    row = {"n": len(found)}
    for short in ERRORS:
        scale = MILLI.get(short, 1.0)
        row[short] = scale * rms(found[short])
        row[short + "_bias"] = scale * float(found[short].mean())
        row[short + "_cover"] = 100 * float(found[short + "_held"].mean())
    row |= {short: 1e3 * rms(found[short]) for short in ("wear_ols", "fuel_ols")}
    row |= {short: 100 * float(found[short].mean()) for short in ("told", "clash")}
    return row | {"fit_ms": float(found["fit_ms"].median())}


def shape_table(found):
    """How often a shape is told, and how good the knee is, far from and near the oldest age."""
    row = {"n": len(found)}
    row |= {k: 100 * float(found[k].mean()) for k in ("curved", "best", "named")}
    row |= {"loss": rms(found["loss"])}
    row |= {k + "_cover": 100 * float(found[k + "_held"].mean()) for k in ("loss", "level", "sum")}
    for word, far in (("far", 1.0), ("near", 0.0)):
        part = found[found["far"] == far]
        row |= {
            f"{word}_n": len(part), f"{word}_error": rms(part["knee"]),
            f"{word}_cover": 100 * float(part["knee_held"].mean()),
            f"{word}_open": 100 * float(part["open"].mean()),
        }  # fmt: skip
    return row


def rms(errors):
    return float(np.sqrt(np.mean(np.square(errors)))) if len(errors) else float("nan")


def main(count=500, seed=1, workers=2):
    """Print the tables with the number of weekends behind them."""
    begin, rows = time.perf_counter(), {**RUNNING, **SHAPES}
    done = {}
    with ProcessPoolExecutor(workers) as pool:
        for name, row in rows.items():
            same = next((n for n in done if rows[n] == row), None)
            done[name] = done[same] if same else weekends(row, count, seed, pool)
            told = accuracy(done[name])
            print(
                f"{time.perf_counter() - begin:5.0f} s  {name}: wear {told['wear']:.1f} ms, held "
                f"{told['wear_cover']:.0f} %", file=sys.stderr, flush=True,
            )  # fmt: skip
    pd.set_option("display.width", 250, "display.max_columns", 40)
    pd.set_option("display.float_format", "{:.3g}".format)
    print(f"Lap-time fit, {count} simulated weekends a row, seed {seed}.\n{GOALS}\n")
    print(pd.DataFrame({n: accuracy(done[n]) for n in RUNNING}).T.to_string())
    print(f"\n{SHAPE_GOALS}\n")
    print(pd.DataFrame({n: shape_table(done[n]) for n in SHAPES}).T.to_string(na_rep=""))


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
