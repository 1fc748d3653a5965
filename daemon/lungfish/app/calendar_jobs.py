"""Work that follows the calendar: the air ledger's midnight and retention. Measuring never does.

The scheduler decides by the wall clock and sleeps by the monotonic one, so a stepped clock would leave it asleep: a
watch notices the step and wakes it.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from concurrent.futures import Future
from datetime import UTC, date, datetime, timedelta
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.cron import CronTrigger

from lungfish.app.clock import StepWatch
from lungfish.app.journal import Journal
from lungfish.ports import Clock, Stamp

__all__ = ["CalendarJobs", "Upkeep"]

_KEEP_TRACES_DAYS = 400
"""Pressure traces are kept for a year and a bit, readings for ever."""
_LOOK_EVERY_S = 1.0


class Upkeep(Protocol):
    """What the store does by the calendar."""

    def put_air_day(self, day: date, zone: Any) -> Future[bool]:  # noqa: ANN401 - a tzinfo of any kind
        """Fill a day of the air ledger."""
        ...

    def prune(self, at: Stamp, zone: Any, *, traces_before: date | None = None) -> Future[Any]:  # noqa: ANN401 - as above
        """Remove what is old."""
        ...


class CalendarJobs:
    """Midnight and retention in the site's time zone, and the watch over the wall clock.

    Args:
        upkeep: the store.
        timezone: IANA name.
        journal: where clock steps go.
        clock: monotonic time.
        scheduler: for tests; None makes one.
        on_step: called after each step of the wall clock.
    """

    def __init__(
        self,
        upkeep: Upkeep,
        timezone: str,
        journal: Journal,
        clock: Clock,
        scheduler: Any = None,  # noqa: ANN401 - the library is untyped
        on_step: Callable[[], None] | None = None,
    ) -> None:
        self._upkeep = upkeep
        self._zone = ZoneInfo(timezone)
        self._journal = journal
        self._clock = clock
        self._watch = StepWatch(journal.stamps)
        self._on_step = on_step
        self._scheduler = scheduler or AsyncIOScheduler(timezone=self._zone)

    def start(self) -> None:
        """Set the jobs, and do at once what a daemon that was down at midnight has missed."""
        self._daily(self.close_air_day, hour=0, minute=0, second=5)
        self._daily(self.retention, hour=3, minute=30, second=0)
        self._scheduler.start()
        self.close_air_day()

    def stop(self) -> None:
        """Set no more."""
        self._scheduler.shutdown(wait=False)

    def _daily(self, job: Callable[[], None], **at: int) -> None:
        trigger = CronTrigger(timezone=self._zone, **at)
        self._scheduler.add_job(job, trigger, misfire_grace_time=None, coalesce=True, max_instances=1)

    def close_air_day(self) -> None:
        """Fill yesterday's line of the air ledger; doing it twice changes nothing."""
        self._upkeep.put_air_day(self._today() - timedelta(days=1), self._zone)

    def retention(self) -> None:
        """Remove traces that are old."""
        before = self._today() - timedelta(days=_KEEP_TRACES_DAYS)
        self._upkeep.prune(self._journal.stamps.now(), self._zone, traces_before=before)

    async def watch_clock(self) -> None:
        """Look once a second whether the wall clock was stepped; tell it and wake the scheduler. Never ends."""
        while True:
            await self._clock.sleep_until(self._clock.monotonic_s() + _LOOK_EVERY_S)
            self.look_at_clock()

    def look_at_clock(self) -> None:
        """Look now."""
        step_s = self._watch.step_s()
        if step_s is None:
            return
        way = "forward" if step_s > 0 else "back"
        self._journal.event(
            "clock-step",
            f"the wall clock was stepped {way} by {abs(step_s):.1f} s; measuring goes by another clock, unmoved",
            level=logging.WARNING,
        )
        self._scheduler.wakeup()
        if self._on_step is not None:
            self._on_step()

    def _today(self) -> date:
        return datetime.fromtimestamp(self._journal.stamps.now().utc_s, UTC).astimezone(self._zone).date()
