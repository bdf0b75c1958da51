"""The lap-time fit's solver against published regressions. Kind of every number: published.

SLEEP = sleep deprivation, 18 subjects on 10 days (Belenky et al., J. Sleep Research 12 (2003) 1),
as lme4 1.1-31 fits it (Bates et al., J. Statistical Software 67(1), 2015): REML estimates and
conditional means. NISTSTRD = certified values, non-linear regression. LOBLOLLY = seed 329 of the
Loblolly pines, the example of R's SSasymp. STACKLOSS = Brownlee's stack loss; least squares and
Huber's estimate (1.345, MAD) as in the statsmodels documentation, MASS rlm alike to 2e-5.
RLM = R 4.2.2 predict.lm on R's cars.
"""

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy.optimize import minimize_scalar

from tyrekit.fit import shapes
from tyrekit.fit.reduction import common_terms, groups, offsets_back, reduce
from tyrekit.fit.result import t_quantile

FLAT = 1e7  # spread of a belief that says nothing beside these data

SLEEP = np.array([
    [249.56, 258.7047, 250.8006, 321.4398, 356.8519,
     414.6901, 382.2038, 290.1486, 430.5853, 466.3535],
    [222.7339, 205.2658, 202.9778, 204.707, 207.7161,
     215.9618, 213.6303, 217.7272, 224.2957, 237.3142],
    [199.0539, 194.3322, 234.32, 232.8416, 229.3074,
     220.4579, 235.4208, 255.7511, 261.0125, 247.5153],
    [321.5426, 300.4002, 283.8565, 285.133, 285.7973,
     297.5855, 280.2396, 318.2613, 305.3495, 354.0487],
    [287.6079, 285.0, 301.8206, 320.1153, 316.2773,
     293.3187, 290.075, 334.8177, 293.7469, 371.5811],
    [234.8606, 242.8118, 272.9613, 309.7688, 317.4629,
     309.9976, 454.1619, 346.8311, 330.3003, 253.8644],
    [283.8424, 289.555, 276.7693, 299.8097, 297.171,
     338.1665, 332.0265, 348.8399, 333.36, 362.0428],
    [265.4731, 276.2012, 243.3647, 254.6723, 279.0244,
     284.1912, 305.5248, 331.5229, 335.7469, 377.299],
    [241.6083, 273.9472, 254.4907, 270.8021, 251.4519,
     254.6362, 245.4523, 235.311, 235.7541, 237.2466],
    [312.3666, 313.8058, 291.6112, 346.1222, 365.7324,
     391.8385, 404.2601, 416.6923, 455.8643, 458.9167],
    [236.1032, 230.3167, 238.9256, 254.922, 250.7103,
     269.7744, 281.5648, 308.102, 336.2806, 351.6451],
    [256.2968, 243.4543, 256.2046, 255.5271, 268.9165,
     329.7247, 379.4445, 362.9184, 394.4872, 389.0527],
    [250.5265, 300.0576, 269.8939, 280.5891, 271.8274,
     304.6336, 287.7466, 266.5955, 321.5418, 347.5655],
    [221.6771, 298.1939, 326.8785, 346.8555, 348.7402,
     352.8287, 354.4266, 360.4326, 375.6406, 388.5417],
    [271.9235, 268.4369, 257.2424, 277.6566, 314.8222,
     317.2135, 298.1353, 348.1229, 340.28, 366.5131],
    [225.264, 234.5235, 238.9008, 240.473, 267.5373,
     344.1937, 281.1481, 347.5855, 365.163, 372.2288],
    [269.8804, 272.4428, 277.8989, 281.7895, 279.1705,
     284.512, 259.2658, 304.6306, 350.7807, 369.4692],
    [269.4117, 273.474, 297.5968, 310.6316, 287.1726,
     329.6076, 334.4818, 343.2199, 369.1417, 364.1236],
])  # fmt: skip
# REML variances of intercept and slope, their correlation, residual: READ in the same place
INTERCEPT, SLOPE, TIED, RESIDUAL = 612.1002, 35.07171, 0.0656, 654.9400


