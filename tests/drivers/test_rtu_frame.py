"""RTU frames: as they are printed elsewhere, and found among anything."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from tests.drivers.rtu_line import crc, rtu

from lungfish.drivers.messages import Function, Request
from lungfish.drivers.rtu_frame import answer_bytes, crc16, hunt, request_frame

# Whole frames of the Modbus reference guide PI-MBUS-300 and of common tutorials after it, all from memory: that their
# CRCs come out right by a second way of computing them is what holds them.
PRINTED = {
    "read holding registers 107 to 109": (
        Request(Function.READ_HOLDING, 17, 0x6B, 3),
        "11 03 00 6B 00 03 76 87",
        "11 03 06 AE 41 56 52 43 40 49 AD",
        (0xAE41, 0x5652, 0x4340),
    ),
    "read input register 8": (
        Request(Function.READ_INPUT, 17, 8, 1),
        "11 04 00 08 00 01 B2 98",
        "11 04 02 00 0A F8 F4",
        (10,),
    ),
    "write coil 172": (
        Request(Function.WRITE_COIL, 17, 0xAC, 1),
        "11 05 00 AC FF 00 4E 8B",
        "11 05 00 AC FF 00 4E 8B",
        (1,),
    ),
    "write register 1": (
        Request(Function.WRITE_REGISTER, 17, 1, 3),
        "11 06 00 01 00 03 9A 9B",
        "11 06 00 01 00 03 9A 9B",
        (3,),
    ),
    "read coils 19 to 55": (
        Request(Function.READ_COILS, 17, 0x13, 37),
        "11 01 00 13 00 25 0E 84",
        "11 01 05 CD 6B B2 0E 1B 45 E6",
        tuple(int(bit) for byte in (0xCD, 0x6B, 0xB2, 0x0E, 0x1B) for bit in f"{byte:08b}"[::-1])[:37],
    ),
}
READ = Request(Function.READ_INPUT, 1, 7, 2)
ANSWER = rtu(bytes.fromhex("01 04 04 12 34 56 78"))
VALUES = (0x1234, 0x5678)
WRITE = Request(Function.WRITE_COIL, 1, 3, 0)


def test_the_crc_is_the_printed_one() -> None:
    """MODBUS over Serial Line V1.02, appendix 6.2.2: of the frame `02 07` it is 1241 hex, sent as `41 12`."""
    assert crc16(bytes.fromhex("02 07")) == 0x1241
    assert crc(bytes.fromhex("02 07")) == 0x1241


def test_the_crc_of_nine_digits_is_the_catalogued_one() -> None:
    """CRC-16/MODBUS in catalogues of CRCs: the check value of `123456789` is 4B37 hex (from memory)."""
    assert crc16(b"123456789") == 0x4B37


@given(st.binary(max_size=260))
def test_the_crc_by_table_is_the_crc_bit_by_bit(data: bytes) -> None:
    assert crc16(data) == crc(data)


@pytest.mark.parametrize("name", PRINTED)
def test_printed_frames_are_sent_and_understood(name: str) -> None:
    request, sent, answered, values = PRINTED[name]
    assert request_frame(request) == bytes.fromhex(sent)
    answer = bytes.fromhex(answered)
    assert hunt(request, answer).values == values
    assert len(answer) == answer_bytes(request)
    for cut in range(len(answer)):
        assert not hunt(request, answer[:cut]).answered, "more is to come"


def test_a_printed_exception_is_understood() -> None:
    """Request `0A 01 04 A1 00 01 AC 63`, answer `0A 81 02 B0 53`: illegal data address (tutorials, from memory)."""
    request = Request(Function.READ_COILS, 10, 0x4A1, 1)
    assert request_frame(request) == bytes.fromhex("0A 01 04 A1 00 01 AC 63")
    assert hunt(request, bytes.fromhex("0A 81 02 B0 53")).exception == 2


@pytest.mark.parametrize(
    "noise", ["00", "ff", "ff 04", "01", "01 04", "01 04 04", "01 03 02", "01 04 04 12 34", "00 00 00 00 00 00 00 00"]
)
def test_noise_in_front_costs_nothing(noise: str) -> None:
    front = bytes.fromhex(noise)
    heard = hunt(READ, front + ANSWER)
    assert heard.values == VALUES
    assert (heard.noise, heard.frames) == (len(front), 0)


def test_the_own_request_come_back_is_no_answer() -> None:
    own = request_frame(READ)
    heard = hunt(READ, own + ANSWER)
    assert (heard.values, heard.echo, heard.noise, heard.frames) == (VALUES, True, 0, 0)
    assert not hunt(READ, own).answered


def test_on_a_line_that_echoes_a_write_is_confirmed_by_its_second_frame_only() -> None:
    own = request_frame(WRITE)
    assert hunt(WRITE, own, echoed=False).values == (0,)
    assert not hunt(WRITE, own, echoed=True).answered
    assert hunt(WRITE, own + own, echoed=True).values == (0,)


@pytest.mark.parametrize(
    ("what", "frames"),
    [
        ("02 04 04 12 34 56 78", 1),  # another unit
        ("01 03 04 12 34 56 78", 1),  # another function
        ("01 04 02 12 34", 1),  # one register
        ("01 04 06 12 34 56 78 9A BC", 1),  # three
        ("01 05 00 03 FF 00", 1),  # the echo of a write
        ("01 83 02", 1),  # an exception to another function
        ("02 84 02", 1),  # an exception of another unit
    ],
)
def test_whole_frames_that_answer_something_else_are_passed_over(what: str, frames: int) -> None:
    other = rtu(bytes.fromhex(what))
    assert not hunt(READ, other).answered
    heard = hunt(READ, other + ANSWER)
    assert (heard.values, heard.frames, heard.noise) == (VALUES, frames, 0)


def test_an_answer_inside_a_whole_frame_of_another_is_none() -> None:
    """What another unit's registers hold may look like a frame to us."""
    body = bytes((7, 3, len(ANSWER) + 1)) + ANSWER + b"\0"
    assert not hunt(READ, rtu(body)).answered


@pytest.mark.parametrize(("address", "on"), [(3, 0xFF00), (4, 0x0000)])
def test_the_echo_of_another_order_confirms_nothing(address: int, on: int) -> None:
    other = rtu(bytes((1, 5)) + address.to_bytes(2, "big") + on.to_bytes(2, "big"))
    assert not hunt(WRITE, other).answered
    assert hunt(WRITE, other + request_frame(WRITE)).values == (0,)


@pytest.mark.parametrize("place", range(len(ANSWER)))
def test_one_wrong_bit_is_never_overlooked(place: int) -> None:
    """A CRC of 16 bits finds every single, and every odd number of, wrong bits."""
    for bit in range(8):
        spoilt = bytearray(ANSWER)
        spoilt[place] ^= 1 << bit
        assert not hunt(READ, bytes(spoilt)).answered


@given(st.binary(max_size=300), st.binary(max_size=40))
@example(b"", b"")
def test_whatever_is_found_is_a_frame_that_fits(front: bytes, back: bytes) -> None:
    """Among any bytes: if something is taken for the answer, it is one by a CRC computed another way."""
    received = front + ANSWER + back
    heard = hunt(READ, received)
    assert heard.answered, "a whole answer is there, and no whole frame hides it"
    if heard.values is not None:
        taken = received[heard.end - len(ANSWER) : heard.end]
        assert taken[:3] == b"\x01\x04\x04"
        assert rtu(taken[:-2]) == taken
