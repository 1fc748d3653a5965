"""Every single fault: an honest request, a faulty one, an honest one; on reads and on writes."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Sequence

import pytest
from tests.peer.clocks import SkippingClock
from tests.peer.faults import HARMLESS, faults
from tests.peer.faulty_peer import Asked, FaultyPeer, Script, Step, frame, honest, tell

from lungfish.drivers.modbus_tcp import ModbusTcpLink
from lungfish.errors import DeviceAbsent, DeviceError, DeviceGarbled, DeviceRefused, DeviceTimeout

FAULTS = faults()
TOLD_AS: dict[str, tuple[type[DeviceError], ...]] = {
    "late": (DeviceTimeout,),
    "silent": (DeviceTimeout,),
    "cut off": (DeviceTimeout,),
    "older answer instead": (DeviceTimeout,),
    "transaction id 0": (DeviceTimeout,),
    "foreign transaction id": (DeviceTimeout,),
    "closing": (DeviceAbsent,),
    "closing midway": (DeviceAbsent,),
    "exception": (DeviceRefused, DeviceTimeout),  # code 11 is a gateway's word for a time-out
    # less than a header is waited for; more than a frame at once is thrown away by the library, unseen by us
    "garbage": (DeviceGarbled, DeviceTimeout),
    "huge length": (DeviceGarbled, DeviceTimeout),
}
HARMFUL = sorted(FAULTS.keys() - HARMLESS)


def script_of(name: str, seed: int) -> Script:
    """Always that fault, with a chance of its own."""
    chance = random.Random(seed)
    return lambda asked, right: FAULTS[name](asked, right, chance)


async def read_right(link: ModbusTcpLink, peer: FaultyPeer) -> None:
    """A reading must be the answer to this very request."""
    reply = await link.read_registers(unit=1, table="input", address=40, count=3)
    assert tell(reply.values) == (40, len(peer.asked))


@pytest.mark.parametrize("name", sorted(HARMLESS - {"then garbage"}))
async def test_an_odd_but_right_answer_is_taken(link: ModbusTcpLink, peer: FaultyPeer, name: str) -> None:
    await read_right(link, peer)
    for seed in range(3):
        peer.script = script_of(name, seed)
        await read_right(link, peer)
        assert (await link.write_coil(unit=1, address=3, on=True)).values == (1,)
        peer.script = honest
        await read_right(link, peer)


async def test_garbage_behind_an_answer_spoils_at_most_the_next_request(
    link: ModbusTcpLink, peer: FaultyPeer, clock: SkippingClock
) -> None:
    for seed in range(6):
        peer.script = script_of("then garbage", seed)
        await read_right(link, peer)
        peer.script = honest
        try:
            await read_right(link, peer)
        except DeviceGarbled:
            clock.skip(10.0)
        await read_right(link, peer)


async def test_bytes_that_nobody_asked_for_end_the_connection(link: ModbusTcpLink, peer: FaultyPeer) -> None:
    peer.script = script_of("doubled", 1)
    for number in range(1, 6):
        await read_right(link, peer)
        assert peer.connections == number


async def test_a_gateway_s_word_for_a_time_out_is_a_time_out(link: ModbusTcpLink, peer: FaultyPeer) -> None:
    # MODBUS Application Protocol V1.1b3, section 7: 0A gateway path unavailable, 0B target device failed to respond
    for code, kind in ((0x0A, DeviceRefused), (0x0B, DeviceTimeout)):

        def refuse(asked: Asked, _right: bytes, code: int = code) -> Sequence[Step]:
            return (frame(asked.transaction, asked.unit, bytes((0x84, code))),)

        peer.script = refuse
        with pytest.raises(kind, match=f"exception {code}, gateway"):
            await link.read_registers(unit=1, table="input", address=0, count=3)
    assert (link.stats.refused, link.stats.timeouts, peer.connections) == (1, 1, 1)


async def test_a_socket_that_owes_an_answer_is_closed_at_once(link: ModbusTcpLink, peer: FaultyPeer) -> None:
    peer.script = script_of("silent", 1)
    with pytest.raises(DeviceTimeout):
        await link.read_registers(unit=1, table="input", address=0, count=3)
    while peer.open_now:  # for ever, if it is not
        await asyncio.sleep(0.001)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("name", HARMFUL)
async def test_a_wrong_answer_is_told_and_forgotten(
    link: ModbusTcpLink, peer: FaultyPeer, clock: SkippingClock, name: str, seed: int
) -> None:
    await read_right(link, peer)
    peer.script = script_of(name, seed)
    with pytest.raises(TOLD_AS.get(name, (DeviceGarbled,))) as told:
        await link.read_registers(unit=1, table="input", address=41, count=3)
    assert "link panel" in str(told.value)
    assert "unit 1, input registers 41 to 43" in str(told.value)
    peer.script = honest
    clock.skip(10.0)
    await read_right(link, peer)
    await read_right(link, peer)


@pytest.mark.parametrize("name", HARMFUL)
async def test_a_write_is_believed_only_with_its_echo(
    link: ModbusTcpLink, peer: FaultyPeer, clock: SkippingClock, name: str
) -> None:
    for seed, address in enumerate((7, 8)):
        peer.script = script_of(name, seed)
        with pytest.raises(DeviceError, match=f"unit 1, coil {address} := 0"):
            await link.write_coil(unit=1, address=address, on=False)
        clock.skip(10.0)
        with pytest.raises(DeviceError, match=f"unit 1, holding register {address} := 513"):
            await link.write_register(unit=1, address=address, value=0x0201)
        peer.script = honest
        clock.skip(10.0)
        assert (await link.write_coil(unit=1, address=address, on=True)).values == (1,)
        assert (await link.read_coil(unit=1, address=address)).values == (1,)
        assert (await link.write_register(unit=1, address=address, value=0x0102)).values == (0x0102,)
        reply = await link.read_registers(unit=1, table="holding", address=address, count=1)
        assert reply.values == (0x0102,)


async def test_counters_tell_what_happened(link: ModbusTcpLink, peer: FaultyPeer, clock: SkippingClock) -> None:
    for name in ("honest", "late", "foreign unit", "exception", "closing", "older answers first"):
        clock.skip(10.0)
        peer.script = script_of(name, 1)
        try:
            await link.read_registers(unit=1, table="holding", address=0, count=3)
        except DeviceError:
            assert name not in HARMLESS
    stats = link.stats
    assert (stats.requests, stats.timeouts, stats.garbled, stats.refused, stats.absent) == (6, 1, 1, 1, 1)
    assert stats.skipped >= 1
    assert stats.connects == peer.connections == 1 + stats.reconnects
    assert stats.reconnects == 3  # after the time-out, the foreign answer, and the close; not after the exception
