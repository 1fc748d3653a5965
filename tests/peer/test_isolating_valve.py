"""An isolating valve behind libmodbus, which is not ours: driven by its coil, believed by its contacts alone."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from pathlib import Path

from tests.app.virtual_site import HEAD, TANK
from tests.peer.libmodbus_peer import LibmodbusPeer

from lungfish.app.air import AirPermits
from lungfish.app.clock import LoopClock
from lungfish.app.isolating import Isolator
from lungfish.app.purge_valve import PurgeValve
from lungfish.config import Site, isolating_valve_name, load_site_text
from lungfish.core.events import ValveState
from lungfish.drivers.build import Devices, build_devices
from lungfish.drivers.shut import shut_valve

COIL, IS_SHUT, IS_SAFE = 7, 20, 21
ISOLATE = (
    f"{{link: panel, unit: 1, coil: {COIL}, shut: {{link: panel, unit: 1, coil: {IS_SHUT}}}, "
    f"safe: {{link: panel, unit: 1, coil: {IS_SAFE}, active: low}}}}"
)


def site_at(port: int) -> Site:
    tank = TANK.format(name="t0", unit=1, every="10 min", max_open="60 s")
    text = HEAD.format(simultaneous=1) + tank.replace("40 kPa]}", "150 kPa], overload: 2 bar}")
    clear = f"{{pressure: 3.4 bar, pulses: 4, pulse: 20 s, rest: 5 s, tries: 3, delay: 1 s, isolate: {ISOLATE}}}"
    return load_site_text(f"{text}    clear: {clear}\n".replace("5020", str(port)), Path())


def isolator_of(devices: Devices, clock: LoopClock) -> Isolator:
    isolating = devices.isolating["t0"]
    valve = PurgeValve(isolating_valve_name("t0"), isolating.valve, clock, AirPermits(1), max_open_s=math.inf)
    return Isolator(valve, isolating.shut, isolating.safe, clock)


def contact_follows(peer: LibmodbusPeer, waiting: set[asyncio.Task[None]]) -> Callable[[int, bool], None]:
    """The valve's own contact says shut a moment after its coil has dropped."""

    def moved(address: int, on: bool) -> None:
        if address == COIL:
            waiting.add(asyncio.get_running_loop().create_task(peer.set_coil(IS_SHUT, not on)))

    return moved


async def test_it_opens_only_on_a_safe_tube_and_is_shut_with_all_others(plant: LibmodbusPeer) -> None:
    waiting: set[asyncio.Task[None]] = set()
    plant.on_coil = contact_follows(plant, waiting)
    site, clock = site_at(plant.port), LoopClock()
    devices = build_devices(site, clock)
    isolator = isolator_of(devices, clock)
    try:
        await plant.set_coil(IS_SHUT, True)
        await plant.set_coil(IS_SAFE, True)  # active low: not safe
        refused = await isolator.connect()
        await plant.settle()
        writes_while_unsafe = list(plant.coil_writes)
        await plant.set_coil(IS_SAFE, False)
        connected = await isolator.connect()
        await plant.settle()
        open_then = plant.coil(COIL)
        for spec in site.valves.values():
            assert await asyncio.to_thread(shut_valve, site.links[spec.link], spec)
        await asyncio.gather(*waiting)
    finally:
        await devices.close()
    assert refused is not None
    assert "above what the transmitter bears" in refused
    assert (COIL, True) not in writes_while_unsafe
    assert connected is None
    assert open_then
    assert not plant.coil(COIL)


async def test_one_whose_contact_does_not_follow_is_told_to_shut_again(plant: LibmodbusPeer) -> None:
    """Its output does what it is told, the valve itself sticks: nobody may take the transmitter for connected."""
    site, clock = site_at(plant.port), LoopClock()
    devices = build_devices(site, clock)
    isolator = isolator_of(devices, clock)
    try:
        await plant.set_coil(IS_SHUT, True)  # and stays so
        why = await isolator.connect()
        await plant.settle()
    finally:
        await devices.close()
    assert why == "its isolating valve was told to open and does not say that it has"
    assert [move for move in plant.coil_writes if move[0] == COIL] == [(COIL, True), (COIL, False)]
    assert isolator.valve.observed is ValveState.SHUT
