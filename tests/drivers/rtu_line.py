"""A serial line in virtual time with devices on it that misbehave as they are told; bytes made without our code.

Every answer to a register read tells the address asked for and the running number of the request, so whoever gets it
can tell whose answer it is. A device answers in the order in which it was asked.
"""

from __future__ import annotations

import asyncio
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from lungfish.drivers.modbus_rtu import ModbusRtuLink

__all__ = [
    "CHAR_S",
    "GAP_S",
    "TIMEOUT_S",
    "Asked",
    "Line",
    "LoopTime",
    "Say",
    "crc",
    "honest",
    "link_on",
    "rtu",
    "tell",
]

CHAR_S = 11 / 19200
GAP_S = 3.5 * CHAR_S
TIMEOUT_S = 0.2
_PIECE = 3
"""Bytes that arrive together: fewer than the 3.5 characters after which a line counts as silent."""
TURN_S = 0.005
"""From the end of a request to the beginning of an honest answer."""


def crc(data: bytes) -> int:
    """Bit by bit, from the words of MODBUS over Serial Line V1.02, appendix 6.2.2; no table, unlike ours."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            low = register & 1
            register >>= 1
            if low:
                register ^= 0xA001
    return register


def rtu(body: bytes) -> bytes:
    """A frame: low byte of the CRC first."""
    return body + struct.pack("<H", crc(body))


@dataclass(frozen=True, slots=True)
class Asked:
    """One request as a device received it."""

    number: int
    at_s: float
    unit: int
    function: int
    address: int
    operand: int
    raw: bytes


@dataclass(frozen=True, slots=True)
class Say:
    """Bytes that a device sends so long after the end of the request, or after what it sent before."""

    after_s: float
    data: bytes


Script = Callable[[Asked, bytes], Sequence[Say]]


def honest(_asked: Asked, right: bytes) -> Sequence[Say]:
    """Answer as one should."""
    return (Say(TURN_S, right),)


def tell(values: Sequence[int]) -> tuple[int, int]:
    """From a register answer of at least two registers: the address asked for, and the number of the request."""
    return values[0], values[1]


class LoopTime:
    """The running loop's time."""

    def __init__(self) -> None:
        self._loop = asyncio.get_running_loop()

    def monotonic_s(self) -> float:
        return self._loop.time()

    async def sleep_until(self, at_s: float) -> None:
        await asyncio.sleep(at_s - self._loop.time())


@dataclass
class Line:
    """Implements BytePipe. What is sent takes its time on the wire, both ways."""

    script: Script = honest
    echo: bool = False
    """The line gives back what is sent."""
    asked: list[Asked] = field(default_factory=list)
    outputs: dict[tuple[int, int, int], int] = field(default_factory=dict)
    """(unit, function that writes it, address): the raw value last written."""
    opened: int = 0
    char_s: float = CHAR_S
    is_open: bool = False

    def __post_init__(self) -> None:
        self.may_be_half_open = False
        self.on_bytes: Callable[[bytes], None] = print
        self.on_lost: Callable[[str], None] = print
        self.free_s: dict[int, float] = {}
        """By unit, when it will have said all that it has to say."""
        self.spoken: list[tuple[float, float]] = []
        """When somebody was heard on the line, beginning and end; we and the devices."""

    async def open(self) -> None:
        self.is_open = True
        self.opened += 1

    async def take_turn(self) -> None:
        pass

    def end_turn(self) -> None:
        pass

    def discard(self) -> None:
        pass

    def answered(self) -> None:
        pass

    def close(self) -> None:
        self.is_open = False

    def lose(self) -> None:
        """The adapter is pulled out."""
        self.is_open = False
        self.on_lost("it was hung up")

    async def write(self, data: bytes) -> None:
        loop = asyncio.get_running_loop()
        end_s = loop.time() + len(data) * self.char_s
        self.spoken.append((loop.time(), end_s))
        if self.echo:
            loop.call_at(end_s, self._hear, data)
        unit, function, address, operand = struct.unpack(">BBHH", data[:6])
        assert data == rtu(data[:6])
        asked = Asked(len(self.asked) + 1, end_s, unit, function, address, operand, data)
        self.asked.append(asked)
        at_s = max(end_s, self.free_s.get(unit, 0.0))
        for say in self.script(asked, self._right(asked)):
            begins_s = at_s + say.after_s
            at_s = begins_s + len(say.data) * self.char_s
            self.spoken.append((begins_s, at_s))
            for start in range(0, len(say.data), _PIECE):
                piece = say.data[start : start + _PIECE]
                loop.call_at(begins_s + (start + len(piece)) * self.char_s, self._hear, piece)
        self.free_s[unit] = at_s

    def _hear(self, data: bytes) -> None:
        if self.is_open:
            self.on_bytes(data)

    def _right(self, asked: Asked) -> bytes:
        head = bytes((asked.unit, asked.function))
        if asked.function in (5, 6):
            self.outputs[asked.unit, asked.function, asked.address] = asked.operand
            return asked.raw
        if asked.function in (1, 2):
            on = self.outputs.get((asked.unit, 5, asked.address), 0) == 0xFF00
            size = (asked.operand + 7) // 8
            return rtu(head + bytes((size,)) + int(on).to_bytes(size, "little"))
        words = [asked.address, asked.number & 0xFFFF] + [0] * 125
        written = self.outputs.get((asked.unit, 6, asked.address))
        if asked.function == 3 and written is not None:
            words[0] = written
        count = asked.operand
        return rtu(head + struct.pack(f">B{count}H", 2 * count, *words[:count]))


def link_on(line: Line) -> ModbusRtuLink:
    """Our link on it."""
    return ModbusRtuLink("line", "link line (bench)", line, TIMEOUT_S, LoopTime(), char_s=CHAR_S, gap_s=GAP_S)
