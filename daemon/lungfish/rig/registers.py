"""Numbers into Modbus registers: what an I/O block does with its transmitter's signal."""

from __future__ import annotations

import math
import struct

from lungfish.config.model import ByteOrder, NumberFormat, PressureLimitSpec, TransmitterSpec

__all__ = ["encode", "registers_of_pressure"]

_FLOATS = {NumberFormat.FLOAT32: ">f", NumberFormat.FLOAT64: ">d"}


def encode(
    number: float, *, number_format: NumberFormat, word_order: ByteOrder, byte_order: ByteOrder
) -> tuple[int, ...]:
    """A number as registers, lowest address first.

    Args:
        number: an integer format takes the nearest it can hold; NaN becomes its lowest value.
        number_format: what the registers hold.
        word_order: BIG when the first register is the most significant one.
        byte_order: BIG when the high byte of a register is the more significant one.
    """
    if number_format in _FLOATS:
        data = struct.pack(_FLOATS[number_format], number)
    else:
        bits = 16 * number_format.registers
        signed = not number_format.value.startswith("u")
        low = -(2 ** (bits - 1)) if signed else 0
        high = 2 ** (bits - 1) - 1 if signed else 2**bits - 1
        whole = low if math.isnan(number) else round(min(max(number, low), high))
        data = whole.to_bytes(bits // 8, "big", signed=signed)
    layout = f">{len(data) // 2}H" if byte_order is ByteOrder.BIG else f"<{len(data) // 2}H"
    words = struct.unpack(layout, data)
    return words if word_order is ByteOrder.BIG else words[::-1]


def registers_of_pressure(gauge_pa: float, spec: TransmitterSpec | PressureLimitSpec) -> tuple[int, ...]:
    """Registers in which a transmitter of this kind shows a pressure.

    Args:
        gauge_pa: gauge pressure, Pa.
        spec: what the number in the registers means.
    """
    return encode(
        (gauge_pa - spec.offset_gauge_pa) / spec.scale_pa,
        number_format=spec.format,
        word_order=spec.word_order,
        byte_order=spec.byte_order,
    )
