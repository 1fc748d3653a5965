"""The rules of the owner of a link: what is sent, in which order, how often, and to whom an answer goes."""

from __future__ import annotations

import asyncio
import logging
import socket
from collections.abc import Sequence

import pytest
from tests.peer.clocks import SkippingClock
from tests.peer.conftest import TIMEOUT_S
from tests.peer.faulty_peer import Asked, Close, FaultyPeer, Pause, Step, honest, tell

from lungfish.drivers.modbus_tcp import ModbusTcpLink
from lungfish.errors import DeviceAbsent, DeviceError, DeviceGarbled, DeviceTimeout

SLOW_S = 0.02


def slow(_asked: Asked, right: bytes) -> Sequence[Step]:
    return (Pause(SLOW_S), right)


def deaf_unit_9(asked: Asked, right: bytes) -> Sequence[Step]:
    return () if asked.unit == 9 else (right,)


async def start(link: ModbusTcpLink, address: int, unit: int = 1) -> asyncio.Task[tuple[int, int]]:
    """A read that has been asked for but not yet answered."""

    async def read() -> tuple[int, int]:
        return tell((await link.read_registers(unit=unit, table="input", address=address, count=3)).values)

    task = asyncio.create_task(read())
    await asyncio.sleep(0)
    return task


async def on_the_wire(peer: FaultyPeer, number: int) -> None:
    while len(peer.asked) < number:
        await asyncio.sleep(0.001)


async def give_up(task: asyncio.Task[tuple[int, int]]) -> None:
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


async def test_a_caller_that_gives_up_leaves_its_answer_to_nobody(link: ModbusTcpLink, peer: FaultyPeer) -> None:
    peer.script = slow
    await give_up_on_the_wire(link, peer)
    assert await (await start(link, 12)) == (12, 2)
    assert peer.connections == 1  # its answer was waited for, so nothing had to be dropped


async def give_up_on_the_wire(link: ModbusTcpLink, peer: FaultyPeer) -> None:
    first = await start(link, 11)
    await on_the_wire(peer, 1)
    await give_up(first)


async def test_an_order_whose_caller_gave_up_in_the_queue_is_never_sent(link: ModbusTcpLink, peer: FaultyPeer) -> None:
    peer.script = slow
    first = await start(link, 11)
    await on_the_wire(peer, 1)
    opening = asyncio.create_task(link.write_coil(unit=1, address=5, on=True))
    await asyncio.sleep(0)
    opening.cancel()
    await link.write_coil(unit=1, address=5, on=False)
    await first
    assert [(asked.function, asked.operand) for asked in peer.asked] == [(4, 3), (5, 0x0000)]


async def test_writes_go_before_reads(link: ModbusTcpLink, peer: FaultyPeer) -> None:
    peer.script = slow
    reads = [await start(link, address) for address in (11, 12, 13)]
    await on_the_wire(peer, 1)
    await asyncio.gather(link.write_coil(unit=1, address=5, on=False), *reads)
    assert [asked.address for asked in peer.asked] == [11, 5, 12, 13]


async def test_time_in_the_queue_is_not_taken_for_time_on_the_wire(link: ModbusTcpLink, peer: FaultyPeer) -> None:
    peer.script = slow
    first, second = await asyncio.gather(
        *(link.read_registers(unit=1, table="input", address=address, count=3) for address in (11, 12))
    )
    assert first.took_s >= SLOW_S
    assert second.at_s - second.took_s / 2 >= first.at_s + first.took_s / 2


async def test_a_value_is_stamped_midway_of_request_and_reply(
    link: ModbusTcpLink, peer: FaultyPeer, clock: SkippingClock
) -> None:
    peer.script = slow
    began_s = clock.monotonic_s()
    reply = await link.read_registers(unit=1, table="input", address=11, count=3)
    assert began_s <= reply.at_s - reply.took_s / 2
    assert reply.at_s + reply.took_s / 2 <= clock.monotonic_s()
    assert reply.took_s >= SLOW_S


