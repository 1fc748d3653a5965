"""One valve as the daemon holds it: what was commanded, what was seen, and shutting until it is confirmed."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Protocol

from lungfish.app.air import AirPermits
from lungfish.core.events import ValveState
from lungfish.errors import DeviceDisagrees, DeviceError, DeviceGarbled, DeviceRefused
from lungfish.ports import Clock, Valve, ValveEcho

__all__ = ["OpenWatch", "PurgeValve"]

_FIRST_PAUSE_S = 0.1
_LONGEST_PAUSE_S = 15.0
"""A valve that can't be shut is tried again at least this often, for ever."""
_TELL_AT_TRY = 2
"""One lost answer is no news; the next try follows at once."""


class OpenWatch(Protocol):
    """Something outside the event loop that shuts a valve which is open too long."""

    def arm(self, tank: str, until_s: float) -> None:
        """From now on this tank's valve may be open, until this monotonic moment."""
        ...

    def disarm(self, tank: str) -> None:
        """This tank's valve is confirmed shut."""
        ...


class PurgeValve:
    """Opens only from a confirmed shut, and once told to shut does not rest until that is confirmed.

    Args:
        tank: name of the tank, or what its blow valve is called; for messages and for the watch.
        device: the valve itself.
        clock: monotonic time.
        air: permits for open valves; one is held from before the opening until the shutting is confirmed.
        max_open_s: longest time that it may be open, s; the watch's limit.
        watch: armed while the valve may be open; None when there is none.
        announce: called and waited for before each opening, to put the intent where a crash can't reach it.
        tell: told each trouble that lasts, once, and its end, one sentence each.
    """

    def __init__(
        self,
        tank: str,
        device: Valve,
        clock: Clock,
        air: AirPermits,
        *,
        max_open_s: float,
        watch: OpenWatch | None = None,
        announce: Callable[[], Awaitable[None]] | None = None,
        tell: Callable[[str], None] = lambda _text: None,
    ) -> None:
        self.called = tank
        """What it is called: the tank's name, or that of its blow valve."""
        self._device = device
        self._clock = clock
        self._air = air
        self._max_open_s = max_open_s
        self._watch = watch
        self._announce = announce
        self._tell = tell
        self._turn = asyncio.Lock()
        self._has_air = False
        self._shutting: asyncio.Task[ValveEcho] | None = None
        self.commanded = ValveState.UNKNOWN
        """The last command."""
        self.observed = ValveState.UNKNOWN
        """What the last answer said; UNKNOWN from each command until its answer."""
        self.opening_sent = False
        """A command to open has been sent since this was last set to False."""
        self.shut_at_s: float | None = None
        """When it was last confirmed to have been shut by us, monotonic, s; None before."""
        self.never_with: tuple[PurgeValve, ...] = ()
        """Valves that must be confirmed shut before this one opens."""
        self.on_failed_try: Callable[[str], None] | None = None
        """Told of each try to shut that was not confirmed."""

    async def take_air(self) -> None:
        """Wait for an air permit, then put down the intent to open. A wait that is cancelled leaves nothing behind."""
        if self._has_air:
            return
        await self._air.take()
        self._has_air = True
        try:
            if self._announce is not None:
                await self._announce()
        except BaseException:
            self.yield_air()
            raise

    async def open(self) -> ValveEcho:
        """Open, with the air taken beforehand.

        Raises:
            DeviceError: Not confirmed open; or refused, because the valve is not known to be shut or has no air.
        """
        async with self._turn:
            if self.observed is not ValveState.SHUT or self._shutting is not None:
                raise DeviceRefused(f"valve of {self.called}: not opened, for it is not confirmed shut")
            other = next((each for each in self.never_with if each.observed is not ValveState.SHUT), None)
            if other is not None:
                raise DeviceRefused(f"valve of {self.called}: not opened, for that of {other.called} may be open")
            if not self._has_air:
                raise DeviceRefused(f"valve of {self.called}: not opened, for it has no air permit")
            self.commanded, self.observed = ValveState.OPEN, ValveState.UNKNOWN
            self.opening_sent = True
            if self._watch is not None:
                self._watch.arm(self.called, self._clock.monotonic_s() + self._max_open_s)
            try:
                echo = await self._device.command(ValveState.OPEN)
            except DeviceDisagrees as error:
                self._tell(f"valve of {self.called} did not open: {error}")
                raise
            self.observed = echo.state
            return echo

    def ensure_shut(self) -> asyncio.Task[ValveEcho]:
        """Start shutting, unless that is under way, and go on until it is confirmed.

        Returns:
            The task that ends with the confirmation; shield it when waiting for it.
        """
        if self._shutting is None:
            self._shutting = asyncio.create_task(self._shut_for_ever(), name=f"shut {self.called}")
        return self._shutting

    async def check_open(self) -> ValveState | None:
        """Read the open valve back, without standing in the way of a command.

        Returns:
            What was seen; None when it was told to shut meanwhile.

        Raises:
            DeviceError: No usable answer.
        """
        echo = await self._device.observe()
        return echo.state if self.commanded is ValveState.OPEN else None

    async def look(self) -> ValveState:
        """Read the valve back without changing it; a valve that is not shut although it should be is told and shut.

        Returns:
            What was seen; UNKNOWN when there was no answer.
        """
        try:
            async with self._turn:
                echo = await self._device.observe()
        except DeviceError as error:
            if isinstance(error, DeviceDisagrees):
                self._tell(f"valve of {self.called} is not known to be shut: {error}")
            self.observed = ValveState.UNKNOWN
            return ValveState.UNKNOWN
        self.observed = echo.state
        if echo.state is ValveState.OPEN and self.commanded is not ValveState.OPEN:
            self._tell(f"valve of {self.called} was found open although nobody here opened it; it is being shut")
        return echo.state

    def yield_air(self) -> None:
        """Give the air permit back, although the valve may not be confirmed shut: other tanks need it."""
        if self._has_air:
            self._has_air = False
            self._air.give_back()

    async def _shut_for_ever(self) -> ValveEcho:
        pause_s = _FIRST_PAUSE_S
        began_s = self._clock.monotonic_s()
        failed = 0
        try:
            while True:
                try:
                    echo = await self._shut_once()
                except DeviceError as error:
                    failed += 1
                    if failed == _TELL_AT_TRY:
                        self._tell(f"valve of {self.called} is not confirmed shut and may be open: {error}")
                    if self.on_failed_try is not None:
                        self.on_failed_try(str(error))
                    await self._clock.sleep_until(self._clock.monotonic_s() + pause_s)
                    pause_s = min(2.0 * pause_s, _LONGEST_PAUSE_S)
                    continue
                if failed >= _TELL_AT_TRY:
                    unknown_s = self._clock.monotonic_s() - began_s
                    self._tell(f"valve of {self.called} is confirmed shut, after {unknown_s:.0f} s of not knowing")
                return echo
        finally:
            self._shutting = None

    async def _shut_once(self) -> ValveEcho:
        async with self._turn:
            self.commanded, self.observed = ValveState.SHUT, ValveState.UNKNOWN
            echo = await self._device.command(ValveState.SHUT)
            self.observed = echo.state
        if echo.state is not ValveState.SHUT:
            raise DeviceGarbled(f"told to shut, it reads back as {echo.state.value}")
        self.shut_at_s = echo.at_s
        if self._watch is not None:
            self._watch.disarm(self.called)
        self.yield_air()
        return echo
