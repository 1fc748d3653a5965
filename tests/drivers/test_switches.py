"""Switches over a link that is no link: polarity, table, and a pressure that stands for a switch."""

from __future__ import annotations

import math
import struct

import pytest
from tests.drivers.contract import check_switch
from tests.drivers.fakes import FakeClock, FakeLink

from lungfish.config.model import Bit, ByteOrder, NumberFormat, PressureLimitSpec, RegisterTable, SwitchSpec
from lungfish.drivers.switch import ModbusSwitch, PressureLimit
from lungfish.errors import DeviceGarbled

SWITCHES = {
    "input": SwitchSpec(link="panel", unit=3, bit=Bit.INPUT, address=7, active_value=1),
    "input, active low": SwitchSpec(link="panel", unit=3, bit=Bit.INPUT, address=7, active_value=0),
    "coil": SwitchSpec(link="panel", unit=3, bit=Bit.COIL, address=7, active_value=1),
    "coil, active low": SwitchSpec(link="panel", unit=3, bit=Bit.COIL, address=7, active_value=0),
}
LIMIT = PressureLimitSpec(
    link="panel",
    unit=3,
    table=RegisterTable.INPUT,
    register=7,
    format=NumberFormat.FLOAT32,
    word_order=ByteOrder.BIG,
    byte_order=ByteOrder.BIG,
    scale_pa=1e5,
    offset_gauge_pa=0.0,
    at_least_gauge_pa=2e5,
)


class FakeSwitchBench:
    """For the contract: a bit of the fake link's own memory."""

    def __init__(self, spec: SwitchSpec) -> None:
        self.clock = FakeClock()
        self.link = FakeLink(self.clock)
        self.switch = ModbusSwitch(self.link, spec)
        self._spec = spec

    async def set_active(self, active: bool) -> None:
        bits = self.link.coils if self._spec.bit is Bit.COIL else self.link.inputs
        bits[self._spec.address] = self._spec.active_value if active else 1 - self._spec.active_value

    async def cut_off(self) -> None:
        self.link.silent = True

    async def restore(self) -> None:
        self.link.silent = False


class FakeLimitBench:
    """For the contract: a float32 in bar, in input registers 7 and 8."""

    def __init__(self) -> None:
        self.clock = FakeClock()
        self.link = FakeLink(self.clock)
        self.switch = PressureLimit(self.link, LIMIT)

    def set_bar(self, bar: float) -> None:
        high, low = struct.unpack(">HH", struct.pack(">f", bar))
        self.link.registers.update({("input", 7): high, ("input", 8): low})

    async def set_active(self, active: bool) -> None:
        self.set_bar(2.5 if active else 1.5)

    async def cut_off(self) -> None:
        self.link.silent = True

    async def restore(self) -> None:
        self.link.silent = False


@pytest.mark.parametrize("name", SWITCHES)
async def test_a_switch_keeps_its_contract(name: str) -> None:
    await check_switch(FakeSwitchBench(SWITCHES[name]))


async def test_a_pressure_with_a_limit_keeps_the_contract_of_a_switch() -> None:
    await check_switch(FakeLimitBench())


@pytest.mark.parametrize(("name", "asked"), [("input", "read input"), ("coil", "read coil")])
async def test_one_request_asks_the_right_table_and_changes_nothing(name: str, asked: str) -> None:
    bench = FakeSwitchBench(SWITCHES[name])
    await bench.switch.read()
    assert bench.link.done == [(asked, 3, 7)]


@pytest.mark.parametrize(("bar", "active"), [(1.99, False), (2.0, True), (-0.2, False), (9.0, True)])
async def test_the_limit_itself_is_enough(bar: float, active: bool) -> None:
    bench = FakeLimitBench()
    bench.set_bar(bar)
    assert (await bench.switch.read()).active is active


@pytest.mark.parametrize("bar", [math.nan, math.inf])
async def test_no_number_is_neither_yes_nor_no(bar: float) -> None:
    bench = FakeLimitBench()
    bench.set_bar(bar)
    with pytest.raises(DeviceGarbled, match="link panel, unit 3, register 7: no number"):
        await bench.switch.read()
