"""A plug that comes while the daemon runs: blown free, or given up after the tries that the site file allows."""

from __future__ import annotations

import asyncio
import math
import random
from concurrent.futures import Future
from pathlib import Path

import pytest

from lungfish.config import Site, load_site_text
from lungfish.ports import ReadingRecord, Stamp
from lungfish.rig.virtual_loop import run_virtual
from tests.app.test_with_store import StoreKeeper, opened
from tests.app.virtual_site import HEAD, TANK, MemoryKeeper, VirtualSite

CLEAR = "{pressure: 1.6 bar, pulses: 3, pulse: 15 s, rest: 20 s, tries: 2, between: 20 min, delay: 1 s}"
LIMIT_PA = 160e3
EVERY_S = 600.0


def site_with(clear: str | None = CLEAR, *, tanks: int = 1, span: str = "150 kPa", overload: str = "2 bar") -> Site:
    text = HEAD.format(simultaneous=1)
    for number in range(tanks):
        tank = TANK.format(name=f"t{number}", unit=number + 1, every=f"{EVERY_S:g} s", max_open="60 s")
        text += tank.replace("40 kPa]}", f"{span}], overload: {overload}}}")
        text += f"    clear: {clear}\n" if clear else ""
    return load_site_text(text, Path())


async def live(
    site: VirtualSite, holds_pa: float, hours: float, *, after_s: float = 1500.0, left_share: float = 1.0
) -> VirtualSite:
    """Run with a plug that comes after a while; it gives way at a difference of pressure, if ever."""

    async def plug() -> None:
        await asyncio.sleep(after_s)
        faults = site.plants["t0"].faults
        faults.plug_left_share = left_share
        faults.plug_holds_pa = holds_pa

    plugging = asyncio.create_task(plug())
    assert await site.run_for(3600.0 * hours)
    await plugging
    return site


def blown(site: VirtualSite) -> list[ReadingRecord]:
    return [row for row in site.keeper.of("t0") if "blown down" in str(row.evidence["sentences"])]


def assert_safe(site: VirtualSite) -> None:
    assert site.plants["t0"].highest_pa <= LIMIT_PA
    assert site.any_open() == []
    assert site.most_open() == 1
    for row in blown(site):
        assert (row.quality, row.level_m) == ("bad", None)


@pytest.mark.parametrize("holds_pa", [35e3, 80e3])
def test_a_plug_that_gives_way_is_cleared_and_told_so(holds_pa: float) -> None:
    site = run_virtual(live_new(holds_pa, 3.0))
    told = site.keeper.told("clearing")
    assert told[0].startswith("try 1 of 2 within 24 h begins, for 2 cycles running said `tube_plugged`")
    assert told[-1].startswith("result of the try: cleared; before it `tube_plugged`, now `ok`"), told
    last = site.keeper.of("t0")[-1]
    assert last.quality == "good"
    assert last.level_m == pytest.approx(1.5, abs=0.01)
    assert_safe(site)


def test_a_plug_that_holds_is_given_up_after_the_tries_of_the_day_and_that_is_told_once() -> None:
    site = run_virtual(live_new(500e3, 12.0))
    told = site.keeper.told("clearing")
    assert len(site.keeper.tries) == 2
    assert sum(text.startswith("given up for now: 2 of 2 tries") for text in told) == 1
    assert not any("cleared" in text for text in told)
    assert {row.quality for row in site.keeper.of("t0")[-10:]} == {"bad"}
    assert_safe(site)


def test_the_next_day_it_is_tried_again() -> None:
    site = run_virtual(live_new(500e3, 26.0))
    starts_s = [at.monotonic_s for _, at in site.keeper.tries]
    assert len(starts_s) > 2
    assert all(third - first >= 86400.0 for first, third in zip(starts_s, starts_s[2:], strict=False))
    assert_safe(site)


def test_without_the_section_nothing_is_blown() -> None:
    site = run_virtual(live_new(35e3, 3.0, clear=None))
    assert site.keeper.told("clearing") == []
    assert site.keeper.tries == []
    assert blown(site) == []


def test_a_plug_that_leaves_a_narrow_tip_is_better_not_cleared() -> None:
    site = run_virtual(live_new(80e3, 3.0, left_share=0.03))
    results = [text for text in site.keeper.told("clearing") if text.startswith("result")]
    assert results[0].startswith("result of the try: better; before it `tube_plugged`, now `tube_restricted`"), results
    assert_safe(site)


async def live_new(holds_pa: float, hours: float, *, clear: str | None = CLEAR, left_share: float = 1.0) -> VirtualSite:
    return await live(VirtualSite(site_with(clear)), holds_pa, hours, left_share=left_share)


