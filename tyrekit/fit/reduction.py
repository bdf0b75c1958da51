"""Mixed estimation with many offsets: laps condensed to a small problem, solved by statsmodels.

Mixed estimation (Theil and Goldberger 1961, THEIL1961) adds beliefs to a weighted least-squares
fit as extra rows. Offsets of sessions, sets and stints are beliefs with mean 0, so they can be
eliminated group by group before the common terms are solved: exact, and the time grows with
the number of laps only. Every candidate curve is carried along as one more right-hand side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import statsmodels.api as sm
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from tyrekit.fit.result import Floats

Codes = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Group:
    """Laps whose sessions and sets are connected, with nothing in common with other groups.

    Attributes
    ----------
    rows : (n,) row numbers in the table, each stint together
    columns : (n, l + g + 1 + k): offsets, common terms, lap time, curves
    offsets : (l,) numbers of this group's sessions and sets among all offsets
    starts : (s,) first row of each stint within the group
    stints : (n,) stint of each row within the group
    moment : (n,) laps from the stint's turning point
    """

    rows: Codes
    columns: Floats
    offsets: Codes
    starts: Codes
    stints: Codes
    moment: Floats


@dataclass(frozen=True, eq=False)
class Reduced:
    """A group after its stints and offsets are eliminated.

    Attributes
    ----------
    normal : (g + 1 + k, g + 1 + k) normal equations left for common terms, lap time, curves
    offset_cov : (l, l) given the common terms
    offset_load : (l, g + 1 + k): offsets = -load @ [common, -1, curves]
    stint_cov : (s, 2, 2) given the rest
    stint_load : (s, 2, l + g + 1 + k)
    """

    normal: Floats
    offset_cov: Floats
    offset_load: Floats
    stint_cov: Floats
    stint_load: Floats


def groups(
    common: Floats, right: Floats, session: Codes, tyres: Codes, stint: Codes, moment: Floats
) -> tuple[Group, ...]:
    """Split the laps into connected groups of sessions and sets.

    Parameters
    ----------
    common : (n, g) columns of the common terms
    right : (n, 1 + k) lap times, then one column per candidate curve
    session, tyres, stint : (n,) codes from 0; each stint's rows are together
    moment : (n,) laps from the stint's turning point
    """
    if not len(common):
        return ()
    sessions = int(session.max()) + 1
    count = sessions + int(tyres.max()) + 1
    edges = coo_array((np.ones(len(session)), (session, sessions + tyres)), shape=(count, count))
    _, label = connected_components(edges, directed=False)
    order = np.argsort(label[session], kind="stable")
    ends = np.flatnonzero(np.diff(label[session][order])) + 1
    found = []
    for rows in np.split(order, ends):
        offsets = np.flatnonzero(label == label[session[rows[0]]])
        at = np.searchsorted(offsets, np.column_stack([session[rows], sessions + tyres[rows]]))
        dummies = np.zeros((len(rows), len(offsets)))
        dummies[np.arange(len(rows))[:, None], at] = 1.0
        first = np.r_[True, np.diff(stint[rows]) != 0]
        columns = np.column_stack([dummies, common[rows], right[rows]])
        stints = np.cumsum(first) - 1
        found.append(Group(rows, columns, offsets, np.flatnonzero(first), stints, moment[rows]))
    return tuple(found)


def reduce(
    group: Group, weight: Floats, offset_precision: Floats, stint_precision: Floats
) -> Reduced:
    """Eliminate a group's stints, then its session and set offsets.

    Parameters
    ----------
    group : Group
    weight : (n,) 1 / variance of each lap, 0 for a lap left out
    offset_precision : (l,) 1 / spread² of the group's offsets
    stint_precision : (2,) 1 / spread² of a stint's level and trend
    """
    columns, moment, size = group.columns, group.moment, len(group.offsets)
    weighted = columns * weight[:, None]
    both = np.stack([weighted, weighted * moment[:, None]], axis=1)
    sums = np.add.reduceat(both, group.starts, axis=0)
    powers = weight[:, None] * moment[:, None] ** np.arange(3)
    gram = np.add.reduceat(powers, group.starts, axis=0)[:, [[0, 1], [1, 2]]]
    stint_cov = np.linalg.inv(gram + np.diag(stint_precision))
    stint_load = stint_cov @ sums
    width = columns.shape[1]
    normal = columns.T @ weighted - sums.reshape(-1, width).T @ stint_load.reshape(-1, width)
    offset_cov = np.linalg.inv(normal[:size, :size] + np.diag(offset_precision))
    load = offset_cov @ normal[:size, size:]
    rest = normal[size:, size:] - normal[size:, :size] @ load
    return Reduced(rest, offset_cov, load, stint_cov, stint_load)


def common_terms(normal: Floats, right: Floats, mean: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Return estimates and covariance of WLS on condensed rows plus belief rows (THEIL1961).

    Parameters
    ----------
    normal : (g, g) normal equations of the data, X'WX
    right : (g,) X'Wy
    mean, sd : (g,) beliefs; sd above 0

    Notes
    -----
    `normal` is turned into at most g rows that carry the same information as all the laps.
    """
    values, vectors = np.linalg.eigh(normal)
    known = values > 1e-14 * max(float(values[-1]), 1.0)
    root = np.sqrt(values[known])
    rows = vectors[:, known].T * root[:, None]
    answers = vectors[:, known].T @ right / root
    design = np.vstack([rows, np.eye(len(mean))])
    weights = np.concatenate([np.ones(len(rows)), 1.0 / sd**2])
    model = sm.WLS(np.concatenate([answers, mean]), design, weights=weights)
    fitted = model.fit(cov_type="fixed scale", cov_kwds={"scale": 1.0})
    return np.asarray(fitted.params), np.asarray(fitted.cov_params())


def offsets_back(reduced: Reduced, common: Floats, curves: Floats) -> Floats:
    """Return a group's session and set offsets given the common terms and curve coefficients."""
    offsets: Floats = -reduced.offset_load @ np.concatenate([common, [-1.0], curves])
    return offsets


def residuals(group: Group, reduced: Reduced, common: Floats, curves: Floats) -> Floats:
    """Return lap time minus fit for a group's rows, stints' own level and trend included."""
    offsets = offsets_back(reduced, common, curves)
    solution = np.concatenate([offsets, common, [-1.0], curves])
    own = -reduced.stint_load @ solution
    fitted = own[group.stints, 0] + own[group.stints, 1] * group.moment
    left: Floats = -group.columns @ solution - fitted
    return left


def parameters_used(
    reduced: Reduced, cov: Floats, offset_precision: Floats, stint_precision: Floats
) -> float:
    """Return the effective number of parameters a group's offsets and stints take up.

    ``cov`` is the covariance of the common terms, (g, g). A parameter whose belief has
    precision p and whose variance ends as v has used 1 - v p.
    """
    g = len(cov)
    load = reduced.offset_load[:, :g]
    across = -load @ cov
    offset_cov = reduced.offset_cov - across @ load.T
    size = len(offset_cov)
    whole = np.block([[offset_cov, across], [across.T, cov]])
    stint_load = reduced.stint_load[:, :, : size + g]
    variance = np.diagonal(reduced.stint_cov, axis1=1, axis2=2) + np.einsum(
        "sif,sif->si", stint_load @ whole, stint_load
    )
    known = np.sum(np.diag(offset_cov) * offset_precision) + np.sum(variance * stint_precision)
    return float(size + variance.size - known)
