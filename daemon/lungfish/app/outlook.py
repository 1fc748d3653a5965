"""When a site's tanks will be purged, worked out by the same slots that the daemon runs on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from lungfish.app.clock import Stamps
from lungfish.app.schedule import interval_text
from lungfish.app.slots import Slots, slots_of
from lungfish.config.model import Tank
from lungfish.ports import ClockState

__all__ = ["Purge", "outlook", "purges_a_day"]

_DAY_S = 86400.0
_WEEK_S = 7.0 * _DAY_S
"""What a schedule asks for differs from weekday to weekday."""


@dataclass(frozen=True, slots=True)
class Purge:
    """One purge to come."""

    at_utc_s: float
    """When, s since 1970-01-01 UTC."""
    why: str
    """In words."""


@dataclass(slots=True)
class _SetClock:
    """Monotonic time that is set."""

    now_s: float = 0.0

    def monotonic_s(self) -> float:
        return self.now_s

    async def sleep_until(self, at_s: float) -> None:
        self.now_s = max(self.now_s, at_s)


@dataclass(slots=True)
class _Unheard:
    """Nobody is told anything."""

    stamps: Stamps
    told: list[str] = field(default_factory=list)

    def event(self, kind: str, text: str, *, tank: str | None = None) -> None:
        self.told.append(f"{kind} {tank} {text}")


def outlook(tank: Tank, timezone: str, begin_utc_s: float, duration_s: float) -> Iterator[Purge]:
    """Purges of a tank, oldest first, as if lungfish were started at the beginning and each took no time.

    Neither what the level does nor what a hold-off contact says is foreseen.

    Args:
        tank: the tank.
        timezone: of its site, IANA name.
        begin_utc_s: the beginning, s since 1970-01-01 UTC.
        duration_s: how far to look, s.
    """
    clock = _SetClock()
    stamps = Stamps("", clock, lambda: begin_utc_s + clock.now_s, lambda: ClockState.UNKNOWN)
    slots = slots_of(tank, timezone, _Unheard(stamps), 0.0)
    first = True
    if slots.out_of_service:
        clock.now_s = slots.next_slot(0.0)[0]
    while clock.now_s < duration_s:
        slots.began(clock.now_s)
        why = slots.why if isinstance(slots, Slots) and not first else f"every {interval_text(tank.every_s)}"
        yield Purge(begin_utc_s + clock.now_s, "the first" if first else why)
        first = False
        clock.now_s, _ = slots.next_slot(clock.now_s)


def purges_a_day(tank: Tank, timezone: str, begin_utc_s: float) -> float:
    """Purges that timer and schedule ask for in a day, as the mean of a week; a rest out of service is not in it.

    Args:
        tank: the tank.
        timezone: of its site, IANA name.
        begin_utc_s: when the week begins, s since 1970-01-01 UTC.
    """
    if tank.schedule.plain:
        return _DAY_S / tank.every_s
    in_service = replace(tank, schedule=replace(tank.schedule, out_of_service=None))
    return sum(1 for _ in outlook(in_service, timezone, begin_utc_s, _WEEK_S)) * _DAY_S / _WEEK_S
