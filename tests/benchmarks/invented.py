"""The event, laps and fits that the plan room's tests use, for its benchmarks."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

TESTS = Path(__file__).parents[1]


def invented() -> ModuleType:
    """Return the plan room's conftest as a module."""
    if str(TESTS) not in sys.path:
        sys.path.insert(0, str(TESTS))
    path = TESTS / "plan" / "conftest.py"
    spec = importlib.util.spec_from_file_location("plan_conftest", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
