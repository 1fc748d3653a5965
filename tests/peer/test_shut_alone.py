"""Shutting a valve without the daemon, when the device does not make it easy."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Sequence

import pytest
from tests.drivers.specs import valve_spec
from tests.peer.faults import HARMLESS, faults
from tests.peer.faulty_peer import Asked, Close, FaultyPeer, Step, frame, honest

from lungfish.config.model import ModbusTcpLinkSpec, Output
from lungfish.drivers.shut import shut_valve
from lungfish.errors import DeviceError, DeviceGarbled, DeviceRefused, DeviceTimeout

FAULTS = faults()
VALVE = valve_spec()
REGISTER = valve_spec(output=Output.REGISTER, open_value=7, shut_value=9)


def spec_of(peer: FaultyPeer) -> ModbusTcpLinkSpec:
    return ModbusTcpLinkSpec(name="panel", host=peer.host, port=peer.port, timeout_s=0.05)


@pytest.mark.parametrize("name", sorted(FAULTS))
async def test_one_bad_answer_does_not_leave_it_open(peer: FaultyPeer, name: str) -> None:
    for valve, number in ((VALVE, 1), (REGISTER, 2)):  # the fault hits the write, or the look that follows it
        peer.asked.clear()
        peer.outputs[1, 5, 20], peer.outputs[1, 6, 20] = 0xFF00, 7
        chance = random.Random(number)

        def script(asked: Asked, right: bytes, at: int = number, by: random.Random = chance) -> Sequence[Step]:
            return FAULTS[name](asked, right, by) if asked.number == at else (right,)

        peer.script = script
        assert await asyncio.to_thread(shut_valve, spec_of(peer), valve) is True
        shut = peer.outputs[1, 5, 20] == 0x0000 if valve is VALVE else peer.outputs[1, 6, 20] == 9
        assert shut


async def test_slammed_doors_are_tried_again(peer: FaultyPeer) -> None:
    peer.slam = 2
    assert await asyncio.to_thread(shut_valve, spec_of(peer), VALVE) is True


@pytest.mark.parametrize("name", sorted(FAULTS.keys() - HARMLESS))
async def test_a_device_that_is_never_right_is_never_believed(peer: FaultyPeer, name: str) -> None:
    chance = random.Random(5)
    peer.script = lambda asked, right: FAULTS[name](asked, right, chance)
    with pytest.raises(DeviceError, match="link panel"):
        await asyncio.to_thread(shut_valve, spec_of(peer), VALVE, tries=2)


async def test_an_output_that_stays_open_is_told(peer: FaultyPeer) -> None:
    def stuck(asked: Asked, right: bytes) -> Sequence[Step]:
        return (frame(asked.transaction, asked.unit, b"\x01\x01\x01") if asked.function == 1 else right,)

    peer.script = stuck
    assert await asyncio.to_thread(shut_valve, spec_of(peer), VALVE) is False
    assert [asked.function for asked in peer.asked] == [5, 1] * 3


async def test_what_counts_is_what_the_last_look_saw(peer: FaultyPeer) -> None:
    def mute_then_stuck(asked: Asked, right: bytes) -> Sequence[Step]:
        if asked.number <= 4:  # the first two tries
            return (Close(),)
        return (frame(asked.transaction, asked.unit, b"\x01\x01\x01") if asked.function == 1 else right,)

    peer.script = mute_then_stuck
    assert await asyncio.to_thread(shut_valve, spec_of(peer), VALVE, tries=6) is False


async def test_an_echo_that_is_never_right_is_outweighed_by_the_look(peer: FaultyPeer) -> None:
    peer.outputs[1, 5, 20] = 0xFF00

    def bad_echo(asked: Asked, right: bytes) -> Sequence[Step]:
        return (right[:-2] + b"\x12\x34",) if asked.function == 5 else (right,)

    peer.script = bad_echo
    assert await asyncio.to_thread(shut_valve, spec_of(peer), VALVE) is True


async def test_a_device_that_refuses_is_told_so(peer: FaultyPeer) -> None:
    def refuse(asked: Asked, right: bytes) -> Sequence[Step]:
        peer.outputs[1, 5, 20] = 0xFF00
        return (frame(asked.transaction, asked.unit, b"\x85\x01") if asked.function == 5 else right,)

    peer.script = refuse
    with pytest.raises(DeviceRefused, match="unit 1, coil 20 := 0: exception 1, illegal function"):
        await asyncio.to_thread(shut_valve, spec_of(peer), VALVE)


async def test_the_last_word_is_that_of_the_last_try(peer: FaultyPeer) -> None:
    peer.script = lambda asked, right: () if asked.number > 4 else (right[:-1] + b"\x7f",)
    with pytest.raises(DeviceTimeout):
        await asyncio.to_thread(shut_valve, spec_of(peer), VALVE)
    peer.asked.clear()
    peer.script = lambda asked, right: () if asked.number <= 4 else (right[:6] + b"\x63" + right[7:],)
    with pytest.raises(DeviceGarbled, match="answer from unit 99 to a request to unit 1"):
        await asyncio.to_thread(shut_valve, spec_of(peer), VALVE)
    peer.script = honest
    assert await asyncio.to_thread(shut_valve, spec_of(peer), VALVE) is True
