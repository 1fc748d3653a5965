"""From a site file to devices that work: tanks on one panel share its connection; one panel out stops no other."""

from __future__ import annotations

import struct
from collections.abc import AsyncIterator, Sequence
from pathlib import Path

import pytest
from tests.peer.clocks import SkippingClock
from tests.peer.faulty_peer import Asked, FaultyPeer, Step, frame

from lungfish.config import load_site_text
from lungfish.core.events import ValveState
from lungfish.drivers.build import Devices, build_devices
from lungfish.errors import DeviceAbsent

HEAD = """
site: {{name: Two panels, timezone: UTC, gravity: 9.81 m/s**2}}
store: {{path: two.db}}
links:
  near: {{kind: modbus-tcp, host: 127.0.0.1, port: {near}, timeout: 200 ms}}
  far: {{kind: modbus-tcp, host: 127.0.0.1, port: {far}, timeout: 200 ms}}
air: {{supply: 3 bar, flow: 1.5 L/min, simultaneous: 1}}
tanks:
"""
TANK = """
  {name}:
    vented: true
    tolerates_air: true
    liquid: {{density: 998.2 kg/m**3}}
    vessel: {{shape: upright-cylinder, diameter: 2.4 m, height: 5 m}}
    tube: {{tip: 100 mm, bore: 10 mm, length: 4.5 m}}
    line: {{bore: 4.3 mm, length: 20 m, tee: valve-end}}
    transmitter: {{link: {link}, unit: 1, table: input, register: {register}, format: {format}, reads_in: {reads_in},
                   span: [0 kPa, 60 kPa]}}
    valve: {{link: {link}, unit: 1, {output}, max_open: 90 s}}
    every: 10 min
"""


def answer(asked: Asked, right: bytes) -> Sequence[Step]:
    """At input register 0 float32 25,000; at 2 int32 1,500."""
    if asked.function != 4:
        return (right,)
    words = struct.pack(">f", 25e3) if asked.address == 0 else struct.pack(">i", 1500)
    return (frame(asked.transaction, asked.unit, bytes((4, len(words))) + words),)


@pytest.fixture
async def far() -> AsyncIterator[FaultyPeer]:
    async with FaultyPeer(script=answer) as faulty:
        yield faulty


@pytest.fixture
async def devices(peer: FaultyPeer, far: FaultyPeer, clock: SkippingClock) -> AsyncIterator[Devices]:
    peer.script = answer
    tanks = (
        TANK.format(name="a", link="near", register=0, format="float32", reads_in="Pa", output="coil: 4"),
        TANK.format(name="b", link="near", register=2, format="int32", reads_in="mbar", output="coil: 5"),
        TANK.format(name="c", link="far", register=0, format="float32", reads_in="Pa", output="register: 7"),
    )
    site = load_site_text(HEAD.format(near=peer.port, far=far.port) + "".join(tanks), Path())
    made = build_devices(site, clock)
    yield made
    await made.close()


async def test_tanks_on_one_panel_share_its_connection(devices: Devices, peer: FaultyPeer, far: FaultyPeer) -> None:
    gauge_pa = {name: (await transmitter.read()).gauge_pa for name, transmitter in devices.transmitters.items()}
    assert gauge_pa == {"a": 25e3, "b": pytest.approx(150e3), "c": 25e3}
    for name, valve in devices.valves.items():
        assert (await valve.command(ValveState.OPEN)).state is ValveState.OPEN, name
    assert peer.outputs == {(1, 5, 4): 0xFF00, (1, 5, 5): 0xFF00}
    assert far.outputs == {(1, 6, 7): 1}
    assert (peer.connections, far.connections) == (1, 1)
    assert {name: link.stats.requests for name, link in devices.links.items()} == {"near": 6, "far": 3}


async def test_a_panel_that_is_out_leaves_the_others_alone(devices: Devices, peer: FaultyPeer) -> None:
    peer.slam = 10**6
    for name in ("a", "b"):
        with pytest.raises(DeviceAbsent, match="link near"):
            await devices.transmitters[name].read()
    assert (await devices.transmitters["c"].read()).gauge_pa == 25e3


async def test_nothing_is_sent_before_it_is_asked_for(devices: Devices, peer: FaultyPeer, far: FaultyPeer) -> None:
    await devices.close()
    assert peer.connections == far.connections == 0
