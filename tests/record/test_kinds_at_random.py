"""The study of lap kinds in small: simulated truth."""

import pytest
from study_kinds import RUNS, WAYS, right


@pytest.mark.parametrize("name", RUNS)
def test_kinds_on_random_runs(name):
    for i, way in enumerate(WAYS):
        share, wrong = right(name, way, 1 + i % 2)
        assert share == 100, (way, wrong)
