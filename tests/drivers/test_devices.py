"""Transmitter and valve over a link that is no link: what they ask for and what they make of the answer."""

from __future__ import annotations

import math
import struct

import pytest
from tests.drivers.contract import check_transmitter, check_valve
from tests.drivers.fakes import FakeClock, FakeLink
from tests.drivers.specs import transmitter_spec, valve_spec

from lungfish.config.model import ByteOrder, NumberFormat, Output, RegisterTable, TransmitterSpec, ValveSpec
from lungfish.core.events import ValveState
from lungfish.drivers.transmitter import ModbusTransmitter
from lungfish.drivers.valve import ModbusValve, bit_of, with_bit
from lungfish.errors import DeviceRefused

VALVES = {
    "coil": valve_spec(),
    "coil, active low": valve_spec(open_value=0, shut_value=1),
    "register": valve_spec(output=Output.REGISTER, open_value=0x5A5A, shut_value=3),
    "bit": valve_spec(output=Output.BIT, bit=3),
    "bit, active low": valve_spec(output=Output.BIT, bit=15, open_value=0, shut_value=1),
    "bit, mask write": valve_spec(output=Output.BIT, bit=0, mask_write=True),
}


class FakeTransmitterBench:
    """For the contract: a float32 in input registers 10 and 11."""

    resolution_pa = 0.0

    def __init__(self, spec: TransmitterSpec) -> None:
        self.clock = FakeClock()
        self.link = FakeLink(self.clock)
        self.transmitter = ModbusTransmitter(self.link, spec)

    async def set_gauge_pa(self, gauge_pa: float) -> None:
        high, low = struct.unpack(">HH", struct.pack(">f", gauge_pa))
        self.link.registers.update({("input", 10): high, ("input", 11): low})

    async def cut_off(self) -> None:
        self.link.silent = True

    async def restore(self) -> None:
        self.link.silent = False


class FakeValveBench:
    """For the contract: a valve whose output is the fake link's own memory."""

    def __init__(self, spec: ValveSpec) -> None:
        self.clock = FakeClock()
        self.link = FakeLink(self.clock)
        self.valve = ModbusValve(self.link, spec, self.clock)
        self._spec = spec

    async def output(self) -> ValveState:
        at = self._spec.address
        value = self.link.coils[at] if self._spec.output is Output.COIL else self.link.registers["holding", at]
        value = bit_of(self._spec, value)
        return {self._spec.open_value: ValveState.OPEN, self._spec.shut_value: ValveState.SHUT}[value]

    async def force(self, state: ValveState) -> None:
        value = self._spec.open_value if state is ValveState.OPEN else self._spec.shut_value
        if self._spec.output is Output.COIL:
            self.link.coils[self._spec.address] = value
        else:
            register = self.link.registers.get(("holding", self._spec.address), 0)
            value = value if self._spec.bit is None else with_bit(self._spec, register, value)
            self.link.registers["holding", self._spec.address] = value

    async def cut_off(self) -> None:
        self.link.silent = True

    async def restore(self) -> None:
        self.link.silent = False


async def test_the_transmitter_keeps_its_contract() -> None:
    await check_transmitter(FakeTransmitterBench(transmitter_spec()))


@pytest.mark.parametrize("name", VALVES)
async def test_the_valve_keeps_its_contract(name: str) -> None:
    await check_valve(FakeValveBench(VALVES[name]))


async def test_a_number_is_read_whole_in_one_request() -> None:
    link = FakeLink(FakeClock())
    spec = transmitter_spec(unit=7, table=RegisterTable.HOLDING, register=30, number_format=NumberFormat.FLOAT64)
    await ModbusTransmitter(link, spec).read()
    assert link.done == [("read", 7, "holding", 30, 4)]


async def test_scale_and_offset_make_gauge_pressure_of_counts() -> None:
    # 4 to 20 mA as 0 to 16,000 counts over 0 to 60 kPa: 8,000 counts is 30 kPa
    link = FakeLink(FakeClock(), registers={("input", 10): 8000})
    spec = transmitter_spec(number_format=NumberFormat.UINT16, scale_pa=60e3 / 16000, offset_gauge_pa=0.0)
    sample = await ModbusTransmitter(link, spec).read()
    assert sample.gauge_pa == pytest.approx(30e3, rel=1e-12)
    assert sample.at_s == pytest.approx(100.005)
    assert sample.took_s == pytest.approx(0.01)


async def test_no_number_is_passed_on_as_none() -> None:
    link = FakeLink(FakeClock(), registers={("input", 10): 0x7FC0})
    spec = transmitter_spec(byte_order=ByteOrder.BIG, scale_pa=-3.0, offset_gauge_pa=7.0)
    assert math.isnan((await ModbusTransmitter(link, spec).read()).gauge_pa)


@pytest.mark.parametrize(
    ("name", "state", "written"),
    [
        ("coil", ValveState.OPEN, ("write coil", 1, 20, True)),
        ("coil", ValveState.SHUT, ("write coil", 1, 20, False)),
        ("coil, active low", ValveState.OPEN, ("write coil", 1, 20, False)),
        ("coil, active low", ValveState.SHUT, ("write coil", 1, 20, True)),
        ("register", ValveState.OPEN, ("write register", 1, 20, 0x5A5A)),
        ("register", ValveState.SHUT, ("write register", 1, 20, 3)),
    ],
)
async def test_a_command_is_written_and_looked_at(name: str, state: ValveState, written: tuple[object, ...]) -> None:
    bench = FakeValveBench(VALVES[name])
    echo = await bench.valve.command(state)
    assert [bench.link.done[0], len(bench.link.done)] == [written, 2]
    assert echo.at_s == pytest.approx(100.005), "the moment of the write, not of the look"


async def test_an_output_may_follow_a_little_late() -> None:
    bench = FakeValveBench(VALVES["coil"])
    bench.link.follows_after = 2
    assert (await bench.valve.command(ValveState.OPEN)).state is ValveState.OPEN


async def test_an_output_that_does_not_follow_is_refused() -> None:
    bench = FakeValveBench(VALVES["coil"])
    bench.link.follows_after = 10**6
    with pytest.raises(DeviceRefused, match="link panel, unit 1, coil 20: told to shut by 0, reads back 1"):
        await bench.valve.command(ValveState.SHUT)


async def test_an_output_that_is_neither_is_unknown() -> None:
    bench = FakeValveBench(VALVES["register"])
    bench.link.registers["holding", 20] = 4
    assert (await bench.valve.observe()).state is ValveState.UNKNOWN
    assert bench.link.done == [("read", 1, "holding", 20, 1)], "a look writes nothing"
