"""What a purge that is due waits for before its cycle: contacts that hold it off, air, and a turn on the link."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from lungfish.app.air_budget import AirBudget
from lungfish.app.hold_off import HoldOff
from lungfish.app.link_turns import LinkTurns
from lungfish.ports import Clock

__all__ = ["Admission"]

_PROMISE_S = 30.0
_LONGEST_TURN_S = 1800.0
"""A cycle with a blow-down and a zero check behind it is over long before this; a turn that nobody gives back is a
fault that the watchdog is to see."""
_LOOK_AGAIN_S = 60.0
_NO_WAIT_S = 0.5


class Admission:
    """The way of one tank to its cycles. Everything that it waits for is waited for with the valve shut.

    Args:
        tank: its name in the site file.
        clock: monotonic time.
        promise: told until when a wait lasts, monotonic s.
        hold_off: contacts that postpone a purge, if there are any.
        budget: what may be spent of the air; None: a person asks for the purge, and has it.
        turns: on the transmitter's link; None: it is asked for one cycle only.
    """

    def __init__(
        self,
        tank: str,
        clock: Clock,
        promise: Callable[[float], None],
        hold_off: HoldOff | None = None,
        budget: AirBudget | None = None,
        turns: LinkTurns | None = None,
    ) -> None:
        self._tank = tank
        self._clock = clock
        self._promise = promise
        self._hold_off = hold_off
        self._budget = budget
        self._turns = turns
        self._has_turn = False
        self.after_others = False
        """The last cycle had to wait for its turn on the link."""
        self.postponed = False
        """The last purge had to wait for its air."""

    async def wait(self, stop: asyncio.Event, *, urgent: bool) -> None:
        """Wait until the cycle may begin, or until the stop; then call `ended`, whatever came of it.

        Args:
            stop: ends the wait.
            urgent: an alarm's level may have been passed: spent air is no reason to wait, and others stand back.
        """
        if self._hold_off is not None:
            await self._hold_off.wait(stop, lambda: self._promise_for(_PROMISE_S))
        if self._budget is not None:
            self.postponed = await self._budget.wait(
                self._tank, stop, lambda until_s: self._promise(until_s + _PROMISE_S), urgent=urgent
            )
        if self._turns is not None and not stop.is_set():
            asked_s = self._clock.monotonic_s()
            await self._take_turn(self._turns, stop, urgent)
            self.after_others = self._clock.monotonic_s() > asked_s + _NO_WAIT_S

    def ended(self) -> None:
        """The cycle, and what comes with it, is over, or did not come about."""
        if self._budget is not None:
            self._budget.ended(self._tank)
        if self._turns is not None and self._has_turn:
            self._has_turn = False
            self._turns.give_back()

    async def _take_turn(self, turns: LinkTurns, stop: asyncio.Event, urgent: bool) -> None:
        taking = asyncio.ensure_future(turns.take(urgent=urgent))
        stopping = asyncio.ensure_future(stop.wait())
        given = -1
        try:
            while not (taking.done() or stopping.done()):
                if turns.given != given:  # the others get on
                    given = turns.given
                    self._promise_for(_LONGEST_TURN_S)
                await asyncio.wait({taking, stopping}, timeout=_LOOK_AGAIN_S, return_when=asyncio.FIRST_COMPLETED)
        finally:
            stopping.cancel()
            self._has_turn = taking.done() and not taking.cancelled()
            if not self._has_turn:
                taking.cancel()

    def _promise_for(self, seconds: float) -> None:
        self._promise(self._clock.monotonic_s() + seconds)
