"""Outputs that are bits of a register, or that a block shuts by itself: what others set is kept, no opening grows."""

from __future__ import annotations

import asyncio
import random

import pytest
from tests.drivers.fakes import FakeClock, FakeLink
from tests.drivers.specs import valve_spec

from lungfish.config.model import Output, SwitchSpec
from lungfish.config.valve_model import LimitSwitchSpec, PulseSpec
from lungfish.config.wire_model import Bit
from lungfish.core.events import ValveState
from lungfish.drivers.limit_switch import LimitedValve
from lungfish.drivers.link import Table
from lungfish.drivers.messages import Function, Reply, Request
from lungfish.drivers.rtu_frame import answer_bytes, crc16, hunt, request_frame
from lungfish.drivers.switch import ModbusSwitch
from lungfish.drivers.valve import ModbusValve, RegisterTurns
from lungfish.errors import DeviceDisagrees, DeviceError, DeviceRefused

PULSE = PulseSpec(register=40, unit_s=0.1, most=1000)
REGISTER: tuple[Table, int] = ("holding", 20)


class SlowLink(FakeLink):
    """Lets others have a turn within each request, as a real one does."""

    async def read_registers(self, **asked: object) -> Reply:
        reply = await super().read_registers(**asked)  # type: ignore[arg-type]
        await asyncio.sleep(0)
        return reply


async def test_other_bits_of_the_register_are_kept() -> None:
    link = FakeLink(FakeClock(), registers={REGISTER: 0b1010_0000_0101_0010})
    valve = ModbusValve(link, valve_spec(output=Output.BIT, bit=3), link.clock)
    await valve.command(ValveState.OPEN)
    assert link.registers[REGISTER] == 0b1010_0000_0101_1010
    await valve.command(ValveState.SHUT)
    assert link.registers[REGISTER] == 0b1010_0000_0101_0010


async def test_two_valves_on_one_register_never_put_each_other_back() -> None:
    link = SlowLink(FakeClock())
    turns = RegisterTurns()
    valves = [ModbusValve(link, valve_spec(output=Output.BIT, bit=bit), link.clock, turns) for bit in range(16)]
    rng = random.Random(5)
    for _ in range(50):
        wanted = [rng.choice((ValveState.OPEN, ValveState.SHUT)) for _ in valves]
        await asyncio.gather(*(valve.command(state) for valve, state in zip(valves, wanted, strict=True)))
        is_open = [bool(link.registers[REGISTER] >> bit & 1) for bit in range(16)]
        assert is_open == [state is ValveState.OPEN for state in wanted]


async def test_with_a_mask_write_the_device_changes_the_bit_and_nothing_is_read_before() -> None:
    link = FakeLink(FakeClock(), registers={REGISTER: 0xFF00})
    valve = ModbusValve(link, valve_spec(output=Output.BIT, bit=2, mask_write=True), link.clock)
    await valve.command(ValveState.OPEN)
    assert link.done[0] == ("mask write", 1, 20, 0xFFFB, 0x0004)
    assert link.registers[REGISTER] == 0xFF04


def test_a_mask_write_on_the_wire() -> None:
    # the example of MODBUS Application Protocol V1.1b3, section 6.16: register 5 (address 4), AND F2, OR 25
    request = Request(Function.MASK_WRITE, 1, 4, 0x00F2_0025)
    body = bytes.fromhex("01160004 00F2 0025")
    frame = body + crc16(body).to_bytes(2, "little")
    assert request_frame(request) == frame
    assert answer_bytes(request) == len(frame)
    assert hunt(request, b"\x00" + frame).answered
    other = bytes.fromhex("01160004 00F2 0024")
    assert not hunt(request, other + crc16(other).to_bytes(2, "little")).answered


async def test_an_opening_is_written_as_a_length_and_shut_early_by_its_output() -> None:
    link = FakeLink(FakeClock())
    valve = ModbusValve(link, valve_spec(pulse=PULSE), link.clock)
    link.coils[20] = 1  # the block shows that it has opened
    assert (await valve.command(ValveState.OPEN)).state is ValveState.OPEN
    # 90 s at most, and half a second more so that our own order comes first
    assert link.done == [("write register", 1, 40, 905), ("read coil", 1, 20)]
    link.done.clear()
    await valve.command(ValveState.SHUT)
    assert link.done[0] == ("write coil", 1, 20, False)


