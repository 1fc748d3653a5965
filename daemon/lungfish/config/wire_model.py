"""How numbers and switches stand in Modbus tables."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

__all__ = ["Bit", "ByteOrder", "NumberFormat", "RegisterTable", "SwitchSpec"]


class NumberFormat(Enum):
    """How a number stands in Modbus registers."""

    INT16 = "int16"
    UINT16 = "uint16"
    INT32 = "int32"
    UINT32 = "uint32"
    FLOAT32 = "float32"
    FLOAT64 = "float64"

    @property
    def registers(self) -> int:
        """How many 16-bit registers it takes."""
        return int(self.value[-2:]) // 16

    @property
    def is_float(self) -> bool:
        """Whether it is an IEEE 754 number, which can say NaN."""
        return self.value.startswith("float")


class ByteOrder(Enum):
    """Which end comes first: of the registers of a number, or of the bytes of a register."""

    BIG = "big"
    LITTLE = "little"


class RegisterTable(Enum):
    """Which Modbus table a value is read from."""

    INPUT = "input"
    HOLDING = "holding"


class Bit(Enum):
    """What kind of Modbus bit a switch is read from."""

    INPUT = "input"
    """A discrete input (function 2)."""
    COIL = "coil"
    """A coil (function 1)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchSpec:
    """Where a switch is read."""

    link: str
    """Name of the link."""
    unit: int
    """Modbus unit id."""
    bit: Bit
    """A discrete input, or a coil."""
    address: int
    """0-based address."""
    active_value: int
    """0 or 1: the value that means yes."""
