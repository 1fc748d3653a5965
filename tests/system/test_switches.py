"""The example with switches and a current loop, end to end: simulated plants, real Modbus TCP, the real command."""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from tests.system.rigs import free_port

from lungfish.app.clock import LoopClock
from lungfish.config import Site, load_site
from lungfish.core.events import Input, ValveState
from lungfish.drivers.build import Devices, build_devices
from lungfish.rig.plant import Plant
from lungfish.rig.server import RigServer, plant_for

pytestmark = pytest.mark.timeout(60)

EXAMPLE = Path(__file__).parents[2] / "config" / "watched-air.yaml"
LEVELS_M = {"wet-well": 0.5, "day-tank": 0.4}


@pytest.fixture
def file(tmp_path: Path) -> Path:
    text = EXAMPLE.read_text(encoding="utf-8")
    assert text.count("host: 192.0.2.60") == 1
    path = tmp_path / "site.yaml"
    path.write_text(text.replace("host: 192.0.2.60", f"host: 127.0.0.1, port: {free_port()}"), encoding="utf-8")
    return path


@pytest.fixture
def site(file: Path) -> Site:
    return load_site(file)


@pytest.fixture
async def plants(site: Site) -> AsyncIterator[dict[str, Plant]]:
    """Served while the test runs."""

    def plant(name: str, seed: int) -> Plant:
        return plant_for(site, site.tanks[name], lambda _t_s: LEVELS_M[name], seed)

    made = {name: plant(name, seed) for seed, name in enumerate(site.tanks)}
    server = RigServer(site, made)
    await server.start()
    yield made
    await server.stop()


@pytest.fixture
async def devices(site: Site, plants: dict[str, Plant]) -> AsyncIterator[Devices]:
    made = build_devices(site, LoopClock())
    yield made
    await made.close()


async def says(devices: Devices, tank: str, which: Input) -> bool:
    return (await devices.switches[tank][which].read()).active


async def test_each_switch_is_read_from_its_place(plants: dict[str, Plant], devices: Devices) -> None:
    assert {name: set(switches) for name, switches in devices.switches.items()} == {
        "wet-well": {Input.SUPPLY, Input.FLOW},
        "day-tank": {Input.SUPPLY},
    }
    assert await says(devices, "wet-well", Input.SUPPLY)
    assert await says(devices, "day-tank", Input.SUPPLY)
    plants["wet-well"].faults.air_lost = True
    assert not await says(devices, "wet-well", Input.SUPPLY)
    assert await says(devices, "day-tank", Input.SUPPLY)
    plants["day-tank"].faults.supply_factor = 1.4 / 4.0  # of 4 bar; the limit is 1.5 bar
    assert not await says(devices, "day-tank", Input.SUPPLY)
    plants["day-tank"].faults.supply_factor = 1.6 / 4.0
    assert await says(devices, "day-tank", Input.SUPPLY)


async def test_the_flow_switch_follows_the_valve_with_its_polarity_turned(devices: Devices) -> None:
    valve = devices.valves["wet-well"]
    assert not await says(devices, "wet-well", Input.FLOW)
    await valve.command(ValveState.OPEN)
    await asyncio.sleep(0.2)
    assert await says(devices, "wet-well", Input.FLOW)
    await valve.command(ValveState.SHUT)
    await asyncio.sleep(0.2)
    assert not await says(devices, "wet-well", Input.FLOW)


async def test_a_current_in_counts_comes_out_as_the_plants_pressure(plants: dict[str, Plant], devices: Devices) -> None:
    plants["wet-well"].faults.reads_pa = 30_000.0  # 12 mA, 12,000 counts
    sample = await devices.transmitters["wet-well"].read()
    assert sample.gauge_pa == pytest.approx(30_000.0, abs=0.5 * 60e3 / 16_000)


async def reading(file: Path, tank: str) -> dict[str, Any]:
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "lungfish", "read", str(file), tank, "--json"), stdout=asyncio.subprocess.PIPE
    )
    out, _ = await process.communicate()
    told = json.loads(out)
    assert isinstance(told, dict)
    return told


async def test_a_reading_holds_what_the_switches_said(file: Path, plants: dict[str, Plant]) -> None:
    told = await reading(file, "wet-well")
    assert told["level_m"] == pytest.approx(LEVELS_M["wet-well"], abs=max(0.005, told["level_u_m"]))
    assert told["quality"] == "good"
    found = told["evidence"]["features"]
    assert (found["supply_seen"], found["flow_seen"], found["flow_at_rest"]) == (True, True, False)
    plants["wet-well"].faults.air_lost = True
    found = (await reading(file, "wet-well"))["evidence"]["features"]
    assert (found["supply_seen"], found["flow_seen"]) == (False, False)


async def test_a_transmitter_that_signals_its_failure_is_told_as_such(file: Path, plants: dict[str, Plant]) -> None:
    """NAMUR NE 43: 3.6 mA and less."""
    plants["wet-well"].faults.reads_pa = 60e3 * (3.5 - 4.0) / 16.0
    told = await reading(file, "wet-well")
    assert (told["diagnosis"], told["level_m"], told["quality"]) == ("transmitter_fault", None, "bad")
    assert "3.50 mA" in told["evidence"]["sentences"][0]
    assert not plants["wet-well"].coil