def sleep_fit():
    """A subject is a stint: its level and trend are independent beliefs about the right day."""
    subjects, days = SLEEP.shape
    day = np.tile(np.arange(days, dtype=float), subjects)
    both = TIED * np.sqrt(INTERCEPT * SLOPE)
    turn = -both / SLOPE  # the day on which level and slope are independent
    none = np.zeros(len(day), dtype=int)
    stint = np.repeat(np.arange(subjects), days)
    (group,) = groups(np.column_stack([np.ones(len(day)), day]), SLEEP.reshape(-1, 1),
                      none, none, stint, day - turn)  # fmt: skip
    precision = 1.0 / np.array([INTERCEPT - both**2 / SLOPE, SLOPE])
    part = reduce(group, np.full(len(day), 1.0 / RESIDUAL), np.full(2, 1e15), precision)
    fixed, cov = common_terms(
        part.normal[:2, :2], part.normal[:2, 2], np.zeros(2), np.full(2, FLAT)
    )
    offsets = offsets_back(part, fixed, np.zeros(0))
    own = -part.stint_load @ np.concatenate([offsets, fixed, [-1.0]])
    return fixed, np.sqrt(np.diag(cov)), np.column_stack([own[:, 0] - turn * own[:, 1], own[:, 1]])


def test_sleep_study_fixed_effects():
    fixed, se, _ = sleep_fit()
    assert_allclose(fixed, [251.40510485, 10.46728596], rtol=1e-8)
    # the correlation is printed to three figures: the errors move in the fifth
    assert_allclose(se, [6.824597, 1.545790], rtol=1e-4)


def test_sleep_study_subjects():
    """Each subject shrunk towards all: what the fit does with stints that differ."""
    own = sleep_fit()[2]
    assert_allclose(own[:2], [[2.25855, 9.19898], [-40.39874, -8.61968]], rtol=5e-4, atol=5e-3)


MISRA_1A = np.array([
    [10.07, 77.6], [14.73, 114.9], [17.94, 141.1], [23.93, 190.8], [29.61, 239.9], [35.18, 289.0],
    [40.02, 332.8], [44.82, 378.4], [50.76, 434.8], [55.05, 477.3], [61.01, 536.8], [66.40, 593.1],
    [75.47, 689.1], [81.78, 760.0],
])  # fmt: skip
BOX_BOD = np.array([[109, 1], [149, 2], [149, 3], [191, 5], [213, 7], [224, 10.0]])
LOBLOLLY = np.array([[3.93, 3], [9.34, 5], [26.08, 10], [37.79, 15], [48.31, 20], [56.43, 25.0]])


def profiled(y, common, curve, bounds):
    """The curve's own parameter by profile, as the fit finds a knee: params, coefficient, RSS."""
    p = common.shape[1]

    def solve(own):
        whole = np.column_stack([common, y, curve(own)])
        normal = whole.T @ whole
        line, cov = common_terms(normal[:p, :p], normal[:p, p], np.zeros(p), np.full(p, FLAT))
        bent = shapes.add_curves(normal, line, cov, np.zeros(1), np.full(1, FLAT))
        rss = y @ y - line @ normal[:p, p] + bent.deviance[0]
        return line - bent.shift[:, 0] * bent.coefficient[0], bent.coefficient[0], rss

    best = minimize_scalar(lambda u: solve(np.exp(u))[2], method="bounded",
                           bounds=np.log(bounds), options={"xatol": 1e-12})  # fmt: skip
    return np.exp(best.x), *solve(np.exp(best.x))


