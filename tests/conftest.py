"""Tests import the modules beside this file, keep small matrices on one thread, print figures."""

import os
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# The fits' matrices are small: several threads on a busy machine only wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

HERE = str(Path(__file__).parent)
FIGURE = "figure"
if HERE not in sys.path:
    sys.path.insert(0, HERE)

# How long an example takes to make says something about the machine, nothing about the kit.
settings.register_profile("house", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("house")


def pytest_addoption(parser):
    parser.addoption("--pictures", action="store_true", help="make the README's pictures anew")


@pytest.fixture
def figure(record_property):
    """Return a function that notes a figure for the end of the run, from any worker."""
    return lambda text: record_property(FIGURE, text)


def pytest_terminal_summary(terminalreporter):
    ended = [*terminalreporter.getreports("passed"), *terminalreporter.getreports("failed")]
    figures = [told for report in ended for kind, told in report.user_properties if kind == FIGURE]
    if figures:
        terminalreporter.section("figures")
    for text in figures:
        terminalreporter.write_line(text)
