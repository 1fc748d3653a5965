"""Contacts that postpone a purge: a mixer, a pump, a cleaning under way. Each for so long only."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Mapping

from lungfish.app.clock import pause_until
from lungfish.app.journal import Journal
from lungfish.config.schedule_model import HoldOffSpec
from lungfish.errors import DeviceError
from lungfish.ports import Clock, Switch

__all__ = ["HoldOff"]

_LOOK_AGAIN_S = 5.0


class HoldOff:
    """Those of one tank.

    Args:
        tank: its name.
        specs: the contacts, with how long each may postpone a purge.
        switches: how each is read, by its name; one that has none is left out.
        clock: monotonic time.
        journal: where it is told.
    """

    def __init__(
        self, tank: str, specs: tuple[HoldOffSpec, ...], switches: Mapping[str, Switch], clock: Clock, journal: Journal
    ) -> None:
        self._tank = tank
        self._specs = tuple(spec for spec in specs if spec.name in switches)
        self._switches = switches
        self._clock = clock
        self._journal = journal
        self._silent: set[str] = set()

    async def wait(self, stop: asyncio.Event, promise: Callable[[], None]) -> None:
        """Return as soon as a purge that is due now may come, or at the stop.

        A contact that does not answer postpones nothing: that is told, and a level is worth more than a mixer's peace.

        Args:
            stop: ends the wait.
            promise: called at each look.
        """
        due_s = self._clock.monotonic_s()
        told: set[str] = set()
        while not stop.is_set():
            promise()
            saying_yes = [spec for spec in self._specs if await self._says_yes(spec)]
            waited_s = self._clock.monotonic_s() - due_s
            holding = [spec for spec in saying_yes if waited_s < spec.at_most_s]
            for spec in holding:
                if spec.name not in told:
                    told.add(spec.name)
                    self._tell(f"the purge that is due waits for {spec.name}, {spec.at_most_s:g} s at most")
            if not holding:
                for spec in saying_yes:
                    self._tell(f"{spec.name} still says yes after {spec.at_most_s:g} s: purged all the same", warn=True)
                return
            left_s = max(spec.at_most_s for spec in holding) - waited_s
            await pause_until(self._clock, self._clock.monotonic_s() + min(_LOOK_AGAIN_S, left_s), stop)

    async def _says_yes(self, spec: HoldOffSpec) -> bool:
        try:
            seen = await self._switches[spec.name].read()
        except DeviceError as error:
            if spec.name not in self._silent:
                self._silent.add(spec.name)
                self._tell(f"{spec.name} can't be read and postpones nothing: {error}", warn=True)
            return False
        self._silent.discard(spec.name)
        return seen.active

    def _tell(self, text: str, *, warn: bool = False) -> None:
        self._journal.event("hold-off", text, tank=self._tank, level=logging.WARNING if warn else logging.INFO)
