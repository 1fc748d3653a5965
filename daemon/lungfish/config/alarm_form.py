"""The form of `alarms`: levels and speeds that somebody must be told of."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from lungfish.config.fields import Quantity
from lungfish.config.sections import Section
from lungfish.units import DURATION, LENGTH, SPEED

__all__ = ["AlarmsForm"]

_Level = Annotated[float, Quantity(LENGTH, "0 m", "100 m")]
_Speed = Annotated[float, Quantity(SPEED, "1 mm/h", "10 m/min")]


class AlarmsForm(Section):
    """Alarm limits of a tank; a purge comes at once when the level may have passed one of the levels."""

    high_high: Annotated[_Level | None, Field(alias="high-high")] = None
    """Level above the tank floor from which it is far too high; none by default."""
    high: _Level | None = None
    """Level above the tank floor from which it is too high; none by default."""
    low: _Level | None = None
    """Level above the tank floor from which down it is too low; none by default."""
    low_low: Annotated[_Level | None, Field(alias="low-low")] = None
    """Level above the tank floor from which down it is far too low; none by default."""
    rising: _Speed | None = None
    """Speed from which it rises too fast, such as 50 mm/min; none by default."""
    falling: _Speed | None = None
    """Speed from which it falls too fast; none by default."""
    deadband: Annotated[float, Quantity(LENGTH, "0 mm", "1 m")] = 0.02
    """A level must come back past a limit by this much for the alarm to be over; 20 mm by default."""
    delay: Annotated[float, Quantity(DURATION, "0 s", "1 h")] = 0.0
    """A limit must be passed for so long; 0 s by default."""
