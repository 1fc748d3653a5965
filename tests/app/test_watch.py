"""The watch in the whole daemon, in virtual time: when it purges before the timer, and when it must not."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import pytest

from lungfish.config import AlarmLimits, Site
from lungfish.config.schedule_model import FasterSpec, Schedule
from lungfish.core.air_budget import Limits
from lungfish.rig.plant import Plant
from lungfish.rig.virtual_loop import run_virtual
from tests.app.virtual_site import VirtualSite, site_of

STILL_M = 1.5


def lived(
    site: Site,
    duration_s: float,
    level_m: Callable[[float], float],
    change: Callable[[VirtualSite], None] | None = None,
) -> VirtualSite:
    async def main() -> VirtualSite:
        virtual = VirtualSite(site, level_m=level_m)
        if change is not None:
            change(virtual)
        await virtual.run_for(duration_s)
        return virtual

    return run_virtual(main())


def without_watch(site: Site) -> Site:
    return replace(site, tanks={name: replace(tank, watch=None) for name, tank in site.tanks.items()})


def storm(t_s: float) -> float:
    """5 mm/s from 900 s on."""
    return STILL_M + 0.005 * min(200.0, max(0.0, t_s - 900.0))


def test_a_storm_is_purged_for_within_seconds_and_its_reason_is_told() -> None:
    """50 mm take 10 s; with a look every 5 s the purge begins at most 15 s later."""
    site = lived(site_of(1), 1150.0, storm)
    early_s = next(at_s for at_s in site.opened_s() if at_s > 900.0)
    assert early_s < 925.0
    assert any(text.startswith("the level may have risen by ") for text in site.keeper.told("watch"))
    row = next(row for row in site.keeper.of("t0") if row.at.monotonic_s > 900.0)
    assert row.level_m == pytest.approx(storm(row.at.monotonic_s), abs=0.02)


def test_without_the_watch_the_timer_alone_rules_and_the_transmitter_is_left_in_peace() -> None:
    site = lived(without_watch(site_of(1)), 1150.0, storm)
    assert len(site.opened_s()) == 2
    resting = [at_s for at_s in site.transmitters["t0"].asked_s if 100.0 < at_s < 590.0]
    assert resting == []


def test_a_quiet_day_has_no_purge_beyond_the_timer_s() -> None:
    site = lived(site_of(1), 86_390.0, lambda _t_s: STILL_M)
    assert len(site.opened_s()) == 144
    assert site.keeper.told("watch") == [] or all("blind" in text for text in site.keeper.told("watch"))


def test_what_it_estimates_is_never_kept_as_a_level() -> None:
    site = lived(site_of(1), 1150.0, storm)
    assert len(site.keeper.of("t0")) == len(site.opened_s())


def test_a_leak_of_50_pa_s_purges_at_most_twice_as_often_as_the_timer() -> None:
    def leaky(virtual: VirtualSite) -> None:
        plant: Plant = virtual.plants["t0"]
        space = plant.params.tube_length_m * 5.03e-5 + plant.params.line_length_m * 1.26e-5
        capacity = space + 115_000.0 * 5.03e-5 / 9_790.0
        plant.faults.extra_leak_pa_m3_s_pa = 50.0 * capacity / 13_700.0

    site = lived(site_of(1), 21_590.0, lambda _t_s: STILL_M, leaky)
    assert 36 <= len(site.opened_s()) <= 72


def test_a_link_that_falls_silent_while_it_rests_is_no_reading_and_no_alarm() -> None:
    async def main() -> VirtualSite:
        virtual = VirtualSite(site_of(1), level_m=lambda _t_s: STILL_M)
        running = asyncio.create_task(virtual.daemon.run(virtual.stop))
        await asyncio.sleep(700.0)
        virtual.links["t0"].silent = True
        await asyncio.sleep(300.0)
        virtual.links["t0"].silent = False
        await asyncio.sleep(300.0)
        virtual.stop.set()
        await running
        return virtual

    site = run_virtual(main())
    assert [row.diagnosis for row in site.keeper.of("t0")] == ["ok", "ok", "ok"]
    assert not any("may have" in text for text in site.keeper.told("watch"))


def with_alarm(site: Site, high_m: float, limits: Limits | None = None) -> Site:
    tanks = {
        name: replace(tank, alarms=AlarmLimits(high_m=high_m), budget=limits or tank.budget)
        for name, tank in site.tanks.items()
    }
    return replace(site, tanks=tanks)


def seen_after_s(site: VirtualSite, high_m: float) -> float:
    """From the true passing in `storm` to the moment at which a reading at or above the level was there."""
    row = next(row for row in site.keeper.of("t0") if row.level_m is not None and row.level_m >= high_m)
    # the row is true for the shutting of the valve; the shut-in that follows lasts 8 s at most
    return row.at.monotonic_s + 8.0 - (900.0 + (high_m - STILL_M) / 0.005)


@pytest.mark.parametrize("high_m", [1.75, 1.9, 2.0, 2.11, 2.23])
def test_an_alarm_s_level_that_a_storm_passes_has_its_reading_though_the_air_is_spent(high_m: float) -> None:
    """Two purges an hour are used up before the storm: without the alarm there would be no reading in it at all."""
    spent = Limits(purges_per_hour=2, rest_s=2.0)
    assert 0.0 < seen_after_s(lived(with_alarm(site_of(1), high_m, spent), 1150.0, storm), high_m) <= 15.0
    with pytest.raises(StopIteration):
        seen_after_s(lived(with_alarm(site_of(1), 9.0, spent), 1150.0, storm), high_m)


def test_a_level_that_swings_about_an_alarm_s_level_does_not_spend_air_for_ever() -> None:
    """Waves of 120 mm and two minutes, about the limit, for half a day, beside a timer of ten minutes."""

    def level_m(t_s: float) -> float:
        return STILL_M - 0.06 * math.cos(2.0 * math.pi * t_s / 120.0)

    site = lived(with_alarm(site_of(1), STILL_M), 43_190.0, level_m)
    assert len(site.opened_s()) <= 3 * 72 + 11  # the timer's, the watch's own, and as many for the alarm


@pytest.mark.parametrize(("high_m", "every_s"), [(1.65, 120.0), (1.8, 600.0)])
def test_near_an_alarm_s_level_purges_come_closer_together(high_m: float, every_s: float) -> None:
    """Within 200 mm of it every two minutes, else every ten; the level stands still at 1.5 m."""
    near = Schedule(faster=FasterSpec(every_s=120.0, moving_m_s=None, near_m=0.2))
    site = with_alarm(site_of(1), high_m)
    site = replace(site, tanks={name: replace(tank, schedule=near) for name, tank in site.tanks.items()})
    opened_s = lived(site, 3590.0, lambda _t_s: STILL_M).opened_s()
    assert [b - a for a, b in pairwise(opened_s)] == pytest.approx([every_s] * (len(opened_s) - 1), abs=5.0)
    assert len(opened_s) == 3600.0 / every_s
