"""The whole daemon on simulated plants in virtual time: when it purges, when it must not, and what it leaves behind."""

from __future__ import annotations

import asyncio
import math
import socket
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from lungfish.app.notify import ServiceManager
from lungfish.core.cycle import Cycle
from lungfish.core.events import Action, Event, PressureRead
from lungfish.core.reading import Phase
from lungfish.core.setup import CycleSetup, Learned
from lungfish.rig.virtual_loop import run_virtual
from tests.app.virtual_site import MemoryKeeper, VirtualSite, site_of

DAY_S = 86400.0


def test_a_day_of_one_tank_gives_a_good_row_in_every_slot_and_the_valve_is_never_open_too_long() -> None:
    async def main() -> VirtualSite:
        site = VirtualSite(site_of(1, every="30 min"), level_m=lambda t_s: 0.8 + 1.5 * t_s / DAY_S)
        assert await site.run_for(DAY_S - 1.0)
        return site

    site = run_virtual(main())
    rows = site.keeper.of("t0")
    assert len(rows) == 48
    assert {row.quality for row in rows} == {"good"}
    for row in rows:
        truth_m = site.plants["t0"].params.level_m(row.at.monotonic_s)
        assert row.level_m == pytest.approx(truth_m, abs=0.010)
    assert site.longest_open_s() < 60.0
    assert site.any_open() == []
    assert site.keeper.told("gap") == []
    # the ledger's air against what the plant has really taken in: pV at 293.15 K and 1 bar
    used_sl = sum(row.air_sl for row in rows)
    assert used_sl == pytest.approx(site.plants["t0"].air_in_pa_m3 / 1e5 * 1e3, rel=0.03)


def test_cycles_start_at_once_and_then_from_start_to_start() -> None:
    async def main() -> VirtualSite:
        site = VirtualSite(site_of(1, every="10 min"))
        await site.run_for(3 * 3600.0 - 1.0)
        return site

    opened_s = run_virtual(main()).opened_s()
    assert len(opened_s) == 18
    # each opens about a second of looking after its slot; the slots themselves do not drift
    assert [at_s % 600.0 for at_s in opened_s] == pytest.approx([1.0] * 18, abs=0.2)
    assert opened_s[0] < 1.2


def test_a_stepped_wall_clock_moves_no_purge() -> None:
    async def main(step: Callable[[VirtualSite], None]) -> list[float]:
        site = VirtualSite(site_of(2, every="10 min"))
        for half_hour in range(1, 6):
            asyncio.get_running_loop().call_later(1800.0 * half_hour + 123.0, step, site)
        await site.run_for(3 * 3600.0)
        return site.opened_s()

    def not_at_all(_site: VirtualSite) -> None:
        pass

    def wildly(site: VirtualSite) -> None:
        site.utc_offset_s += DAY_S if len(site.moves) % 4 else -3 * DAY_S

    assert run_virtual(main(wildly)) == run_virtual(main(not_at_all))


@pytest.mark.parametrize("simultaneous", [1, 2, 3])
def test_no_more_valves_are_open_than_the_air_bears_and_everybody_gets_a_turn(simultaneous: int) -> None:
    async def main() -> VirtualSite:
        site = VirtualSite(site_of(7, every="5 min", simultaneous=simultaneous))
        await site.run_for(3600.0 - 1.0)
        return site

    site = run_virtual(main())
    assert site.most_open() == simultaneous  # neither more, nor fewer when more want to
    assert {name: len(site.keeper.of(name)) for name in site.site.tanks} == dict.fromkeys(site.site.tanks, 12)
    assert {row.quality for row in site.keeper.readings} == {"good"}


def test_the_look_needs_no_air_and_every_tank_looks_at_once() -> None:
    async def main() -> VirtualSite:
        site = VirtualSite(site_of(6, simultaneous=1))
        await site.run_for(2.0)
        return site

    site = run_virtual(main())
    for transmitter in site.transmitters.values():
        assert sum(at_s < 1.0 for at_s in transmitter.asked_s) > 15
    assert len(site.opened_s()) == 1


