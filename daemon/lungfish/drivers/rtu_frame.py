"""Modbus RTU frames: what goes on the wire for a request, and where in a run of bytes its answer stands. Pure.

A frame is unit, function, data, CRC; nothing marks its beginning, and silences can't be relied on behind adapters that
hand bytes over in lumps. So the answer is looked for at every place: what stands before it (noise of a line that is
taken or let go of, the own request come back, answers to others) is passed over. It counts only when unit, function,
number of bytes, for a write the whole echo, and the CRC are those of the answer.

Layout: MODBUS over Serial Line Specification and Implementation Guide V1.02, section 2.5.1 and appendix 6.2 (CRC), and
MODBUS Application Protocol Specification V1.1b3, section 6. Standard library only, for what runs when the daemon died.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from lungfish.drivers.messages import BITS, EXCEPTIONS, Function, Request

__all__ = ["Heard", "Shape", "answer_bytes", "crc16", "frame", "hunt", "request_frame", "shape"]

_POLYNOMIAL = 0xA001
_EXCEPTION_BIT = 0x80
_EXCEPTION_BYTES = 5
_ECHO_BYTES = 8
_MASK_ECHO_BYTES = 10
_OVERHEAD = 5  # unit, function, number of bytes, CRC
_COIL_ON = 0xFF00
_LENGTHS = {**dict.fromkeys((5, 6, 8, 11, 15, 16), 8), 7: 5, 22: 10}
"""Bytes of answers of fixed length, by function; V1.1b3, section 6."""
_COUNTED = frozenset((1, 2, 3, 4, 12, 17, 20, 21, 23))
"""Functions whose answers say how many bytes follow."""


def _table() -> tuple[int, ...]:
    made = []
    for byte in range(256):
        for _ in range(8):
            byte = (byte >> 1) ^ (_POLYNOMIAL if byte & 1 else 0)
        made.append(byte)
    return tuple(made)


_TABLE = _table()

Shape = tuple[int, ...]
"""What tells the answer to one request from the answer to another, beside its unit."""


def crc16(data: bytes) -> int:
    """The CRC of some bytes (V1.02, appendix 6.2.2); its low byte goes first."""
    crc = 0xFFFF
    for byte in data:
        crc = (crc >> 8) ^ _TABLE[(crc ^ byte) & 0xFF]
    return crc


def frame(body: bytes) -> bytes:
    """A frame: unit, function and data, with their CRC."""
    return body + crc16(body).to_bytes(2, "little")


def request_frame(request: Request) -> bytes:
    """What goes on the wire for a request."""
    if request.function is Function.MASK_WRITE:
        return frame(struct.pack(">BBHI", request.unit, request.function, request.address, request.operand))
    operand = _COIL_ON * request.operand if request.function is Function.WRITE_COIL else request.operand
    return frame(struct.pack(">BBHH", request.unit, request.function, request.address, operand))


def _payload(request: Request) -> int:
    return (request.operand + 7) // 8 if request.function in BITS else 2 * request.operand


def answer_bytes(request: Request) -> int:
    """Length of the frame that answers a request, when it is no exception."""
    if request.is_write:
        return _MASK_ECHO_BYTES if request.function is Function.MASK_WRITE else _ECHO_BYTES
    return _OVERHEAD + _payload(request)


def shape(request: Request) -> Shape:
    """What tells this request's answer from another's: its function and length; of a write, all of it."""
    if request.is_write:
        return (request.function, request.address, request.operand)
    return (request.function, _payload(request))


@dataclass(frozen=True, slots=True)
class Heard:
    """What a run of received bytes holds, against one request."""

    values: tuple[int, ...] | None = None
    """What the answer tells: registers, bits, or the value that a write's echo confirms; None while there is none."""
    exception: int | None = None
    """The exception that the device answered with; None without one."""
    end: int = 0
    """Where the answer ends; 0 while there is none."""
    size: int = 0
    """Bytes of the answer; 0 while there is none."""
    frames: int = 0
    """Whole frames with a good CRC in front of it, the own request aside: answers to something else."""
    noise: int = 0
    """Bytes in front of it, or of all while there is none, that belong to no whole frame."""
    echo: bool = False
    """The own request has come back in front of it."""

    @property
    def answered(self) -> bool:
        """Whether the answer is there."""
        return self.end > 0


def hunt(request: Request, received: bytes, *, echoed: bool = False) -> Heard:
    """Look for the answer to a request.

    Args:
        request: what was asked.
        received: everything received since, in order.
        echoed: the line gives back what is sent. The first frame that is the request itself is then no answer,
            which else could not be told of a write: its answer is the same bytes.

    Returns:
        The first answer, or none; with what stood in front of it.
    """
    own = request_frame(request)
    wanted, exception = _heads(request)
    size = answer_bytes(request)
    at = frames = noise = 0
    echo = False
    last = len(received) - _EXCEPTION_BYTES
    while at <= last:
        if received.startswith(own, at) and not echo and (echoed or not request.is_write):
            echo = True
            at += len(own)
            continue
        if received.startswith(wanted, at) and at + size <= len(received) and _sound(received, at, size):
            values = _values(request, received[at + 2 : at + size - 2])
            if values is not None:
                return Heard(values=values, end=at + size, size=size, frames=frames, noise=noise, echo=echo)
        if received.startswith(exception, at) and received[at + 2] and _sound(received, at, _EXCEPTION_BYTES):
            code = received[at + 2]
            end = at + _EXCEPTION_BYTES
            return Heard(exception=code, end=end, size=_EXCEPTION_BYTES, frames=frames, noise=noise, echo=echo)
        length = _foreign(received, at)
        if length:
            frames += 1
            at += length
        else:
            noise += 1
            at += 1
    return Heard(frames=frames, noise=noise + len(received) - at, echo=echo)


def _heads(request: Request) -> tuple[bytes, bytes]:
    """How the answer begins, and how an exception does."""
    function = int(request.function)
    wanted = request_frame(request) if request.is_write else bytes((request.unit, function, _payload(request)))
    return wanted, bytes((request.unit, function | _EXCEPTION_BIT))


def _values(request: Request, data: bytes) -> tuple[int, ...] | None:
    if request.is_write:
        return (request.operand,)
    if request.function in BITS:
        bits = int.from_bytes(data[1:], "little")
        return tuple(bits >> place & 1 for place in range(request.operand))
    return struct.unpack(f">{request.operand}H", data[1:])


def _sound(received: bytes, at: int, size: int) -> bool:
    end = at + size - 2
    return crc16(received[at:end]) == received[end] | received[end + 1] << 8


def _foreign(received: bytes, at: int) -> int:
    """Length of the whole frame with a good CRC that begins here, an answer or a request; 0 when none does."""
    function = received[at + 1]
    lengths: tuple[int, ...]
    if function & _EXCEPTION_BIT:
        lengths = (_EXCEPTION_BYTES if received[at + 2] in EXCEPTIONS else 0,)
    elif function in _COUNTED:
        lengths = (_OVERHEAD + received[at + 2], _ECHO_BYTES)
    else:
        lengths = (_LENGTHS.get(function, 0),)
    for length in lengths:
        if length and at + length <= len(received) and _sound(received, at, length):
            return length
    return 0
