"""A wrong word order gives a number all the same; the technician must see it, and which order is the likely one."""

from __future__ import annotations

import struct
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.config.samples import GOOD
from tests.repo.house import ROOT

from lungfish.config import load_site_text
from lungfish.config.model import ByteOrder, NumberFormat, TransmitterSpec
from lungfish.drivers.word_order import interpretations, verdict

BIG, LITTLE = ByteOrder.BIG, ByteOrder.LITTLE


def spec(
    number_format: NumberFormat = NumberFormat.FLOAT32, word: ByteOrder = BIG, byte: ByteOrder = BIG
) -> TransmitterSpec:
    """Reads in Pa, 0 to 60 kPa."""
    (tank,) = load_site_text(GOOD, ROOT).tanks.values()
    return replace(tank.transmitter, format=number_format, word_order=word, byte_order=byte)


def test_a_pressure_in_the_other_word_order_is_found() -> None:
    """24,525 Pa, 2.5 m of water: IEEE 754 binary32 46BF9A00, by hand: 1.49688720703125 x 2^14."""
    assert struct.pack(">f", 1.49688720703125 * 2**14) == bytes.fromhex("46BF9A00")
    looks = [(0x9A00, 0x46BF)]
    right, text = verdict(interpretations(looks, spec()), looks)
    assert not right
    assert "format: float32, word_order: little, byte_order: big" in text
    right, text = verdict(interpretations(looks, spec(word=LITTLE)), looks)
    assert right
    assert text.startswith("as the site file says it, it can be right")


@given(
    st.floats(200.0, 59_000.0),
    st.sampled_from([NumberFormat.FLOAT32, NumberFormat.FLOAT64]),
    st.sampled_from([BIG, LITTLE]),
    st.sampled_from([BIG, LITTLE]),
)
def test_the_true_way_always_can_be_and_a_float_in_a_wrong_one_is_never_passed_over(
    pressure_pa: float, number_format: NumberFormat, word: ByteOrder, byte: ByteOrder
) -> None:
    true = spec(number_format, word, byte)
    code = ">f" if number_format is NumberFormat.FLOAT32 else ">d"
    # five looks at a real transmitter: the low bits move
    looks = [registers(struct.pack(code, pressure_pa + 0.37 * k), word, byte) for k in range(5)]
    found = interpretations(looks, true)
    assert found[0].as_configured
    assert found[0].possible
    for each in found[1:]:
        right, _ = verdict(interpretations(looks, spec(each.format, each.word_order, each.byte_order)), looks)
        assert right == each.possible, each.keys
    wrong = spec(number_format, LITTLE if word is BIG else BIG, byte)
    right, text = verdict(interpretations(looks, wrong), looks)
    assert right or f"word_order: {word.value}" in text or "can't be right" in text


def registers(packed: bytes, word: ByteOrder, byte: ByteOrder) -> tuple[int, ...]:
    words = [packed[k : k + 2] for k in range(0, len(packed), 2)]
    ordered = words if word is BIG else words[::-1]
    return tuple(int.from_bytes(each, "big" if byte is BIG else "little") for each in ordered)


@pytest.mark.parametrize("number_format", [NumberFormat.FLOAT32, NumberFormat.INT32])
def test_zeros_tell_nothing(number_format: NumberFormat) -> None:
    looks = [(0, 0)]
    _, text = verdict(interpretations(looks, spec(number_format)), looks)
    assert "tells nothing" in text


def test_what_fits_in_no_order_is_not_explained_away() -> None:
    looks = [(0x4321, 0x8765), (0xF0F0, 0x0F0F), (0x7FC0, 0x0001)]  # a shut tank's pressure does not jump so
    right, text = verdict(interpretations(looks, spec()), looks)
    assert not right
    assert "whatever the order" in text
