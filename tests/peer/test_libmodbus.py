"""Our drivers against libmodbus, which is not ours: every number format and both kinds of valve."""

from __future__ import annotations

import asyncio
import itertools
import math
import struct
from collections.abc import AsyncIterator

import pytest
from tests.drivers.contract import check_transmitter, check_valve
from tests.drivers.specs import transmitter_spec, valve_spec
from tests.peer.clocks import SkippingClock
from tests.peer.libmodbus_peer import LibmodbusPeer

from lungfish.config.model import ByteOrder, ModbusTcpLinkSpec, NumberFormat, Output, RegisterTable
from lungfish.core.events import ValveState
from lungfish.drivers.modbus_tcp import ModbusTcpLink
from lungfish.drivers.owned_link import OwnedLink
from lungfish.drivers.shut import shut_valve
from lungfish.drivers.transmitter import ModbusTransmitter
from lungfish.drivers.valve import ModbusValve
from lungfish.errors import DeviceAbsent, DeviceRefused, DeviceTimeout

TIMEOUT_S = 0.12
CODES = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f", "float64": "d"}
ORDERS = list(itertools.product(NumberFormat, ByteOrder, ByteOrder, RegisterTable))
VALVES = {
    "coil": valve_spec(),
    "coil, active low": valve_spec(open_value=0, shut_value=1),
    "register": valve_spec(output=Output.REGISTER),
    "register, active low": valve_spec(output=Output.REGISTER, open_value=0, shut_value=1),
    "register, other values": valve_spec(output=Output.REGISTER, open_value=0xFF00, shut_value=0x0055),
}


@pytest.fixture
async def link(plant: LibmodbusPeer, clock: SkippingClock) -> AsyncIterator[ModbusTcpLink]:
    ours = ModbusTcpLink("panel", plant.host, plant.port, TIMEOUT_S, clock)
    yield ours
    await ours.close()


def as_words(number: float, number_format: NumberFormat, word_order: ByteOrder, byte_order: ByteOrder) -> list[int]:
    """How a device would lay a number out in registers; written the other way round from the driver's decoding."""
    code = CODES[number_format.value]
    raw = struct.pack(f">{code}", number if code in "fd" else round(number))
    pairs = [raw[i : i + 2] for i in range(0, len(raw), 2)]
    if word_order is ByteOrder.LITTLE:
        pairs.reverse()
    return [int.from_bytes(pair, byte_order.value) for pair in pairs]


class TransmitterOnPlant:
    """A bench for the contract."""

    late_s = 1.5 * TIMEOUT_S
    skipped_s = 10.0

    def __init__(self, plant: LibmodbusPeer, link: OwnedLink, clock: SkippingClock, number_format: str) -> None:
        spec = transmitter_spec(
            number_format=NumberFormat(number_format), scale_pa=2.0, offset_gauge_pa=-100.0, table=RegisterTable.INPUT
        )
        self.clock = clock
        self.transmitter = ModbusTransmitter(link, spec)
        self.resolution_pa = 0.0 if spec.format.is_float else 1.0
        self._spec, self._plant = spec, plant

    async def set_gauge_pa(self, gauge_pa: float) -> None:
        words = as_words((gauge_pa + 100.0) / 2.0, self._spec.format, ByteOrder.BIG, ByteOrder.BIG)
        await self._plant.set_input_registers(self._spec.register, words)

    async def cut_off(self) -> None:
        await self._plant.set_delay(self.late_s)

    async def restore(self) -> None:
        await self._plant.set_delay(0.0)
        self.clock.skip(self.skipped_s)


class ValveOnPlant:
    """A bench for the contract."""

    late_s = 1.5 * TIMEOUT_S
    skipped_s = 10.0

    def __init__(self, plant: LibmodbusPeer, link: OwnedLink, clock: SkippingClock, name: str) -> None:
        self.clock = clock
        self._spec = VALVES[name]
        self.valve = ModbusValve(link, self._spec, clock)
        self._plant = plant
        self._states = {self._spec.open_value: ValveState.OPEN, self._spec.shut_value: ValveState.SHUT}

    async def output(self) -> ValveState:
        await self._plant.settle()
        read = self._plant.coil if self._spec.output is Output.COIL else self._plant.holding
        return self._states.get(int(read(self._spec.address)), ValveState.UNKNOWN)

    async def force(self, state: ValveState) -> None:
        value = self._spec.open_value if state is ValveState.OPEN else self._spec.shut_value
        if self._spec.output is Output.COIL:
            await self._plant.set_coil(self._spec.address, bool(value))
        else:
            await self._plant.set_holding_registers(self._spec.address, [value])

    async def cut_off(self) -> None:
        await self._plant.set_delay(self.late_s)

    async def restore(self) -> None:
        await self._plant.set_delay(0.0)
        self.clock.skip(self.skipped_s)


