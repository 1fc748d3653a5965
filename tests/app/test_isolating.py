"""An isolating valve: the supply's whole pressure blows, and the transmitter never sees more than it bears."""

from __future__ import annotations

import asyncio
import math
import random
from pathlib import Path

import pytest

from lungfish.config import Site, load_site_text
from lungfish.ports import ReadingRecord
from lungfish.rig.virtual_loop import run_virtual
from tests.app.virtual_site import HEAD, TANK, MemoryKeeper, VirtualSite

BEARS_PA = 200e3
SUPPLY_PA = 300e3
ISOLATE = (
    "isolate: {link: panel, unit: 1, coil: 7, shut: {link: panel, unit: 1, input: 2}, "
    "safe: {link: panel, unit: 1, input: 3}}"
)


def site_with(isolate: str = ISOLATE, *, every: str = "10 min") -> Site:
    tank = TANK.format(name="t0", unit=1, every=every, max_open="60 s")
    text = HEAD.format(simultaneous=1) + tank.replace("40 kPa]}", "150 kPa], overload: 2 bar}")
    extra = f", {isolate}" if isolate else ""
    clear = f"{{pressure: 3.4 bar, pulses: 4, pulse: 20 s, rest: 5 s, tries: 3, between: 20 min, delay: 1 s{extra}}}"
    return load_site_text(f"{text}    clear: {clear}\n", Path())


def rows(site: VirtualSite) -> list[ReadingRecord]:
    return site.keeper.of("t0")


def blown(site: VirtualSite) -> list[ReadingRecord]:
    return [row for row in rows(site) if "blown down" in str(row.evidence["sentences"])]


async def live(site: VirtualSite, hours: float, holds_pa: float = 0.0, after_s: float = 1500.0) -> VirtualSite:
    def plug() -> None:
        site.plants["t0"].faults.plug_holds_pa = holds_pa

    if holds_pa:
        asyncio.get_running_loop().call_later(after_s, plug)
    assert await site.run_for(3600.0 * hours)
    assert site.any_open() == []
    if site.site.tanks["t0"].isolate is not None:
        assert not site.plants["t0"].isolator_coil, "a stop leaves it shut"
    return site


async def live_new(hours: float, holds_pa: float = 0.0, isolate: str = ISOLATE) -> VirtualSite:
    return await live(VirtualSite(site_with(isolate)), hours, holds_pa)


def test_a_sound_tube_is_measured_with_the_transmitter_on_it() -> None:
    site = run_virtual(live_new(2.0))
    assert {row.quality for row in rows(site)} == {"good"}
    assert all(row.level_m == pytest.approx(1.5, abs=0.01) for row in rows(site))
    assert [move.is_open for move in site.isolating_moves] == [True, False]
    assert blown(site) == []


def test_what_only_more_than_the_transmitter_bears_can_clear_is_cleared_with_it_and_not_without() -> None:
    holds_pa = 240e3
    bounded = run_virtual(live_new(4.0, holds_pa, isolate=""))
    assert blown(bounded)
    assert rows(bounded)[-1].quality == "bad"
    assert bounded.plants["t0"].highest_pa <= BEARS_PA
    site = run_virtual(live_new(4.0, holds_pa))
    assert site.plants["t0"].highest_pa <= BEARS_PA
    assert site.keeper.told("clearing")[-1].startswith("result of the try: cleared")
    assert rows(site)[-1].level_m == pytest.approx(1.5, abs=0.01)


def test_a_plug_that_holds_the_supply_leaves_it_cut_off_and_no_level_until_the_tube_is_let_down() -> None:
    async def main() -> tuple[VirtualSite, int]:
        site = VirtualSite(site_with())
        counts: list[int] = []

        def let_down() -> None:
            plant = site.plants["t0"]
            assert plant.tube_gauge_pa > BEARS_PA, "the plug holds what was blown in"
            assert plant.isolated
            counts.append(len(rows(site)))
            plant.faults.plug_holds_pa = 0.0

        asyncio.get_running_loop().call_later(6 * 3600.0, let_down)
        await live(site, 8.0, 1e6)
        return site, counts[0]

    site, count = run_virtual(main())
    assert site.plants["t0"].highest_pa <= BEARS_PA
    cut_off = rows(site)[count - 5 : count]
    assert {(row.quality, row.level_m, row.purge_s) for row in cut_off} == {("bad", None, 0.0)}
    assert "above what the transmitter bears" in str(cut_off[-1].evidence["sentences"])
    assert len(site.keeper.told("isolating")) == 1, "told once"
    assert rows(site)[-1].level_m == pytest.approx(1.5, abs=0.01)


@pytest.mark.parametrize("stuck", [True, False])
def test_one_that_sticks_is_not_blown_behind(stuck: bool) -> None:
    async def main() -> VirtualSite:
        site = VirtualSite(site_with())
        site.plants["t0"].faults.isolator_stuck = stuck
        return await live(site, 4.0, 240e3)

    site = run_virtual(main())
    assert blown(site) == []
    assert site.plants["t0"].highest_pa <= BEARS_PA
    if stuck:  # open: it measures, but cuts nothing off
        assert rows(site)[0].quality == "good"
        assert "told to shut and does not say so" in str(site.keeper.told("clearing"))
    else:
        assert {row.quality for row in rows(site)} == {"bad"}
        assert site.opened_s() == [], "nothing is purged that can't be seen"