async def test_a_dead_unit_does_not_stall_the_others(
    link: ModbusTcpLink, peer: FaultyPeer, clock: SkippingClock
) -> None:
    peer.script = deaf_unit_9
    readings = 0

    async def hammer() -> None:
        while readings < 60:
            with pytest.raises(DeviceTimeout):
                await link.read_registers(unit=9, table="input", address=0, count=3)
            await asyncio.sleep(0)

    dead = [asyncio.create_task(hammer()) for _ in range(3)]
    began_s = clock.monotonic_s()
    while readings < 60:
        reply = await link.read_registers(unit=1, table="input", address=40, count=3)
        assert tell(reply.values)[0] == 40
        readings += 1
        await asyncio.sleep(0.001)
    passed_s = clock.monotonic_s() - began_s
    await asyncio.gather(*dead)
    units = [asked.unit for asked in peer.asked]
    assert not any(units[i : i + 2] == [9, 9] for i in range(units.index(1), len(units) - 1 - units[::-1].index(1)))
    # what three callers had queued before the third time-out, then one each ten time-outs
    assert units.count(9) <= 3 + 3 + passed_s / (10 * TIMEOUT_S)
    assert link.stats.held > 0


async def test_a_dead_unit_is_heard_again(link: ModbusTcpLink, peer: FaultyPeer, clock: SkippingClock) -> None:
    peer.script = deaf_unit_9
    await (await start(link, 40))
    for _ in range(3):
        with pytest.raises(DeviceTimeout, match="no answer within"):
            await link.read_registers(unit=9, table="input", address=0, count=3)
    with pytest.raises(DeviceTimeout, match="not asked, for it left 3 requests in a row unanswered"):
        await link.read_registers(unit=9, table="input", address=0, count=3)
    peer.script = honest
    clock.skip(10 * TIMEOUT_S)
    for _ in range(2):
        assert tell((await link.read_registers(unit=9, table="input", address=6, count=3)).values)[0] == 6


async def test_an_order_to_a_unit_that_is_held_off_is_sent_at_once(link: ModbusTcpLink, peer: FaultyPeer) -> None:
    peer.script = deaf_unit_9
    await (await start(link, 40))
    for _ in range(3):
        with pytest.raises(DeviceTimeout):
            await link.read_registers(unit=9, table="input", address=0, count=3)
    peer.script = honest
    await link.write_coil(unit=9, address=5, on=False)
    assert (peer.asked[-1].unit, peer.asked[-1].function) == (9, 5)


async def test_a_unit_that_answers_now_and_then_is_not_held_off(link: ModbusTcpLink, peer: FaultyPeer) -> None:
    await (await start(link, 40))
    for _ in range(3):
        peer.script = deaf_unit_9
        for _ in range(2):
            with pytest.raises(DeviceTimeout, match="no answer within"):
                await link.read_registers(unit=9, table="input", address=0, count=3)
        peer.script = honest
        await (await start(link, 41, unit=9))
    assert link.stats.held == 0


async def test_a_unit_alone_on_its_link_is_never_held_off(link: ModbusTcpLink, peer: FaultyPeer) -> None:
    peer.script = deaf_unit_9
    for _ in range(6):
        with pytest.raises(DeviceTimeout, match="no answer within"):
            await link.read_registers(unit=9, table="input", address=0, count=3)
    assert len(peer.asked) == 6


async def test_a_unit_that_did_not_answer_is_left_quiet(link: ModbusTcpLink, peer: FaultyPeer) -> None:
    peer.script = deaf_unit_9
    with pytest.raises(DeviceTimeout):
        await link.read_registers(unit=9, table="input", address=0, count=3)
    again = await start(link, 7, unit=9)
    for _ in range(3):
        await (await start(link, 40))  # meanwhile the others are served
    peer.script = honest
    assert (await again)[0] == 7
    assert [asked.unit for asked in peer.asked] == [9, 1, 1, 1, 9]


async def test_a_host_that_slams_the_door_is_not_called_without_end(
    link: ModbusTcpLink, peer: FaultyPeer, clock: SkippingClock
) -> None:
    peer.slam = 10**6
    for _ in range(300):
        with pytest.raises(DeviceAbsent, match="link panel"):
            await link.read_registers(unit=1, table="input", address=0, count=3)
    assert peer.connections <= 3  # at once, once more at once, and perhaps one a quarter of a second later
    for _ in range(12):
        clock.skip(6.0)
        with pytest.raises(DeviceAbsent):
            await link.read_registers(unit=1, table="input", address=0, count=3)
    assert peer.connections <= 3 + 12
    peer.slam = 0
    clock.skip(5.0)
    assert (await (await start(link, 40)))[0] == 40