async def test_a_length_is_not_written_twice_before_the_valve_was_seen_shut() -> None:
    link = FakeLink(FakeClock())
    valve = ModbusValve(link, valve_spec(pulse=PULSE), link.clock)
    link.silent = True
    with pytest.raises(DeviceError):
        await valve.command(ValveState.OPEN)  # the block may have it or not
    with pytest.raises(DeviceError):
        await valve.command(ValveState.SHUT)
    link.silent = False
    link.done.clear()
    link.coils[20] = 1
    assert (await valve.command(ValveState.OPEN)).state is ValveState.OPEN
    link.coils[20] = 0
    with pytest.raises(DeviceRefused, match="which was sent before"):
        await valve.command(ValveState.OPEN)
    assert [done for done in link.done if done[0] != "read coil"] == []
    await valve.command(ValveState.SHUT)
    link.coils[20] = 1
    await valve.command(ValveState.OPEN)
    assert ("write register", 1, 40, 905) in link.done


@pytest.mark.parametrize(("unit_s", "count"), [(0.1, 85), (1.0, 9), (3.0, 3), (0.001, 8500)])
def test_a_pulse_is_never_shorter_than_the_limit_nor_a_count_longer_than_it_must(unit_s: float, count: int) -> None:
    pulse = PulseSpec(register=1, unit_s=unit_s, most=65535)
    assert pulse.count(8.0) == count
    assert 8.0 < pulse.count(8.0) * unit_s < 8.5 + unit_s


class LimitedBench:
    """A coil, and a valve that follows it or not."""

    def __init__(self, *, says_shut: bool = True) -> None:
        self.link = FakeLink(FakeClock())
        switch = SwitchSpec(link="panel", unit=1, bit=Bit.INPUT, address=5, active_value=1)
        spec = LimitSwitchSpec(switch=switch, says_shut=says_shut, within_s=1.0)
        output = ModbusValve(self.link, valve_spec(), self.link.clock)
        self.valve = LimitedValve("coil 20", output, ModbusSwitch(self.link, switch), spec, self.link.clock)


@pytest.mark.parametrize("says_shut", [True, False])
async def test_a_limit_switch_that_agrees_confirms(says_shut: bool) -> None:
    bench = LimitedBench(says_shut=says_shut)
    bench.link.inputs[5] = int(says_shut)
    shut = await bench.valve.command(ValveState.SHUT)
    assert shut.state is ValveState.SHUT
    assert shut.at_s == pytest.approx(100.005), "when the output moved"
    bench.link.inputs[5] = int(not says_shut)
    assert (await bench.valve.command(ValveState.OPEN)).state is ValveState.OPEN
    assert (await bench.valve.observe()).state is ValveState.OPEN


@pytest.mark.parametrize("state", [ValveState.SHUT, ValveState.OPEN])
async def test_a_valve_that_does_not_move_is_not_confirmed_though_its_output_is(state: ValveState) -> None:
    bench = LimitedBench()
    bench.link.inputs[5] = int(state is ValveState.OPEN)
    with pytest.raises(
        DeviceDisagrees, match=f"output is {state.value}, and its limit switch .* input 5\\) still says"
    ):
        await bench.valve.command(state)
    assert 101.0 <= bench.link.clock.now_s < 101.2, "it had its time to move, and no more"
    with pytest.raises(DeviceDisagrees):
        await bench.valve.observe()


async def test_a_limit_switch_without_an_answer_confirms_nothing() -> None:
    bench = LimitedBench()
    bench.link.inputs[5] = 1

    async def silent(**_: object) -> Reply:
        raise DeviceRefused("no such input")

    bench.link.read_discrete_input = silent  # type: ignore[method-assign]
    with pytest.raises(DeviceRefused, match="no such input"):
        await bench.valve.command(ValveState.SHUT)
