"""The guard: a valve open past its limit is shut although the event loop stands still, over a connection of its own."""

from __future__ import annotations

import asyncio
import threading
import time
from pathlib import Path

from tests.system.rigs import Rig, rig_for, until, write_site

from lungfish.app.guard import Guard
from lungfish.app.service import run_site
from lungfish.config import Site, load_site
from lungfish.errors import DeviceTimeout
from lungfish.store import Archive


async def _run_and_stall(site: Site, rig: Rig, stall_s: float) -> list[tuple[str, bool, float]]:
    """Run the daemon, let the loop stand still once the valve is open, and return what the coils did meanwhile."""
    stop = asyncio.Event()
    running = asyncio.create_task(run_site(site, None, stop))
    while not rig.open_now():
        await asyncio.sleep(0.02)
    time.sleep(stall_s)  # nothing in this loop can run now
    meanwhile = list(rig.moves)
    await asyncio.sleep(3.0)
    stop.set()
    assert await running
    return meanwhile


def test_a_stalled_loop_leaves_no_valve_open_past_its_limit(tmp_path: Path) -> None:
    file = write_site(tmp_path, every="60 s", max_open="2 s")
    with rig_for(file) as rig:
        meanwhile = asyncio.run(_run_and_stall(load_site(file), rig, stall_s=5.5))
        assert [is_open for _, is_open, _ in meanwhile] == [True, False]
        assert meanwhile[1][2] - meanwhile[0][2] < 2.0 + 2.0 + 1.0  # limit, margin, and the time to act
        assert rig.open_now() == []
    with Archive(tmp_path / "site.db") as archive:
        (row,) = archive.readings()
        events = [event.text for event in archive.events() if event.kind == "guard"]
    assert "the guard shut the valve of t0" in events[0]
    assert (row.quality, row.level_m) == ("bad", None)  # nobody watched it: no level comes of it


class _Device:
    """Shuts at the call whose number is given, counted from 1."""

    def __init__(self, shuts_at: int) -> None:
        self.shuts_at = shuts_at
        self.calls = 0

    def shut(self) -> bool:
        self.calls += 1
        if self.calls == 1:
            raise DeviceTimeout("no answer")
        return self.calls >= self.shuts_at


def test_it_tries_again_until_the_valve_reads_back_as_shut_and_acts_on_no_other() -> None:
    device, other, said = _Device(shuts_at=3), _Device(shuts_at=1), []
    done = threading.Event()

    def acted(tank: str, text: str) -> None:
        said.append((tank, text))
        if text.endswith("reads back as shut") and "not" not in text:
            done.set()

    guard = Guard({"a": device.shut, "b": other.shut}, acted, margin_s=0.0)
    guard.start()
    try:
        guard.arm("b", time.monotonic() + 3600.0)
        guard.arm("a", time.monotonic())
        assert done.wait(20.0)
    finally:
        guard.stop()
    assert device.calls == 3
    assert other.calls == 0
    assert [tank for tank, _ in said] == ["a", "a", "a"]
    assert "no answer" in said[0][1]


def test_a_valve_that_was_confirmed_shut_in_time_is_left_alone() -> None:
    device = _Device(shuts_at=2)
    guard = Guard({"a": device.shut}, lambda _tank, _text: None, margin_s=0.0)
    guard.start()
    try:
        guard.arm("a", time.monotonic() + 0.2)
        guard.disarm("a")
        time.sleep(0.5)
        guard.arm("a", time.monotonic() + 0.05)
        until(lambda: device.calls > 0, 5.0)
        guard.disarm("a")
        calls = device.calls
        time.sleep(1.5)
        assert device.calls == calls
    finally:
        guard.stop()
    assert calls == 1
