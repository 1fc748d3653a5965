"""A transmitter whose zero drifts, and a vent valve to see it by: told, widened or taken out, the vent always shut."""

from __future__ import annotations

import asyncio
import re
from itertools import pairwise
from pathlib import Path

import pytest

from lungfish.config import Site, load_site_text
from lungfish.core.zero import Outcome, Source
from lungfish.rig.virtual_loop import run_virtual
from tests.app.virtual_site import HEAD, TANK, MemoryKeeper, VirtualSite

LEVEL_M = 1.5
PA_PER_M = 998.2 * 9.81
HOUR_S = 3600.0


def site_with(vent: str = "{link: panel, unit: 1, coil: 6}", *, inputs: str = "") -> Site:
    tank = TANK.format(name="t0", unit=1, every="10 min", max_open="60 s")
    text = HEAD.format(simultaneous=1) + tank.replace("40 kPa]}", f"40 kPa], vent: {vent}}}")
    return load_site_text(text + (f"    inputs: {inputs}\n" if inputs else ""), Path())


def lived(hours: float, zero_pa: float = 0.0, *, vent: str = "{link: panel, unit: 1, coil: 6}") -> VirtualSite:
    async def main() -> VirtualSite:
        site = VirtualSite(site_with(vent))
        site.plants["t0"].faults.zero_shift_pa = zero_pa
        assert await site.run_for(3600.0 * hours)
        return site

    return run_virtual(main())


def vent_times_s(site: VirtualSite) -> list[float]:
    return site.opened_s("t0 (vent valve)")


def test_a_sound_zero_is_seen_once_at_the_start_and_changes_no_reading() -> None:
    site = lived(2.0)
    (opened_s,) = vent_times_s(site)
    first, second = site.keeper.of("t0")[:2]
    assert first.at.monotonic_s < opened_s < second.at.monotonic_s, "after the first cycle, before the second"
    before, kept = site.keeper.kept_zeros
    assert before.zero.outcome is Outcome.BEGUN
    assert kept.zero.outcome is Outcome.MEASURED
    assert kept.zero.source is Source.VENT
    assert abs(kept.zero.zero_pa or 99.0) < 5.0
    assert kept.zero.came_back is True
    assert site.keeper.told("maintenance") == []
    assert {row.quality for row in site.keeper.of("t0")} == {"good"}
    assert max(abs((row.level_m or 0.0) - LEVEL_M) for row in site.keeper.of("t0")) < 0.01


@pytest.mark.parametrize("zero_pa", [-400.0, 250.0])
def test_a_drift_is_told_for_maintenance_and_widens_every_reading_after_it(zero_pa: float) -> None:
    site = lived(1.0, zero_pa)
    (text,) = site.keeper.told("maintenance")
    shown = re.match(r"with the vent open the transmitter shows ([+-]\d+\.\d) Pa", text)
    assert shown is not None, text
    assert float(shown[1]) == pytest.approx(zero_pa, abs=5.0)
    assert "every reading is widened" in text
    first, *later = site.keeper.of("t0")
    assert len(later) == 5
    for row in later:
        off_m = abs((row.level_m or 0.0) - LEVEL_M)
        assert off_m == pytest.approx(abs(zero_pa) / PA_PER_M, abs=0.01), "nothing is taken out unasked"
        assert off_m < (row.level_u_m or 0.0)
        assert (first.level_u_m or 0.0) < 0.5 * (row.level_u_m or 0.0)


@pytest.mark.parametrize("zero_pa", [-400.0, 250.0])
def test_asked_to_it_takes_the_drift_out_and_says_so_in_each_reading(zero_pa: float) -> None:
    site = lived(1.0, zero_pa, vent="{link: panel, unit: 1, coil: 6, correct: true}")
    _, *later = site.keeper.of("t0")
    for row in later:
        assert row.quality == "good"
        assert row.level_m == pytest.approx(LEVEL_M, abs=0.01)
        zero = row.evidence["zero"]
        assert isinstance(zero, dict)
        assert zero["taken_out_pa"] == pytest.approx(zero_pa, abs=5.0)


