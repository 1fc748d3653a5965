"""How a number stands in 16-bit registers: every format, word order and byte order that a site file may name."""

from __future__ import annotations

import struct
from collections.abc import Sequence

from lungfish.config.model import ByteOrder, NumberFormat

__all__ = ["decode"]

_STRUCT_CODES = {
    NumberFormat.INT16: ">h",
    NumberFormat.UINT16: ">H",
    NumberFormat.INT32: ">i",
    NumberFormat.UINT32: ">I",
    NumberFormat.FLOAT32: ">f",
    NumberFormat.FLOAT64: ">d",
}


def decode(
    registers: Sequence[int], *, number_format: NumberFormat, word_order: ByteOrder, byte_order: ByteOrder
) -> float:
    """Turn registers into the number that they stand for.

    Modbus sends each register with its high byte first and says nothing of numbers wider than one register, so
    devices differ (MODBUS Application Protocol Specification V1.1b3, section 4.2, "Data Encoding"). Floats are
    IEEE 754 binary32 and binary64.

    Args:
        registers: Values 0 to 65535 as read, lowest address first; as many as the format takes.
        number_format: What the registers hold.
        word_order: BIG when the first register is the most significant one.
        byte_order: BIG when the high byte of a register is the more significant one, as Modbus itself says.

    Returns:
        The number; NaN or infinite when that is what a float format holds.

    Raises:
        ValueError: Not as many registers as the format takes.
    """
    if len(registers) != number_format.registers:
        raise ValueError(f"{number_format.value} takes {number_format.registers} registers, not {len(registers)}")
    words = registers if word_order is ByteOrder.BIG else registers[::-1]
    # a number in swapped registers is the same bytes, read from registers of the other byte order
    layout = f">{len(words)}H" if byte_order is ByteOrder.BIG else f"<{len(words)}H"
    (number,) = struct.unpack(_STRUCT_CODES[number_format], struct.pack(layout, *words))
    return float(number)
