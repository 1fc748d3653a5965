"""A valve driven by a coil, a holding register or a bit of one over a register link, held open or for a time.

What is read back is the device's output, not the valve: a valve that sticks is seen in the pressure, not here.
"""

from __future__ import annotations

import asyncio
from collections import defaultdict

from lungfish.config.model import Output, ValveSpec
from lungfish.core.events import ValveState
from lungfish.drivers.link import RegisterLink
from lungfish.drivers.messages import Function, Reply, Request
from lungfish.errors import DeviceRefused
from lungfish.ports import Clock, ValveEcho

__all__ = [
    "ModbusValve",
    "RegisterTurns",
    "bit_of",
    "output_state",
    "output_value",
    "reads_first",
    "with_bit",
    "write_request",
]

_LOOKS = 3
_BETWEEN_LOOKS_S = 0.05


def output_value(spec: ValveSpec, state: ValveState) -> int:
    """What must be written for a state.

    Raises:
        ValueError: Nobody can command UNKNOWN.
    """
    if state is ValveState.UNKNOWN:
        raise ValueError("a valve can be told to open or to shut, not to be unknown")
    return spec.open_value if state is ValveState.OPEN else spec.shut_value


def output_state(spec: ValveSpec, value: int) -> ValveState:
    """What a value read back means; UNKNOWN when it is neither that of open nor that of shut."""
    return {spec.open_value: ValveState.OPEN, spec.shut_value: ValveState.SHUT}.get(value, ValveState.UNKNOWN)


def bit_of(spec: ValveSpec, register: int) -> int:
    """What a register that was read says of a valve: its bit, or all of it.

    Args:
        spec: the valve.
        register: what was read.
    """
    return register if spec.bit is None else register >> spec.bit & 1


def with_bit(spec: ValveSpec, register: int, value: int) -> int:
    """A register with a valve's bit set; the others as they are.

    Args:
        spec: a valve that is driven by a bit.
        register: what was read.
        value: 0 or 1.
    """
    mask = 1 << (spec.bit or 0)
    return register | mask if value else register & ~mask


def reads_first(spec: ValveSpec) -> bool:
    """Whether its register must be read before it is written, for the bits that are not its own."""
    return spec.output is Output.BIT and not spec.mask_write


def write_request(spec: ValveSpec, value: int, register: int) -> Request:
    """What moves a valve whose output is held.

    Args:
        spec: the valve.
        value: what opens or shuts it.
        register: what its register held just before; used when `reads_first`.
    """
    if spec.output is Output.COIL:
        return Request(Function.WRITE_COIL, spec.unit, spec.address, value)
    if spec.output is Output.BIT and spec.mask_write:
        masks = with_bit(spec, 0xFFFF, 0) << 16 | with_bit(spec, 0, value)
        return Request(Function.MASK_WRITE, spec.unit, spec.address, masks)
    written = value if spec.output is Output.REGISTER else with_bit(spec, register, value)
    return Request(Function.WRITE_REGISTER, spec.unit, spec.address, written)


class RegisterTurns:
    """Several valves may be bits of one register: between reading and writing it, none but one changes it."""

    def __init__(self) -> None:
        self._turns: defaultdict[tuple[str, int, int], asyncio.Lock] = defaultdict(asyncio.Lock)

    def of(self, spec: ValveSpec) -> asyncio.Lock:
        """The lock of a valve's register."""
        return self._turns[spec.link, spec.unit, spec.address]


class ModbusValve:
    """Implements `lungfish.ports.Valve`.

    Args:
        link: The link that it is on, shared with whatever else is on it.
        spec: Where it is driven from, and what opens and shuts it.
        clock: Monotonic time and waiting.
        turns: Of the registers that are changed bit by bit; None: nobody else changes this one.
    """

    def __init__(self, link: RegisterLink, spec: ValveSpec, clock: Clock, turns: RegisterTurns | None = None) -> None:
        self._link = link
        self._spec = spec
        self._clock = clock
        self._turn = (turns or RegisterTurns()).of(spec)
        self._pulse_sent = False

    async def command(self, state: ValveState) -> ValveEcho:
        """Write, have the echo checked, and read the output back.

        A device may show its output a little late, so up to three looks are taken, 50 ms apart.

        The length of an opening is written once. Told to open again before it was seen shut, this only looks: however
        late an answer was lost, a second length would end later than the first.

        Returns:
            The state, stamped midway of the write and its echo: the best estimate of when the valve moved.

        Raises:
            ValueError: The state is UNKNOWN.
            DeviceRefused: The device took the command, but its output does not follow.
            DeviceError: Not carried out or not confirmed; the state must be taken as unknown.
        """
        spec = self._spec
        value = output_value(spec, state)
        again = spec.pulse is not None and state is ValveState.OPEN and self._pulse_sent
        written = None if again else await self._write(state, value)
        looks = 0
        while (found := bit_of(spec, (seen := await self._read()).values[0])) != value:
            looks += 1
            if looks == _LOOKS:
                told = "open for a time, which was sent before" if again else f"{state.value} by {value}"
                raise DeviceRefused(f"{spec.place}: told to {told}, reads back {found}")
            await self._clock.sleep_until(self._clock.monotonic_s() + _BETWEEN_LOOKS_S)
        if state is ValveState.SHUT:
            self._pulse_sent = False
        return ValveEcho(at_s=(written or seen).at_s, state=state)

    async def observe(self) -> ValveEcho:
        """Read the output without changing it.

        Raises:
            DeviceError: No usable answer.
        """
        seen = await self._read()
        return ValveEcho(at_s=seen.at_s, state=output_state(self._spec, bit_of(self._spec, seen.values[0])))

    async def _write(self, state: ValveState, value: int) -> Reply:
        spec, link = self._spec, self._link
        if spec.pulse is not None and state is ValveState.OPEN:
            self._pulse_sent = True
            count = spec.pulse.count(spec.max_open_s)
            return await link.write_register(unit=spec.unit, address=spec.pulse.register, value=count)
        match spec.output:
            case Output.COIL:
                return await link.write_coil(unit=spec.unit, address=spec.address, on=bool(value))
            case Output.REGISTER:
                return await link.write_register(unit=spec.unit, address=spec.address, value=value)
            case Output.BIT:
                return await self._write_bit(value)
            case Output.RELAY | Output.LINE:
                raise ValueError(f"{spec.place} is no output of a Modbus device")

    async def _write_bit(self, value: int) -> Reply:
        spec, link = self._spec, self._link
        async with self._turn:
            if spec.mask_write:  # in turn too: another valve may be a bit of this register and no mask
                keeps, sets = with_bit(spec, 0xFFFF, 0), with_bit(spec, 0, value)
                return await link.mask_register(unit=spec.unit, address=spec.address, and_mask=keeps, or_mask=sets)
            was = await link.read_registers(unit=spec.unit, table="holding", address=spec.address, count=1, first=True)
            register = with_bit(spec, was.values[0], value)
            return await link.write_register(unit=spec.unit, address=spec.address, value=register)

    async def _read(self) -> Reply:
        spec = self._spec
        if spec.output is Output.COIL:
            return await self._link.read_coil(unit=spec.unit, address=spec.address)
        return await self._link.read_registers(unit=spec.unit, table="holding", address=spec.address, count=1)
