"""SIGKILL in the middle of purges of `run`, again and again: no restart gets more air than the budget allows."""

from __future__ import annotations

import signal
import time
from itertools import pairwise
from pathlib import Path

import pytest
from tests.system.rigs import Rig, daemon_on, rig_for, until, write_site

from lungfish.store import Archive

MOST_OPEN_S, FLOW_SL_S, REST_S = 5.0, 3.0 / 60.0, 3.0
SHORT, FULL = 4, 200
BEYOND_S = 8.0
"""Longer than a start, a look and the rest together: who still opens nothing is held by the budget."""


def kill_in_purges(file: Path, rig: Rig, kills: int, allowed: int) -> int:
    """Start, wait for an opening while any is left, kill in the middle of it; how many deaths met an open valve."""
    while_open = 0
    for number in range(kills):
        before = sum(is_open for _, is_open, _ in rig.moves)
        with daemon_on(file, file.parent / "log") as daemon:
            if before < allowed:
                rig.wait_for_opening(before + 1, 60.0)
            else:
                until(lambda: daemon.events("start"), 60.0)
                time.sleep(BEYOND_S if number == kills - 1 else 0.5)
            daemon.process.send_signal(signal.SIGKILL)
            daemon.process.wait()
        while_open += bool(rig.open_now())
    return while_open


@pytest.mark.parametrize(
    "kills",
    [
        pytest.param(SHORT, marks=pytest.mark.timeout(240)),
        pytest.param(FULL, marks=[pytest.mark.campaign, pytest.mark.timeout(3600)]),
    ],
)
@pytest.mark.parametrize("limit", ["purges_per_hour", "per_day"])
def test_kills_in_the_middle_of_purges_do_not_get_more_out_of_the_budget(
    tmp_path: Path, limit: str, kills: int
) -> None:
    allowed = kills - 2 if kills == SHORT else kills - 50
    most_sl = MOST_OPEN_S * FLOW_SL_S  # what a purge of unknown end counts for
    per_day_sl = (allowed + 0.5) * most_sl
    spent = f"purges_per_hour: {allowed}" if limit == "purges_per_hour" else f"per_day: {per_day_sl:g} L"
    file = write_site(tmp_path, every="6 s", max_open=f"{MOST_OPEN_S:g} s")
    text = file.read_text(encoding="utf-8") + f"    budget: {{{spent}, rest: {REST_S:g} s}}\n"
    file.write_text(text, encoding="utf-8")
    with rig_for(file) as rig:
        began_s = time.monotonic()
        while_open = kill_in_purges(file, rig, kills, allowed)
        lasted_s = time.monotonic() - began_s
        opened_s = [at_s for _, is_open, at_s in rig.moves if is_open]
    with Archive(tmp_path / "site.db") as archive:
        rows = list(archive.readings())
    counted_sl = sum(most_sl if row.air_sl is None else row.air_sl for row in rows)
    rests_s = [later - sooner for sooner, later in pairwise(opened_s)]
    print(
        f"\n{limit}, {kills} kills in {lasted_s:.0f} s: {while_open} with the valve open, {len(opened_s)} openings "
        f"(allowed {allowed}), least time between two {min(rests_s):.1f} s, air as counted {counted_sl:.2f} SL"
    )
    assert lasted_s < 3600.0, "so that one hour holds them all"
    assert min(rests_s) >= REST_S
    if limit == "per_day":
        assert counted_sl <= per_day_sl
    else:
        assert len(opened_s) <= allowed
    # and the loop was no empty one: it came to the limit, by deaths in the middle of purges
    assert len(opened_s) >= allowed
    assert while_open >= allowed // 2
