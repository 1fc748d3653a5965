"""When the next cycle starts: slots from start to start on the monotonic clock, never a queue of missed ones."""

from __future__ import annotations

import math

from lungfish.core.reading import Reading

__all__ = ["Pacing"]

_ON_TIME_S = 1.0
"""Less than this from its slot, a cycle keeps its place."""

_ROUNDING = 1e-9
"""Share of a period by which a slot may seem past because of floating point alone."""


class Pacing:
    """The slots of one tank.

    Args:
        first_s: monotonic start of the first cycle.
        every_s: from slot to slot, s, above 0.
    """

    def __init__(self, first_s: float, every_s: float) -> None:
        self._first_s = first_s
        self._every_s = every_s
        self._number = 0
        self._due_s = first_s

    @property
    def out_of_service(self) -> bool:
        """Never: that needs a schedule."""
        return False

    def began(self, now_s: float, *, after_others: bool = False) -> None:
        """A cycle begins. One that begins before its slot moves the slots, so that none comes hard upon it.

        Args:
            now_s: monotonic time.
            after_others: it had to wait for other tanks on its link. That moves the slots too: tanks that are due at
                once are spread from then on, and their watches need not stand back for each other in every slot.
        """
        if now_s < self._due_s - _ON_TIME_S or (after_others and now_s > self._due_s + _ON_TIME_S):
            self._first_s, self._number, self._due_s = now_s, 0, now_s

    def found(self, reading: Reading) -> None:
        """Take in what a cycle found: here nothing follows from it.

        Args:
            reading: of any quality.
        """

    def next_slot(self, now_s: float) -> tuple[float, int]:
        """Move on to the next slot that is not past.

        Args:
            now_s: monotonic time; the cycle of the present slot is over.

        Returns:
            Monotonic moment of the slot, and how many slots before it were missed.
        """
        expected = self._number + 1
        self._number = max(expected, math.ceil((now_s - self._first_s) / self._every_s - _ROUNDING))
        self._due_s = self._first_s + self._number * self._every_s
        return self._due_s, self._number - expected
