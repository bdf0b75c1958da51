"""Format, lint and types, so that one test command is the whole check."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@pytest.mark.parametrize(
    "command",
    [("ruff", "format", "--check", "."), ("ruff", "check", "."), ("mypy",)],
    ids=["format", "lint", "types"],
)
def test_tool_finds_nothing(command):
    done = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
