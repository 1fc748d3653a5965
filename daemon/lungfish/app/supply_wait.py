"""A purge that waits while the supply is said to be low: opening now would cost air and read nothing."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable

from lungfish.app.clock import pause_until
from lungfish.app.journal import Journal
from lungfish.errors import DeviceError
from lungfish.ports import Clock, Switch

__all__ = ["SupplyWait"]

KIND = "air-budget"
"""Kind of the events that tell of it."""
_LOOK_AGAIN_S = 10.0


class SupplyWait:
    """For one tank.

    Args:
        tank: its name in the site file.
        switch: says whether the supply is there.
        wait_s: longest wait of one purge, s.
        clock: monotonic time.
        journal: where it is told.
    """

    def __init__(self, tank: str, switch: Switch, wait_s: float, clock: Clock, journal: Journal) -> None:
        self._tank = tank
        self._switch = switch
        self._wait_s = wait_s
        self._clock = clock
        self._journal = journal
        self._low = False

    async def wait(self, stop: asyncio.Event, promise: Callable[[float], None]) -> None:
        """Return as soon as the supply is there or the longest wait is over, or at the stop.

        A switch that does not answer says nothing, and nothing is waited for. As long as the supply stays low each
        purge waits as long; that is told once, and once when it is there again.

        Args:
            stop: ends the wait.
            promise: told until when the wait lasts, monotonic s.
        """
        until_s = self._clock.monotonic_s() + self._wait_s
        while not stop.is_set():
            there = await self._there()
            now_s = self._clock.monotonic_s()
            if there is not False:
                if self._low and there:
                    self._low = False
                    self._tell(f"the supply of {self._tank} is there again", logging.INFO)
                return
            if not self._low:
                self._low = True
                self._tell(
                    f"the supply of {self._tank} is low: its purges wait for it, each {self._wait_s:g} s at most, and "
                    "are then tried all the same; until then its reading grows old",
                    logging.WARNING,
                )
            if now_s >= until_s:
                return
            look_s = min(until_s, now_s + _LOOK_AGAIN_S)
            promise(look_s)
            await pause_until(self._clock, look_s, stop)

    async def _there(self) -> bool | None:
        """What the switch says; None: it does not answer."""
        try:
            return (await self._switch.read()).active
        except DeviceError:
            return None  # the cycle asks it as well, and keeps that it did not answer

    def _tell(self, text: str, level: int) -> None:
        self._journal.event(KIND, text, tank=self._tank, level=level)
