"""The gate in front of the Modbus library, on frames as the standard prints them and on any bytes at all.

Frames: MODBUS Application Protocol Specification V1.1b3, the examples of section 6; the header in front of them as in
MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3.
"""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from lungfish.drivers.gate import Gate, examine

# request and answer PDUs printed in V1.1b3, sections 6.3, 6.4, 6.5, 6.6 (from memory but for 6.3); the reads of
# one coil and of one discrete input are cut down from the examples of 6.1 and 6.2
EXAMPLES = {
    "read holding registers 108 to 110": ("03 00 6B 00 03", "03 06 02 2B 00 00 00 64"),
    "read input register 9": ("04 00 08 00 01", "04 02 00 0A"),
    "write coil 173": ("05 00 AC FF 00", "05 00 AC FF 00"),
    "write register 2": ("06 00 01 00 03", "06 00 01 00 03"),
    "read coil 20": ("01 00 13 00 01", "01 01 01"),
    "read discrete input 197": ("02 00 C4 00 01", "02 01 00"),
}


def adu(pdu: str, transaction: int = 0x1501, unit: int = 0x11, protocol: int = 0, length: int | None = None) -> bytes:
    raw = bytes.fromhex(pdu)
    size = len(raw) + 1 if length is None else length
    return b"".join(n.to_bytes(2, "big") for n in (transaction, protocol, size)) + bytes((unit,)) + raw


READ, READ_ANSWER = (adu(pdu) for pdu in EXAMPLES["read holding registers 108 to 110"])
WRITE = adu(EXAMPLES["write coil 173"][0])
FOREIGN = adu("03 06 00 01 00 02 00 03", transaction=0x1500)


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_printed_answer_answers_the_printed_request(name: str) -> None:
    request, answer = (adu(pdu) for pdu in EXAMPLES[name])
    assert examine(request, answer).answer == answer
    for cut in range(len(answer)):
        look = examine(request, answer[:cut])
        assert (look.answer, look.wrong) == (None, None), "more is to come"


@pytest.mark.parametrize("name", EXAMPLES)
@pytest.mark.parametrize("code", [*range(1, 9), 0x0A, 0x0B])
def test_an_exception_answers_it_too(name: str, code: int) -> None:
    request = adu(EXAMPLES[name][0])
    answer = adu(f"{request[7] | 0x80:02X} {code:02X}")
    assert examine(request, answer).answer == answer


@pytest.mark.parametrize(
    ("answer", "why"),
    [
        (adu("03 06 02 2B 00 00 00 64", unit=0x12), "answer from unit 18 to a request to unit 17"),
        (adu("04 06 02 2B 00 00 00 64"), "answer to function 4, not to function 3"),
        (adu("84 02"), "answer to function 132"),
        (adu("03 04 02 2B 00 00"), "answer with 4 bytes of values, not 6"),
        (adu("03 08 02 2B 00 00 00 64 00 01"), "answer with 8 bytes of values, not 6"),
        (adu("03 08 02 2B 00 00 00 64"), "says it has 8 bytes of values, not 6"),
        (adu("03 06 02 2B 00 00 00 64", protocol=1), "protocol id is not 0"),
        (adu("03 06 02 2B 00 00 00 64", length=0xFFFF), "length 65535 is not 3 to 254"),
        (adu("03 06 02 2B 00 00 00 64", length=2), "length 2 is not 3 to 254"),
        (adu("83 02 00"), "exception of length 4, not 3"),
        (b"HTTP/1.1 400 Bad Request\r\n\r\n", "protocol id is not 0"),
    ],
)
def test_what_is_wrong_is_said(answer: bytes, why: str) -> None:
    look = examine(READ, answer)
    assert look.answer is None
    assert look.wrong is not None
    assert why in look.wrong
    assert look.wrong.isprintable()


