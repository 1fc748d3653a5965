"""Numbers in registers, against IEEE 754 by hand, against the Modbus library's own conversion, and for every order."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from lungfish.config.model import ByteOrder, NumberFormat
from lungfish.drivers.formats import decode

BIG, LITTLE = ByteOrder.BIG, ByteOrder.LITTLE
ORDERS = [(BIG, BIG), (LITTLE, BIG), (BIG, LITTLE), (LITTLE, LITTLE)]
CODES = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f", "float64": "d"}
# IEEE 754 binary32, in the four orders that devices use: ABCD, CDAB, BADC, DCBA
FLOAT32 = {
    1.0: "3F80 0000 | 0000 3F80 | 803F 0000 | 0000 803F",
    12.5: "4148 0000 | 0000 4148 | 4841 0000 | 0000 4841",
    123.456: "42F6 E979 | E979 42F6 | F642 79E9 | 79E9 F642",
    3.1415927: "4049 0FDB | 0FDB 4049 | 4940 DB0F | DB0F 4940",
    249.0889: "4379 16C2 | 16C2 4379 | 7943 C216 | C216 7943",
}


def words_of(text: str) -> list[int]:
    return [int(word, 16) for word in text.split()]


@pytest.mark.parametrize("number", FLOAT32)
def test_float32_in_four_orders(number: float) -> None:
    for text, (word_order, byte_order) in zip(FLOAT32[number].split("|"), ORDERS, strict=True):
        told = decode(words_of(text), number_format=NumberFormat.FLOAT32, word_order=word_order, byte_order=byte_order)
        # half a unit in the last of binary32's 24 bits
        assert told == pytest.approx(number, rel=2.0**-24)


@pytest.mark.parametrize(
    ("number_format", "text", "number"),
    [
        # two's complement: MODBUS over Serial and TCP carry 16-bit words, FFFE is -2 as a signed one
        (NumberFormat.INT16, "FFFE", -2),
        (NumberFormat.UINT16, "FFFE", 65534),
        (NumberFormat.INT16, "8000", -32768),
        (NumberFormat.INT32, "FFFF FFFE", -2),
        (NumberFormat.UINT32, "FFFF FFFE", 4294967294),
        (NumberFormat.INT32, "8000 0000", -2147483648),
        (NumberFormat.UINT32, "0001 0000", 65536),
        # IEEE 754 binary64 of pi
        (NumberFormat.FLOAT64, "4009 21FB 5444 2D18", math.pi),
        (NumberFormat.FLOAT64, "7FF0 0000 0000 0000", math.inf),
        (NumberFormat.FLOAT32, "FF80 0000", -math.inf),
        # the smallest number of binary32 above 0
        (NumberFormat.FLOAT32, "0000 0001", 2.0**-149),
    ],
)
def test_known_numbers(number_format: NumberFormat, text: str, number: float) -> None:
    assert decode(words_of(text), number_format=number_format, word_order=BIG, byte_order=BIG) == number


def test_not_a_number_stays_one() -> None:
    for text in ("7FC0 0000", "FFC0 0001", "7F80 0001"):
        told = decode(words_of(text), number_format=NumberFormat.FLOAT32, word_order=BIG, byte_order=BIG)
        assert math.isnan(told)


@given(st.data(), st.sampled_from(list(NumberFormat)), st.sampled_from(ORDERS))
def test_what_a_device_packs_is_what_is_read(
    data: st.DataObject, number_format: NumberFormat, orders: tuple[ByteOrder, ByteOrder]
) -> None:
    word_order, byte_order = orders
    size = number_format.registers * 2
    raw = data.draw(st.binary(min_size=size, max_size=size))
    (number,) = struct.unpack(f">{CODES[number_format.value]}", raw)
    pairs = [raw[i : i + 2] for i in range(0, size, 2)]
    words = [int.from_bytes(pair, byte_order.value) for pair in pairs]
    if word_order is LITTLE:
        words.reverse()
    told = decode(words, number_format=number_format, word_order=word_order, byte_order=byte_order)
    assert struct.pack(">d", told) == struct.pack(">d", float(number)) or (math.isnan(told) and math.isnan(number))


@given(st.data(), st.sampled_from(list(NumberFormat)), st.sampled_from([BIG, LITTLE]))
def test_the_library_reads_the_same(data: st.DataObject, number_format: NumberFormat, word_order: ByteOrder) -> None:
    count = number_format.registers
    words = data.draw(st.lists(st.integers(0, 0xFFFF), min_size=count, max_size=count))
    kind = getattr(ModbusClientMixin.DATATYPE, number_format.name)
    theirs = ModbusClientMixin.convert_from_registers(words, kind, word_order=word_order.value)
    assert isinstance(theirs, int | float)
    ours = decode(words, number_format=number_format, word_order=word_order, byte_order=BIG)
    assert ours == theirs or (math.isnan(ours) and math.isnan(theirs))


@pytest.mark.parametrize("number_format", list(NumberFormat))
def test_the_wrong_number_of_registers_is_no_number(number_format: NumberFormat) -> None:
    for count in (0, number_format.registers - 1, number_format.registers + 1):
        with pytest.raises(ValueError, match="takes"):
            decode([0] * count, number_format=number_format, word_order=BIG, byte_order=BIG)