def test_the_next_tank_gets_the_air_when_the_valve_is_shut_not_when_the_cycle_is_over() -> None:
    async def main() -> VirtualSite:
        site = VirtualSite(site_of(3, simultaneous=1))
        await site.run_for(60.0)
        return site

    site = run_virtual(main())
    assert [move.is_open for move in site.moves] == [True, False] * 3
    for shut, opened in ((site.moves[1], site.moves[2]), (site.moves[3], site.moves[4])):
        assert opened.tank != shut.tank
        assert opened.at_s - shut.at_s < 0.1  # listening after closing needs no air


def test_every_valve_is_shut_before_the_first_cycle_opens_one() -> None:
    async def main() -> VirtualSite:
        site = VirtualSite(site_of(5, simultaneous=5))
        for plant in site.plants.values():
            plant.command(True)  # left open by a daemon that died
        await site.run_for(30.0)
        return site

    site = run_virtual(main())
    shut_first = [move.tank for move in site.moves[:5]]
    assert sorted(shut_first) == sorted(site.site.tanks)
    assert not any(move.is_open for move in site.moves[:5])


def test_a_dead_panel_stops_nobody_else_and_its_tank_is_told_in_every_slot_and_comes_back() -> None:
    async def main() -> VirtualSite:
        site = VirtualSite(site_of(3, every="10 min"))
        site.links["t1"].silent = True

        def mend() -> None:
            site.links["t1"].silent = False

        asyncio.get_running_loop().call_later(3000.0, mend)
        await site.run_for(6000.0 - 1.0)
        return site

    site = run_virtual(main())
    for name in ("t0", "t2"):
        assert [row.quality for row in site.keeper.of(name)] == ["good"] * 10
    rows = site.keeper.of("t1")
    dead = [row for row in rows if row.at.monotonic_s < 3000.0]
    assert len(dead) == 5
    assert {row.diagnosis for row in dead} == {"link_lost"}
    assert {row.level_m for row in dead} == {None}
    assert {row.purge_s for row in dead} == {0.0}
    assert min(site.opened_s("t1")) > 3000.0  # never opened while nobody knew whether it was shut
    assert [row.quality for row in rows if row.at.monotonic_s > 3000.0] == ["good"] * (len(rows) - 5)
    valve = site.keeper.told("valve")
    assert "not confirmed shut and may be open" in valve[0]
    assert "confirmed shut, after" in valve[1]
    assert len(valve) == 2


def test_a_valve_that_will_not_shut_is_not_opened_again_until_it_has_shut() -> None:
    async def main() -> VirtualSite:
        site = VirtualSite(site_of(2, every="5 min"))
        loop = asyncio.get_running_loop()

        def deaf(is_deaf: bool) -> None:
            site.links["t0"].deaf_to_shut = is_deaf

        loop.call_later(300.5, deaf, True)
        loop.call_later(2000.0, deaf, False)
        await site.run_for(3600.0)
        return site

    site = run_virtual(main())
    moves = [move for move in site.moves if move.tank == "t0"]
    assert [move.is_open for move in moves[:4]] == [True, False, True, False]
    stuck_since_s, shut_s = moves[2].at_s, moves[3].at_s
    assert stuck_since_s < 310.0
    assert 2000.0 < shut_s < 2016.0  # tried at least every quarter of a minute
    rows = {row.at.monotonic_s: row for row in site.keeper.of("t0")}
    blind = [row for at_s, row in rows.items() if 300.0 < at_s < 2000.0]
    assert blind
    assert {row.quality for row in blind} == {"bad"}
    # how long it was open, and what it cost, is not known when the row is written; so it is not told as known
    assert math.isnan(min(blind, key=lambda row: row.at.monotonic_s).purge_s)
    assert len(site.keeper.of("t1")) == 12  # its permit was given back: the other tank went on
    assert {row.quality for row in site.keeper.of("t1")} == {"good"}


def test_a_tank_that_waits_too_long_for_air_skips_slots_and_says_so() -> None:
    async def main() -> VirtualSite:
        site = VirtualSite(site_of(2, every="2 min", max_open="100 s"))
        await site.daemon.loops["t0"].valve.take_air()  # somebody keeps the only permit
        asyncio.get_running_loop().call_later(500.0, site.daemon.loops["t0"].valve.yield_air)
        site.daemon.loops.pop("t0")
        await site.run_for(1000.0)
        return site

    site = run_virtual(main())
    assert min(site.opened_s("t1")) > 500.0
    (gap,) = site.keeper.told("gap")
    assert "4 slots of t1 passed without a cycle" in gap
    assert [at_s % 120.0 for at_s in site.opened_s("t1")[1:]] == pytest.approx([1.0] * 4, abs=0.3)


