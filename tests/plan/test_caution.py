"""The reply to cautions against a recursion written from the rules, and against drawn races.

Expected values: closed form by recursion (`least`), or simulated truth where it says so. The
races are invented.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tyrekit.errors import InputError
from tyrekit.plan.caution import caution_policy, measured_gain
from tyrekit.plan.caution_search import drawn_cautions
from tyrekit.plan.stints import StintRace, TyreSet, stint_plans
from tyrekit.record.event import Caution


def caution(chance=0.05, mean=3.0, pit=8.0):
    return Caution(
        chance_per_lap=chance, mean_laps=mean, lap_time_pct=160.0, fuel_pct=45.0, pit_loss_s=pit
    )


def race(laps=24, **changes):
    values = {
        "session": "R", "laps": laps, "stop_s": 30.0, "standing_s": 10.0, "warm_up_s": 1.0,
        "least_stops": 1, "most_stops": 2, "first_lap": 3, "last_lap": laps - 3,
        "change_tyres": True, "refuel": False, "fuel_kg": np.full((4, 4, laps + 1), 40.0),
        "use_kg_per_lap": 1.5, "fuel_effect_s_per_kg": 0.02, "caution": caution(),
    }  # fmt: skip
    return StintRace(**(values | changes))


def tyre_set(name, laps=24, *, age=0, rate=0.25, curve=0.01, life=99):
    at = age + np.arange(laps + 4.0)
    return TyreSet(name, age, rate * at + curve * at**2, life)


def random_case(rng):
    laps = int(rng.integers(5, 10))
    refuel, change = bool(rng.integers(2)), bool(rng.integers(4))
    fuel_kg = np.full((3, 4, laps + 1), 40.0)
    if refuel:
        reach = int(rng.integers(4, laps + 1))
        for stops in range(3):  # the more stops share the risk, the less far a tank goes
            fuel_kg[stops, :, max(reach - stops + 1, 1) :] = np.inf
    one = race(
        laps, stop_s=float(rng.uniform(2, 10)), standing_s=1.0, first_lap=int(rng.integers(1, 3)),
        last_lap=laps - 1, least_stops=int(rng.integers(0, 3)), change_tyres=change, refuel=refuel,
        fuel_kg=fuel_kg, formation_laps=int(rng.integers(0, 2)),
        cool_down_laps=int(rng.integers(0, 2)),
        caution=caution(float(rng.uniform(0, 0.4)), float(rng.uniform(1, 4)), 1.0),
    )  # fmt: skip
    sets = [
        tyre_set(f"S{i}", laps, age=int(rng.integers(0, 6)), life=int(rng.integers(4, laps + 3)))
        for i in range(int(rng.integers(1, 4)))
    ]
    if rng.integers(2):
        sets.append(replace(sets[0], name="twin"))
    return one, sets


def least(race, sets):
    """Return the least expected loss over the most stops whose fuel may be counted on."""
    fewest = race.least_stops if race.refuel else race.most_stops
    return min(
        recursion(replace(race, most_stops=most), sets)
        for most in range(fewest, race.most_stops + 1)
    )


def recursion(race, sets):
    """Return the least expected loss by plain recursion over everything that may happen."""
    tank = min(int(np.flatnonzero(np.isfinite(row)).max()) for row in race.fuel_kg[race.most_stops])
    begins, stays = race.caution.chance_per_lap, 1 - 1 / race.caution.mean_laps

    @cache
    def before_lap(lap, under, on, run, filled, used, stops):
        chance = stays if under else begins
        return sum(
            share * after_lap(lap, now, on, run, filled, used, stops)
            for now, share in ((True, chance), (False, 1 - chance))
            if share > 0
        )

    def after_lap(lap, under, on, run, filled, used, stops):
        if run >= sets[on].longest_laps or (race.refuel and filled >= tank):
            return np.inf
        cost = 0.0 if under else sets[on].lap_loss_s[run]
        run, filled = run + 1, filled + 1
        if lap == race.laps:
            done = run + race.cool_down_laps <= sets[on].longest_laps and stops >= race.least_stops
            return cost if done else np.inf
        best = before_lap(lap + 1, under, on, run, filled, used, stops)
        if race.first_lap <= lap <= race.last_lap and stops < race.most_stops:
            stop = (race.caution.pit_loss_s + race.standing_s) if under else race.stop_s
            fitted = [(k, 0) for k in range(len(sets)) if k not in used and race.change_tyres]
            if not (race.refuel and race.change_tyres):
                fitted.append((on, run))
            for k, age in fitted:
                ahead = before_lap(lap + 1, under, k, age, 0, used | {k}, stops + 1)
                best = min(best, stop + race.warm_up_s + ahead)
        return cost + best

    return min(
        race.warm_up_s + before_lap(1, False, k, race.formation_laps, 0, frozenset([k]), 0)
        for k in range(len(sets))
    )


@pytest.mark.parametrize("seed", range(40))
def test_value_equals_plain_recursion(seed):
    one, sets = random_case(np.random.default_rng(seed))
    policy = caution_policy(one, sets)
    expected = least(one, sets)
    assert policy.cost_s == pytest.approx(expected, abs=1e-9)
    assert (policy.status == "impossible") == np.isinf(policy.fixed_cost_s)


def test_recursion_met_possible_and_impossible_races():
    found = [least(*random_case(np.random.default_rng(seed))) for seed in range(40)]
    assert 5 <= np.isinf(found).sum() <= 30


@pytest.mark.parametrize("seed", range(40))
def test_replying_is_never_worse_than_the_best_fixed_plan(seed):
    policy = caution_policy(*random_case(np.random.default_rng(seed)))
    if policy.status == "optimal":
        assert policy.gain_s >= -1e-9


def test_without_cautions_it_is_the_best_stint_plan():
    one = race(caution=caution(0.0))
    sets = [tyre_set("N"), tyre_set("U", age=5), tyre_set("V", age=9)]
    policy = caution_policy(one, sets)
    best = stint_plans(one, sets).best
    assert policy.cost_s == pytest.approx(best.cost_s, abs=1e-9)
    assert policy.fixed_cost_s == pytest.approx(best.cost_s, abs=1e-9)
    assert len(policy.fixed_stops) == len(best.stops)
    assert caution_policy(replace(one, caution=None), sets).gain_s == pytest.approx(0.0, abs=1e-9)


def sixty_laps(chance=0.03):
    one = race(
        60, stop_s=55.0, standing_s=25.0, least_stops=1, most_stops=3, first_lap=8, last_lap=52,
        caution=caution(chance, 4.0, 14.0), formation_laps=1, cool_down_laps=1,
    )  # fmt: skip
    sets = [
        tyre_set(name, 60, age=age, rate=0.04, curve=0.0012)
        for name, age in (("N1", 0), ("N2", 0), ("U1", 9), ("U2", 14))
    ]
    return one, sets


def test_expected_losses_are_met_by_drawn_races():
    # simulated truth: 400,000 races, a mean within three standard errors
    one, sets = sixty_laps()
    policy = caution_policy(one, sets)
    rng = np.random.default_rng(11)
    lost = {True: [], False: []}
    for _ in range(8):
        flags = drawn_cautions(one, 50_000, rng)
        for fixed in lost:
            lost[fixed].append(policy.lost_s(flags, fixed=fixed))
    for fixed, expected in ((True, policy.fixed_cost_s), (False, policy.cost_s)):
        drawn = np.concatenate(lost[fixed])
        assert abs(drawn.mean() - expected) < 3 * drawn.std() / np.sqrt(len(drawn))
    paired = np.concatenate(lost[True]) - np.concatenate(lost[False])
    assert abs(paired.mean() - policy.gain_s) < 3 * paired.std() / np.sqrt(len(paired))
    assert policy.gain_s > 1.0


def test_drawn_cautions_begin_and_last_as_stated():
    # simulated truth: geometric lengths with the stated mean, chance per racing lap
    one = race(400, caution=caution(0.04, 5.0))
    flags = drawn_cautions(one, 4000, np.random.default_rng(3))
    before = np.hstack([np.zeros((4000, 1), dtype=bool), flags[:, :-1]])
    assert flags[~before].mean() == pytest.approx(0.04, abs=0.001)
    assert flags[before].mean() == pytest.approx(0.8, abs=0.003)


def test_same_races_for_both_plans_cut_the_error():
    policy = caution_policy(*sixty_laps())
    gain = measured_gain(policy, 20_000, np.random.default_rng(5))
    assert abs(gain.gain_s - policy.gain_s) < 4 * gain.se_s
    assert gain.se_s < gain.unpaired_se_s
    assert gain.races == 20_000


def test_table_says_stop_when_a_caution_makes_it_cheap():
    one, sets = sixty_laps()
    policy = caution_policy(one, sets)
    table = policy.table
    assert list(table.columns) == [
        "lap", "set", "age_laps", "planned", "reply", "next_set", "stop_gain_s",
    ]  # fmt: skip
    assert ((table["stop_gain_s"] > 0) == (table["reply"] == "stop")).all()
    middle = table[(table["lap"] > 18) & ~table["planned"]]
    assert (middle["reply"] == "stop").any() and (table["reply"] == "stay out").any()
    assert table["lap"].between(one.first_lap, one.last_lap).all()
    assert any("position" in note for note in policy.notes)


def test_cautions_that_make_stops_dear_are_waited_out():
    one, sets = sixty_laps()
    dear = replace(one, caution=caution(0.03, 4.0, 80.0))
    table = caution_policy(dear, sets).table
    assert (table["reply"] == "stay out").mean() > 0.9


def test_a_race_that_cannot_be_run_is_said_to_be():
    policy = caution_policy(race(), [tyre_set("A", life=9)])
    assert policy.status == "impossible"
    assert policy.table.empty


def test_no_set_is_an_input_error():
    with pytest.raises(InputError, match="no tyre set is given for R"):
        caution_policy(race(), [])
