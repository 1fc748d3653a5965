"""When a tank is purged besides `every`, as frozen values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from lungfish.config.model import SwitchSpec

__all__ = ["EVERY_ALONE", "FasterSpec", "HoldOffSpec", "OutOfServiceSpec", "Schedule", "WindowSpec"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowSpec:
    """Hours of the local day with an interval of their own."""

    from_min: int
    """Begin, minutes after local midnight, 0 to 1439."""
    to_min: int
    """End, minutes after the same midnight, 1 to 2879; from 1440 on it lies on the next day."""
    days: frozenset[int]
    """Weekdays on which it begins, Monday 0; never empty."""
    every_s: float
    """Longest time between the starts of two purges in it, s."""
    text: str
    """As it is told, such as `mon-fri 06:00 to 22:00`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FasterSpec:
    """Purges closer together while the level moves, or is near an alarm limit."""

    every_s: float
    """Longest time between two starts then, s."""
    moving_m_s: float | None
    """Speed from which the level counts as moving, either way, m/s; None: no matter how fast."""
    near_m: float | None
    """Distance from an alarm's level within which it counts as near, m; None: no matter how near."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldOffSpec:
    """A contact that postpones a purge while it says yes."""

    name: str
    """Name in the site file, such as `mixer`."""
    switch: SwitchSpec
    """Where it is read."""
    at_most_s: float
    """The purge comes all the same this long after it was due, s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OutOfServiceSpec:
    """No purge until a moment."""

    reason: str
    """In the site file's words."""
    until_utc_s: float
    """Its end, s since 1970-01-01 UTC."""
    until: str
    """The same as it is told, in local time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """What there is besides `every`; by default nothing."""

    windows: tuple[WindowSpec, ...] = ()
    """Hours with an interval of their own; where they overlap, the shortest holds."""
    crons: tuple[str, ...] = ()
    """Five fields of crontab(5) each, weekdays as names."""
    faster: FasterSpec | None = None
    """Purges closer together while the level moves; None: never."""
    hold_off: tuple[HoldOffSpec, ...] = ()
    """What postpones a purge."""
    out_of_service: OutOfServiceSpec | None = None
    """No purge until a moment; None: in service."""
    stagger: float = 0.0
    """Share of an interval by which its slots are moved, above 0 to 1; 0: not moved."""

    def shortest_s(self, every_s: float) -> float:
        """The shortest interval that may hold, s.

        Args:
            every_s: the tank's own, s.
        """
        faster_s = [] if self.faster is None else [self.faster.every_s]
        return min([every_s, *faster_s, *(window.every_s for window in self.windows)])

    @property
    def plain(self) -> bool:
        """Purges follow `every` alone, by monotonic time."""
        return not (self.windows or self.crons or self.faster or self.hold_off or self.out_of_service or self.stagger)


EVERY_ALONE: Final = Schedule()
"""Nothing besides `every`."""