class _Fragile(Cycle):
    """A cycle with a bug that shows while the valve is open, in the tank whose flow is the switch."""

    broken = True

    def step(self, event: Event) -> tuple[Action, ...]:
        if _Fragile.broken and self.phase is Phase.HOLD and isinstance(event, PressureRead):
            raise ZeroDivisionError("a bug")
        return super().step(event)


def test_a_bug_in_one_tanks_cycle_shuts_its_valve_gives_a_row_and_stops_no_other(
    caplog: pytest.LogCaptureFixture,
) -> None:
    made: list[str] = []

    def make(setup: CycleSetup, learned: Learned) -> Cycle:
        made.append("cycle")
        return (_Fragile if setup.max_open_s == 50.0 else Cycle)(setup, learned)

    async def main() -> VirtualSite:
        site_file = site_of(2, every="5 min")
        other = site_of(2, every="5 min", max_open="50 s")
        tanks = {"t0": other.tanks["t0"], "t1": site_file.tanks["t1"]}
        site = VirtualSite(replace(site_file, tanks=tanks), make_cycle=make)
        await site.run_for(3000.0 - 1.0)
        return site

    site = run_virtual(main())
    assert {row.quality for row in site.keeper.of("t1")} == {"good"}
    assert len(site.keeper.of("t1")) == 10
    broken = site.keeper.of("t0")
    assert {row.diagnosis for row in broken} == {"aborted"}
    assert len(broken) == len(site.opened_s("t0"))  # every opening has a row
    gaps = [b - a for a, b in pairwise(site.opened_s("t0"))]
    assert min(gaps) > 299.0  # a crash loop does not become a purge loop
    assert site.longest_open_s() < 60.0
    assert any("ZeroDivisionError" in text for text in site.keeper.told("fault"))
    assert any(record.exc_info for record in caplog.records)


@pytest.mark.parametrize("at_s", [0.0, 0.004, 0.5, 1.0, 1.3, 2.0, 4.0, 4.6, 6.0, 9.0, 60.0])
def test_told_to_stop_in_any_phase_it_shuts_gives_rows_and_ends_soon(at_s: float) -> None:
    async def main() -> tuple[VirtualSite, bool, float]:
        site = VirtualSite(site_of(4, simultaneous=2))
        all_shut = await site.run_for(at_s)
        return site, all_shut, site.clock.monotonic_s()

    site, all_shut, ended_s = run_virtual(main())
    assert all_shut
    assert site.any_open() == []
    assert ended_s - at_s < 1.0
    opened = {tank: len(site.opened_s(tank)) for tank in site.site.tanks}
    rows = {tank: len([row for row in site.keeper.of(tank) if row.purge_s > 0]) for tank in site.site.tanks}
    assert rows == opened  # every opening has a row, an interrupted one too
    assert site.keeper.events[-1].kind == "stop"
    assert "every valve is confirmed shut" in site.keeper.events[-1].text


def test_a_stop_while_a_valve_does_not_answer_ends_within_a_bound_and_does_not_claim_that_it_is_shut() -> None:
    async def main() -> tuple[VirtualSite, bool, float]:
        site = VirtualSite(site_of(2))
        asyncio.get_running_loop().call_later(2.0, setattr, site.links["t0"], "silent", True)
        all_shut = await site.run_for(3.0)
        return site, all_shut, site.clock.monotonic_s()

    site, all_shut, ended_s = run_virtual(main())
    assert not all_shut
    assert ended_s < 3.0 + 30.0
    assert "t0" in site.keeper.events[-1].text
    assert "may be open" in site.keeper.events[-1].text


def test_shut_by_another_hand_while_open_it_gives_no_level() -> None:
    async def main(at_s: float) -> VirtualSite:
        site = VirtualSite(site_of(1))
        asyncio.get_running_loop().call_later(at_s, site.plants["t0"].command, False)
        await site.run_for(60.0)
        return site

    for tenths in range(13, 38, 3):  # while the tube fills and bubbles
        site = run_virtual(main(tenths / 10))
        (row,) = site.keeper.of("t0")
        assert row.diagnosis == "aborted"
        assert row.level_m is None
        assert "another hand" in str(row.evidence["sentences"])


