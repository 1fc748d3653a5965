"""A tank's schedule as a calculator: from wall time to when the next purge is due and why. It reads no clock.

The calendar library runs jobs by the wall clock and freezes when that is stepped back, so none of its timers is used
here: only its answer to "when does this form come next".
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from apscheduler.triggers.cron import CronTrigger

from lungfish.config.schedule_model import Schedule, WindowSpec

__all__ = ["Calendar", "Due", "bridged", "interval_text"]

_LOOK_BACK = (timedelta(hours=1), timedelta(days=1), timedelta(days=32), timedelta(days=367), timedelta(days=1500))
_JUST_AFTER = timedelta(microseconds=1)
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Due:
    """When a purge is due."""

    at_s: float
    """On the clock that was asked about, s."""
    why: str
    """In words."""


class Calendar:
    """One tank's schedule in its site's time zone.

    Args:
        schedule: what there is besides `every`.
        every_s: longest time between two starts, s.
        timezone: IANA name.
    """

    def __init__(self, schedule: Schedule, every_s: float, timezone: str) -> None:
        self._schedule = schedule
        self._every_s = every_s
        self._zone = ZoneInfo(timezone)
        self._triggers = [CronTrigger.from_crontab(text, timezone=self._zone) for text in schedule.crons]

    def regular(self, last_utc_s: float, *, faster: str = "") -> Due:
        """When the next purge is due by intervals: never later than `every` after the last.

        Args:
            last_utc_s: when the last one began, s since 1970-01-01 UTC.
            faster: why the shorter interval of `faster` holds; empty when it does not.
        """
        best = Due(last_utc_s + self._every_s, f"every {interval_text(self._every_s)}")
        spec = self._schedule.faster
        if faster and spec is not None:
            best = Due(last_utc_s + spec.every_s, f"{faster}, every {interval_text(spec.every_s)}")
        for window in self._schedule.windows:
            for begin_s, end_s in self._spans(window, last_utc_s, best.at_s):
                at_s = last_utc_s + window.every_s
                if last_utc_s < begin_s:
                    at_s = max(at_s, begin_s + self._schedule.stagger * window.every_s)
                if at_s < min(end_s, best.at_s):
                    best = Due(at_s, f"{window.text}, every {interval_text(window.every_s)}")
        return best

    def _spans(self, window: WindowSpec, from_utc_s: float, to_utc_s: float) -> Iterator[tuple[float, float]]:
        """Begin and end of the window on each day that could matter."""
        day = datetime.fromtimestamp(from_utc_s, self._zone).date() - timedelta(days=2)
        last = datetime.fromtimestamp(to_utc_s, self._zone).date()
        while day <= last:
            if day.weekday() in window.days:
                # a time that comes twice: from its first to its last; one that the clocks leave out: as much later
                begin_s, end_s = self._utc_s(day, window.from_min, 0), self._utc_s(day, window.to_min, 0)
                yield begin_s, max(end_s, self._utc_s(day, window.to_min, 1))
            day += timedelta(days=1)

    def _utc_s(self, day: date, minutes: int, fold: int) -> float:
        local = datetime(day.year, day.month, day.day) + timedelta(minutes=minutes)  # noqa: DTZ001 - local time; its zone follows
        return local.replace(tzinfo=self._zone, fold=fold).timestamp()

    @property
    def crons(self) -> tuple[str, ...]:
        """The cron forms, in the order in which they are numbered below."""
        return self._schedule.crons

    def fire_after(self, number: int, utc_s: float) -> float | None:
        """The next moment that fits a cron form; None when there is none.

        A local time that comes twice when the clocks go back fires twice only if the form asks for purges no further
        apart than that anyway; a daily one does not fire again.

        Args:
            number: of the form.
            utc_s: the moment must be later, s since 1970-01-01 UTC.
        """
        trigger = self._triggers[number]
        # asked in UTC: the library's own local arithmetic loses which of two equal times is meant
        found = trigger.get_next_fire_time(None, datetime.fromtimestamp(utc_s, UTC) + _JUST_AFTER)
        if found is None:
            return None
        at_s: float = found.timestamp()
        if found.fold:
            again_s = at_s - found.replace(fold=0).timestamp()
            following = trigger.get_next_fire_time(None, found.astimezone(UTC) + _JUST_AFTER)
            if following is None or following.timestamp() - at_s > again_s:
                return None if following is None else float(following.timestamp())
        return at_s

    def fire_before(self, number: int, utc_s: float) -> float | None:
        """The last moment before another that fits a cron form; None when there was none in four years.

        Args:
            number: of the form.
            utc_s: the moment must be earlier, s since 1970-01-01 UTC.
        """
        for back in _LOOK_BACK:
            found, at_s = None, self.fire_after(number, utc_s - back.total_seconds())
            while at_s is not None and at_s < utc_s:
                found, at_s = at_s, self.fire_after(number, at_s)
            if found is not None:
                return found
        return None

    def bridge(self, number: int, last_utc_s: float, now_utc_s: float) -> tuple[float, bool] | None:
        """After the clock was stepped: the next purge for a cron form, neither bunched with the last nor starved.

        Args:
            number: of the form.
            last_utc_s: when the last purge for it began, as the clock counts now.
            now_utc_s: now.

        Returns:
            When, as the clock counts now, and whether it is a moment of the form; None when it never comes again.
        """
        fire_s = self.fire_after(number, now_utc_s)
        if fire_s is None:
            return None
        before_s = self.fire_before(number, fire_s)
        interval_s = fire_s - before_s if before_s is not None else self._every_s
        if fire_s - last_utc_s < interval_s / 2.0:
            following_s = self.fire_after(number, fire_s)
            if following_s is None:
                return None
            fire_s, interval_s = following_s, following_s - fire_s
        gap_s, parts = bridged(fire_s - last_utc_s, interval_s)
        return last_utc_s + gap_s, parts == 1


def bridged(whole_s: float, interval_s: float) -> tuple[float, int]:
    """Divide a time into the fewest equal parts that are no longer than an interval; none is below half of it.

    Args:
        whole_s: at least half the interval, s.
        interval_s: above 0, s.

    Returns:
        One part, s, and how many.
    """
    parts = max(1, math.ceil(whole_s / interval_s - _ROUNDING))
    return whole_s / parts, parts


def interval_text(seconds: float) -> str:
    """A duration as a person writes it.

    Args:
        seconds: above 0.
    """
    for size, unit in ((86400.0, "day"), (3600.0, "h"), (60.0, "min")):
        if seconds >= size and seconds % size == 0.0:
            return f"{seconds / size:g} {unit}"
    return f"{seconds:g} s"