def test_more_than_a_fiftieth_of_the_span_is_no_drift_and_is_not_taken_out() -> None:
    site = lived(1.0, 1200.0, vent="{link: panel, unit: 1, coil: 6, correct: true}")
    _, *later = site.keeper.of("t0")
    assert all((row.level_m or 0.0) > LEVEL_M + 0.1 for row in later)
    assert all(abs((row.level_m or 0.0) - LEVEL_M) < (row.level_u_m or 0.0) for row in later)


def test_it_is_checked_again_after_the_stated_time_over_a_restart_too() -> None:
    keeper = MemoryKeeper()

    async def life(hours: float, after_s: float = 0.0) -> VirtualSite:
        await asyncio.sleep(after_s)  # the computer's clock goes on from life to life
        site = VirtualSite(site_with("{link: panel, unit: 1, coil: 6, every: 6 h}"), keeper=keeper)
        await site.run_for(3600.0 * hours)
        return site

    site = run_virtual(life(13.0))
    opened_s = vent_times_s(site)
    assert len(opened_s) == 3
    assert all(later - first >= 6 * HOUR_S for first, later in pairwise(opened_s))
    assert vent_times_s(run_virtual(life(1.0, 13.0 * HOUR_S))) == []


def test_the_vent_is_never_open_with_the_purge_valve_nor_longer_than_it_may() -> None:
    site = lived(14.0, vent="{link: panel, unit: 1, coil: 6, every: 1 h, max_open: 30 s}")
    assert len(vent_times_s(site)) >= 10
    assert site.most_open() == 1
    assert site.longest_open_s() < 30.0
    assert site.any_open() == []


@pytest.mark.parametrize("inputs", ["", "{flow: {link: panel, unit: 9, input: 0}}"])
def test_a_vent_that_sticks_open_leaves_no_level_that_passes_for_good(inputs: str) -> None:
    """With a flow switch air is seen to flow at no pressure, which is what an uncovered tip looks like."""

    async def main() -> VirtualSite:
        site = VirtualSite(site_with(inputs=inputs))
        plant = site.plants["t0"]
        stick = plant.command_vent

        def command(to_open: bool) -> None:
            stick(to_open)
            if to_open:
                plant.faults.vent_stuck = True

        plant.command_vent = command  # type: ignore[method-assign]
        await site.run_for(3600.0)
        return site

    site = run_virtual(main())
    first, *later = site.keeper.of("t0")
    assert first.quality == "good"
    assert {(row.quality, row.level_m) for row in later} == {("bad", None)}
    assert all("transmitter_frozen" in row.diagnosis for row in later)
    assert any("may be stuck open" in text for text in site.keeper.told("maintenance"))


def test_after_a_restart_the_doubt_stands_until_the_tube_s_pressure_is_seen_again() -> None:
    keeper = MemoryKeeper()

    async def first() -> None:
        site = VirtualSite(site_with(), keeper=keeper)
        plant = site.plants["t0"]
        site.daemon.loops["t0"].valve.never_with = ()
        original = plant.command_vent

        def command(to_open: bool) -> None:
            original(to_open)
            plant.faults.vent_stuck = True if to_open else plant.faults.vent_stuck

        plant.command_vent = command  # type: ignore[method-assign]
        await site.run_for(900.0)

    async def second(stuck: bool | None) -> VirtualSite:
        site = VirtualSite(site_with(), keeper=keeper)
        site.plants["t0"].faults.vent_stuck = stuck
        await site.run_for(900.0)
        return site

    run_virtual(first())
    count = len(keeper.of("t0"))
    run_virtual(second(True))
    assert {row.quality for row in keeper.of("t0")[count:]} == {"bad"}
    count = len(keeper.of("t0"))
    run_virtual(second(None))
    assert keeper.of("t0")[-1].level_m == pytest.approx(LEVEL_M, abs=0.02)


def test_whoever_shuts_valves_from_outside_knows_the_vent_by_the_name_that_the_daemon_arms() -> None:
    async def names() -> set[str]:
        site = VirtualSite(site_with())
        return {valve.called for loop in site.daemon.loops.values() for valve in loop.every_valve}

    assert run_virtual(names()) == set(site_with().valves) == {"t0", "t0 (vent valve)"}


