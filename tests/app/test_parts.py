"""The daemon's small parts: slots, promises, log lines, the service manager's socket, clocks, restarts."""

from __future__ import annotations

import asyncio
import ctypes
import json
import logging
import os
import socket
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lungfish.app.clock import LoopClock, Stamps, StepWatch, pause_until, system_stamps
from lungfish.app.journal import Journal, iso_utc
from lungfish.app.log import LineFormatter, event_log, quoted
from lungfish.app.notify import ServiceManager
from lungfish.app.pacing import Pacing
from lungfish.app.progress import Progress
from lungfish.app.supervisor import keep_running
from lungfish.errors import DeviceTimeout
from lungfish.ports import ClockState
from lungfish.rig.virtual_loop import run_virtual
from tests.app.virtual_site import MemoryKeeper


def test_slots_go_from_start_to_start_and_missed_ones_are_counted_not_queued() -> None:
    pacing = Pacing(first_s=100.0, every_s=60.0)
    assert pacing.next_slot(110.0) == (160.0, 0)
    assert pacing.next_slot(160.0 + 59.0) == (220.0, 0)
    assert pacing.next_slot(220.0 + 200.0) == (460.0, 3)  # 280, 340 and 400 went by
    assert pacing.next_slot(461.0) == (520.0, 0)


@given(
    first_s=st.floats(0, 1e8),
    every_s=st.floats(0.5, 1e6),
    took=st.lists(st.floats(0, 20), min_size=1, max_size=30),
)
def test_slots_stay_on_their_grid_and_never_lie_in_the_past(first_s: float, every_s: float, took: list[float]) -> None:
    pacing = Pacing(first_s, every_s)
    now_s, slots = first_s, 0
    for share in took:
        now_s += share * every_s
        due_s, missed = pacing.next_slot(now_s)
        slots += 1 + missed
        assert due_s == pytest.approx(first_s + slots * every_s, rel=1e-12)
        assert due_s >= now_s - 1e-6 * every_s - 1e-6
        assert missed == 0 or due_s - now_s <= every_s * 1.000001
        now_s = max(now_s, due_s)


def test_who_breaks_a_promise_is_late_and_who_has_ended_owes_none() -> None:
    progress = Progress()
    progress.promise("a", 10.0)
    progress.promise("b", 20.0)
    assert progress.late(10.0) == ()
    assert progress.late(15.0) == ("a",)
    progress.promise("a", 30.0)
    assert progress.late(25.0) == ("b",)
    progress.ended("b")
    assert progress.late(25.0) == ()


@given(st.text())
def test_a_log_line_is_one_line_whatever_a_name_may_hold(text: str) -> None:
    record = logging.LogRecord("lungfish", logging.INFO, "file", 1, "reading", None, None)
    record.fields = {"tank": text, "level_m": 1.25}
    for priority in (False, True):
        line = LineFormatter("text", priority=priority).format(record)
        assert len(line.splitlines()) == 1
        assert all(sign.isprintable() for sign in line)
        assert line.endswith(" level_m=1.25")  # nothing in the name reaches over its own field
        told = json.loads(LineFormatter("json", priority=False).format(record))
        assert told["tank"] == text
        assert told["event"] == "reading"


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        ("ok", "ok"),
        ("line_leak+tube_restricted", "line_leak+tube_restricted"),
        ("two words", '"two words"'),
        ('say "x"', '"say \\"x\\""'),
        ("a\nlevel=error", '"a\\nlevel=error"'),
        ("\x9b31m", '"\\u009b31m"'),
        ("", '""'),
        (None, "-"),
        (1.23456789, "1.23457"),
        ("a=b", '"a=b"'),
    ],
)
def test_values_are_bare_only_when_they_are_one_plain_word(value: object, shown: str) -> None:
    assert quoted(value) == shown


def test_a_journal_gets_priorities_and_a_terminal_gets_times(caplog: pytest.LogCaptureFixture) -> None:
    log = logging.getLogger("lungfish.test")
    with caplog.at_level(logging.DEBUG):
        event_log(log, logging.WARNING, "valve", tank="t0", text="may be open")
        log.error("plain")
    structured, plain = caplog.records
    line = LineFormatter(priority=True).format(structured)
    assert line == '<4>level=warning event=valve tank=t0 text="may be open"'
    line = LineFormatter().format(plain)
    assert line.startswith("time=")
    assert line.endswith("level=error event=message from=lungfish.test text=plain")


def test_without_a_service_manager_nothing_is_sent_and_nothing_fails() -> None:
    manager = ServiceManager({})
    manager.tell("READY=1")
    assert manager.watchdog_s is None


@pytest.mark.parametrize("abstract", [False, True])
def test_the_service_manager_hears_each_state(tmp_path: Path, abstract: bool) -> None:
    name = f"@lungfish-test-{os.getpid()}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind("\0" + name[1:] if abstract else name)
        listener.settimeout(5.0)
        manager = ServiceManager({"NOTIFY_SOCKET": name})
        manager.tell("READY=1\nSTATUS=measuring")
        assert listener.recv(100) == b"READY=1\nSTATUS=measuring"
    manager.tell("STOPPING=1")  # nobody listens any more; that is no reason to fail


