"""The pause before a start grows with quick deaths, never passes its limit, and is forgotten after a calm life."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from lungfish.app.restart_pause import CALM_S, LONGEST_PAUSE_S, main, pause_before_start


def test_quick_deaths_cost_longer_and_longer_pauses_up_to_a_limit(tmp_path: Path) -> None:
    pauses = [pause_before_start(tmp_path, 100.0 + number) for number in range(30)]
    assert pauses[:4] == [0.0] * 4, "the first starts look after a valve that may be open"
    assert pauses[4] > 0.0
    assert all(2.0 * before == after or after == LONGEST_PAUSE_S for before, after in pairwise(pauses[4:]))
    assert pauses[-1] == LONGEST_PAUSE_S


def test_it_goes_on_growing_although_the_pause_itself_takes_time(tmp_path: Path) -> None:
    now_s = 0.0
    for _ in range(20):
        pause_s = pause_before_start(tmp_path, now_s)
        now_s += pause_s + 2.0
    assert pause_s == LONGEST_PAUSE_S


def test_a_calm_life_is_forgiven(tmp_path: Path) -> None:
    for number in range(10):
        pause_before_start(tmp_path, float(number))
    assert pause_before_start(tmp_path, 10.0 + CALM_S + LONGEST_PAUSE_S) == 0.0
    assert pause_before_start(tmp_path, 11.0 + CALM_S + LONGEST_PAUSE_S) == 0.0


@pytest.mark.parametrize("text", ["", "x", "1 x", "nan 3", "9e99 3"])
def test_a_spoilt_count_never_keeps_the_daemon_from_its_start(tmp_path: Path, text: str) -> None:
    (tmp_path / "starts").write_text(text, encoding="ascii")
    assert pause_before_start(tmp_path, 5.0) == 0.0


def test_the_pause_is_waited_for_and_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    waited: list[float] = []
    assert [main(waited.append) for _ in range(6)] == [0] * 6
    assert len(waited) == 2
    assert f"{waited[0]:g} s until the next start" in capsys.readouterr().err
