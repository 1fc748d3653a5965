"""Simulated plants behind Debian's libmodbus: a site that knows nothing of pymodbus, for the real commands."""

from __future__ import annotations

import asyncio
import dataclasses
import random
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.peer.libmodbus_peer import LibmodbusPeer

from lungfish.config import Site, load_site
from lungfish.rig.plant import Plant
from lungfish.rig.registers import registers_of_pressure
from lungfish.rig.server import plant_for

__all__ = ["RealSite", "real_site"]

TICK_S = 0.02
"""How often the I/O block renews its registers."""

_HEAD = """\
site: {{name: Thornhill works, timezone: Europe/Dublin, gravity: 9.8135 m/s**2, pressure: 101 kPa}}
store: {{path: thornhill.db}}
links:
  panel: {{kind: modbus-tcp, host: 127.0.0.1, port: {port}, timeout: 500 ms}}
air: {{supply: 3 bar, flow: 3 L/min, simultaneous: {tanks}}}
tanks:
"""
_TANK = """\
  tank-{k}:
    vented: true
    tolerates_air: true
    liquid: {{density: {density} kg/m**3, tolerance: 0.02 %}}
    vessel: {{shape: upright-cylinder, diameter: 2 m, height: 3 m}}
    tube: {{tip: 100 mm, bore: {bore} mm, length: 3 m, tip_tolerance: 1 mm}}
    line: {{bore: 4.5 mm, length: {line} m, tee: {tee}}}
    transmitter: {{link: panel, unit: 1, table: {table}, register: {register}, format: {form}, reads_in: Pa,
                  span: [0 kPa, 50 kPa], accuracy: 10 Pa}}
    valve: {{link: panel, unit: 1, coil: {k}, max_open: 14 s}}
    every: 15 s
"""
_FORMS = (("float32", "input"), ("uint16", "input"), ("int32", "holding"), ("float64", "input"))


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
async def real_site(folder: Path, tanks: int, seed: int) -> AsyncIterator[RealSite]:
    """Serve some tanks of random depth, line, tee, format, ripple, noise and damping, their levels moving."""
    rng = random.Random(seed)
    async with LibmodbusPeer() as peer:
        path = folder / "thornhill.yaml"
        text = _HEAD.format(port=peer.port, tanks=tanks)
        for k in range(tanks):
            form, table = _FORMS[k % len(_FORMS)]
            text += _TANK.format(
                k=k,
                density=round(rng.uniform(950.0, 1150.0), 1),
                bore=round(rng.uniform(5.0, 8.0), 1),
                line=round(rng.uniform(2.0, 20.0), 1),
                tee="valve-end" if k % 2 else "tube-end",
                table=table,
                register=4 * k,
                form=form,
            )
        path.write_text(text)
        site = load_site(path)
        began_s = time.time()
        plants: dict[str, Plant] = {}
        truth: dict[str, Callable[[float], float]] = {}
        for k, (name, tank) in enumerate(site.tanks.items()):
            level = _level(rng.uniform(0.6, 2.6), rng.choice((-0.3e-3, 0.0, 0.5e-3)))
            plants[name] = _plant(site, tank.name, level, rng, seed + k)
            truth[name] = lambda wall_s, level=level: level(wall_s - began_s)  # type: ignore[misc] # bound on purpose
        over = asyncio.Event()
        stepping = asyncio.create_task(_step(peer, site, plants, over))
        try:
            yield RealSite(path=path, site=site, truth_m=truth, plants=plants, peer=peer)
        finally:
            over.set()
            await stepping


def _level(start_m: float, rate_m_s: float) -> Callable[[float], float]:
    return lambda t_s: min(2.9, max(0.2, start_m + rate_m_s * t_s))


def _plant(site: Site, name: str, level: Callable[[float], float], rng: random.Random, seed: int) -> Plant:
    """A plant that differs from the site file by the tolerances that the file states."""
    as_stated = plant_for(site, site.tanks[name], level, seed).params
    weight = as_stated.density_kg_m3 * as_stated.gravity_m_s2
    params = dataclasses.replace(
        as_stated,
        density_kg_m3=as_stated.density_kg_m3 * (1.0 + rng.uniform(-2e-4, 2e-4)),
        tip_m=as_stated.tip_m + rng.uniform(-0.001, 0.001),
        flow_pa_m3_s=as_stated.flow_pa_m3_s * rng.uniform(0.98, 1.02),
        ripple_pa=rng.random() * as_stated.tube_bore_m * weight,
        noise_pa=rng.uniform(0.5, 10.0),
        damping_s=rng.uniform(0.05, 0.5),
        zero_pa=rng.uniform(-10.0, 10.0),
    )
    return Plant(params, seed)


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
