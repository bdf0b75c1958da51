"""Another way to fuel flow: the injectors' duty, rail pressure and engine speed.

For logs without a fuel channel. The size of the injectors is not known, so the flow is right up to
a constant factor, which fills and drains settle as they do a fuel channel's. The physics is that
of `model.injector`; this room may not import it, a test holds the two equal.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

NEEDED = ("injector_duty_pct", "fuel_pressure_bar", "engine_rpm")
# Assumed and said; common practice, no source: what full duty of all injectors gives, the pressure
# difference they are rated at, and how long an injector takes to open.
STATIC_L_PER_H, RATED_BAR, DEAD_TIME_MS = 95.0, 3.0, 1.0
MILLISECONDS_PER_CYCLE_RPM = 120_000.0  # four-stroke: one injection every two turns
NOTE = (
    "no fuel channel: fuel flow is worked out from injector duty, rail pressure and engine speed, "
    f"taking {STATIC_L_PER_H:.0f} L/h at full duty and {RATED_BAR:g} bar and "
    f"{DEAD_TIME_MS:g} ms to open; its scale is not known until two sessions have a fill and a "
    "drain, so state [fuel] flow_scale = { mean = 1.0, sd = 0.3 }"
)


def has_injectors(channels: pd.DataFrame) -> bool:
    """Return whether a log has duty, rail pressure and engine speed, and no fuel channel."""
    fuel = ("fuel_flow_l_per_h", "fuel_used_l")
    if any(name in channels and channels[name].notna().any() for name in fuel):
        return False
    return all(name in channels and channels[name].notna().any() for name in NEEDED)


def injector_flow_l_per_h(channels: pd.DataFrame) -> NDArray[np.float64]:
    """Return the engine's fuel flow in l/h up to a constant factor, a value per sample.

    Parameters
    ----------
    channels : DataFrame
        injector_duty_pct, fuel_pressure_bar (gauge, over the manifold as a return-style regulator
        holds it) and engine_rpm; gaps are filled from their neighbours.

    Notes
    -----
    Fuel per pulse = slope x (pulse - offset), SAEJ1832; the slope goes with the root of the
    pressure difference.
    """
    filled = channels[list(NEEDED)].interpolate(limit_direction="both")
    duty, rail_bar, rpm = filled.to_numpy(dtype=np.float64).T
    share = np.clip(duty, 0.0, 100.0) / 100
    dead = DEAD_TIME_MS * np.clip(rpm, 0.0, None) / MILLISECONDS_PER_CYCLE_RPM
    opened = np.where(share >= 1.0, 1.0, np.maximum(share - dead, 0.0))
    flow: NDArray[np.float64] = (
        STATIC_L_PER_H * np.sqrt(np.clip(rail_bar, 0.0, None) / RATED_BAR) * opened
    )
    return flow
