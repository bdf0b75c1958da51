"""The wear fit's solver and tyre lives against published wear and life data.

HICKS = tyre wear of four brands on four cars, Hicks, Fundamental Concepts in the Design of
Experiments, 3rd ed. 1982, pp. 66-70, in thousandths of an inch over 20 000 miles: randomised, and
in blocks (each car runs every brand; its layout from memory, its wears as published). BHH =
shoe-sole wear of ten boys, Box, Hunter & Hunter 1978 p. 100, MASS `shoes`. GEHAN = remission on
6-MP, Gehan 1965, as R 4.2.2 `survfit` gives it. RUBBER = abrasion loss of thirty rubbers against
hardness and tensile strength, Davies & Goldsmith 1972, table 8.1, MASS `Rubber`. Kind of
every number: published, or other package where said.
"""

import numpy as np
import pytest

from tyrekit.fit.mixed import mixed_estimate
from tyrekit.fit.result import t_quantile
from tyrekit.fit.tyre_life import survival

FLAT = 1e5  # a belief that says nothing beside these data
WEAR = {  # car: brand and wear in order
    "I": "C12 A17 D13 D11", "II": "A14 A13 B14 C12", "III": "C10 D11 B14 B13", "IV": "A13 D9 B8 C9",
}  # fmt: skip
BLOCKED = {"A": [17, 14, 13, 13], "B": [14, 14, 13, 8], "C": [12, 12, 10, 9], "D": [13, 11, 11, 9]}
SHOES = np.array([
    [13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3],
    [14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6],
])  # fmt: skip

RUBBER = np.array([  # loss in g per horsepower hour, hardness in Shore, strength in kg/cm2
    [372, 206, 175, 154, 136, 112, 55, 45, 221, 166, 164, 113, 82, 32, 228, 196, 128, 97, 64, 249,
     219, 186, 155, 114, 341, 340, 283, 267, 215, 148],
    [45, 55, 61, 66, 71, 71, 81, 86, 53, 60, 64, 68, 79, 81, 56, 68, 75, 83, 88, 59, 71, 80, 82, 89,
     51, 59, 65, 74, 81, 86],
    [162, 233, 232, 231, 231, 237, 224, 219, 203, 189, 210, 210, 196, 180, 200, 173, 188, 161, 119,
     161, 151, 165, 151, 128, 161, 146, 148, 144, 134, 127],
], dtype=float)  # fmt: skip


def columns(labels):
    """An indicator column per label."""
    return np.array([[label == name for name in sorted(set(labels))] for label in labels], float)


def solved(design, y, row_sd=1.0, belief_sd=FLAT):
    sd = np.broadcast_to(belief_sd, design.shape[1])
    found = mixed_estimate(design, y, np.full(len(y), row_sd), np.zeros(design.shape[1]), sd)
    return found, float(np.sum((y - design @ found.params) ** 2))


def test_brands_are_not_told_apart_without_their_cars_hicks():
    cells = [(car, cell[0], float(cell[1:])) for car, row in WEAR.items() for cell in row.split()]
    cars, brands, wear = ([cell[i] for cell in cells] for i in range(3))
    y = np.array(wear)
    found, within = solved(columns(brands), y)
    # a flat belief of 1e5 pulls a mean of four by 1 in 1e10: digits printed decide the tolerance
    assert found.params == pytest.approx([14.25, 12.25, 10.75, 11.0], abs=1e-6)
    between = float(np.sum((y - y.mean()) ** 2)) - within
    assert (between, within) == pytest.approx((30.6875, 50.25), abs=1e-3)
    assert (between / 3) / (within / 12) == pytest.approx(2.4428, abs=1e-4)
    # with the cars in the model (R 4.2.2 aov): what is left is a third of it
    _, left = solved(np.hstack([columns(brands), columns(cars)]), y)
    assert left == pytest.approx(17.793269, abs=1e-4)
    _, no_brands = solved(columns(cars), y)
    assert ((no_brands - left) / 3) / (left / 9) == pytest.approx(5.135099, abs=1e-4)


