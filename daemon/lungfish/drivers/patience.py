"""When to try again: a host that does not take the connection, a unit that does not answer. Pure arithmetic."""

from __future__ import annotations

__all__ = ["Backoff", "UnitPatience"]

_FIRST_DELAY_S = 0.25
_LONGEST_DELAY_S = 5.0
_LONGEST_QUIET_S = 0.25
_STRIKES = 3
_HOLD_TIMEOUTS = 10.0


class Backoff:
    """Delays between attempts to connect: none, then 0.25 s, doubling to 5 s; none again after a good answer.

    Success is an answer, not a connection: a host that accepts and closes at once, or that speaks something else on
    that port, would else be called without end.
    """

    def __init__(self) -> None:
        self.next_at_s = float("-inf")
        """No attempt before this moment, monotonic, s."""
        self._delay_s = 0.0

    def failed(self, now_s: float) -> None:
        """No connection came about, or it ended, or brought garbage, before it carried an answer."""
        self.next_at_s = now_s + self._delay_s
        self._delay_s = min(max(2 * self._delay_s, _FIRST_DELAY_S), _LONGEST_DELAY_S)

    def succeeded(self) -> None:
        """An answer came."""
        self.next_at_s = float("-inf")
        self._delay_s = 0.0


class UnitPatience:
    """How long one unit is left alone after it did not answer.

    After each time-out it is left quiet for half the time-out (at most 0.25 s): behind a gateway a late serial reply
    can then run out instead of being taken for the answer to the next request. From the third time-out in a row on
    it is held off for ten time-outs, so that a dead unit takes at most a tenth of the link's time from the others.

    Args:
        timeout_s: The link's time-out, s.
    """

    def __init__(self, timeout_s: float) -> None:
        self._timeout_s = timeout_s
        self.strikes = 0
        """Requests in a row that got no answer."""
        self.quiet_until_s = float("-inf")
        """Nothing is sent to it before this moment, monotonic, s."""
        self.held_until_s = float("-inf")
        """Reads are answered for it, as timed out, before this moment, monotonic, s."""

    def timed_out(self, now_s: float) -> None:
        """No answer came."""
        self.strikes += 1
        self.quiet_until_s = now_s + min(self._timeout_s / 2, _LONGEST_QUIET_S)
        if self.strikes >= _STRIKES:
            self.held_until_s = now_s + _HOLD_TIMEOUTS * self._timeout_s

    def answered(self) -> None:
        """It is alive."""
        self.strikes = 0
        self.quiet_until_s = self.held_until_s = float("-inf")
