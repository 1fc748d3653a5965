"""A virtual loop that can be moved on from inside a task: where nobody else wants anything, a wait costs nothing."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any, TypeVar

from lungfish.rig.virtual_loop import VirtualLoop

__all__ = ["JumpingClock", "JumpingLoop", "run_jumping"]

_T = TypeVar("_T")


class JumpingLoop(VirtualLoop):
    """A virtual loop for days and months.

    A task that waits is put aside, its timer sorted in, taken out again and the task taken up: 30 us and more. When no
    other task could run before the moment that is waited for, all of that changes nothing but the clock, so the clock
    alone is moved. What happens, when, and in which order is the same, but for two timers of one very moment, whose
    order asyncio leaves open.
    """

    _ready: Any  # asyncio's own queue and heap, which its type information leaves out
    _scheduled: Any

    def jump(self, at_s: float) -> bool:
        """Move the clock to a moment, if nothing is to happen before.

        Args:
            at_s: virtual monotonic time; one that is past does not move the clock.

        Returns:
            Whether it is that time now; False: wait for it as usual.
        """
        if self._ready or self._jumping.busy:
            return False
        if self._scheduled and self._scheduled[0].when() <= at_s + self._clock_resolution:
            return False
        if at_s > self._jumping.now_s:
            self._jumping.now_s = at_s
        return True

    _clock_resolution: float


class JumpingClock:
    """Time of a jumping loop. Make it inside the loop."""

    def __init__(self) -> None:
        loop = asyncio.get_running_loop()
        if not isinstance(loop, JumpingLoop):
            msg = "this clock belongs to a JumpingLoop"
            raise TypeError(msg)
        self._loop = loop
        self._told: dict[asyncio.Event, asyncio.Future[Any]] = {}

    def monotonic_s(self) -> float:
        """Virtual seconds since the start."""
        return self._loop.time()

    async def pause(self, at_s: float, stop: asyncio.Event) -> None:
        """Return at a moment or when something is set, whichever comes first.

        Args:
            at_s: the moment.
            stop: set by whoever wants the end.
        """
        if stop.is_set():
            await asyncio.sleep(0)
        elif not self._loop.jump(at_s):
            await self._until(at_s, stop)

    async def _until(self, at_s: float, stop: asyncio.Event) -> None:
        told = self._told.get(stop)
        if told is None or told.done():
            # one for each event and not for each pause: most pauses end at their moment
            told = self._told[stop] = asyncio.ensure_future(stop.wait())
        over: asyncio.Future[None] = self._loop.create_future()

        def end(_told: asyncio.Future[Any] | None = None) -> None:
            if not over.done():
                over.set_result(None)

        timer = self._loop.call_at(at_s, end)
        told.add_done_callback(end)
        try:
            await over
        finally:
            timer.cancel()
            told.remove_done_callback(end)

    async def sleep_until(self, at_s: float) -> None:
        """Return at this moment, or at once when it is past; others run first if they have anything to do."""
        if not self._loop.jump(at_s):
            await asyncio.sleep(at_s - self._loop.time())


def run_jumping(main: Coroutine[Any, Any, _T]) -> _T:
    """Run a coroutine to its end in jumping virtual time.

    Args:
        main: what to run.

    Raises:
        RuntimeError: everything waits for something that will never come.
    """
    with asyncio.Runner(loop_factory=JumpingLoop) as runner:
        return runner.run(main)
