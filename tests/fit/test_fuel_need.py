"""The fuel need as a mixture: length of a race, cautions, tail."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from tyrekit.errors import FitError
from tyrekit.fit.fuel_need import FuelNeed, race_laps
from tyrekit.record.event import Caution

CAUTION = Caution(
    chance_per_lap=0.03, mean_laps=3.0, lap_time_pct=160.0, fuel_pct=45.0, pit_loss_s=18.0
)


def need(*rows):
    names = ["weight", "laps", "caution_laps", "log_kg", "log_sd", "df"]
    return FuelNeed(pd.DataFrame(rows, columns=names))


def simulated_race(rng, races, laps=None, minutes=None, lap_time=None, caution=None):
    """Drive races lap by lap: another way to the same chances (simulated truth)."""
    counts = []
    for _ in range(races):
        pace = rng.normal(*lap_time) if lap_time else 1.0
        elapsed, lap, slow, behind = 0.0, 0, 0, False
        while True:
            goes_on = rng.random() < 1 - 1 / caution.mean_laps if behind else False
            behind = goes_on or (not behind and rng.random() < caution.chance_per_lap)
            lap, slow = lap + 1, slow + behind
            elapsed += pace * (caution.lap_time_pct / 100 if behind else 1.0)
            if lap == laps or (minutes and elapsed >= 60 * minutes):
                break
        counts.append((lap, slow))
    return np.array(counts)


def test_race_to_laps_without_cautions_is_one_case():
    assert race_laps(laps=15).to_numpy().tolist() == [[1.0, 15, 0]]


def test_race_to_time_without_doubt_finishes_the_lap_under_way():
    # closed form: ceil(25 min / 97 s) = 16
    found = race_laps(laps=None, minutes=25.0, lap_time=(97.0, 0.0))
    assert found["laps"].tolist() == [16]
    assert race_laps(laps=12, minutes=25.0, lap_time=(97.0, 0.0))["laps"].tolist() == [12]


def test_race_to_time_near_a_whole_lap_is_split():
    # closed form: 16 laps or fewer when the mean lap is at least 1500/16 s
    found = race_laps(laps=None, minutes=25.0, lap_time=(93.75, 0.4)).set_index("laps")["weight"]
    assert found[16] == pytest.approx(0.5, abs=1e-9) and found[17] == pytest.approx(0.5, abs=1e-9)


@pytest.mark.parametrize(
    ("laps", "minutes", "lap_time"), [(24, None, None), (None, 40.0, (100.0, 1.0))]
)
def test_cautions_match_driven_races(laps, minutes, lap_time):
    found = race_laps(laps=laps, minutes=minutes, lap_time=lap_time, caution=CAUTION)
    driven = simulated_race(np.random.default_rng(5), 20_000, laps, minutes, lap_time, CAUTION)
    for column, values in (("laps", driven[:, 0]), ("caution_laps", driven[:, 1])):
        chance = found.groupby(column)["weight"].sum()
        for value, expected in chance.items():
            assert np.mean(values == value) == pytest.approx(expected, abs=0.013)  # > 3 se
    assert found["weight"].sum() == pytest.approx(1.0)


def test_quantile_inverts_exceedance_and_agrees_with_draws():
    mixed = need((0.7, 15, 0, 3.0, 0.02, 8.0), (0.3, 16, 0, 3.06, 0.03, np.inf))
    for p in (0.001, 0.05, 0.5, 0.995):
        assert mixed.exceedance(mixed.quantile(p)) == pytest.approx(1 - p, abs=1e-9)
    drawn = mixed.draws(200_000, np.random.default_rng(1))
    assert np.quantile(drawn, 0.99) == pytest.approx(mixed.quantile(0.99), rel=2e-3)
    assert (mixed.mean, mixed.sd) == pytest.approx((drawn.mean(), drawn.std()), rel=1e-2)


def test_exceedance_is_vectorised_and_falls():
    one = need((1.0, 15, 0, 3.0, 0.02, 10.0))
    kg = np.linspace(0.0, 40.0, 401)
    chance = one.exceedance(kg)
    assert chance.shape == (401,) and chance[0] == 1.0
    assert np.all(np.diff(chance) <= 0)
    # closed form: Student t of the log
    assert chance[210] == pytest.approx(stats.t.sf((np.log(21.0) - 3.0) / 0.02, 10.0))


def test_one_matched_normal_would_misplace_the_tail():
    spread = need((0.8, 24, 0, np.log(40), 0.02, np.inf), (0.2, 24, 8, np.log(34), 0.02, np.inf))
    matched = stats.norm.ppf(0.995, spread.mean, spread.sd)
    assert matched - spread.quantile(0.995) > 1.0  # kg carried for nothing


def test_saved_and_loaded():
    one = need((1.0, 15, 0, 3.0, 0.02, 10.0))
    assert FuelNeed.from_json(one.to_json()).quantile(0.9) == one.quantile(0.9)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"laps": None}, "number of laps or a time"),
        ({"laps": 0}, "at least one lap"),
        ({"laps": None, "minutes": 25.0}, "needs a lap time"),
        ({"laps": None, "minutes": 25.0, "lap_time": (0.0, 1.0)}, "above 0"),
    ],
)
def test_what_cannot_be_answered_is_refused(said, words):
    with pytest.raises(FitError, match=words):
        race_laps(**said)


@pytest.mark.parametrize("p", [0.0, 1.0, 1.5])
def test_quantile_wants_a_probability(p):
    with pytest.raises(FitError, match="between 0 and 1"):
        need((1.0, 15, 0, 3.0, 0.02, 10.0)).quantile(p)
