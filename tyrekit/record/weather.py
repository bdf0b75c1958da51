"""Which rows of the weather can be: others are kept in the book, told and not used."""

from __future__ import annotations

import pandas as pd

# beyond what racing has been seen in; the air pressure of a row has a doubt of its own
RANGES_C = {"air_c": (-30.0, 55.0), "track_c": (-20.0, 80.0)}


def usable(weather: pd.DataFrame) -> pd.DataFrame:
    """Return the rows whose air and track temperature can be."""
    kept = pd.Series(True, index=weather.index)
    for name, (low, high) in RANGES_C.items():
        kept &= weather[name].between(low, high)
    return weather[kept]
