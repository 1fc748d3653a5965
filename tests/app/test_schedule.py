"""The schedule as a calculator: fixed times on both daylight changes in two time zones.

The changes are those of the IANA time zone database for 2026 (tzdata, rules EU and US): in Europe/London on 29 March
at 01:00 UTC forward and on 25 October at 01:00 UTC back; in America/New_York on 8 March at 07:00 UTC forward and on
1 November at 06:00 UTC back. The expected times are worked out from these by hand.
"""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from lungfish.app.pacing import Pacing
from lungfish.app.schedule import Calendar, bridged
from lungfish.app.slots import is_moving
from lungfish.config.schedule_model import Schedule, WindowSpec

LONDON, NEW_YORK = "Europe/London", "America/New_York"
ALL_DAYS = frozenset(range(7))
HOUR = 3600.0


def utc(text: str) -> float:
    return datetime.fromisoformat(f"2026-{text}").replace(tzinfo=UTC).timestamp()


def told(at_s: float | None) -> str:
    assert at_s is not None
    return f"{datetime.fromtimestamp(at_s, UTC):%m-%d %H:%M}"


def window(begin: int, end: int, every_s: float, days: frozenset[int] = ALL_DAYS) -> WindowSpec:
    return WindowSpec(from_min=begin, to_min=end, days=days, every_s=every_s, text="hours")


def fires(zone: str, cron: str, begin: str, number: int) -> list[str]:
    calendar = Calendar(Schedule(crons=(cron,)), 86400.0, zone)
    at_s, found = utc(begin), []
    for _ in range(number):
        after_s = calendar.fire_after(0, at_s)
        assert after_s is not None
        found.append(told(after_s))
        at_s = after_s
    return found


def test_the_zone_database_of_this_computer_has_the_changes_that_the_expected_times_rest_on() -> None:
    for zone, change, before_h, after_h in (
        (LONDON, "03-29 01:00", 0, 1),
        (LONDON, "10-25 01:00", 1, 0),
        (NEW_YORK, "03-08 07:00", -5, -4),
        (NEW_YORK, "11-01 06:00", -4, -5),
    ):
        offsets = []
        for at_s in (utc(change) - 1.0, utc(change)):
            offset = datetime.fromtimestamp(at_s, ZoneInfo(zone)).utcoffset()
            assert offset is not None
            offsets.append(offset.total_seconds())
        assert offsets == [before_h * HOUR, after_h * HOUR]


@pytest.mark.parametrize(
    ("zone", "cron", "begin", "expected"),
    [
        # every hour: every hour of real time, on the short night and on the long one
        (LONDON, "30 * * * *", "03-28 23:45", ["03-29 00:30", "03-29 01:30", "03-29 02:30"]),
        (LONDON, "30 * * * *", "10-24 23:45", ["10-25 00:30", "10-25 01:30", "10-25 02:30"]),
        (NEW_YORK, "30 * * * *", "03-08 05:45", ["03-08 06:30", "03-08 07:30", "03-08 08:30"]),
        (NEW_YORK, "30 * * * *", "11-01 04:45", ["11-01 05:30", "11-01 06:30", "11-01 07:30"]),
        # once a day, in the hour that is left out: as much later, and the next day at its time
        (LONDON, "30 1 * * *", "03-28 12:00", ["03-29 01:30", "03-30 00:30"]),
        (NEW_YORK, "30 2 * * *", "03-07 12:00", ["03-08 07:30", "03-09 06:30"]),
        # once a day, in the hour that comes twice: once, the first time
        (LONDON, "30 1 * * *", "10-24 12:00", ["10-25 00:30", "10-26 01:30"]),
        (NEW_YORK, "30 1 * * *", "10-31 12:00", ["11-01 05:30", "11-02 06:30"]),
        # every second hour, by the clock on the wall
        (LONDON, "0 */2 * * *", "03-28 22:30", ["03-29 00:00", "03-29 01:00", "03-29 03:00"]),
        (LONDON, "0 */2 * * *", "10-24 22:30", ["10-24 23:00", "10-25 02:00", "10-25 04:00"]),
        (NEW_YORK, "0 */2 * * *", "03-08 04:30", ["03-08 05:00", "03-08 07:00", "03-08 08:00"]),
        (NEW_YORK, "0 */2 * * *", "11-01 03:30", ["11-01 04:00", "11-01 07:00", "11-01 09:00"]),
    ],
)
def test_cron_forms_over_the_daylight_changes(zone: str, cron: str, begin: str, expected: list[str]) -> None:
    assert fires(zone, cron, begin, len(expected)) == expected


@pytest.mark.parametrize(
    ("zone", "begin", "expected"),
    [
        # 00:30 to 03:00 local, every 20 min; outside, every 2 h
        (LONDON, "03-28 23:00", [f"03-29 {hour}" for hour in ("00:30", "00:50", "01:10", "01:30", "01:50", "03:50")]),
        (LONDON, "10-24 22:00", ["10-24 23:30", "10-24 23:50"]),
        (NEW_YORK, "03-08 05:00", [f"03-08 {hour}" for hour in ("05:30", "05:50", "06:10", "06:30", "06:50", "08:50")]),
        (NEW_YORK, "11-01 04:00", ["11-01 04:30", "11-01 04:50"]),
    ],
)  # fmt: skip
def test_hours_over_the_daylight_changes(zone: str, begin: str, expected: list[str]) -> None:
    calendar = Calendar(Schedule(windows=(window(30, 180, 1200.0),)), 2 * HOUR, zone)
    at_s, found = utc(begin), []
    for _ in expected:
        at_s = calendar.regular(at_s).at_s
        found.append(told(at_s))
    assert found == expected


