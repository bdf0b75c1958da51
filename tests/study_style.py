"""How often the driving fit is right: simulated weekends with and without effects of style.

`python tests/study_style.py [weekends]` prints the table. The simulator works in millimetres of
tread, tyre by tyre, with gauge scatter, tyres that differ, fronts that feel the driving more than
rears, and measures that move together; the fit sees per cent per driver and session.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

from tyrekit.fit.style import WEAR, StyleModel

MEASURES = ("braking_peak_mps2", "steering_work_deg", "throttle_rate_pct_per_s", "combined_mps2",
            "coasting_pct")  # fmt: skip
CENTRE = np.array([11.0, 1100.0, 105.0, 10.8, 10.0])
SPREAD = np.array([0.35, 45.0, 8.0, 0.25, 1.2])
BASE_MM = np.array([0.078, 0.060, 0.046, 0.040])  # per lap: FL, FR, RL, RR
FELT = np.array([1.3, 1.2, 0.75, 0.75])
SETTINGS = {  # effect of one standard deviation of each measure, as a share of wear
    "none": np.zeros(5),
    "one": np.array([0.0, 0.07, 0.0, 0.0, 0.0]),
    "three": np.array([0.06, 0.05, 0.0, 0.04, 0.0]),
}


def weekend(rng: np.random.Generator, effect: np.ndarray, sessions: int = 8) -> pd.DataFrame:
    """Return driver-session rows of one weekend: wear_pct, its standard error, the measures."""
    loading = rng.normal(size=(5, 5)) * 0.35 + np.eye(5)  # measures move together
    habit = rng.normal(0.0, 0.8, (2, 5))
    rows = []
    for s in range(sessions):
        weather = rng.normal(0.0, 0.10)
        day = rng.normal(0.0, 0.4, 5)
        for driver in range(2):
            z = loading @ (habit[driver] + day + rng.normal(0.0, 0.6, 5)) / 1.1
            laps = rng.integers(7, 13)
            own = np.exp(rng.normal(0.0, 0.07, 4))  # each tyre's own rate
            drive = np.exp(FELT * (effect @ z))
            hidden = np.exp(rng.normal(0.0, 0.03))
            worn = BASE_MM * laps * np.exp(weather) * own * drive * hidden
            gauge = rng.normal(0.0, 0.1 * np.sqrt(2 / 3), 4)
            expected = BASE_MM * laps
            pct = 100 * ((worn + gauge) / expected - 1)
            se = 100 * np.hypot(0.1 * np.sqrt(2 / 3) / expected, 0.07)
            weight = 1 / se**2
            seen = CENTRE + SPREAD * (z + rng.normal(0.0, 0.1, 5))
            rows.append(
                {
                    "session": f"S{s + 1}",
                    "driver": f"Driver {'AB'[driver]}",
                    "wear_pct": float(weight @ pct / weight.sum()),
                    "wear_pct_se": float(weight.sum() ** -0.5),
                    **dict(zip(MEASURES, seen, strict=True)),
                }
            )
    return pd.DataFrame(rows)


def truth(rows: pd.DataFrame, effect: np.ndarray) -> np.ndarray:
    """Return the effects per standard deviation as seen in these rows, % of wear.

    Corners count by how well they are measured, so by about what they wear.
    """
    felt = float(FELT @ BASE_MM**2 / (BASE_MM**2).sum())
    seen = rows[list(MEASURES)].to_numpy()
    return 100 * felt * effect * seen.std(axis=0, ddof=1) / SPREAD


def study(weekends: int, first: int = 0) -> pd.DataFrame:
    """Return a row per setting: cover of 90 %, weekends with a claim, signs, errors."""
    table = []
    for name, effect in SETTINGS.items():
        inside, claims, right, flagged, errors, plain = [], 0, 0, 0, [], 0
        for seed in range(first, first + weekends):
            rows = weekend(np.random.default_rng([17, seed]), effect)
            true = truth(rows, effect)
            found = StyleModel(rows, MEASURES, WEAR).fit().effects
            inside += list((found["lower"] <= true) & (true <= found["upper"]))
            errors += list(found["mean"] - true)
            claims += bool(found["found"].any())
            real = found["found"].to_numpy() & (effect != 0)
            flagged += int(real.sum())
            right += int((np.sign(found["mean"].to_numpy()[real]) == np.sign(true[real])).sum())
            plain += _plain_claims(rows)
        table.append(
            {
                "setting": name,
                "weekends": weekends,
                "cover_pct": 100 * np.mean(inside),
                "any_claim_pct": 100 * claims / weekends,
                "plain_claim_pct": 100 * plain / weekends,
                "found_pct": 100 * flagged / max(1, weekends * int((effect != 0).sum())),
                "right_sign_pct": 100 * right / max(flagged, 1),
                "rmse_pct": np.sqrt(np.mean(np.square(errors))),
            }
        )
    return pd.DataFrame(table).set_index("setting")


def _plain_claims(rows: pd.DataFrame) -> bool:
    """Does ordinary regression on the same rows, session offsets free, claim anything at 90 %?"""
    import statsmodels.api as sm

    z = rows[list(MEASURES)]
    z = (z - z.mean()) / z.std()
    sessions = pd.get_dummies(rows["session"], dtype=float)
    fitted = sm.OLS(rows["wear_pct"], pd.concat([z, sessions], axis=1)).fit()
    return bool((fitted.pvalues[list(MEASURES)] < 0.1).any())


if __name__ == "__main__":
    print(study(int(sys.argv[1]) if len(sys.argv) > 1 else 300).round(1).to_string())
