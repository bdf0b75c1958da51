"""The stored demo weekends, read with pandas alone so that a fault of the kit cannot hide here."""

import json
from pathlib import Path

import pandas as pd
import pytest

DATA = Path(__file__).parents[2] / "data"
AFTER_P3, COMPLETE = DATA / "fenmoor-after-p3", DATA / "fenmoor-complete"
HEAD_LINES = 5


@pytest.fixture(scope="session")
def truth():
    return json.loads((COMPLETE / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="session")
def book():
    return {path.stem: pd.read_csv(path) for path in sorted((COMPLETE / "book").glob("*.csv"))}


@pytest.fixture(scope="session")
def logs():
    """Each run's log by run id, its unit row dropped."""
    return {
        path.name.removesuffix(".csv.gz"): pd.read_csv(
            path, skiprows=[*range(HEAD_LINES), HEAD_LINES + 1]
        )
        for path in sorted((COMPLETE / "logs").glob("*.csv.gz"))
    }
