"""Turns on a link: as many tanks measure at once as it can read fast enough, and looks of the watch come in between.

A pressure that waits in a queue of ours looks like a transmitter that does not answer, and a plateau of four samples is
no plateau. So a tank that is due waits, with its valve shut, until the link has time for all that its cycle reads.
"""

from __future__ import annotations

import asyncio
from collections import deque

from lungfish.core.plan import PERIOD_S
from lungfish.ports import PressureSample, Transmitter

__all__ = ["LinkTurns", "TimedTransmitter", "cycles_at_once"]

_WEIGHT = 0.1
"""Of each new transaction in the mean of what they take."""


def cycles_at_once(transaction_s: float) -> int:
    """How many cycles can read as often as they want to over one link, with room for another request in between.

    At least one may always run: over a link that is too slow for it, it reads as often as the link lets it.

    Args:
        transaction_s: from request to answer, s, above 0.
    """
    return max(1, int(PERIOD_S / transaction_s + 1e-9) - 1)


class LinkTurns:
    """The turns on one link; used from the event loop only.

    How long a transaction takes is learned from every pressure that is read. Until the first one, one cycle runs; and
    none before `begin`.
    """

    def __init__(self) -> None:
        self.looks = asyncio.Lock()
        """Held while the watch of a tank looks: one look at a time, so that a cycle's sample waits for one at most."""
        self._transaction_s: float | None = None
        self._begun = False
        self._running = 0
        self.given = 0
        """Turns given so far: whoever waits sees from it that others come to their end."""
        self._urgent: deque[asyncio.Future[None]] = deque()
        self._waiting: deque[asyncio.Future[None]] = deque()

    def begin(self) -> None:
        """The link is free: at a start every valve is told to shut, which can keep a slow one busy for long."""
        self._begun = True
        self._let_in()

    def took(self, transaction_s: float) -> None:
        """A pressure was read.

        Args:
            transaction_s: from request to answer, s.
        """
        before_s = self._transaction_s
        self._transaction_s = transaction_s if before_s is None else before_s + _WEIGHT * (transaction_s - before_s)
        if self._waiting or self._urgent:
            self._let_in()

    async def take(self, *, urgent: bool) -> None:
        """Wait for a turn: those with an alarm's level to read first, then in the order of asking.

        A wait that is cancelled leaves nothing behind.

        Args:
            urgent: an alarm's level may have been passed.
        """
        turn = asyncio.get_running_loop().create_future()
        queue = self._urgent if urgent else self._waiting
        queue.append(turn)
        self._let_in()
        try:
            await turn
        except asyncio.CancelledError:
            if turn.done() and not turn.cancelled():
                self.give_back()
            else:
                queue.remove(turn)
            raise

    def give_back(self) -> None:
        """Return a turn that was taken."""
        self._running -= 1
        self._let_in()

    def _let_in(self) -> None:
        if not self._begun:
            return
        most = 1 if self._transaction_s is None else cycles_at_once(max(self._transaction_s, 1e-6))
        while self._running < most and (queue := self._urgent or self._waiting):
            self._running += 1
            self.given += 1
            queue.popleft().set_result(None)


class TimedTransmitter:
    """Implements `lungfish.ports.Transmitter`: another one, whose answers tell how long its link takes.

    Args:
        inner: where pressures come from.
        turns: of its link.
    """

    def __init__(self, inner: Transmitter, turns: LinkTurns) -> None:
        self._inner = inner
        self._turns = turns

    async def read(self) -> PressureSample:
        """Take one reading.

        Raises:
            DeviceError: no usable answer.
        """
        sample = await self._inner.read()
        self._turns.took(sample.took_s)
        return sample
