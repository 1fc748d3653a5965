"""Calendar work: local midnight in the site's own time zone, and a scheduler that a clock step wakes."""

from __future__ import annotations

from concurrent.futures import Future
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from apscheduler.triggers.cron import CronTrigger

from lungfish.app.calendar_jobs import CalendarJobs
from lungfish.app.clock import LoopClock, Stamps
from lungfish.app.journal import Journal
from lungfish.ports import ClockState, Stamp
from lungfish.rig.virtual_loop import run_virtual
from tests.app.virtual_site import MemoryKeeper


class NotedScheduler:
    def __init__(self) -> None:
        self.jobs: list[tuple[Any, CronTrigger, dict[str, object]]] = []
        self.woken = 0
        self.running = False

    def add_job(self, job: object, trigger: CronTrigger, **how: object) -> None:
        self.jobs.append((job, trigger, how))

    def start(self) -> None:
        self.running = True

    def shutdown(self, wait: bool) -> None:
        self.running = wait

    def wakeup(self) -> None:
        self.woken += 1


class NotedUpkeep:
    def __init__(self) -> None:
        self.days: list[tuple[date, str]] = []
        self.pruned: list[tuple[Stamp, date | None]] = []

    def put_air_day(self, day: date, zone: ZoneInfo) -> Future[bool]:
        self.days.append((day, zone.key))
        return Future()

    def prune(self, at: Stamp, _zone: ZoneInfo, *, traces_before: date | None = None) -> Future[None]:
        self.pruned.append((at, traces_before))
        return Future()


class Bench:
    def __init__(self, timezone: str, utc: datetime) -> None:
        self.utc_s = utc.timestamp()
        self.clock = LoopClock()
        self.keeper, self.upkeep, self.scheduler = MemoryKeeper(), NotedUpkeep(), NotedScheduler()
        stamps = Stamps("boot", self.clock, lambda: self.utc_s + self.clock.monotonic_s(), lambda: ClockState.UNKNOWN)
        journal = Journal(self.keeper, stamps)
        self.jobs = CalendarJobs(self.upkeep, timezone, journal, self.clock, self.scheduler)


@pytest.mark.parametrize(
    ("timezone", "utc_hour", "yesterday"),
    [
        ("Europe/London", 4, "2026-06-30"),
        ("Pacific/Auckland", 13, "2026-07-01"),  # there it is 1 o'clock on 2 July
        ("America/Los_Angeles", 4, "2026-06-29"),  # there it is still 30 June
    ],
)
def test_the_air_day_that_has_ended_is_that_of_the_sites_own_zone(timezone: str, utc_hour: int, yesterday: str) -> None:
    async def main() -> None:
        bench = Bench(timezone, datetime(2026, 7, 1, utc_hour, 0, tzinfo=UTC))
        bench.jobs.start()  # also what was missed while the daemon was down
        assert bench.upkeep.days == [(date.fromisoformat(yesterday), timezone)]

    run_virtual(main())


def test_jobs_come_at_local_times_once_a_day_also_when_the_clocks_change_and_missed_ones_are_made_up_once() -> None:
    async def main() -> None:
        bench = Bench("Europe/London", datetime(2026, 3, 27, 12, 0, tzinfo=UTC))
        bench.jobs.start()
        zone = ZoneInfo("Europe/London")
        for _, trigger, how in bench.scheduler.jobs:
            assert how == {"misfire_grace_time": None, "coalesce": True, "max_instances": 1}
            at, fired = datetime(2026, 3, 27, 12, 0, tzinfo=zone), []
            for _ in range(4):
                at = trigger.get_next_fire_time(at, at + timedelta(seconds=1))
                fired.append(at)
            assert [each.date() for each in fired] == [date(2026, 3, day) for day in (28, 29, 30, 31)]
            assert len({each.time() for each in fired}) == 1
        midnight = bench.scheduler.jobs[0][1].get_next_fire_time(None, datetime(2026, 3, 29, 0, 30, tzinfo=zone))
        # the short day, on which British clocks go forward: 23 hours from midnight to midnight
        assert midnight.astimezone(UTC) == datetime(2026, 3, 29, 23, 0, 5, tzinfo=UTC)

    run_virtual(main())


def test_retention_takes_old_traces_and_no_readings() -> None:
    async def main() -> None:
        bench = Bench("UTC", datetime(2026, 7, 1, 4, 0, tzinfo=UTC))
        bench.jobs.retention()
        ((at, before),) = bench.upkeep.pruned
        assert at.utc_s == pytest.approx(bench.utc_s)
        assert before is not None
        assert date(2025, 5, 1) < before < date(2025, 7, 1)  # last summer's traces are still there to compare with

    run_virtual(main())


def test_a_stepped_clock_is_told_and_wakes_the_scheduler() -> None:
    async def main() -> None:
        bench = Bench("UTC", datetime(2026, 7, 1, 4, 0, tzinfo=UTC))
        bench.jobs.look_at_clock()
        assert (bench.scheduler.woken, bench.keeper.events) == (0, [])
        bench.utc_s -= 86400.0
        bench.jobs.look_at_clock()
        assert bench.scheduler.woken == 1
        (text,) = bench.keeper.told("clock-step")
        assert "back by 86400.0 s" in text
        bench.utc_s += 7200.0
        bench.jobs.look_at_clock()
        assert "forward by 7200.0 s" in bench.keeper.told("clock-step")[1]

    run_virtual(main())
