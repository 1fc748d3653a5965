"""SIGKILL while the transmitter's vent is open: it cuts the transmitter off, and the next start must know that."""

from __future__ import annotations

import signal
import time
from pathlib import Path

import pytest
from tests.system.rigs import LEVEL_M, daemon_on, rig_for, until, write_site

from lungfish.config import vent_valve_name
from lungfish.core.zero import Outcome
from lungfish.store import Archive

VENT = vent_valve_name("t0")


def test_killed_with_the_vent_open_the_next_start_shuts_it_first_and_knows_of_it(tmp_path: Path) -> None:
    file = write_site(tmp_path, every="11 s", max_open="5 s", vented=True)
    with rig_for(file) as rig:
        with daemon_on(file, tmp_path / "log-1") as daemon:
            until(lambda: VENT in rig.open_now(), 30.0)
            daemon.process.send_signal(signal.SIGKILL)
            daemon.process.wait()
        time.sleep(0.05)  # what it had sent before it died has then arrived
        assert rig.open_now() == [VENT]
        with Archive(tmp_path / "site.db") as archive:
            (left,) = archive.zeros("t0")
        assert left.zero.outcome is Outcome.BEGUN, "kept before the vent was opened"
        assert left.zero.came_back is False
        moved = len(rig.moves)
        with daemon_on(file, tmp_path / "log-2") as daemon:
            until(lambda: "t0" in rig.open_now(), 30.0)
            assert daemon.end(signal.SIGTERM) == 0
        assert [(called, is_open) for called, is_open, _ in rig.moves[moved:]][:2] == [(VENT, False), ("t0", True)]
        assert rig.open_now() == []
    with Archive(tmp_path / "site.db") as archive:
        assert archive.zeros("t0") == (left,), "what was left is still known, and the vent was not opened again at once"
        (whole, ended) = archive.readings()
    assert whole.level_m == pytest.approx(LEVEL_M, abs=0.01)
    assert (ended.level_m, ended.quality) == (None, "bad")
