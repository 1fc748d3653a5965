"""Keeps the daemon's parts running: a part that fails is told, and started again after a pause that grows."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

from lungfish.app.clock import pause_until
from lungfish.app.journal import Journal
from lungfish.errors import DeviceError, LungfishError
from lungfish.ports import Clock

__all__ = ["keep_running"]


_CALM_S = 600.0
"""A part that has run this long is taken to be well again."""


def _pauses(error: Exception) -> tuple[float, float]:
    """First and longest pause before a restart, s: the world's troubles pass sooner than our own faults."""
    match error:
        case DeviceError():
            return 1.0, 30.0
        case LungfishError():
            return 5.0, 60.0
        case _:
            return 10.0, 300.0


async def keep_running(
    part: str, work: Callable[[], Awaitable[None]], clock: Clock, journal: Journal, stop: asyncio.Event
) -> None:
    """Run a part until it ends by itself, or fails after the stop.

    Args:
        part: its name, for messages.
        work: starts it, again and again if need be.
        clock: monotonic time.
        journal: where its faults go.
        stop: set when nothing is to be started again.
    """
    failures = 0
    while True:
        began_s = clock.monotonic_s()
        try:
            await work()
        except Exception as error:  # the one place: a fault in one tank must not end the others
            if clock.monotonic_s() - began_s > _CALM_S:
                failures = 0
            first_s, longest_s = _pauses(error)
            pause_s = min(longest_s, first_s * 2.0**failures)
            failures += 1
            journal.fault(part, error)
            await pause_until(clock, clock.monotonic_s() + pause_s, stop)
            if stop.is_set():
                return
        else:
            return