def test_a_blow_valve_of_its_own_blows_and_the_purge_valve_does_not() -> None:
    valve = "valve: {link: panel, unit: 1, coil: 7, max_open: 20 s}, flow: 4 L/min, supply: 1.4 bar"
    site = run_virtual(live_new(80e3, 3.0, clear=CLEAR.replace("}", f", {valve}}}")))
    assert site.keeper.told("clearing")[-1].startswith("result of the try: cleared")
    blows_s = site.opened_s("t0 (blow valve)")
    assert blows_s
    (row,) = blown(site)
    first_s, last_s = blows_s[0] - 30.0, row.at.monotonic_s
    assert not any(first_s < at_s < last_s for at_s in site.opened_s("t0"))
    assert_safe(site)


def test_whoever_shuts_valves_from_outside_knows_the_blow_valve_by_the_name_that_the_daemon_arms() -> None:
    clear = CLEAR.replace("}", ", valve: {link: panel, unit: 1, coil: 7, max_open: 20 s}, flow: 4 L/min}")

    async def names() -> set[str]:
        site = VirtualSite(site_with(clear, tanks=1))
        return {valve.called for loop in site.daemon.loops.values() for valve in loop.valves}

    assert run_virtual(names()) == set(site_with(clear, tanks=1).valves)


def test_every_pulse_stands_in_the_air_that_was_used() -> None:
    site = run_virtual(live_new(500e3, 4.0))
    open_s = [row.purge_s for row in blown(site)]
    assert len(open_s) == 2
    assert open_s[0] > 1.0
    opened_s = sum(shut.at_s - opened.at_s for opened, shut in zip(site.moves[::2], site.moves[1::2], strict=True))
    assert math.fsum(row.purge_s for row in site.keeper.of("t0")) == pytest.approx(opened_s, rel=0.02)


def test_nothing_is_blown_while_a_valve_is_not_known_to_be_shut() -> None:
    """Another hand opens it just before the try, and it can't be shut for a while."""

    class Busy(MemoryKeeper):
        site: VirtualSite

        def put_clearing_try(self, tank: str, at: Stamp) -> Future[bool]:
            if not self.tries:
                self.site.plants[tank].command(True)
                self.site.links[tank].deaf_to_shut = True
                later = asyncio.get_running_loop().call_later
                later(20.0, lambda: setattr(self.site.links[tank], "deaf_to_shut", False))
            return super().put_clearing_try(tank, at)

    async def main() -> VirtualSite:
        keeper = Busy()
        keeper.site = VirtualSite(site_with(), keeper=keeper)
        return await live(keeper.site, 80e3, 1.0)

    site = run_virtual(main())
    told = site.keeper.told("clearing")
    assert told[1] == "not blown down, for a valve of the tank is not confirmed shut", told
    assert not any(text.startswith("the tube was blown down") for text in told[:2])
    assert site.any_open() == []


def test_what_can_t_be_counted_is_not_blown() -> None:
    class Forgetful(MemoryKeeper):
        def clearing_tries(self, tank: str) -> None:
            return None

    site = run_virtual(live_on(Forgetful()))
    assert blown(site) == []
    assert site.keeper.told("clearing") == ["not blown down, for the store can't say how often it was tried"]


@pytest.mark.parametrize("answers", [True, False])
def test_a_disk_that_fails_or_does_not_answer_means_no(answers: bool) -> None:
    class Failing(MemoryKeeper):
        def put_clearing_try(self, tank: str, at: Stamp) -> Future[bool]:
            future: Future[bool] = Future()
            if answers:
                future.set_result(False)
            return future

    site = run_virtual(live_on(Failing()))
    assert blown(site) == []
    assert site.keeper.told("clearing")[0] == "not blown down, for the store can't keep count of the tries"


async def live_on(keeper: MemoryKeeper) -> VirtualSite:
    return await live(VirtualSite(site_with(), keeper=keeper), 500e3, 3.0)


def test_a_crash_loop_is_no_blowing_loop(tmp_path: Path) -> None:
    """Dies at a random moment, again and again, for most of a day: never more than two tries in it."""
    path, dice = tmp_path / "site.db", random.Random(4)
    begun: list[float] = []
    lived_s = 0.0

    async def life(keeper: StoreKeeper, after_s: float, lasts_s: float) -> VirtualSite:
        loop = asyncio.get_running_loop()
        await asyncio.sleep(after_s)  # the computer's clock goes on from life to life
        site = VirtualSite(site_with(), keeper=keeper)
        site.plants["t0"].advance(loop.time())
        site.plants["t0"].faults.plug_holds_pa = 500e3
        running = asyncio.create_task(site.daemon.run(site.stop))
        await asyncio.sleep(lasts_s)
        keeper.dead = True
        running.cancel()
        with pytest.raises(asyncio.CancelledError):
            await running
        return site

    for _ in range(40):
        lasts_s = dice.choice([dice.uniform(1.0, 200.0), dice.uniform(600.0, 660.0), dice.uniform(1200.0, 1300.0)])
        with opened(path) as keeper:
            site = run_virtual(life(keeper, lived_s, lasts_s))
            assert site.plants["t0"].highest_pa <= LIMIT_PA
            begun = [at.monotonic_s for at in keeper.clearing_tries("t0") or ()]
        lived_s += lasts_s
    assert lived_s > 3600.0 * 4
    assert len(begun) == 2, "tried no more than allowed, and not never"
