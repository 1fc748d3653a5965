"""How the whole suite is spread over a machine: tests that wait for the real world first, several at a time."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from tests.system.box import why_not

settings.register_profile("no clock", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("no clock")  # how fast a machine is must not decide whether a test passes

_TESTS = Path(__file__).parent
_FIRST = ("peer", "system", "repo", "campaign")
"""Directories that take longest for each test, in the order in which they are begun; all others come after."""
_MOST_WORKERS = 5
"""With more the tests of real sockets and real time would measure each other."""


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """One worker more than there are processors, for the whole suite only.

    What waits is begun first, and leaves the processors nearly idle; what reckons comes after it. A part of the suite,
    a campaign or a bench, and whatever is to print as it goes (`-s`), runs in one process, as if there were no workers.

    Returns:
        Number of workers; 0 for none.
    """
    all_of_it = any(Path(config.invocation_params.dir, argument).resolve() == _TESTS for argument in config.args)
    marked = "not campaign" not in str(config.getoption("markexpr"))
    if marked or not all_of_it or config.getoption("capture") == "no":
        return 0
    return min(len(os.sched_getaffinity(0)) + 1, _MOST_WORKERS)


def pytest_report_header() -> str | None:
    """Why tests that boot a systemd are left out, where they are."""
    why = why_not()
    return None if why is None else f"left out: tests that need a systemd of their own, for {why}"


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Begin with what takes long, so that no worker is left alone with it at the end."""
    left_out = [item for item in items if item.get_closest_marker("needs_systemd") and why_not() is not None]
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]
    items.sort(key=lambda item: _place(item.path))


def _place(path: Path) -> int:
    directory = path.relative_to(_TESTS).parts[0]
    return _FIRST.index(directory) if directory in _FIRST else len(_FIRST)
