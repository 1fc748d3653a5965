"""Optional switches in the daemon: what they say is kept with the reading, and they hold up nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pytest

from lungfish.app.air import AirPermits
from lungfish.app.clock import LoopClock
from lungfish.app.purge_valve import PurgeValve
from lungfish.app.runner import CycleRun
from lungfish.core.events import Abort, Input, InputSeen, ValveState
from lungfish.errors import DeviceTimeout
from lungfish.ports import ReadingRecord, SwitchSeen
from lungfish.rig.virtual_loop import run_virtual
from tests.app.scripted import ScriptedCycle, ScriptedTransmitter, ScriptedValve
from tests.app.virtual_site import VirtualSite, site_of

BOTH = "{supply: {link: panel, unit: 1, input: 0}, flow: {link: panel, unit: 1, input: 1}}"


def features(row: ReadingRecord) -> Mapping[str, Any]:
    found = row.evidence["features"]
    assert isinstance(found, Mapping)
    return {name: found.get(name) for name in ("supply_seen", "flow_seen", "flow_at_rest")}


async def an_hour(site: VirtualSite) -> list[ReadingRecord]:
    assert await site.run_for(3_590.0)
    return site.keeper.of("t0")


def test_what_the_switches_say_is_kept_with_each_reading() -> None:
    rows = run_virtual(an_hour_of(inputs=BOTH))
    assert len(rows) == 6
    assert [features(row) for row in rows] == [{"supply_seen": True, "flow_seen": True, "flow_at_rest": False}] * 6
    assert {row.quality for row in rows} == {"good"}


def test_without_switches_nothing_is_said_of_supply_and_flow() -> None:
    rows = run_virtual(an_hour_of(inputs=""))
    assert features(rows[-1]) == {"supply_seen": None, "flow_seen": None, "flow_at_rest": None}


async def an_hour_of(*, inputs: str) -> list[ReadingRecord]:
    return await an_hour(VirtualSite(site_of(1, inputs=inputs)))


def test_a_supply_that_fails_is_seen_by_both() -> None:
    async def main() -> list[ReadingRecord]:
        site = VirtualSite(site_of(1, inputs=BOTH))
        site.plants["t0"].faults.air_lost = True
        return await an_hour(site)

    for row in run_virtual(main()):
        assert features(row) == {"supply_seen": False, "flow_seen": False, "flow_at_rest": False}


@pytest.mark.parametrize("timeout_s", [0.5, 1.4])
def test_switches_that_do_not_answer_change_no_reading(timeout_s: float) -> None:
    async def main(inputs: str) -> list[ReadingRecord]:
        site = VirtualSite(site_of(1, inputs=inputs))
        for link in site.switch_links.values():
            link.silent, link.timeout_s = True, timeout_s
        return await an_hour(site)

    without, dead = run_virtual(main("")), run_virtual(main(BOTH))
    assert {row.quality for row in dead} == {"good"}
    assert [row.purge_s for row in dead] == pytest.approx([row.purge_s for row in without], abs=0.1)
    assert features(dead[-1]) == {"supply_seen": None, "flow_seen": None, "flow_at_rest": None}


def test_a_switch_that_answers_late_holds_up_no_closing() -> None:
    async def main(takes_s: float) -> tuple[list[ReadingRecord], float]:
        site = VirtualSite(site_of(1, inputs=BOTH))
        for link in site.switch_links.values():
            link.takes_s, link.timeout_s = takes_s, 60.0
        return await an_hour(site), site.longest_open_s()

    (quick, _), (late, longest_s) = run_virtual(main(0.005)), run_virtual(main(40.0))
    assert {row.quality for row in late} == {"good"}
    assert longest_s < 1.2 * max(row.purge_s for row in quick)
    assert features(late[-1])["flow_seen"] is None  # what came after closing says nothing of the open valve


# -- the runner by itself ----------------------------------------------------------------------------------------------


@dataclass
class ScriptedSwitch:
    """Says yes; fails from a moment on."""

    clock: LoopClock
    takes_s: float = 0.01
    fails_from_s: float = 1e9
    asked_s: list[float] = field(default_factory=list)
    busy: list[str] = field(default_factory=list)
    """Shared by switches that must not be asked at once."""

    async def read(self) -> SwitchSeen:
        assert self.busy == [], "two questions at a time"
        self.busy.append("asked")
        at_s = self.clock.monotonic_s()
        self.asked_s.append(at_s)
        try:
            await self.clock.sleep_until(at_s + self.takes_s)
        finally:
            self.busy.clear()
        if at_s >= self.fails_from_s:
            raise DeviceTimeout("no answer")
        return SwitchSeen(at_s=at_s + self.takes_s / 2, active=True)


async def scripted(supply: ScriptedSwitch, flow: ScriptedSwitch, clock: LoopClock) -> tuple[CycleRun, ScriptedValve]:
    flow.busy = supply.busy
    device = ScriptedValve(clock)
    valve = PurgeValve("sump", device, clock, AirPermits(1), max_open_s=90.0, tell=lambda _text: None)
    await valve.ensure_shut()
    run = CycleRun(
        ScriptedCycle(),
        ScriptedTransmitter(clock),
        valve,
        clock,
        switches={Input.SUPPLY: supply, Input.FLOW: flow},
    )
    await run.run()
    assert valve.observed is ValveState.SHUT
    return run, device


def test_switches_are_asked_before_opening_and_while_open_one_at_a_time_and_never_after_closing() -> None:
    async def main() -> None:
        clock = LoopClock()
        supply, flow = ScriptedSwitch(clock, takes_s=0.05), ScriptedSwitch(clock, takes_s=0.05)
        run, device = await scripted(supply, flow, clock)
        (opened_s, _), (shut_s, _) = device.moves
        for switch in (supply, flow):
            assert [at_s for at_s in switch.asked_s if at_s < opened_s][1:] == []
            assert len([at_s for at_s in switch.asked_s if opened_s <= at_s <= shut_s]) > 5
            assert max(switch.asked_s) < shut_s
        stamps = [event.t_s for event in run.events if not isinstance(event, Abort)]
        assert stamps == sorted(stamps)
        assert {event.which for event in run.events if isinstance(event, InputSeen)} == {Input.SUPPLY, Input.FLOW}

    run_virtual(main())


def test_a_switch_that_failed_once_is_left_alone_and_the_other_goes_on() -> None:
    async def main() -> None:
        clock = LoopClock()
        supply, flow = ScriptedSwitch(clock), ScriptedSwitch(clock, takes_s=0.5, fails_from_s=1.5)
        run, _ = await scripted(supply, flow, clock)
        assert len([at_s for at_s in flow.asked_s if at_s >= 1.5]) == 1
        seen = [event.which for event in run.events if isinstance(event, InputSeen)]
        assert seen.count(Input.SUPPLY) > 5
        assert run.kept

    run_virtual(main())
