"""How often the driving fit is right: simulated weekends with and without effects of style.

`python tests/study_style.py [weekends]` prints the table. The simulator works in millimetres of
tread, tyre by tyre, with gauge scatter, tyres that differ, fronts that feel the driving more than
rears, and measures that move together; the fit sees per cent per driver and session. As in the
review two questions are asked of each weekend, wear and drop-off, and a claim of either counts.
"""

from __future__ import annotations

import sys
from typing import NamedTuple

import numpy as np
import pandas as pd

from tyrekit.fit.style import DROP_OFF, WEAR, StyleModel
from tyrekit.show.review import CLAIM_LEVEL

MEASURES = ("braking_peak_mps2", "steering_work_deg", "throttle_rate_pct_per_s", "combined_mps2",
            "coasting_pct")  # fmt: skip
CENTRE = np.array([11.0, 1100.0, 105.0, 10.8, 10.0])
SPREAD = np.array([0.35, 45.0, 8.0, 0.25, 1.2])
BASE_MM = np.array([0.078, 0.060, 0.046, 0.040])  # per lap: FL, FR, RL, RR
FELT = np.array([1.3, 1.2, 0.75, 0.75])
OTHERS = tuple(f"other_{i}" for i in range(6))  # measured too, and without effect
DROP_OFF_MS = 8.0  # per standard deviation of a measure, for a wear effect of 10 %


class Setting(NamedTuple):
    """Effect of one standard deviation of each measure as a share of wear, and the weekend."""

    effect: tuple[float, ...]
    sessions: int = 8
    drivers: int = 2
    eleven: bool = False


NONE, ONE, THREE = (0.0,) * 5, (0.0, 0.07, 0.0, 0.0, 0.0), (0.06, 0.05, 0.0, 0.04, 0.0)
SETTINGS = {
    "none": Setting(NONE),
    "one": Setting(ONE),
    "three": Setting(THREE),
    "none, 11 measures": Setting(NONE, eleven=True),
    "three, 11 measures": Setting(THREE, eleven=True),
    "none, one driver": Setting(NONE, drivers=1),
    "three, one driver": Setting(THREE, drivers=1),
    "none, 4 sessions": Setting(NONE, sessions=4),
    "three, 4 sessions": Setting(THREE, sessions=4),
}


def weekend(rng: np.random.Generator, setting: Setting) -> pd.DataFrame:
    """Return driver-session rows of one weekend: wear, drop-off, their errors, the measures."""
    effect = np.array(setting.effect)
    names = (*MEASURES, *OTHERS) if setting.eleven else MEASURES
    count = len(names)
    loading = rng.normal(size=(count, count)) * 0.35 + np.eye(count)  # measures move together
    habit = rng.normal(0.0, 0.8, (setting.drivers, count))
    rows = []
    for s in range(setting.sessions):
        weather = rng.normal(0.0, 0.10)
        day = rng.normal(0.0, 0.4, count)
        changed = rng.normal(0.0, 6.0)  # the session's own drop-off
        for driver in range(setting.drivers):
            z = loading @ (habit[driver] + day + rng.normal(0.0, 0.6, count)) / 1.1
            driven = float(effect @ z[:5])
            laps = rng.integers(7, 13)
            own = np.exp(rng.normal(0.0, 0.07, 4))  # each tyre's own rate
            hidden = np.exp(rng.normal(0.0, 0.03))
            worn = BASE_MM * laps * np.exp(weather + FELT * driven) * own * hidden
            gauge = rng.normal(0.0, 0.1 * np.sqrt(2 / 3), 4)
            expected = BASE_MM * laps
            pct = 100 * ((worn + gauge) / expected - 1)
            se = 100 * np.hypot(0.1 * np.sqrt(2 / 3) / expected, 0.07)
            weight = 1 / se**2
            centre = np.concatenate([CENTRE, np.zeros(count - 5)])
            spread = np.concatenate([SPREAD, np.ones(count - 5)])
            seen = centre + spread * (z + rng.normal(0.0, 0.1, count))
            fell_se = 0.3 / np.sqrt(laps * (laps**2 - 1) / 12) * 1000
            fell = 10 * DROP_OFF_MS * driven + changed + rng.normal(0.0, 4.0)
            rows.append(
                {
                    "session": f"S{s + 1}",
                    "driver": f"Driver {'AB'[driver]}",
                    "wear_pct": float(weight @ pct / weight.sum()),
                    "wear_pct_se": float(weight.sum() ** -0.5),
                    "drop_off_ms_per_lap": fell + rng.normal(0.0, fell_se),
                    "drop_off_ms_per_lap_se": fell_se,
                    **dict(zip(names, seen, strict=True)),
                }
            )
    return pd.DataFrame(rows)


