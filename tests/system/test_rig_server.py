"""The simulated site behind its Modbus server, asked by the real drivers: every number format, both outputs, faults."""

from __future__ import annotations

import asyncio
import itertools
import math
import struct
from pathlib import Path

import pytest
from tests.system.rigs import free_port

from lungfish.app.clock import LoopClock
from lungfish.config import Site, load_site_text
from lungfish.config.model import ByteOrder, NumberFormat
from lungfish.core.events import ValveState
from lungfish.drivers.build import build_devices
from lungfish.errors import DeviceTimeout
from lungfish.rig.registers import encode
from lungfish.rig.server import RigServer, ServerFaults, plant_for

HEAD = """
site: {{name: Formats, timezone: UTC, gravity: 9.81 m/s**2}}
store: {{path: formats.db}}
links: {{panel: {{kind: modbus-tcp, host: 127.0.0.1, port: {port}, timeout: 300 ms}}}}
air: {{supply: 3 bar, flow: 2 L/min, simultaneous: 1}}
tanks:
"""
TANK = """
  {name}:
    vented: true
    tolerates_air: true
    liquid: {{density: 998.2 kg/m**3}}
    vessel: {{shape: upright-cylinder, diameter: 1 m, height: 2 m}}
    tube: {{tip: 50 mm, bore: 8 mm, length: 2 m}}
    transmitter: {{link: panel, unit: 1, table: {table}, register: {register}, format: {format}, reads_in: Pa,
                   {scale} {orders} span: [0 kPa, 30 kPa]}}
    valve: {{link: panel, unit: 1, {output}, max_open: 20 s}}
    every: 10 min
"""
FORMATS = [
    ("int16", "input", "scale: 1,", ""),
    ("uint16", "holding", "scale: 0.5,", ""),
    ("int32", "input", "scale: 0.01,", "word_order: little,"),
    ("uint32", "holding", "scale: 0.01,", "word_order: big, byte_order: little,"),
    ("float32", "input", "", "word_order: little,"),
    ("float64", "holding", "", "word_order: little, byte_order: little,"),
]


def site_of_formats() -> Site:
    text = HEAD.format(port=free_port())
    for number, (name, table, scale, orders) in enumerate(FORMATS):
        output = f"coil: {17 + number}" if number % 2 else f"register: {400 + number}, open_value: 7, shut_value: 3"
        text += TANK.format(
            name=name, table=table, register=10 * number, format=name, scale=scale, orders=orders, output=output
        )
    return load_site_text(text, Path())


@pytest.mark.timeout(60)
async def test_every_format_reads_the_plants_pressure_and_each_output_moves_its_own_valve() -> None:
    site = site_of_formats()
    plants = {name: plant_for(site, tank, lambda _t_s: 1.0, n) for n, (name, tank) in enumerate(site.tanks.items())}
    moved: list[tuple[str, bool]] = []
    server = RigServer(site, plants, on_coil=lambda tank, is_open, _at_s: moved.append((tank, is_open)))
    await server.start()
    devices = build_devices(site, LoopClock())
    try:
        for name, plant in plants.items():
            plant.faults.reads_pa = 1234.5 + 1000.0 * len(name)
            sample = await devices.transmitters[name].read()
            assert sample.gauge_pa == pytest.approx(plant.faults.reads_pa, abs=0.51)
        for name, valve in devices.valves.items():
            assert (await valve.command(ValveState.OPEN)).state is ValveState.OPEN
            assert [other for other, plant in plants.items() if plant.coil] == [name]
            assert (await valve.command(ValveState.SHUT)).state is ValveState.SHUT
        assert moved == [(name, is_open) for name in plants for is_open in (True, False)]
    finally:
        await devices.close()
        await server.stop()


@pytest.mark.timeout(60)
async def test_an_open_valve_raises_the_pressure_that_is_read_in_real_time() -> None:
    site = site_of_formats()
    plants = {name: plant_for(site, tank, lambda _t_s: 1.5, 1) for name, tank in site.tanks.items()}
    server = RigServer(site, plants)
    await server.start()
    devices = build_devices(site, LoopClock())
    try:
        before = await devices.transmitters["float32"].read()
        await devices.valves["float32"].command(ValveState.OPEN)
        await asyncio.sleep(1.0)
        after = await devices.transmitters["float32"].read()
        other = await devices.transmitters["int32"].read()
        assert before.gauge_pa == pytest.approx(0.0, abs=30.0)
        assert after.gauge_pa > 3000.0
        assert other.gauge_pa == pytest.approx(0.0, abs=30.0)
    finally:
        await devices.close()
        await server.stop()


@pytest.mark.timeout(60)
async def test_its_faults_are_felt_and_go_away_again() -> None:
    site = site_of_formats()
    plants = {name: plant_for(site, tank, lambda _t_s: 1.0, 1) for name, tank in site.tanks.items()}
    faults = ServerFaults()
    server = RigServer(site, plants, faults=faults)
    await server.start()
    devices = build_devices(site, LoopClock())
    transmitter, valve = devices.transmitters["float32"], devices.valves["float32"]
    try:
        faults.delay_s = 0.1
        assert (await transmitter.read()).took_s >= 0.1
        faults.delay_s = 0.0
        faults.silent = True
        with pytest.raises(DeviceTimeout):
            await valve.command(ValveState.OPEN)
        assert plants["float32"].coil  # carried out, but the answer was lost: what a driver must reckon with
        faults.silent = False
        assert (await valve.command(ValveState.SHUT)).state is ValveState.SHUT
        faults.lost_share = 1.0
        with pytest.raises(DeviceTimeout):
            await transmitter.read()
        faults.lost_share = 0.0
        assert math.isfinite((await transmitter.read()).gauge_pa)
    finally:
        await devices.close()
        await server.stop()


@pytest.mark.parametrize("number_format", NumberFormat)
def test_registers_are_those_of_the_standards_big_endian_and_their_swaps(number_format: NumberFormat) -> None:
    codes = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f", "float64": ">d"}
    for number, word_order, byte_order in itertools.product((0, 1, 12345, 30000), ByteOrder, ByteOrder):
        words = encode(number, number_format=number_format, word_order=word_order, byte_order=byte_order)
        data = b"".join(
            word.to_bytes(2, "big" if byte_order is ByteOrder.BIG else "little")
            for word in (words if word_order is ByteOrder.BIG else reversed(words))
        )
        assert struct.unpack(codes[number_format.value], data) == (number,)


@pytest.mark.parametrize(("number", "word"), [(40000.0, 32767), (-40000.0, 0x8000), (math.nan, 0x8000), (-1.4, 0xFFFF)])
def test_an_integer_format_saturates_as_a_converter_does(number: float, word: int) -> None:
    words = encode(number, number_format=NumberFormat.INT16, word_order=ByteOrder.BIG, byte_order=ByteOrder.BIG)
    assert words == (word,)
