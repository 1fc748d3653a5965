"""When a level may have passed an alarm's: a purge at once, past the caps of the watch and a spent air budget.

What the watch estimates raises no alarm; the reading that it calls for may. So the call comes a little early, and what
is kept here is how often it may come: a level that stands at a limit, or a wave about it, must not spend air for ever.
"""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = ["AlarmCalls", "AlarmLevels"]

_LEAD_S = 1.5
"""From the call to the moment that the reading is true for it takes about so long, or somewhat longer."""
_MAY_HAVE = 2.0
"""Standard uncertainties by which the level may be further than the estimate: a reading too early sharpens it."""
_SAVED_UP = 10.0
"""Calls that may follow each other; as many come back as the timer makes purges."""
_SECOND_REST_S = 5.0
"""A call that found the level short of the limit may come again at once, then after this, then twice this..."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmLevels:
    """Alarm limits of the level; by default none."""

    highs_m: tuple[float, ...] = ()
    """Those that a rising level passes, m above the floor."""
    lows_m: tuple[float, ...] = ()
    """Those that a falling level passes, m above the floor."""
    deadband_m: float = 0.0
    """A level must come back past a limit by this much before it can pass it again, m."""


@dataclass(slots=True)
class _Limit:
    at_m: float
    way: float
    """1: passed upwards, -1: downwards."""
    passed: bool = False
    rest_s: float = 0.0
    not_before_s: float = field(default=float("-inf"))

    def beyond_m(self, level_m: float) -> float:
        """How far beyond the limit a level is; negative: short of it."""
        return self.way * (level_m - self.at_m)


class AlarmCalls:
    """Which passing of an alarm's level calls for a purge.

    Args:
        levels: the limits.
        timer_s: the timer's interval from purge to purge, s.
    """

    def __init__(self, levels: AlarmLevels, timer_s: float) -> None:
        self._limits = [_Limit(at_m, 1.0) for at_m in levels.highs_m] + [_Limit(at_m, -1.0) for at_m in levels.lows_m]
        self._deadband_m = levels.deadband_m
        self._timer_s = timer_s
        self._left = _SAVED_UP
        self._counted_s: float | None = None

    def taken(self, t_s: float, level_m: float | None, *, called: bool) -> None:
        """Take in a reading.

        Args:
            t_s: monotonic time of its end, s.
            level_m: its level above the floor, m; None: it has none.
            called: a call from here had asked for it.
        """
        self._save_up(t_s)
        self._left -= called
        for limit in self._limits:
            if level_m is not None and limit.beyond_m(level_m) >= 0.0:
                limit.passed, limit.rest_s, limit.not_before_s = True, 0.0, float("-inf")
            elif level_m is not None and limit.beyond_m(level_m) < -self._deadband_m:
                limit.passed = False
            if called and not limit.passed:
                limit.not_before_s = t_s + limit.rest_s
                limit.rest_s = min(max(2.0 * limit.rest_s, _SECOND_REST_S), max(self._timer_s, _SECOND_REST_S))

    def call(self, t_s: float, level_m: float, u_m: float, rate_m_s: float) -> str | None:
        """Why a purge is called for now; None: it is not.

        Args:
            t_s: monotonic time, s.
            level_m: best estimate of the level now, m above the floor; it has surely moved since the last reading.
            u_m: standard uncertainty of that movement, m.
            rate_m_s: how fast it moves, up positive, m/s.
        """
        self._save_up(t_s)
        if self._left < 1.0:
            return None
        ahead_m = level_m + _LEAD_S * rate_m_s
        for limit in self._limits:
            if limit.passed or t_s < limit.not_before_s or limit.way * rate_m_s <= 0.0:
                continue
            if limit.beyond_m(ahead_m) + _MAY_HAVE * u_m >= 0.0:
                return f"the level may have passed the alarm at {limit.at_m:g} m"
        return None

    def _save_up(self, t_s: float) -> None:
        if self._counted_s is not None:
            self._left = min(_SAVED_UP, self._left + max(0.0, t_s - self._counted_s) / self._timer_s)
        self._counted_s = t_s
