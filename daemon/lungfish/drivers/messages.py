"""What is asked of a Modbus device, and what comes back."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

__all__ = ["BITS", "EXCEPTIONS", "GATEWAY_TARGET_SILENT", "WRITES", "Function", "Reply", "Request"]


class Function(IntEnum):
    """The Modbus functions that lungfish uses (MODBUS Application Protocol Specification V1.1b3, section 6)."""

    READ_COILS = 1
    READ_DISCRETE_INPUTS = 2
    READ_HOLDING = 3
    READ_INPUT = 4
    WRITE_COIL = 5
    WRITE_REGISTER = 6
    MASK_WRITE = 22


EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}
"""Exception codes (V1.1b3, section 7)."""
GATEWAY_TARGET_SILENT = 11
"""A gateway's word that the unit behind it did not answer."""

_THINGS = {
    Function.READ_COILS: "coil",
    Function.READ_DISCRETE_INPUTS: "discrete input",
    Function.READ_HOLDING: "holding register",
    Function.READ_INPUT: "input register",
    Function.WRITE_COIL: "coil",
    Function.WRITE_REGISTER: "holding register",
    Function.MASK_WRITE: "holding register",
}
BITS = frozenset({Function.READ_COILS, Function.READ_DISCRETE_INPUTS, Function.WRITE_COIL})
"""Functions whose values are single bits."""
WRITES = frozenset({Function.WRITE_COIL, Function.WRITE_REGISTER, Function.MASK_WRITE})
"""Functions that change something; the answer is the request come back."""
_MAX_REGISTERS = 125  # V1.1b3, sections 6.3 and 6.4
_MAX_BITS = 2000  # V1.1b3, sections 6.1 and 6.2


@dataclass(frozen=True, slots=True)
class Request:
    """One question to one device.

    Raises:
        ValueError: No Modbus request can say this; the site file's own checks should have caught it.
    """

    function: Function
    """What to do."""
    unit: int
    """Modbus unit id, 0 to 255."""
    address: int
    """0-based address of the first coil, input or register."""
    operand: int
    """How many to read; or the value to write, 0 or 1 for a coil; for a mask write the AND mask, then the OR mask."""

    def __post_init__(self) -> None:
        low, high = {
            Function.READ_COILS: (1, _MAX_BITS),
            Function.READ_DISCRETE_INPUTS: (1, _MAX_BITS),
            Function.WRITE_COIL: (0, 1),
            Function.WRITE_REGISTER: (0, 0xFFFF),
            Function.MASK_WRITE: (0, 0xFFFFFFFF),
        }.get(self.function, (1, _MAX_REGISTERS))
        if not (0 <= self.unit <= 0xFF and 0 <= self.address <= 0xFFFF and low <= self.operand <= high):
            raise ValueError(f"not a Modbus request: {self!r}")

    @property
    def is_write(self) -> bool:
        """Whether it changes something."""
        return self.function in WRITES

    @property
    def masks(self) -> tuple[int, int]:
        """AND and OR mask of a mask write (V1.1b3, section 6.16): (current AND and) OR (or AND NOT and)."""
        return divmod(self.operand, 0x10000)

    def __str__(self) -> str:
        """For people: `unit 1, input registers 0 to 1`."""
        thing = _THINGS[self.function]
        if self.function is Function.MASK_WRITE:
            keeps, sets = self.masks
            return f"unit {self.unit}, {thing} {self.address} := & {keeps:04x} | {sets:04x}"
        if self.is_write:
            return f"unit {self.unit}, {thing} {self.address} := {self.operand}"
        if self.operand == 1:
            return f"unit {self.unit}, {thing} {self.address}"
        return f"unit {self.unit}, {thing}s {self.address} to {self.address + self.operand - 1}"


@dataclass(frozen=True, slots=True)
class Reply:
    """A checked answer."""

    values: tuple[int, ...]
    """Registers 0 to 65535, or 0 or 1 for a coil or discrete input; the value written, for a write."""
    at_s: float
    """Monotonic time midway of request and reply, s."""
    took_s: float
    """From the request going on the wire to its reply, s; time spent in the queue is not in it."""