async def test_a_good_answer_makes_the_next_attempt_prompt_again(
    link: ModbusTcpLink, peer: FaultyPeer, clock: SkippingClock
) -> None:
    peer.slam = 5
    for _ in range(5):
        clock.skip(6.0)
        with pytest.raises(DeviceAbsent):
            await link.read_coil(unit=1, address=0)
    clock.skip(6.0)
    await (await start(link, 40))
    peer.script = lambda _asked, _right: (Close(),)
    with pytest.raises(DeviceAbsent):
        await link.read_coil(unit=1, address=0)
    peer.script = honest
    assert (await (await start(link, 41)))[0] == 41


async def test_a_host_that_speaks_something_else_is_not_called_without_end(
    link: ModbusTcpLink, peer: FaultyPeer
) -> None:
    peer.script = lambda _asked, _right: (b"HTTP/1.1 400 Bad Request\r\n\r\n",)
    with pytest.raises(DeviceGarbled, match="no Modbus frame"):
        await link.read_registers(unit=1, table="input", address=0, count=3)
    for _ in range(300):
        with pytest.raises((DeviceGarbled, DeviceAbsent)):
            await link.read_registers(unit=1, table="input", address=0, count=3)
    assert peer.connections <= 3


async def test_nobody_there_is_told_with_the_address(clock: SkippingClock) -> None:
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        port = unused.getsockname()[1]
        link = ModbusTcpLink("panel", "127.0.0.1", port, TIMEOUT_S, clock)
        with pytest.raises(DeviceAbsent, match=rf"link panel \(127.0.0.1:{port}\).*look at host and port"):
            await link.read_coil(unit=1, address=0)
        await link.close()
    assert link.stats.absent == 1


@pytest.mark.parametrize("host", ["nobody.invalid", "x" * 80 + ".invalid", "two..dots"])
async def test_a_host_that_cannot_be_found_is_absent(host: str, clock: SkippingClock) -> None:
    link = ModbusTcpLink("panel", host, 502, TIMEOUT_S, clock)
    with pytest.raises(DeviceAbsent, match="link panel"):
        await link.read_coil(unit=1, address=0)
    await link.close()


async def test_a_host_that_comes_back_is_found(clock: SkippingClock) -> None:
    async with FaultyPeer() as first:
        link = ModbusTcpLink("panel", first.host, first.port, TIMEOUT_S, clock)
        await (await start(link, 40))
    with pytest.raises(DeviceAbsent):
        await link.read_coil(unit=1, address=0)
    async with FaultyPeer(port=first.port) as second:
        clock.skip(5.0)
        assert await (await start(link, 41)) == (41, 1)
        assert second.connections == 1
        await link.close()


async def test_closing_lets_the_request_on_the_wire_end_and_sends_no_other(
    link: ModbusTcpLink, peer: FaultyPeer
) -> None:
    peer.script = slow
    first, second = await start(link, 11), await start(link, 12)
    await on_the_wire(peer, 1)
    await link.close()
    assert await first == (11, 1)
    with pytest.raises(DeviceAbsent, match="closed"):
        await second
    with pytest.raises(DeviceAbsent, match="closed"):
        await link.read_coil(unit=1, address=0)
    assert len(peer.asked) == 1


async def test_trouble_that_lasts_is_logged_once_and_its_end_once(
    link: ModbusTcpLink, peer: FaultyPeer, clock: SkippingClock, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO, "lungfish")
    peer.script = deaf_unit_9
    for _ in range(5):
        with pytest.raises(DeviceError):
            await link.read_registers(unit=9, table="input", address=0, count=3)
    assert [record.levelname for record in caplog.records] == ["WARNING"]
    assert "link panel" in caplog.text
    clock.skip(60.0)
    with pytest.raises(DeviceError):
        await link.read_registers(unit=9, table="input", address=0, count=3)
    assert "4 more troubles" in caplog.records[-1].message
    peer.script = honest
    for _ in range(3):
        await link.read_registers(unit=9, table="input", address=0, count=3)
    assert [record.levelname for record in caplog.records] == ["WARNING", "WARNING", "INFO"]
    assert "unit 9: works again" in caplog.records[-1].message


@pytest.mark.parametrize(("unit", "address", "count"), [(256, 0, 1), (1, -1, 1), (1, 65536, 1), (1, 0, 0), (1, 0, 126)])
async def test_what_no_request_can_say_is_our_own_mistake(
    link: ModbusTcpLink, unit: int, address: int, count: int
) -> None:
    with pytest.raises(ValueError, match="not a Modbus request"):
        await link.read_registers(unit=unit, table="input", address=address, count=count)
