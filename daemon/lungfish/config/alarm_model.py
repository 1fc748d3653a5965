"""Levels and speeds of a tank that somebody must be told of, as frozen values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = ["NO_ALARMS", "AlarmLimits"]


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmLimits:
    """Alarm limits; None: there is none of that kind."""

    high_high_m: float | None = None
    """Level above the floor from which it is far too high, m."""
    high_m: float | None = None
    """Level above the floor from which it is too high, m."""
    low_m: float | None = None
    """Level above the floor from which down it is too low, m."""
    low_low_m: float | None = None
    """Level above the floor from which down it is far too low, m."""
    rising_m_s: float | None = None
    """Speed from which it rises too fast, m/s."""
    falling_m_s: float | None = None
    """Speed from which it falls too fast, m/s; positive."""
    deadband_m: float = 0.02
    """A level must come back past a limit by this much for the alarm to be over, m."""
    delay_s: float = 0.0
    """A limit must be passed for so long, s."""

    @property
    def levels_m(self) -> tuple[float, ...]:
        """The levels among the limits, lowest first, m above the floor."""
        limits = (self.low_low_m, self.low_m, self.high_m, self.high_high_m)
        return tuple(limit for limit in limits if limit is not None)


NO_ALARMS: Final = AlarmLimits()
"""No limit at all."""
