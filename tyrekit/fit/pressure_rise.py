"""How far the gas in a tyre is above the air when its pressure is read: formula and slopes.

rise = plateau x (1 - exp(-n / tau)), n laps with slow ones counted in part, times what is kept:
(1 - loss) for every cool-down or caution lap just before, and for a gauge in the pits the share
left after the in-lap and the lane, then exp(-minutes / cooling time).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tyrekit.fit.result import Floats
from tyrekit.terms import CORNER_NAMES

FIXED = ("rise_c", *(f"rise_c[{c}]" for c in CORNER_NAMES), "track_share", "rise_laps",
         "slow_lap_share", "pit_loss_pct", "cool_down_loss_pct", "cooling_min")  # fmt: skip
LEAST_LAPS = 0.05  # at pace: a run of slow laps alone has warmed a tyre a little


def slow_laps_of(laps: Floats, pit: NDArray[np.bool_]) -> Floats:
    """Return the slow laps of a run read after `laps`: the out-lap, before a pit reading two."""
    return np.minimum(np.where(pit, 2.0, 1.0), laps)


def gas_rise(
    fixed: Floats,
    *,
    corner: NDArray[np.int64],
    track_above_air_c: Floats,
    laps: Floats,
    slow_laps: Floats,
    pit: NDArray[np.bool_],
    cool_laps: Floats,
    stood_min: Floats,
    offset: Floats | float = 0.0,
) -> tuple[Floats, Floats]:
    """Return the rise above the air in K, (n,), and its slopes with `FIXED`, (n, parameters).

    Parameters
    ----------
    fixed : array (parameters,)
        In the order of `FIXED`.
    corner : array (n,)
        Place in `CORNER_NAMES`.
    track_above_air_c : array (n,)
        K.
    laps, slow_laps, cool_laps : arrays (n,)
        Laps run, those of them that were slow, and the cool-down and caution laps at their end.
    pit : array (n,)
        Whether it is read in the pits; `stood_min` then counts from the usual delay, min.
    offset : array (n,) or float
        Of the plateau, K: session, run and corner. Its slope is that of ``rise_c``.
    """
    at = {name: i for i, name in enumerate(FIXED)}
    tau, share, cooling = (fixed[at[n]] for n in ("rise_laps", "slow_lap_share", "cooling_min"))
    plateau = fixed[0] + fixed[1 + corner] + fixed[at["track_share"]] * track_above_air_c
    plateau = plateau + offset
    paced = np.maximum(laps - slow_laps * (1.0 - share), LEAST_LAPS)
    reached = 1.0 - np.exp(-paced / tau)
    stood = np.exp(-stood_min / cooling)
    left_pct = 100.0 - fixed[at["cool_down_loss_pct"]]
    through = (left_pct / 100.0) ** cool_laps
    kept = np.where(pit, (1 - fixed[at["pit_loss_pct"]] / 100) * stood, 1.0) * through
    rise = plateau * reached * kept
    slopes = np.zeros((len(laps), len(FIXED)))
    slopes[:, 0] = slopes[np.arange(len(laps)), 1 + corner] = reached * kept
    slopes[:, at["track_share"]] = reached * kept * track_above_air_c
    bend = plateau * (1 - reached) * kept / tau
    slopes[:, at["rise_laps"]] = -bend * paced / tau
    slopes[:, at["slow_lap_share"]] = bend * slow_laps
    lost = plateau * reached * stood * through / 100
    slopes[:, at["pit_loss_pct"]] = np.where(pit, -lost, 0.0)
    slopes[:, at["cool_down_loss_pct"]] = -rise * cool_laps / left_pct
    slopes[:, at["cooling_min"]] = np.where(pit, rise * stood_min / cooling**2, 0.0)
    return rise, slopes