async def test_every_format_and_order_is_read_right(plant: LibmodbusPeer, link: ModbusTcpLink) -> None:
    for number_format, word_order, byte_order, table in ORDERS:
        signed = number_format.value.startswith(("int", "float"))
        for number in (0, 1, 258, 12345, 29367 + 0.1875, *((-2, -29367.1875) if signed else ())):
            words = as_words(number, number_format, word_order, byte_order)
            set_registers = plant.set_input_registers if table is RegisterTable.INPUT else plant.set_holding_registers
            await set_registers(10, words)
            spec = transmitter_spec(
                table=table,
                number_format=number_format,
                word_order=word_order,
                byte_order=byte_order,
                scale_pa=0.5,
                offset_gauge_pa=-1000.0,
            )
            sample = await ModbusTransmitter(link, spec).read()
            told = number if number_format.is_float else round(number)
            assert sample.gauge_pa == -1000.0 + 0.5 * told, (number_format, word_order, byte_order, number)


@pytest.mark.parametrize(("number", "shown"), [(math.nan, "nan"), (math.inf, "inf"), (-math.inf, "-inf")])
@pytest.mark.parametrize("number_format", [NumberFormat.FLOAT32, NumberFormat.FLOAT64])
async def test_a_value_that_is_no_number_is_passed_on_as_such(
    plant: LibmodbusPeer, link: ModbusTcpLink, number_format: NumberFormat, number: float, shown: str
) -> None:
    await plant.set_input_registers(10, as_words(number, number_format, ByteOrder.BIG, ByteOrder.BIG))
    sample = await ModbusTransmitter(link, transmitter_spec(number_format=number_format)).read()
    assert str(sample.gauge_pa) == shown


@pytest.mark.parametrize("number_format", CODES)
async def test_the_transmitter_keeps_its_contract(
    plant: LibmodbusPeer, link: ModbusTcpLink, clock: SkippingClock, number_format: str
) -> None:
    await check_transmitter(TransmitterOnPlant(plant, link, clock, number_format))


@pytest.mark.parametrize("name", VALVES)
async def test_the_valve_keeps_its_contract(
    plant: LibmodbusPeer, link: ModbusTcpLink, clock: SkippingClock, name: str
) -> None:
    await check_valve(ValveOnPlant(plant, link, clock, name))


async def test_a_register_that_is_not_there_is_refused(
    plant: LibmodbusPeer, link: ModbusTcpLink, clock: SkippingClock
) -> None:
    with pytest.raises(DeviceRefused, match=r"input registers 199 to 200: exception 2, illegal data address"):
        await ModbusTransmitter(link, transmitter_spec(register=199)).read()
    with pytest.raises(DeviceRefused, match=r"coil 200 := 0: exception 2, illegal data address"):
        await ModbusValve(link, valve_spec(address=200), clock).command(ValveState.SHUT)
    # refused, but alive: the connection stays
    await plant.set_input_registers(10, as_words(5.0, NumberFormat.FLOAT32, ByteOrder.BIG, ByteOrder.BIG))
    assert (await ModbusTransmitter(link, transmitter_spec()).read()).gauge_pa == 5.0
    assert link.stats.connects == 1


async def test_a_register_valve_in_between_is_unknown(
    plant: LibmodbusPeer, link: ModbusTcpLink, clock: SkippingClock
) -> None:
    await plant.set_holding_registers(20, [7])
    valve = ModbusValve(link, VALVES["register"], clock)
    assert (await valve.observe()).state is ValveState.UNKNOWN


async def test_the_plant_behind_hears_of_each_change(link: ModbusTcpLink, plant: LibmodbusPeer) -> None:
    heard: list[tuple[int, bool]] = []
    plant.on_coil = lambda address, on: heard.append((address, on))
    for on in (True, True, False):
        await link.write_coil(unit=1, address=3, on=on)
    await plant.settle()
    assert heard == plant.coil_writes == [(3, True), (3, False)]
    assert plant.coil(3) is False


@pytest.mark.parametrize("name", VALVES)
async def test_shut_without_the_daemon(plant: LibmodbusPeer, clock: SkippingClock, name: str) -> None:
    bench = ValveOnPlant(plant, ModbusTcpLink("unused", plant.host, plant.port, TIMEOUT_S, clock), clock, name)
    spec = ModbusTcpLinkSpec(name="panel", host=plant.host, port=plant.port, timeout_s=TIMEOUT_S)
    for before in (ValveState.OPEN, ValveState.SHUT):
        await bench.force(before)
        assert await asyncio.to_thread(shut_valve, spec, VALVES[name]) is True
        assert await bench.output() is ValveState.SHUT
    await plant.set_delay(2.0 * TIMEOUT_S)
    with pytest.raises(DeviceTimeout, match="link panel"):
        await asyncio.to_thread(shut_valve, spec, VALVES[name], tries=1)


async def test_shut_with_nobody_there(plant: LibmodbusPeer) -> None:
    spec = ModbusTcpLinkSpec(name="panel", host=plant.host, port=1, timeout_s=TIMEOUT_S)
    with pytest.raises(DeviceAbsent, match=r"link panel \(127.0.0.1:1\)"):
        await asyncio.to_thread(shut_valve, spec, VALVES["coil"])
