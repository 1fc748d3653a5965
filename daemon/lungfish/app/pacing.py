"""When the next cycle starts: slots from start to start on the monotonic clock, never a queue of missed ones."""

from __future__ import annotations

import math

__all__ = ["Pacing"]

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

    def next_slot(self, now_s: float) -> tuple[float, int]:
        """Move on to the next slot that is not past.

        Args:
            now_s: monotonic time; the cycle of the present slot is over.

        Returns:
            Monotonic moment of the slot, and how many slots before it were missed.
        """
        expected = self._number + 1
        self._number = max(expected, math.ceil((now_s - self._first_s) / self._every_s - _ROUNDING))
        return self._first_s + self._number * self._every_s, self._number - expected
