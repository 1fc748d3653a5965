"""A vent valve behind a real server: driven, seen in the pressure, and shut by whoever shuts every valve of a site."""

from __future__ import annotations

import asyncio
import socket
from pathlib import Path

from tests.app.virtual_site import HEAD, TANK

from lungfish.app.clock import LoopClock
from lungfish.config import load_site_text
from lungfish.core.events import ValveState
from lungfish.drivers.build import build_devices
from lungfish.drivers.shut import shut_valve
from lungfish.rig.server import RigServer, plant_for


def _free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


async def test_it_vents_the_transmitter_and_is_shut_with_all_others() -> None:
    tank = TANK.format(name="t0", unit=1, every="10 min", max_open="60 s")
    text = HEAD.format(simultaneous=1) + tank.replace("40 kPa]}", "40 kPa], vent: {link: panel, unit: 1, coil: 6}}")
    site = load_site_text(text.replace("5020", str(_free_port())), Path())
    plant = plant_for(site, site.tanks["t0"], lambda _t_s: 1.5, 1)
    # a tube full of air, long at rest
    plant.command(True)
    plant.advance(60.0)
    plant.command(False)
    plant.advance(120.0)
    plant.now_s = 0.0  # the server's time begins with its start
    said: list[tuple[str, bool]] = []
    server = RigServer(site, {"t0": plant}, on_coil=lambda called, is_open, _at_s: said.append((called, is_open)))
    await server.start()
    devices = build_devices(site, LoopClock())
    try:
        before = await devices.transmitters["t0"].read()
        echo = await devices.vent_valves["t0"].command(ValveState.OPEN)
        await asyncio.sleep(0.8)
        vented = await devices.transmitters["t0"].read()
        for called, spec in site.valves.items():
            assert await asyncio.to_thread(shut_valve, site.links[spec.link], spec), called
    finally:
        await devices.close()
        await server.stop()
    assert echo.state is ValveState.OPEN
    assert before.gauge_pa > 10e3
    assert abs(vented.gauge_pa) < 50.0
    assert not plant.vent_coil
    assert said == [("t0 (vent valve)", True), ("t0 (vent valve)", False)]