@pytest.mark.parametrize(
    ("data", "bounds", "certified"),
    [(MISRA_1A, (1e-4, 2e-3), (2.3894212918e02, 5.5015643181e-04, 1.2455138894e-01)),
     (BOX_BOD, (0.05, 5.0), (2.1380940889e02, 5.4723748542e-01, 1.1680088766e03))],
    ids=["Misra1a", "BoxBOD"],
)  # fmt: skip
def test_saturating_exponential(data, bounds, certified):
    """NISTSTRD: y = b1 (1 - exp(-b2 x)); b2 by profile, b1 as a shape's coefficient."""
    y, x = data.T
    b2, _, b1, rss = profiled(y, np.zeros((len(y), 1)), lambda b: 1 - np.exp(-b * x), bounds)
    # a minimum found from function values is good to the root of the machine's precision
    assert_allclose([b1, b2], certified[:2], rtol=2e-6)
    assert rss == pytest.approx(certified[2], rel=1e-8)


def test_exponential_approach_on_six_points():
    """LOBLOLLY: three parameters on six points, the size of a stint."""
    y, x = LOBLOLLY.T
    rate, level, drop, rss = profiled(y, np.ones((6, 1)), lambda b: np.exp(-b * x), (0.005, 0.5))
    assert_allclose([level[0], level[0] + drop, np.log(rate)], [94.128204, -8.250753, -3.217578],
                    rtol=2e-6)  # fmt: skip
    assert np.sqrt(rss / 3) == pytest.approx(0.7493111, rel=1e-6)


def stack_loss():
    data = sm.datasets.stackloss.load_pandas()
    return sm.add_constant(data.exog.to_numpy()), data.endog.to_numpy()


def weighted(design, y, weight):
    """The fit's solver with weights on the rows and beliefs that say nothing."""
    p = design.shape[1]
    by = design * weight[:, None]
    return common_terms(by.T @ design, by.T @ y, np.zeros(p), np.full(p, FLAT))


def test_stack_loss_least_squares():
    design, y = stack_loss()
    found, _ = weighted(design, y, np.ones(21))
    assert_allclose(found, [-39.919674, 0.715640, 1.295286, -0.152123], atol=1e-5)


def test_stack_loss_robust_weights():
    """STACKLOSS: Huber's weights iterated on the solver; programs agree to 1e-4."""
    design, y = stack_loss()
    weight = np.ones(21)
    for _ in range(60):
        found, _ = weighted(design, y, weight)
        left = np.abs(y - design @ found)
        scale = np.median(left) / 0.674489750196
        weight = np.minimum(1.0, 1.345 * scale / np.maximum(left, 1e-12))
    assert_allclose(found, [-41.026498, 0.829384, 0.926066, -0.127847], rtol=1e-4)


SPEED = np.repeat([4, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 22, 23, 24, 25],
                  [2, 2, 1, 1, 3, 2, 4, 4, 4, 3, 2, 3, 4, 3, 5, 1, 1, 4, 1])  # fmt: skip
STOPPED = np.array([
    2, 10, 4, 22, 16, 10, 18, 26, 34, 17, 28, 14, 20, 24, 28, 26, 34, 34, 46, 26, 36, 60, 80, 20,
    26, 54, 32, 40, 32, 40, 50, 42, 56, 76, 84, 36, 46, 68, 32, 48, 52, 56, 64, 66, 54, 70, 92, 93,
    120, 85.0,
])  # fmt: skip


def test_interval_of_a_new_observation():
    """RLM: 95 % interval of one new observation from the solver's covariance and the t."""
    design = np.column_stack([np.ones(50), SPEED - 15.0])
    found, cov = weighted(design, STOPPED, np.ones(50))
    sd = np.sqrt(np.sum((STOPPED - design @ found) ** 2) / 48)
    assert sd == pytest.approx(15.379587, rel=1e-7)
    asked = np.column_stack([np.ones(3), np.array([12, 19, 24]) - 15.0])
    half = t_quantile(0.975, 48) * sd * np.sqrt(1 + np.einsum("ij,jk,ik->i", asked, cov, asked))
    mean = asked @ found
    assert_allclose(
        np.column_stack([mean, mean - half, mean + half]),
        [[29.609810, -1.749529, 60.969149], [57.136672, 25.761756, 88.511587],
         [76.798715, 44.752478, 108.844952]], atol=2e-6,
    )  # fmt: skip
