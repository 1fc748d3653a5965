"""SIGKILL at random moments of `run`: the store is sound, no kept reading is lost, every valve ends up shut."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from tests.system.killing import Campaign

WORKERS = 3


@pytest.mark.timeout(180)
def test_killed_at_random_moments_it_loses_nothing_and_leaves_no_valve_open(tmp_path: Path) -> None:
    report = Campaign(tmp_path, seed=20261125).run(6)
    assert report.committed > 0
    assert report.while_open > 0


@pytest.mark.campaign
@pytest.mark.timeout(1800)
def test_three_hundred_kills(tmp_path: Path) -> None:
    folders = [tmp_path / str(worker) for worker in range(WORKERS)]
    for folder in folders:
        folder.mkdir()
    with ThreadPoolExecutor(WORKERS) as pool:
        reports = list(pool.map(lambda n: Campaign(folders[n], seed=n).run(300 // WORKERS), range(WORKERS)))
    for name in ("kills", "while_open", "committed", "openings", "aborted_rows"):
        print(f"{name:<13}{sum(getattr(report, name) for report in reports):>7}")
    assert sum(report.kills for report in reports) == 300
    # the campaign says something only if many deaths met an open valve and many readings were there to lose
    assert sum(report.while_open for report in reports) >= 30
    assert sum(report.committed for report in reports) >= 50