@pytest.mark.parametrize(
    "echo", ["05 00 AC 00 00", "05 00 AD FF 00", "05 01 AC FF 00", "05 00 AC FF 01", "05 00 AC FF"]
)
def test_another_echo_confirms_nothing(echo: str) -> None:
    look = examine(WRITE, adu(echo))
    assert look.answer is None
    assert look.wrong is not None
    assert "echo" in look.wrong


def test_transaction_id_0_is_no_wild_card() -> None:
    assert examine(READ, adu("03 06 02 2B 00 00 00 64", transaction=0)).answer is None


def test_late_answers_in_front_are_skipped_and_counted() -> None:
    look = examine(READ, FOREIGN + FOREIGN + READ_ANSWER)
    assert (look.answer, look.skipped, look.left_over) == (READ_ANSWER, 2, False)
    assert examine(READ, READ_ANSWER + FOREIGN).left_over
    look = examine(READ, FOREIGN + READ_ANSWER[:-1])
    assert (look.answer, look.wrong, look.skipped) == (None, None, 1)


@given(st.binary(max_size=300))
@example(b"")
def test_any_bytes_are_the_answer_only_if_they_say_so_in_every_field(received: bytes) -> None:
    for request in (READ, WRITE):
        look = examine(request, received)
        assert look.answer is None or look.wrong is None
        if look.answer is not None:
            assert look.answer in received
            assert look.answer[:2] == request[:2]
            assert look.answer[6] == request[6]


@given(st.integers(0, len(READ_ANSWER) - 1), st.integers(1, 255))
def test_one_changed_byte_is_seen_unless_it_is_a_value(at: int, change: int) -> None:
    changed = bytearray(READ_ANSWER)
    changed[at] ^= change
    look = examine(READ, bytes(changed))
    assert (look.answer is not None) == (at >= 9)  # what the registers hold nobody can check


@given(st.lists(st.sampled_from([READ_ANSWER, FOREIGN, WRITE, b"\0", b"\x15\x01\0\0\0"]), max_size=6), st.data())
def test_pieces_do_not_matter(parts: list[bytes], data: st.DataObject) -> None:
    stream = b"".join(parts)
    cut = data.draw(st.integers(0, len(stream)))
    first, whole = examine(READ, stream[:cut]), examine(READ, stream)
    if first.answer is not None:
        assert first.answer == whole.answer
    if first.wrong is not None:
        assert whole.wrong is not None


class Ticks:
    """A clock that is 1 s later each time it is asked."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        self.now_s += 1.0
        return self.now_s


def test_the_gate_stamps_and_passes_only_the_answer() -> None:
    complaints: list[str] = []
    gate = Gate(Ticks(), lambda: complaints.append("wrong"))
    assert gate.passes(True, READ) == READ
    assert gate.passes(False, FOREIGN + READ_ANSWER[:5]) == b""
    assert gate.passes(False, FOREIGN + READ_ANSWER) == READ_ANSWER
    assert (gate.sent_at_s, gate.answered_at_s, gate.skipped, gate.dirty) == (1.0, 2.0, 1, False)
    assert gate.passes(False, READ_ANSWER) == b"", "the same again is nobody's answer"
    assert gate.dirty
    assert not complaints
    assert gate.passes(True, READ) == READ
    assert gate.passes(False, READ_ANSWER + b"\0") == READ_ANSWER
    assert gate.dirty, "something stands behind the answer"


def test_the_gate_complains_once_and_passes_nothing_after() -> None:
    complaints: list[str] = []
    gate = Gate(Ticks(), lambda: complaints.append("wrong"))
    assert gate.passes(False, READ_ANSWER) == b"", "nobody has asked"
    assert gate.dirty
    gate = Gate(Ticks(), lambda: complaints.append("wrong"))
    gate.passes(True, READ)
    garbage = adu("04 06 02 2B 00 00 00 64")
    assert gate.passes(False, garbage) == b""
    assert gate.passes(False, garbage + READ_ANSWER) == b""
    assert complaints == ["wrong"]
    assert gate.wrong is not None
    assert gate.dirty
