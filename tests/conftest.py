"""Lets tests import the modules beside this file, and keeps small matrices on one thread."""

import os
import sys
from pathlib import Path

from hypothesis import HealthCheck, settings

# The fits' matrices are small: several threads on a busy machine only wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

HERE = str(Path(__file__).parent)
if HERE not in sys.path:
    sys.path.insert(0, HERE)

# How long an example takes to make says something about the machine, nothing about the kit.
settings.register_profile("house", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("house")


def pytest_addoption(parser):
    parser.addoption("--pictures", action="store_true", help="make the README's pictures anew")