def test_one_that_shuts_in_the_middle_of_a_cycle_leaves_no_level() -> None:
    """What it shuts in stands still as a plateau does."""

    async def main() -> VirtualSite:
        site = VirtualSite(site_with())

        def shut() -> None:
            site.plants["t0"].faults.isolator_stuck = False

        def watch() -> None:
            if len(rows(site)) == 3 and site.plants["t0"].coil:
                asyncio.get_running_loop().call_later(0.3, shut)
            else:
                asyncio.get_running_loop().call_later(0.1, watch)

        watch()
        return await live(site, 1.0)

    site = run_virtual(main())
    assert [row.quality for row in rows(site)[:3]] == ["good"] * 3
    assert {(row.quality, row.level_m) for row in rows(site)[3:]} == {("bad", None)}


@pytest.mark.parametrize("which", ["shut", "safe"])
def test_without_the_answers_of_its_contacts_nothing_is_measured_or_blown(which: str) -> None:
    async def main() -> VirtualSite:
        site = VirtualSite(site_with())
        links = site.isolating_links if which == "shut" else site.safe_links
        links["t0"].silent = True
        await site.run_for(3600.0)
        return site

    site = run_virtual(main())
    assert {row.quality for row in rows(site)} == {"bad"}
    assert site.opened_s() == []


def lived_at_random(seed: int) -> VirtualSite:
    """Plugs come and go, the valve sticks where it stands, its link falls silent, the daemon dies and starts again."""
    rng = random.Random(seed)
    keeper = MemoryKeeper()

    async def life(before: VirtualSite | None, after_s: float, lasts_s: float, dies: bool) -> VirtualSite:
        await asyncio.sleep(after_s)
        isolate = ISOLATE if seed % 4 else ""
        site = VirtualSite(site_with(isolate, every="5 min"), keeper=keeper)
        plant = site.plants["t0"]
        if before is None:
            plant.faults.extra_leak_pa_m3_s_pa = rng.choice([0.0, 1e-7, 3e-6])
            plant.faults.plug_left_share = rng.choice([1.0, 0.05])
            plant.faults.flow_factor = rng.uniform(0.7, 1.4)
        else:
            plant.__dict__.update(before.plants["t0"].__dict__)
            if dies and isolate and rng.random() < 0.5:
                plant.command_isolator(False)  # the panel has dropped its outputs
            plant.command(False)

        def disturb() -> None:
            faults, link = plant.faults, site.isolating_links["t0"]
            match rng.randrange(6):
                case 0 | 1:
                    faults.plug_holds_pa = rng.choice([0.0, 10.0 ** rng.uniform(4.0, 5.6), 1e6])
                case 2:
                    faults.isolator_stuck = not plant.isolated if isolate else None
                case 3:
                    faults.isolator_stuck = None
                case 4:
                    link.silent = not link.silent
                case _:
                    site.safe_links["t0"].silent, link.silent = rng.random() < 0.3, False
            asyncio.get_running_loop().call_later(rng.uniform(60.0, 1500.0), disturb)

        asyncio.get_running_loop().call_later(rng.uniform(300.0, 1000.0), disturb)
        running = asyncio.create_task(site.daemon.run(site.stop))
        await asyncio.sleep(lasts_s)
        if dies:
            running.cancel()
            with pytest.raises(asyncio.CancelledError):
                await running
        else:
            site.stop.set()
            await running
        return site

    site, lived_s = None, 0.0
    for _ in range(3):
        lasts_s = rng.uniform(1200.0, 6000.0)
        site = run_virtual(life(site, lived_s, lasts_s, rng.random() < 0.5))
        lived_s += lasts_s + 30.0
    assert site is not None
    return site


def test_whatever_happens_the_transmitter_never_sees_more_than_it_bears() -> None:
    tried, most_pa, tube_pa = 0, -math.inf, 0.0
    for seed in range(7):
        site = lived_at_random(seed)
        plant = site.plants["t0"]
        assert plant.highest_pa <= BEARS_PA, seed
        for row in rows(site):
            if row.quality == "good":
                assert abs((row.level_m or 0.0) - 1.5) <= max(0.02, 1.5 * (row.level_u_m or 0.0)), (seed, row)
        tried += len(site.keeper.tries)
        most_pa = max(most_pa, plant.highest_pa)
        tube_pa = max(tube_pa, plant.tube_gauge_pa)
    assert tried > 10, "else it would hold for want of trying"
    assert most_pa > 0.4 * BEARS_PA
    assert tube_pa > BEARS_PA, "a tube stood above it, behind the shut valve"


@pytest.mark.campaign
@pytest.mark.timeout(3000)
def test_three_hundred_lives() -> None:
    most_pa = max(lived_at_random(seed).plants["t0"].highest_pa for seed in range(300))
    print(f"300 lives; at most {most_pa / BEARS_PA:.3f} of what the transmitter bears")
    assert most_pa <= BEARS_PA
