"""The tools that hold the house's rules, each run as a developer would run it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.repo.house import ROOT

BESIDE = Path(sys.executable).parent
"""Programs of the virtual environment that the tests run in."""


@pytest.mark.timeout(600)
@pytest.mark.parametrize(
    "command",
    [
        ("lint-imports",),
        ("ruff", "check", "daemon", "tests"),
        ("ruff", "format", "--check", "daemon", "tests"),
        ("mypy",),
    ],
    ids=" ".join,
)
def test_the_house_is_in_order(command: tuple[str, ...]) -> None:
    done = subprocess.run(
        [str(BESIDE / command[0]), *command[1:]], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
