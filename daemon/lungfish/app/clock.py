"""Both clocks of the computer. The only file that reads wall time, and it does so for stamping only."""

from __future__ import annotations

import asyncio
import ctypes
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path

from lungfish.ports import Clock, ClockState, Stamp

__all__ = ["LoopClock", "Stamps", "StepWatch", "now_utc_s", "pause_until", "system_stamps"]

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
_STA_UNSYNC = 0x0040
"""Bit of `timex.status`: the clock is not synchronised (adjtimex(2))."""
_TIMEX_BYTES = 512
"""More than `struct timex` takes on any platform (208 on 64-bit Linux)."""
_STEP_S = 0.5
"""Wall time that moves by more than this against monotonic time has been stepped; slewing is 0.5 ms/s at most."""


class LoopClock:
    """The running event loop's monotonic clock; with a virtual loop, virtual time. Make it inside the loop."""

    def __init__(self) -> None:
        self._loop = asyncio.get_running_loop()

    def monotonic_s(self) -> float:
        """Seconds that never step; may be asked from any thread."""
        return self._loop.time()

    async def sleep_until(self, at_s: float) -> None:
        """Return at or just after this monotonic moment; always lets others run first."""
        await asyncio.sleep(at_s - self.monotonic_s())


async def pause_until(clock: Clock, at_s: float, stop: asyncio.Event) -> None:
    """Wait for a moment or for a stop, whichever comes first.

    Args:
        clock: monotonic time.
        at_s: the moment.
        stop: set by whoever wants the end.
    """
    pause: Callable[[float, asyncio.Event], Awaitable[None]] | None = getattr(clock, "pause", None)
    if pause is not None:  # a simulator's clock, which has its own way
        await pause(at_s, stop)
        return
    waits = [asyncio.ensure_future(clock.sleep_until(at_s)), asyncio.ensure_future(stop.wait())]
    try:
        await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for each in waits:
            each.cancel()


@dataclass(frozen=True, slots=True)
class Stamps:
    """Makes the stamps of readings and events."""

    boot_id: str
    """Which boot of the computer this is."""
    clock: Clock
    """Monotonic time."""
    utc_s: Callable[[], float]
    """Wall time as seconds since 1970-01-01 UTC."""
    state: Callable[[], ClockState]
    """Whether the wall clock is synchronised now."""

    def now(self) -> Stamp:
        """This moment."""
        return self.at(self.clock.monotonic_s())

    def at(self, monotonic_s: float) -> Stamp:
        """A moment of this boot, as the wall clock counts now.

        Args:
            monotonic_s: monotonic time of the moment, s.
        """
        ago_s = self.clock.monotonic_s() - monotonic_s
        return Stamp(boot_id=self.boot_id, monotonic_s=monotonic_s, utc_s=self.utc_s() - ago_s, clock=self.state())


class StepWatch:
    """Notices that the wall clock has been stepped: it moved against monotonic time."""

    def __init__(self, stamps: Stamps) -> None:
        self._stamps = stamps
        self._offset_s = self._offset_now_s()

    def _offset_now_s(self) -> float:
        return self._stamps.utc_s() - self._stamps.clock.monotonic_s()

    def step_s(self) -> float | None:
        """Size of a step since the last call, s, positive for forward; None when there was none."""
        offset_s = self._offset_now_s()
        step_s = offset_s - self._offset_s
        self._offset_s = offset_s  # also without a step: a slew adds up over days
        return step_s if abs(step_s) > _STEP_S else None


def _kernel_clock_state() -> ClockState:
    """Ask the kernel whether something keeps the clock synchronised (adjtimex(2), read only)."""
    try:
        adjtimex = ctypes.CDLL(None, use_errno=True).adjtimex
    except (AttributeError, OSError):
        return ClockState.UNKNOWN  # no such call on this platform
    timex = ctypes.create_string_buffer(_TIMEX_BYTES)  # modes = 0: nothing is set
    if adjtimex(timex) < 0:
        return ClockState.UNKNOWN
    # struct timex: unsigned modes; long offset, freq, maxerror, esterror; int status
    long_size = ctypes.sizeof(ctypes.c_long)
    status_at = long_size * 5
    status = ctypes.c_int.from_buffer(timex, status_at).value
    return ClockState.UNSYNCHRONISED if status & _STA_UNSYNC else ClockState.SYNCHRONISED


def system_stamps(clock: Clock) -> Stamps:
    """Stamps from this computer's clocks.

    Args:
        clock: monotonic time that readings are counted in.
    """
    try:
        boot_id = _BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        boot_id = "unknown"
    return Stamps(boot_id, clock, time.time, _kernel_clock_state)


def now_utc_s() -> float:
    """This moment by the wall clock, s since 1970-01-01 UTC: for looking ahead, never for measuring."""
    return time.time()
