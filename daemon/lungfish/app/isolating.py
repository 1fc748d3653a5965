"""The valve that cuts a transmitter off while its tube is blown down, and is opened only on what is known to be safe.

Shut is its state without power and the one that a start, a stop and a death leave it in. While it is shut nothing says
how high the tube stands but a pressure switch, and until that has said twice running that the transmitter bears it, the
valve is not opened. No waiting time stands for that switch: a plug can hold the supply's pressure for days.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from lungfish.app.purge_valve import PurgeValve
from lungfish.core.events import ValveState
from lungfish.errors import DeviceError
from lungfish.ports import Clock, Switch

__all__ = ["Isolator"]

_MOVES_WITHIN_S = 5.0
"""From command to contact: a motor valve of this size takes a few seconds at most (common practice)."""
_ASK_EVERY_S = 0.25
_SURE_S = 1.0
"""The pressure switch must say so twice, this far apart."""
_WATCH_EVERY_S = 0.5


class Isolator:
    """One transmitter's isolating valve.

    Args:
        valve: its output; open, the transmitter is on the tube.
        shut: says that the valve itself is shut.
        safe: says that the pressure on the tube's side is below what the transmitter bears.
        clock: monotonic time.
    """

    def __init__(self, valve: PurgeValve, shut: Switch, safe: Switch, clock: Clock) -> None:
        self.valve = valve
        self._shut = shut
        self._safe = safe
        self._clock = clock
        self._connected = False

    async def connect(self) -> str | None:
        """Put the transmitter on the tube, if that is known to be safe.

        Returns:
            None when it is on the tube; else why not, in a few words.
        """
        if self._connected and await self._stands(ValveState.OPEN):
            return None
        if await self.isolate() is not None and self.valve.observed is not ValveState.SHUT:
            return "its isolating valve is not confirmed shut, so that it can't be opened knowingly"
        for number in range(2):
            if number:
                await self._clock.sleep_until(self._clock.monotonic_s() + _SURE_S)
            safe = await _says(self._safe)
            if safe is None:
                return "the pressure switch of the tube does not answer"
            if not safe:
                return "the tube stands above what the transmitter bears: let its pressure out at the valve's end"
        try:
            await self.valve.take_air()
            await self.valve.open()
        except DeviceError as error:
            await self.isolate()
            return str(error)
        if not await self._comes(shut=False):
            await self.isolate()
            return "its isolating valve was told to open and does not say that it has"
        self._connected = True
        return None

    async def isolate(self) -> str | None:
        """Cut the transmitter off.

        Returns:
            None when output and contact both say that it is; else why not, in a few words.
        """
        self._connected = False
        await asyncio.wait({self.valve.ensure_shut()}, timeout=_MOVES_WITHIN_S)
        if self.valve.observed is not ValveState.SHUT:
            return "its isolating valve is not confirmed shut"
        return None if await self._comes(shut=True) else "its isolating valve was told to shut and does not say so"

    async def watch(self, state: ValveState, tell: Callable[[str], None]) -> None:
        """Look again and again whether it stands as it should; end when it does not.

        Args:
            state: as it should stand.
            tell: called with a sentence when it does not, or can't be asked.
        """
        while await self._stands(state):
            await self._clock.sleep_until(self._clock.monotonic_s() + _WATCH_EVERY_S)
        self._connected = False
        tell(f"the isolating valve of the transmitter is not known to be {state.value} any more")

    async def _stands(self, state: ValveState) -> bool:
        """Output and contact both say so. One lost answer is asked for again."""
        for _ in range(2):
            seen = await self.valve.look(), await _says(self._shut)
            if ValveState.UNKNOWN not in seen and None not in seen:
                return seen == (state, state is ValveState.SHUT)
        return False

    async def _comes(self, *, shut: bool) -> bool:
        until_s = self._clock.monotonic_s() + _MOVES_WITHIN_S
        while await _says(self._shut) is not shut:
            if self._clock.monotonic_s() >= until_s:
                return False
            await self._clock.sleep_until(self._clock.monotonic_s() + _ASK_EVERY_S)
        return True


async def _says(switch: Switch) -> bool | None:
    """What it says; None without an answer."""
    try:
        return (await switch.read()).active
    except DeviceError:
        return None