def test_a_vent_that_does_not_open_gives_no_zero() -> None:
    async def main() -> VirtualSite:
        site = VirtualSite(site_with("{link: panel, unit: 1, coil: 6, correct: true}"))
        site.plants["t0"].faults.vent_stuck = False
        await site.run_for(1800.0)
        return site

    site = run_virtual(main())
    assert [record.zero.outcome for record in site.keeper.kept_zeros] == [Outcome.BEGUN, Outcome.NOT_MOVED]
    assert all(row.level_m == pytest.approx(LEVEL_M, abs=0.01) for row in site.keeper.of("t0"))
    assert "the valve did not open" in site.keeper.told("maintenance")[0]


def test_while_the_vent_is_not_confirmed_shut_nothing_is_purged() -> None:
    async def main() -> VirtualSite:
        site = VirtualSite(site_with())
        site.vent_links["t0"].silent = True
        await site.run_for(1800.0)
        return site

    site = run_virtual(main())
    assert site.opened_s() == []
    assert {row.quality for row in site.keeper.of("t0")} == {"bad"}
    assert "may be open" in str(site.keeper.of("t0")[0].evidence["sentences"])


def test_a_stop_in_the_middle_of_a_check_shuts_the_vent() -> None:
    async def main() -> VirtualSite:
        site = VirtualSite(site_with())
        shut = await site.run_for(vent_times_s(lived_once)[0] + 1.0)
        assert shut
        return site

    lived_once = lived(0.1)
    site = run_virtual(main())
    assert len(vent_times_s(site)) == 1
    assert site.any_open() == []
    assert [record.zero.outcome for record in site.keeper.kept_zeros] == [Outcome.BEGUN]


def test_a_death_in_the_middle_of_a_check_leaves_the_vent_to_the_next_start_which_shuts_it_first() -> None:
    keeper = MemoryKeeper()
    lived_once = lived(0.1)

    async def main() -> VirtualSite:
        site = VirtualSite(site_with(), keeper=keeper)
        site.plants["t0"].vent_coil = True  # as the dead daemon left it
        await site.run_for(300.0)
        return site

    assert vent_times_s(lived_once)
    site = run_virtual(main())
    assert site.moves[0].tank == "t0 (vent valve)"
    assert not site.moves[0].is_open
    assert site.keeper.of("t0")[0].quality == "good"


@pytest.mark.parametrize("stuck", [True, None])
def test_after_a_death_in_a_check_no_level_counts_until_the_tube_s_pressure_is_seen(stuck: bool | None) -> None:
    keeper = MemoryKeeper()

    async def main(vent_stuck: bool | None, after_s: float, *, dies: bool) -> VirtualSite:
        await asyncio.sleep(after_s)
        site = VirtualSite(site_with(inputs="{flow: {link: panel, unit: 9, input: 0}}"), keeper=keeper)
        site.plants["t0"].faults.vent_stuck = vent_stuck
        running = asyncio.create_task(site.daemon.run(site.stop))
        while dies and not site.plants["t0"].vent_coil:
            await asyncio.sleep(0.1)
        if dies:
            await asyncio.sleep(0.5)
            running.cancel()
            with pytest.raises(asyncio.CancelledError):
                await running
            return site
        await asyncio.sleep(1300.0)
        site.stop.set()
        await running
        return site

    run_virtual(main(None, 0.0, dies=True))
    assert keeper.kept_zeros[-1].zero.outcome is Outcome.BEGUN
    count = len(keeper.of("t0"))
    run_virtual(main(stuck, 600.0, dies=False))
    later = keeper.of("t0")[count:]
    assert len(later) == 3
    if stuck:
        assert {(row.quality, row.level_m) for row in later} == {("bad", None)}
    else:
        assert all(row.level_m == pytest.approx(LEVEL_M, abs=0.01) for row in later)


def test_a_tip_in_air_shows_a_drift_without_any_vent() -> None:
    async def main() -> VirtualSite:
        tank = TANK.format(name="t0", unit=1, every="10 min", max_open="60 s")
        site = VirtualSite(load_site_text(HEAD.format(simultaneous=1) + tank, Path()), level_m=lambda _t_s: 0.05)
        site.plants["t0"].faults.zero_shift_pa = -150.0
        await site.run_for(7200.0)
        return site

    site = run_virtual(main())
    (kept,) = site.keeper.kept_zeros
    assert kept.zero.source is Source.TIP
    assert kept.zero.zero_pa == pytest.approx(-150.0, abs=20.0)
    (text,) = site.keeper.told("maintenance")
    assert text.startswith("with its tip in air the transmitter shows -1")
