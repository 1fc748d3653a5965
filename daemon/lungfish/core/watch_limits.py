"""How many purges the watch may ask for: never more than the timer makes itself, and fewer after false calls."""

from __future__ import annotations

__all__ = ["EarlyPurges"]

_SAVED_UP = 6.0
"""Early purges that may follow each other at once, after as many intervals without one."""
_MOST_DOUBLINGS = 4


class EarlyPurges:
    """Counts early purges. Over any time since the start there are at most as many as the timer's own, and one.

    Args:
        timer_s: the timer's interval from purge to purge, s.
    """

    def __init__(self, timer_s: float) -> None:
        self._timer_s = timer_s
        self._left = 1.0
        self._counted_s: float | None = None
        self._false = 0
        self._not_before_s = float("-inf")

    def begin(self, t_s: float) -> None:
        """Count from here, the first time that it is called.

        Args:
            t_s: monotonic time, s.
        """
        self._save_up(t_s)

    def held(self, t_s: float) -> str | None:
        """Why no early purge may be made now; None: it may.

        Args:
            t_s: monotonic time, s.
        """
        self._save_up(t_s)
        if t_s < self._not_before_s:
            return f"the last early purge found nothing, so the next may come in {self._not_before_s - t_s:.0f} s"
        if self._left < 1.0:
            return "early purges have been as many as the timer's own"
        return None

    def ended(self, t_s: float, *, false: bool) -> None:
        """Note an early purge.

        Args:
            t_s: monotonic time of its end, s.
            false: it found less than half the step, or no level.
        """
        self._save_up(t_s)
        self._left -= 1.0
        self._false = self._false + 1 if false else 0
        if false:
            self._not_before_s = t_s + self._timer_s * 2.0 ** (min(self._false, _MOST_DOUBLINGS) - 1)

    def _save_up(self, t_s: float) -> None:
        if self._counted_s is not None:
            self._left = min(_SAVED_UP, self._left + max(0.0, t_s - self._counted_s) / self._timer_s)
        self._counted_s = t_s