def test_the_long_night_s_hours_are_an_hour_longer_than_any_other_night_s() -> None:
    for zone, evening, change in ((LONDON, "10-24 22:00", "10-25 02:50"), (NEW_YORK, "11-01 03:00", "11-01 07:50")):
        calendar = Calendar(Schedule(windows=(window(30, 180, 1200.0),)), 2 * HOUR, zone)
        at_s, begins = utc(evening), []
        while told(at_s) < change:
            at_s = calendar.regular(at_s).at_s
            begins.append(at_s)
        gaps = {round(b - a) for a, b in pairwise(begins)}
        assert gaps == {1200}
        assert len(begins) >= (3 * 60 + 30) // 20  # 00:30 to 03:00, an hour of it twice


def test_hours_on_weekdays_that_run_over_midnight() -> None:
    friday = window(22 * 60, 30 * 60, 600.0, frozenset({4}))
    calendar = Calendar(Schedule(windows=(friday,)), HOUR, "UTC")
    # 13 November 2026 is a Friday
    assert told(calendar.regular(utc("11-13 21:30")).at_s) == "11-13 22:00"
    assert told(calendar.regular(utc("11-14 05:40")).at_s) == "11-14 05:50"
    assert told(calendar.regular(utc("11-14 05:50")).at_s) == "11-14 06:50"  # 06:00 is no more in it
    assert told(calendar.regular(utc("11-14 21:30")).at_s) == "11-14 22:30"  # Saturday: no hours begin


def test_every_holds_whatever_the_hours_are_and_the_shortest_interval_wins() -> None:
    both = Schedule(windows=(window(0, 1440, 600.0), window(60, 120, 300.0)), stagger=0.5)
    calendar = Calendar(both, HOUR, "UTC")
    assert told(calendar.regular(utc("11-13 00:30")).at_s) == "11-13 00:40"
    assert told(calendar.regular(utc("11-13 01:10")).at_s) == "11-13 01:15"
    alone = Calendar(Schedule(), HOUR, "UTC")
    assert alone.regular(utc("11-13 00:30")).at_s == utc("11-13 01:30")


def test_tanks_that_enter_their_hours_together_do_so_one_after_the_other() -> None:
    begins = []
    for share in (0.25, 0.5, 0.75, 1.0):
        calendar = Calendar(Schedule(windows=(window(60, 120, 600.0),), stagger=share), HOUR, "UTC")
        begins.append(told(calendar.regular(utc("11-13 00:50")).at_s))
    assert begins == ["11-13 01:02", "11-13 01:05", "11-13 01:07", "11-13 01:10"]


@pytest.mark.parametrize("whole", [0.5, 0.7, 1.0, 1.01, 1.5, 2.0, 2.0001, 7.3])
def test_parts_of_a_bridged_gap_are_neither_bunched_nor_starved(whole: float) -> None:
    gap, parts = bridged(whole, 1.0)
    assert gap * parts == pytest.approx(whole)
    assert 0.5 <= gap <= 1.0 + 1e-9


def test_a_level_moves_when_it_moves_by_more_than_its_noise() -> None:
    rate = 0.1 / HOUR  # 100 mm an hour
    still = [(600.0 * n, 2.0 + 0.001 * (-1) ** n, 0.001) for n in range(6)]
    assert not is_moving(still, rate, least_apart_s=300.0)
    rising = [(600.0 * n, 2.0 + 0.02 * n, 0.001) for n in range(3)]
    assert is_moving(rising, rate, least_apart_s=300.0)
    falling = [(at_s, -level_m, u_m) for at_s, level_m, u_m in rising]
    assert is_moving(falling, rate, least_apart_s=300.0)
    assert not is_moving([(at_s, level_m, 0.02) for at_s, level_m, _ in rising], rate, least_apart_s=300.0)
    # readings a minute apart differ by noise at once, and are held against one further back
    dense = [(60.0 * n, 2.0 + 0.002 * (n % 2), 0.0005) for n in range(12)]
    assert not is_moving(dense, rate, least_apart_s=300.0)
    assert not is_moving(rising[:1], rate, least_apart_s=300.0)


def test_an_early_purge_moves_the_slots_so_that_none_comes_hard_upon_it() -> None:
    pacing = Pacing(0.0, 600.0)
    pacing.began(0.0)
    assert pacing.next_slot(20.0) == (600.0, 0)
    pacing.began(590.0)  # the watch asked for it
    assert pacing.next_slot(610.0) == (1190.0, 0)
    pacing.began(1190.0)
    assert pacing.next_slot(1210.0) == (1790.0, 0)
    pacing.began(1789.5)  # on time, within what a timer may be off
    assert pacing.next_slot(1810.0) == (2390.0, 0)
