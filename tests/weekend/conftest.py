"""Whole weekends: a copy of the demo to damage, and answers shared between tests."""

from pathlib import Path

import pytest
from demo_weekends import copy_of

from tyrekit.record.weekend import Weekend
from tyrekit.show.answer import answer


@pytest.fixture
def after_p3(tmp_path) -> Path:
    return copy_of("fenmoor-after-p3", tmp_path)


@pytest.fixture(scope="session")
def answers(tmp_path_factory):
    """The answer for each demo weekend, made once."""
    made = {}

    def get(name: str):
        if name not in made:
            made[name] = answer(Weekend.open(copy_of(name, tmp_path_factory.mktemp("demo"))))
        return made[name]

    return get