def test_opened_by_another_hand_between_cycles_it_is_told_and_shut() -> None:
    async def main() -> VirtualSite:
        site = VirtualSite(site_of(1, every="5 min"))
        asyncio.get_running_loop().call_later(299.0, site.plants["t0"].command, True)
        await site.run_for(400.0)
        return site

    site = run_virtual(main())
    assert any("found open although nobody here opened it" in text for text in site.keeper.told("valve"))
    assert site.any_open() == []


def test_what_was_learned_is_kept_and_handed_to_the_next_start_but_not_under_other_settings() -> None:
    seen: list[Learned] = []

    def make(setup: CycleSetup, learned: Learned) -> Cycle:
        seen.append(learned)
        return Cycle(setup, learned)

    async def main(keeper: MemoryKeeper, max_open: str) -> None:
        await VirtualSite(site_of(1, max_open=max_open), keeper=keeper, make_cycle=make).run_for(1500.0)

    keeper = MemoryKeeper()
    run_virtual(main(keeper, "60 s"))
    assert [learned.cycles for learned in seen] == [0, 1, 2]
    run_virtual(main(keeper, "60 s"))
    assert [learned.cycles for learned in seen[3:]] == [3, 4, 5]
    run_virtual(main(keeper, "50 s"))
    assert seen[6].cycles == 0


def test_the_intent_is_announced_before_each_opening() -> None:
    async def main() -> VirtualSite:
        site = VirtualSite(site_of(2))
        await site.run_for(1500.0)
        return site

    site = run_virtual(main())
    for tank in site.site.tanks:
        announced = [at_s for name, at_s in site.keeper.announced if name == tank]
        assert len(announced) == len(site.opened_s(tank)) == 3
        assert all(a <= b for a, b in zip(announced, site.opened_s(tank), strict=True))


def test_a_disk_that_does_not_answer_stops_no_measuring() -> None:
    async def main() -> VirtualSite:
        keeper = MemoryKeeper()
        keeper.stuck = True
        site = VirtualSite(site_of(1, every="5 min"), keeper=keeper)
        assert await site.run_for(1500.0 - 1.0)
        return site

    site = run_virtual(main())
    assert [row.quality for row in site.keeper.readings] == ["good"] * 5
    assert max(at_s % 300.0 for at_s in site.opened_s()) < 4.0  # two seconds for the disk, then air


def test_a_read_that_never_returns_holds_no_valve_open() -> None:
    async def main() -> VirtualSite:
        site = VirtualSite(site_of(1))
        never = asyncio.Event().wait
        asyncio.get_running_loop().call_later(1.5, setattr, site.transmitters["t0"], "read", never)
        await site.run_for(60.0)
        return site

    site = run_virtual(main())
    assert len(site.opened_s()) == 1
    assert site.longest_open_s() < 3.0
    (row,) = site.keeper.readings
    assert row.diagnosis == "link_lost"


def test_the_watchdog_is_fed_by_work_done_and_starves_when_a_tank_is_stuck(tmp_path: Path) -> None:
    async def main(manager: ServiceManager) -> VirtualSite:
        site = VirtualSite(site_of(2), manager=manager)

        valve = site.daemon.loops["t0"].valve
        asyncio.get_running_loop().call_later(2000.0, setattr, valve, "look", asyncio.Event().wait)
        await site.run_for(4000.0)
        return site

    address = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(address)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 20)
        listener.setblocking(False)
        manager = ServiceManager({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "60000000"})
        assert manager.watchdog_s == 60.0
        said: list[str] = []
        tell = manager.tell

        def tell_and_hear(state: str) -> None:
            tell(state)
            said.append(listener.recv(4096).decode())

        manager.tell = tell_and_hear  # type: ignore[method-assign]
        run_virtual(main(manager))
    assert said[0].startswith("READY=1")
    assert said[-1] == "STOPPING=1"
    fed = said.count("WATCHDOG=1")
    # every 20 s until the stuck tank's slot at 2400 s and its promise of 30 s more
    assert fed == pytest.approx((2400.0 + 30.0) / 20.0, abs=3)
