"""The whole daemon by a schedule, in virtual time: hours, moments, spread, hold-off, out of service, clock steps."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import pytest

from lungfish.app.calendar_jobs import CalendarJobs
from lungfish.app.clock import LoopClock
from lungfish.config import Site, load_site_text
from lungfish.core.setup import CycleSetup, Learned
from lungfish.drivers.build import build_devices
from lungfish.errors import DeviceTimeout
from lungfish.ports import Clock, SwitchSeen
from lungfish.rig.virtual_loop import run_virtual
from tests.app.scripted import ScriptedCycle
from tests.app.stepped import Step, random_steps
from tests.app.test_calendar import NotedScheduler, NotedUpkeep
from tests.app.virtual_site import HEAD, TANK, VirtualSite

HOUR = 3600.0
UNWATCHED = '    watch: "off"\n'
CONTACT = "{link: panel, unit: 1, input: 4, at_most: 20 min}"


def site_with(keys: str, *, every: str = "1 h", tanks: int = 1, air: str = "", zone: str = "Europe/London") -> Site:
    text = (
        HEAD.format(simultaneous=1).replace("Europe/London", zone).replace("simultaneous: 1", f"simultaneous: 1{air}")
    )
    for number in range(tanks):
        text += TANK.format(name=f"t{number}", unit=number + 1, every=every, max_open="60 s") + UNWATCHED + keys
    return load_site_text(text, Path())


def scripted(_setup: CycleSetup, _learned: Learned) -> ScriptedCycle:
    return ScriptedCycle()


def begun(site: VirtualSite, at: str) -> None:
    """Let the wall clock begin at a moment of 2026, UTC."""
    site.utc_offset_s = datetime.fromisoformat(f"2026-{at}").replace(tzinfo=UTC).timestamp()


def slots_min(site: VirtualSite, tank: str = "t0") -> list[int]:
    """Minutes at which it was purged; a scripted cycle opens a second after its slot."""
    return [round((at_s - 1.0) / 60.0) for at_s in site.opened_s(tank)]


@dataclass
class Contact:
    """Says yes from a moment to another, unless nobody is there."""

    clock: Callable[[], Clock]
    spans: list[tuple[float, float]] = field(default_factory=list)
    silent: bool = False

    async def read(self) -> SwitchSeen:
        now_s = self.clock().monotonic_s()
        if self.silent:
            raise DeviceTimeout("no answer")
        return SwitchSeen(at_s=now_s, active=any(begin <= now_s < end for begin, end in self.spans))


def test_hours_and_moments_come_by_the_wall_clock_of_the_site() -> None:
    async def main() -> VirtualSite:
        keys = '    schedule: [{from: "06:00", to: "06:30", every: 10 min}, {cron: "15 7 * * *"}]\n'
        site = VirtualSite(site_with(keys), make_cycle=scripted)
        begun(site, "07-01 04:20")  # 05:20 in London
        await site.run_for(4 * HOUR)
        return site

    # 05:20, 06:00, 06:10, 06:20, then an hour after the last unless the moment comes first
    assert slots_min(run_virtual(main())) == [0, 40, 50, 60, 115, 175, 235]


def test_tanks_are_purged_at_start_up_and_then_spread_over_their_interval_never_further_apart_than_it() -> None:
    async def main() -> VirtualSite:
        site = VirtualSite(site_with("", tanks=4, air=", stagger: true"), make_cycle=scripted)
        await site.run_for(5 * HOUR)
        return site

    site = run_virtual(main())
    for number in range(4):
        minutes = slots_min(site, f"t{number}")
        assert minutes[0] == 0
        assert minutes[1:] == [15 * (number + 1) + 60 * hour for hour in range(len(minutes) - 1)]
        assert max(b - a for a, b in pairwise(minutes)) <= 60


def held(spans: list[tuple[float, float]], *, silent: bool = False, duration_s: float = 3 * HOUR) -> VirtualSite:
    async def main() -> VirtualSite:
        contact = Contact(lambda: site.clock, spans, silent)
        keys = f"    hold_off: {{mixer: {CONTACT}}}\n"
        site = VirtualSite(site_with(keys), make_cycle=scripted, hold_off={"t0": {"mixer": contact}})
        await site.run_for(duration_s - 60.0)
        return site

    return run_virtual(main())


def test_a_purge_waits_for_a_mixer_and_the_next_one_is_an_hour_after_it() -> None:
    site = held([(HOUR - 60.0, HOUR + 500.0)])
    first_s, second_s, third_s = site.opened_s()
    assert first_s < 2.0
    assert HOUR + 500.0 <= second_s <= HOUR + 507.0
    assert third_s - second_s == pytest.approx(HOUR, abs=1.5)
    assert len(site.keeper.told("hold-off")) == 1


def test_a_mixer_that_never_stops_postpones_a_purge_only_so_long() -> None:
    site = held([(60.0, 99 * HOUR)])
    first_s, second_s, _ = site.opened_s()
    assert second_s - first_s == pytest.approx(HOUR + 1200.0, abs=1.5)
    assert "still says yes after 1200 s" in " ".join(site.keeper.told("hold-off"))


def test_a_contact_that_does_not_answer_postpones_nothing_and_is_told_once() -> None:
    site = held([(60.0, 99 * HOUR)], silent=True)
    assert slots_min(site) == [0, 60, 120]
    (told,) = site.keeper.told("hold-off")
    assert "can't be read" in told


def test_each_contact_of_the_site_file_is_a_device_on_its_link() -> None:
    async def main() -> None:
        keys = "    hold_off: {mixer: {link: panel, unit: 1, input: 4}, pump: {link: panel, unit: 1, coil: 9}}\n"
        devices = build_devices(site_with(keys), LoopClock())
        assert {name: set(contacts) for name, contacts in devices.hold_off.items()} == {"t0": {"mixer", "pump"}}
        await devices.close()

    run_virtual(main())


def test_a_stop_ends_the_wait_for_a_mixer() -> None:
    site = held([(0.0, 99 * HOUR)], duration_s=600.0)
    assert site.opened_s() == []
    assert site.any_open() == []


def test_out_of_service_there_is_no_purge_and_it_ends_by_itself() -> None:
    async def main() -> VirtualSite:
        keys = '    out_of_service: {reason: tube taken out, until: "2026-07-01 12:00"}\n'
        site = VirtualSite(site_with(keys), make_cycle=scripted)
        begun(site, "07-01 08:00")  # 09:00 in London
        await site.run_for(5 * HOUR - 60.0)
        return site

    site = run_virtual(main())
    assert slots_min(site) == [180, 240]
    out, back = site.keeper.told("out-of-service")
    assert "2026-07-01 12:00 BST: tube taken out" in out
    assert "back in service" in back


def test_a_clock_that_is_set_right_while_it_waits_ends_out_of_service_at_the_right_moment() -> None:
    async def main() -> VirtualSite:
        keys = '    out_of_service: {reason: tube taken out, until: "2026-07-01 12:00"}\n'
        site = VirtualSite(site_with(keys), make_cycle=scripted)
        site.utc_offset_s = 0.0  # a board without a battery wakes up in 1970
        right_s = datetime(2026, 7, 1, 8, 0, tzinfo=UTC).timestamp()
        asyncio.get_running_loop().call_later(60.0, set_clock, site, right_s)
        await site.run_for(5 * HOUR - 60.0)
        return site

    assert slots_min(run_virtual(main())) == [180, 240]


def set_clock(site: VirtualSite, offset_s: float) -> None:
    site.utc_offset_s = offset_s
    site.daemon.clock_stepped()


def test_purges_come_closer_together_while_the_level_moves() -> None:
    async def main() -> VirtualSite:
        keys = "    faster: {every: 5 min, moving: 100 mm/h}\n"

        def level_m(t_s: float) -> float:
            return 0.5 + 0.3 * min(2.0, max(0.0, t_s / HOUR - 3.0))  # rises from 3 h to 5 h

        site = VirtualSite(site_with(keys, every="30 min"), level_m=level_m)
        await site.run_for(8 * HOUR)
        return site

    minutes = slots_min(run_virtual(main()))
    gaps = [(b, b - a) for a, b in pairwise(minutes)]
    assert all(gap == 30 for at, gap in gaps if at <= 210)
    assert all(gap == 5 for at, gap in gaps if 240 < at <= 300)
    assert all(gap == 30 for at, gap in gaps if at > 360)


@pytest.mark.parametrize(
    ("zone", "evening"),
    # the evening before each change of 2026 (IANA rules EU and US), UTC; see test_schedule.py for the moments
    [
        ("Europe/London", "03-28 20:00"),
        ("Europe/London", "10-24 20:00"),
        ("America/New_York", "03-08 02:00"),
        ("America/New_York", "11-01 02:00"),
    ],
)
def test_over_a_daylight_change_no_purge_is_missed_or_doubled(zone: str, evening: str) -> None:
    async def main(keys: str, hours: float) -> VirtualSite:
        site = VirtualSite(site_with(keys, every="2 day", zone=zone), make_cycle=scripted)
        begun(site, evening)
        await site.run_for(hours * HOUR)
        return site

    hourly = slots_min(run_virtual(main('    schedule: [{cron: "30 * * * *"}]\n', 12.0)))
    assert hourly == [0, *range(30, 12 * 60, 60)]
    daily = slots_min(run_virtual(main('    schedule: [{cron: "30 1 * * *"}]\n', 72.0)))
    assert len(daily) == 4
    assert all(abs(gap - 24 * 60) <= 60 for gap in (b - a for a, b in pairwise(daily[1:])))
    hours = slots_min(run_virtual(main('    schedule: [{from: "00:00", to: "24:00", every: 20 min}]\n', 12.0)))
    assert hours == [*range(0, 12 * 60, 20)]


def stepped(steps: list[Step], after_s: float) -> VirtualSite:
    async def main() -> VirtualSite:
        keys = '    schedule: [{from: "06:00", to: "22:00", every: 5 min}, {cron: "0 */2 * * *"}]\n'
        site = VirtualSite(site_with(keys), make_cycle=scripted)
        begun(site, "02-10 09:00")
        jobs = CalendarJobs(
            NotedUpkeep(), "UTC", site.journal, site.clock, NotedScheduler(), on_step=site.daemon.clock_stepped
        )
        watching = asyncio.create_task(jobs.watch_clock())
        loop = asyncio.get_running_loop()
        for step in steps:
            loop.call_later(step.at_s, move, site, step.by_s)
        await site.run_for(steps[-1].at_s + after_s)
        watching.cancel()
        return site

    def move(site: VirtualSite, by_s: float) -> None:
        site.utc_offset_s += by_s

    return run_virtual(main())


def check_stepped(number: int) -> None:
    site = stepped(random_steps(7, number, 900.0), 2 * HOUR)
    opened_s = site.opened_s()
    gaps_s = [b - a for a, b in pairwise(opened_s)]
    assert len(site.keeper.told("clock-step")) >= 0.9 * number  # some fall within one look at the clock
    assert max(gaps_s) <= HOUR + 10.0
    # a moment of the cron form may come at any time after a purge of the hours, but no two of the hours together
    ahead = [at_s for at_s, gap_s in zip(opened_s[1:], gaps_s, strict=True) if gap_s < 150.0]
    assert all(b - a >= HOUR - 10.0 for a, b in pairwise(ahead))
    assert site.keeper.told("gap") == []
    assert site.any_open() == []


def test_the_daemon_under_clock_steps() -> None:
    check_stepped(25)


@pytest.mark.campaign
@pytest.mark.timeout(1200)
def test_the_daemon_under_500_clock_steps() -> None:
    check_stepped(500)