def test_same_wears_in_blocks_hicks():
    brands = np.repeat(list(BLOCKED), 4).tolist()
    cars = ["I", "II", "III", "IV"] * 4
    y = np.concatenate(list(BLOCKED.values())).astype(float)
    _, left = solved(np.hstack([columns(brands), columns(cars)]), y)
    _, no_brands = solved(columns(cars), y)
    assert left == pytest.approx(11.5625, abs=1e-5)
    assert ((no_brands - left) / 3) / (left / 9) == pytest.approx(7.962162, abs=1e-5)


def test_cars_as_random_effects_are_shrunk_hicks():
    # REML, balanced: residual 11.5625 / 9, cars (12.895833 - 1.284722) / 4 = lme4's 2.902778
    residual, between = 11.5625 / 9, 2.902778
    brands = np.repeat(list(BLOCKED), 4).tolist()
    y = np.concatenate(list(BLOCKED.values())).astype(float)
    design = np.hstack([columns(brands), columns(["I", "II", "III", "IV"] * 4)])
    sd = np.array([FLAT] * 4 + [np.sqrt(between)] * 4)
    found, _ = solved(design, y, np.sqrt(residual), sd)
    assert found.params[:4] == pytest.approx([14.25, 12.25, 10.75, 11.0], abs=1e-6)
    se = np.sqrt(np.diag(found.cov)[:4])
    assert se == pytest.approx(np.full(4, np.sqrt((between + residual) / 4)), rel=1e-6)
    # closed form of a balanced layout: each car's deviation times 4 v / (4 v + residual)
    away = y.reshape(4, 4).mean(axis=0) - y.mean()
    shrunk = 4 * between / (4 * between + residual) * away
    assert found.params[4:] == pytest.approx(shrunk, abs=1e-6)


def test_wear_compared_in_pairs_bhh():
    # as tyres left and right on one car: the pair's own level must be in the model
    boys = list(range(10)) * 2
    y = SHOES.ravel()
    design = np.hstack([np.repeat([[0.5], [-0.5]], 10, axis=0), columns(boys)])
    found, left = solved(design, y)
    residual = left / 9
    se = float(np.sqrt(found.cov[0, 0] * residual))
    half = t_quantile(0.975, 9) * se
    assert found.params[0] == pytest.approx(-0.41, abs=1e-8)
    assert found.params[0] / se == pytest.approx(-3.348876536, abs=1e-6)
    ends = found.params[0] - half, found.params[0] + half
    assert ends == pytest.approx((-0.68695391, -0.13304609), abs=1e-6)
    # without the pairs nothing is seen: t = -0.369
    plain, rest = solved(np.hstack([design[:, :1], np.ones((20, 1))]), y)
    t = plain.params[0] / np.sqrt(plain.cov[0, 0] * rest / 18)
    assert t == pytest.approx(-0.36891, abs=1e-5)


def test_wear_against_two_measures_rubber():
    y, hard, strong = RUBBER
    found, left = solved(np.column_stack([np.ones(30), hard, strong]), y)
    # published to four digits, R 4.2.2 `lm` to eight; the belief of 1e5 pulls the level by 4e-7
    assert found.params == pytest.approx([885.1611, -6.5708, -1.3743], abs=6e-4)
    assert found.params[1:] == pytest.approx([-6.57082985, -1.37431178], abs=1e-5)
    residual = np.sqrt(left / 27)
    assert residual == pytest.approx(36.48934076, abs=1e-6)
    se = np.sqrt(np.diag(found.cov)) * residual
    assert se == pytest.approx([61.7516, 0.5832, 0.1943], abs=1e-3)
    assert 1 - left / np.sum((y - y.mean()) ** 2) == pytest.approx(0.84023143, abs=1e-8)


def test_lives_with_ties_and_many_censored_gehan():
    laps = np.array(
        [6, 6, 6, 7, 10, 13, 16, 22, 23, 6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35.0]
    )
    found = survival(laps, np.arange(21) < 9)
    assert found["laps"].tolist() == [6, 7, 10, 13, 16, 22, 23]
    # printed to three digits
    assert found["share"].to_numpy() == pytest.approx(
        [0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448], abs=5e-4
    )
