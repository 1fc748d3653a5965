"""Killed at any moment, the store keeps every reading that it said it had."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.store.killing import kill_many


def test_a_hundred_kills_lose_no_acknowledged_reading(tmp_path: Path) -> None:
    toll = kill_many(tmp_path / "site.db", kills=100, seed=2)
    assert toll.lost == 0
    assert toll.acknowledged >= 100
    assert toll.aborted > 0  # some died between an opening and its reading


def test_the_check_finds_a_writer_that_acknowledges_too_early(tmp_path: Path) -> None:
    """A control: without it, the test above might be blind."""
    toll = kill_many(tmp_path / "site.db", kills=30, seed=3, ack_early=True)
    assert toll.lost > 0


@pytest.mark.campaign
@pytest.mark.timeout(900)
def test_a_thousand_kills_lose_no_acknowledged_reading(tmp_path: Path) -> None:
    for seed in range(10):
        toll = kill_many(tmp_path / f"{seed}.db", kills=100, seed=seed)
        print(f"seed {seed}: {toll}")
        assert toll.lost == 0