@pytest.mark.parametrize(
    ("micros", "pid", "watchdog_s"),
    [
        ("2000000", "", 2.0),
        pytest.param("2000000", str(os.getpid()), 2.0, id="this process"),
        ("2000000", "1", None),  # meant for another process
        ("0", "", None),
        ("soon", "", None),
    ],
)
def test_a_watchdog_holds_only_for_this_process(micros: str, pid: str, watchdog_s: float | None) -> None:
    environment = {"NOTIFY_SOCKET": "/nowhere", "WATCHDOG_USEC": micros, "WATCHDOG_PID": pid}
    assert ServiceManager(environment).watchdog_s == watchdog_s


def test_stamps_carry_both_clocks_and_the_boot() -> None:
    async def main() -> None:
        stamps = system_stamps(LoopClock())
        stamp = stamps.at(stamps.clock.monotonic_s() - 10.0)
        assert stamps.now().utc_s - stamp.utc_s == pytest.approx(10.0, abs=0.5)
        assert stamp.boot_id == Path("/proc/sys/kernel/random/boot_id").read_text().strip()

    run_virtual(main())


def test_the_kernel_is_asked_whether_the_clock_is_synchronised() -> None:
    async def main() -> ClockState:
        return system_stamps(LoopClock()).now().clock

    # adjtimex(2): the call itself returns TIME_ERROR, 5, when the clock is not synchronised
    time_error = ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(512)) == 5
    assert run_virtual(main()) is (ClockState.UNSYNCHRONISED if time_error else ClockState.SYNCHRONISED)


@pytest.mark.parametrize("step_s", [3600.0, -86400.0, 0.7, -0.7])
def test_a_step_of_the_wall_clock_is_noticed_once_and_a_slew_never(step_s: float) -> None:
    async def main() -> None:
        clock = LoopClock()
        offset = [1.7e9]
        stamps = Stamps("boot", clock, lambda: offset[0] + clock.monotonic_s(), lambda: ClockState.UNKNOWN)
        watch = StepWatch(stamps)
        for _ in range(10_000):
            await asyncio.sleep(1.0)
            offset[0] += 500e-6  # the fastest that the kernel slews: 500 ppm (adjtimex(2))
            assert watch.step_s() is None
        offset[0] += step_s
        assert watch.step_s() == pytest.approx(step_s)
        assert watch.step_s() is None

    run_virtual(main())


def test_a_pause_ends_at_its_moment_or_at_the_stop() -> None:
    async def main() -> None:
        clock, stop = LoopClock(), asyncio.Event()
        await pause_until(clock, 5.0, stop)
        assert clock.monotonic_s() == pytest.approx(5.0)
        asyncio.get_running_loop().call_later(2.0, stop.set)
        await pause_until(clock, 500.0, stop)
        assert clock.monotonic_s() == pytest.approx(7.0)

    run_virtual(main())


def journal_of(keeper: MemoryKeeper, clock: LoopClock) -> Journal:
    return Journal(keeper, Stamps("boot", clock, lambda: 1.7e9, lambda: ClockState.UNKNOWN))


@pytest.mark.parametrize(
    ("error", "first_s", "longest_s"), [(DeviceTimeout("x"), 1.0, 30.0), (ZeroDivisionError("x"), 10.0, 300.0)]
)
def test_a_part_that_fails_again_and_again_is_restarted_ever_more_slowly_and_each_time_told(
    error: Exception, first_s: float, longest_s: float
) -> None:
    async def main() -> list[float]:
        clock, keeper = LoopClock(), MemoryKeeper()
        began_s: list[float] = []

        async def work() -> None:
            began_s.append(clock.monotonic_s())
            if len(began_s) < 12:
                raise error

        await keep_running("part", work, clock, journal_of(keeper, clock), asyncio.Event())
        assert len(keeper.told("fault")) == 11
        return began_s

    began_s = run_virtual(main())
    pauses = [b - a for a, b in pairwise(began_s)]
    assert pauses[0] == pytest.approx(first_s)
    assert pauses[-1] == pytest.approx(longest_s)
    assert pauses == sorted(pauses)


def test_after_the_stop_nothing_is_started_again() -> None:
    async def main() -> None:
        clock, keeper, stop = LoopClock(), MemoryKeeper(), asyncio.Event()
        starts = 0

        async def work() -> None:
            nonlocal starts
            starts += 1
            raise ZeroDivisionError

        asyncio.get_running_loop().call_later(15.0, stop.set)
        await keep_running("part", work, clock, journal_of(keeper, clock), stop)
        assert starts == 2
        assert clock.monotonic_s() == pytest.approx(15.0)

    run_virtual(main())


@pytest.mark.parametrize(
    ("utc_s", "shown"),
    [
        (0.0, "1970-01-01T00:00:00.000Z"),
        (1.7e9 + 0.9996, "2023-11-14T22:13:21.000Z"),
        (951_782_400.5, "2000-02-29T00:00:00.500Z"),
    ],
)
def test_times_are_told_in_utc_with_milliseconds(utc_s: float, shown: str) -> None:
    assert iso_utc(utc_s) == shown
