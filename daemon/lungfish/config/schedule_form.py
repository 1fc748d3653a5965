"""The form of what says when a tank is purged besides `every`: calendar, movement, hold-off inputs, out of service."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from lungfish.config.contact_form import ContactForm
from lungfish.config.fields import Quantity
from lungfish.config.sections import Section
from lungfish.units import DURATION, LENGTH, SPEED

__all__ = ["FasterForm", "HoldOffForm", "OutOfServiceForm", "ScheduleForm"]

_Every = Annotated[float, Quantity(DURATION, "5 s", "7 day")]


class ScheduleForm(Section):
    """Hours with purges of their own, or moments at which one is due; in the site's time zone."""

    from_: Annotated[str | None, Field(alias="from")] = None
    """Local time at which the hours begin, in quotes: "06:00"."""
    to: str | None = None
    """Local time at which they end, in quotes; "24:00" is the end of the day, and less than `from` the next morning."""
    days: str | None = None
    """Days on which they begin, such as `mon-fri` or `mon,wed,sat-sun`; every day by default."""
    every: _Every | None = None
    """Longest time between the starts of two purges in these hours; shorter than the tank's own `every`."""
    cron: str | None = None
    """Instead of hours: five fields of crontab(5), such as "0 */2 * * *"; a purge is due at each moment that fits."""


class FasterForm(Section):
    """Purges come closer together while the level moves, or is near an alarm limit."""

    every: _Every
    """Longest time between the starts of two purges then."""
    near: Annotated[float | None, Quantity(LENGTH, "5 mm", "5 m")] = None
    """It is near when a level of `alarms` lies within this of it; needs such a level."""
    moving: Annotated[float | None, Quantity(SPEED, "1 mm/h", "10 m/min")] = None
    """It moves when two good readings differ by this much for their distance in time, and by more than their noise."""


class HoldOffForm(ContactForm):
    """A contact that postpones a purge while it says yes."""

    active: Literal["high", "low"] = "high"
    """`low`: the bit is 0 when the contact says yes; high by default."""
    at_most: Annotated[float, Quantity(DURATION, "10 s", "12 h")] = 1800.0
    """The purge comes all the same this long after it was due; 30 min by default."""


class OutOfServiceForm(Section):
    """No purge until a moment; lungfish goes on by itself then."""

    reason: Annotated[str, Field(min_length=1, max_length=200)]
    """For those who wonder later."""
    until: str
    """Local date and time at which it ends, in quotes: "2026-12-01 08:00"."""
