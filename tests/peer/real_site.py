"""Simulated plants behind Debian's libmodbus: a site that knows nothing of pymodbus, for the real commands."""

from __future__ import annotations

import asyncio
import random
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.peer.drawn_site import drawn_level, drawn_plant, drawn_text
from tests.peer.libmodbus_peer import LibmodbusPeer
from tests.peer.wire import Wire

from lungfish.config import Site, load_site
from lungfish.rig.plant import Plant
from lungfish.rig.registers import registers_of_pressure

__all__ = ["RealSite", "real_site"]

TICK_S = 0.02
"""How often the I/O block renews its registers."""


@dataclass(frozen=True)
class RealSite:
    """A running site."""

    path: Path
    site: Site
    truth_m: dict[str, Callable[[float], float]]
    """True level by tank, as a function of wall time as a Unix time stamp."""
    plants: dict[str, Plant]
    peer: LibmodbusPeer


@asynccontextmanager
async def real_site(folder: Path, tanks: int, seed: int, wire: Wire | None = None) -> AsyncIterator[RealSite]:
    """Serve some tanks of random depth, line, tee, format, ripple, noise and damping, their levels moving.

    Args:
        folder: for site file and store.
        tanks: how many.
        seed: of what is drawn.
        wire: the serial line that they are reached by; None: TCP.
    """
    rng = random.Random(seed)
    async with LibmodbusPeer(serial=None if wire is None else (wire.device, wire.baud)) as peer:
        path = folder / "thornhill.yaml"
        link = f"{{kind: modbus-tcp, host: 127.0.0.1, port: {peer.port}, timeout: 500 ms}}"
        path.write_text(drawn_text(rng, wire.link if wire is not None else link, tanks))
        site = load_site(path)
        began_s = time.time()
        plants: dict[str, Plant] = {}
        truth: dict[str, Callable[[float], float]] = {}
        for k, name in enumerate(site.tanks):
            level = drawn_level(rng)
            plants[name] = drawn_plant(site, name, level, rng, seed + k)
            truth[name] = lambda wall_s, level=level: level(wall_s - began_s)  # type: ignore[misc] # bound on purpose
        over = asyncio.Event()
        stepping = asyncio.create_task(_step(peer, site, plants, over))
        try:
            yield RealSite(path=path, site=site, truth_m=truth, plants=plants, peer=peer)
        finally:
            over.set()
            await stepping


async def _step(peer: LibmodbusPeer, site: Site, plants: dict[str, Plant], over: asyncio.Event) -> None:
    began_s = time.monotonic()
    names = list(plants)
    peer.on_coil = lambda address, on: plants[names[address]].command(on)
    while not over.is_set():
        for name, plant in plants.items():
            plant.advance(time.monotonic() - began_s)
            spec = site.tanks[name].transmitter
            words = registers_of_pressure(plant.gauge_pa(), spec)
            publish = peer.set_input_registers if spec.table.value == "input" else peer.set_holding_registers
            await publish(spec.register, words)
        await asyncio.sleep(TICK_S)