def truth(rows: pd.DataFrame, setting: Setting) -> tuple[np.ndarray, np.ndarray]:
    """Return the effects per standard deviation as seen in these rows: % of wear, ms per lap.

    Corners count by how well they are measured, so by about what they wear.
    """
    felt = float(FELT @ BASE_MM**2 / (BASE_MM**2).sum())
    seen = rows[list(MEASURES)].to_numpy().std(axis=0, ddof=1) / SPREAD
    own = np.array(setting.effect) * seen
    others = np.zeros(len(OTHERS) if setting.eleven else 0)
    return (
        np.concatenate([100 * felt * own, others]),
        np.concatenate([10 * DROP_OFF_MS * own, others]),
    )


class Tally:
    """What one setting's weekends gave."""

    def __init__(self) -> None:
        self.inside: list[bool] = []
        self.real_inside: list[bool] = []
        self.errors: list[float] = []
        self.right = self.flagged = self.real = self.claims = self.plain = 0

    def add(self, found: pd.DataFrame, true: np.ndarray) -> bool:
        """Count one fit's intervals and claims; return whether it claims anything."""
        inside = ((found["lower"] <= true) & (true <= found["upper"])).to_numpy()
        self.inside += list(inside)
        self.real_inside += list(inside[true != 0])
        self.errors += list(found["mean"] - true)
        told, mean = found["found"].to_numpy(), found["mean"].to_numpy()
        real = told & (true != 0)
        self.real += int((true != 0).sum())
        self.flagged += int(real.sum())
        self.right += int((np.sign(mean[real]) == np.sign(true[real])).sum())
        return bool(told.any())

    def row(self, weekends: int) -> dict[str, float]:
        """Return the figures."""
        return {
            "weekends": weekends,
            "cover_pct": 100 * np.mean(self.inside),
            "real_cover_pct": 100 * np.mean(self.real_inside) if self.real_inside else np.nan,
            "any_claim_pct": 100 * self.claims / weekends,
            "plain_claim_pct": 100 * self.plain / weekends,
            "found_pct": 100 * self.flagged / max(1, self.real),
            "right_sign_pct": 100 * self.right / self.flagged if self.flagged else np.nan,
            "flagged": self.flagged,
        }


def study(weekends: int, first: int = 0, names: tuple[str, ...] = tuple(SETTINGS)) -> pd.DataFrame:
    """Return a row per setting: cover of 90 %, weekends with a claim of either kind, signs."""
    table = {}
    for name in names:
        setting, tally = SETTINGS[name], Tally()
        measures = (*MEASURES, *OTHERS) if setting.eleven else MEASURES
        for seed in range(first, first + weekends):
            rows = weekend(np.random.default_rng([17, seed]), setting)
            wear, fell = truth(rows, setting)
            claims = [
                tally.add(StyleModel(rows, measures, asked).fit(0.9, CLAIM_LEVEL).effects, true)
                for asked, true in ((WEAR, wear), (DROP_OFF, fell))
            ]
            tally.claims += any(claims)
            tally.plain += _plain_claims(rows, measures)
        table[name] = tally.row(weekends)
    return pd.DataFrame.from_dict(table, orient="index").rename_axis("setting")


def _plain_claims(rows: pd.DataFrame, measures: tuple[str, ...]) -> bool:
    """Does ordinary regression of wear on the same rows, session offsets free, claim at 90 %?

    With one driver sessions cannot be told from measures, and are left out.
    """
    import statsmodels.api as sm

    z = rows[list(measures)]
    z = sm.add_constant((z - z.mean()) / z.std())
    if rows["driver"].nunique() > 1:
        dummies = pd.get_dummies(rows["session"], dtype=float).iloc[:, 1:]
        z = pd.concat([z, dummies], axis=1)
    if len(rows) <= z.shape[1]:
        return False
    fitted = sm.OLS(rows["wear_pct"], z).fit()
    return bool((fitted.pvalues[list(measures)] < 0.1).any())


if __name__ == "__main__":
    print(study(int(sys.argv[1]) if len(sys.argv) > 1 else 300).round(1).to_string())
