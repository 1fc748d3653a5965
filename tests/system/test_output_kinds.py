"""Bits of a register, pulses and limit switches over real Modbus TCP: the simulated block, the drivers, the guard."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from tests.system.rigs import free_port
from tests.system.test_rig_server import HEAD, TANK

from lungfish.app.clock import LoopClock
from lungfish.config import Site, load_site_text
from lungfish.core.events import ValveState
from lungfish.drivers.build import Devices, build_devices
from lungfish.drivers.kept_spec import kept_valve
from lungfish.drivers.kept_valves import shut_kept
from lungfish.drivers.shut import shut_valve
from lungfish.errors import DeviceDisagrees
from lungfish.rig.plant import Plant
from lungfish.rig.server import RigServer, plant_for

OUTPUTS = {
    "bit": "register: 400, bit: 3",
    "other": "register: 400, bit: 4, active: low",
    "masked": "register: 400, bit: 15, mask_write: true",
    "pulse": "coil: 30, pulse: {register: 401, unit_time: 10 ms}",
    "limited": "coil: 31, limit_switch: {link: panel, unit: 1, input: 9, within: 100 ms}",
}


@dataclass
class Served:
    """A block on its server, and the drivers."""

    site: Site
    plants: dict[str, Plant]
    devices: Devices

    def open_now(self) -> set[str]:
        return {name for name, plant in self.plants.items() if plant.coil}


@asynccontextmanager
async def served() -> AsyncIterator[Served]:
    text = HEAD.format(port=free_port())
    for number, (name, output) in enumerate(OUTPUTS.items()):
        text += TANK.format(
            name=name, table="input", register=2 * number, format="float32", scale="", orders="", output=output
        )
    site = load_site_text(text.replace("max_open: 20 s", "max_open: 8 s"), Path())
    plants = {name: plant_for(site, tank, lambda _t_s: 1.0, n) for n, (name, tank) in enumerate(site.tanks.items())}
    server = RigServer(site, plants)
    await server.start()
    devices = build_devices(site, LoopClock())
    try:
        yield Served(site, plants, devices)
    finally:
        await devices.close()
        await server.stop()


@pytest.mark.timeout(60)
async def test_each_moves_its_own_valve_and_leaves_the_others_as_they_are() -> None:
    async with served() as block:
        await asyncio.gather(*(valve.command(ValveState.SHUT) for valve in block.devices.valves.values()))
        assert block.open_now() == set()
        opened: set[str] = set()
        for name, valve in block.devices.valves.items():
            assert (await valve.command(ValveState.OPEN)).state is ValveState.OPEN
            opened.add(name)
            assert block.open_now() == opened
        for name, valve in block.devices.valves.items():
            assert (await valve.command(ValveState.SHUT)).state is ValveState.SHUT
            opened.remove(name)
            assert block.open_now() == opened


@pytest.mark.timeout(60)
async def test_the_guard_shuts_one_bit_and_no_other() -> None:
    async with served() as block:
        await asyncio.gather(*(valve.command(ValveState.OPEN) for valve in block.devices.valves.values()))
        names = set(OUTPUTS)
        for name in OUTPUTS:
            spec = block.site.valves[name]
            assert await asyncio.to_thread(shut_valve, block.site.links["panel"], spec)
            names.remove(name)
            assert block.open_now() == names


@pytest.mark.timeout(60)
async def test_the_guard_shuts_all_bits_of_a_register_at_once() -> None:
    async with served() as block:
        await asyncio.gather(*(valve.command(ValveState.OPEN) for valve in block.devices.valves.values()))
        link = block.site.links["panel"]
        outcomes = await asyncio.gather(
            *(asyncio.to_thread(shut_valve, link, spec) for spec in block.site.valves.values())
        )
        assert all(outcomes)
        assert block.open_now() == set()


@pytest.mark.timeout(60)
async def test_the_daemon_s_list_holds_each_and_shuts_all() -> None:
    async with served() as block:
        await asyncio.gather(*(valve.command(ValveState.OPEN) for valve in block.devices.valves.values()))
        link = block.site.links["panel"]
        rows = [kept_valve(name, link, spec) for name, spec in block.site.valves.items()]
        for row in rows[:2]:
            assert row is not None
            assert await asyncio.to_thread(shut_kept, [row]) == {row.called: None}
        assert block.open_now() == {"masked", "pulse", "limited"}, "other bits of the register are kept"
        await asyncio.gather(*(valve.command(ValveState.OPEN) for valve in block.devices.valves.values()))
        outcome = await asyncio.to_thread(shut_kept, [row for row in rows if row is not None])
        assert outcome == dict.fromkeys(OUTPUTS)
        assert block.open_now() == set()


@pytest.mark.timeout(60)
async def test_a_pulse_that_nobody_shuts_ends_by_itself() -> None:
    async with served() as block:
        await block.devices.valves["pulse"].command(ValveState.OPEN)
        await asyncio.sleep(8.2)
        assert block.open_now() == {"pulse"}, "our own order would come first"
        await asyncio.sleep(0.5)
        assert block.open_now() == set()
        assert (await block.devices.valves["pulse"].observe()).state is ValveState.SHUT


@pytest.mark.timeout(60)
async def test_a_valve_that_sticks_is_seen_by_its_limit_switch() -> None:
    async with served() as block:
        valve, plant = block.devices.valves["limited"], block.plants["limited"]
        await valve.command(ValveState.OPEN)
        plant.faults.valve_stuck = True
        with pytest.raises(DeviceDisagrees, match="its output is shut, and its limit switch"):
            await valve.command(ValveState.SHUT)
        plant.faults.valve_stuck = None
        assert (await valve.command(ValveState.SHUT)).state is ValveState.SHUT
