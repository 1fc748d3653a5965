"""Byte by byte: is this the answer to that request? What is not never reaches the Modbus library.

The library alone takes a reply of the wrong function, of too few registers, with another echo, or with transaction
id 0, for the answer. So it is shown nothing but a whole frame that answers the request in flight in every field.
Layout: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3 (MBAP header), and MODBUS Application
Protocol Specification V1.1b3, section 6 (functions) and section 7 (exceptions).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from lungfish.drivers.messages import BITS, WRITES

__all__ = ["Gate", "Look", "examine"]

_HEADER = 7  # transaction (2), protocol (2), length (2), unit (1)
_LENGTH_FIELD_END = 6  # the length counts what follows it
_MIN_LENGTH, _MAX_LENGTH = 3, 254  # unit + function + at least one byte; unit + a PDU of 253 bytes
_EXCEPTION_BIT = 0x80
_EXCEPTION_LENGTH = 3  # unit, function, code
_SHOWN_BYTES = 24


@dataclass(frozen=True, slots=True)
class Look:
    """What a run of received bytes is, against one request."""

    answer: bytes | None = None
    """The frame that answers the request; None while there is none."""
    wrong: str | None = None
    """Why these bytes can't be or become the answer; None when they are it or more is to come."""
    skipped: int = 0
    """Whole frames in front that carry another transaction id: late or doubled replies to something else."""
    left_over: bool = False
    """Bytes stand behind the answer that nobody asked for."""


def examine(request: bytes, received: bytes) -> Look:
    """Judge everything received since a request was sent.

    Args:
        request: The frame that was sent, whole.
        received: All bytes received since, in order.

    Returns:
        The answer, or a reason why there can be none, or neither when more bytes are needed.
    """
    start = skipped = 0
    while len(received) - start >= _HEADER:
        head = received[start : start + _HEADER]
        length = int.from_bytes(head[4:6], "big")
        if head[2:4] != b"\0\0":
            return _wrong("no Modbus frame: protocol id is not 0", received, skipped)
        if not _MIN_LENGTH <= length <= _MAX_LENGTH:
            return _wrong(f"no Modbus frame: length {length} is not 3 to 254", received, skipped)
        end = start + _LENGTH_FIELD_END + length
        if head[:2] != request[:2]:
            if len(received) < end:
                break
            start, skipped = end, skipped + 1
            continue
        if fault := _fault(request, received[start:end]):
            return _wrong(fault, received, skipped)
        if len(received) < end:
            break
        return Look(answer=received[start:end], skipped=skipped, left_over=len(received) > end)
    return Look(skipped=skipped)


def _fault(request: bytes, frame: bytes) -> str | None:
    """What is wrong with a frame, perhaps not yet complete, that carries the request's transaction id."""
    if frame[6] != request[6]:
        return f"answer from unit {frame[6]} to a request to unit {request[6]}"
    if len(frame) == _HEADER:
        return None
    length = int.from_bytes(frame[4:6], "big")
    function = request[7]
    if frame[7] == function | _EXCEPTION_BIT:
        return None if length == _EXCEPTION_LENGTH else f"exception of length {length}, not {_EXCEPTION_LENGTH}"
    if frame[7] != function:
        return f"answer to function {frame[7]}, not to function {function}"
    if function in WRITES:
        sent = request[_HEADER:]
        if length != 1 + len(sent):
            return f"echo of length {length}, not {1 + len(sent)}"
        echo = frame[_HEADER:]
        return None if sent.startswith(echo) else f"echo {echo.hex(' ')} to a write of {sent.hex(' ')}"
    count = int.from_bytes(request[10:12], "big")
    payload = (count + 7) // 8 if function in BITS else 2 * count
    if length != 3 + payload:
        return f"answer with {length - 3} bytes of values, not {payload}"
    if len(frame) > _HEADER + 1 and frame[8] != payload:
        return f"answer that says it has {frame[8]} bytes of values, not {payload}"
    return None


def _wrong(why: str, received: bytes, skipped: int) -> Look:
    dots = " ..." if len(received) > _SHOWN_BYTES else ""
    return Look(wrong=f"{why} (received {received[:_SHOWN_BYTES].hex(' ')}{dots})", skipped=skipped)


class Gate:
    """Stands between one socket and the library: passes the one right answer and nothing else.

    `passes` is made for pymodbus's `trace_packet` hook, of the asynchronous and of the synchronous client. The hook
    is given all bytes not yet taken, again with each piece that arrives.

    Args:
        now: Monotonic clock, s.
        on_wrong: Called when the answer in flight can't come any more.
    """

    def __init__(self, now: Callable[[], float], on_wrong: Callable[[], None] | None = None) -> None:
        self._now = now
        self._on_wrong = on_wrong
        self._request: bytes | None = None
        self.sent_at_s = 0.0
        """When the request went on the wire, monotonic, s."""
        self.answered_at_s: float | None = None
        """When its answer was whole, monotonic, s; None before."""
        self.wrong: str | None = None
        """Why the request in flight will not be answered; None while it may."""
        self.skipped = 0
        """Whole frames skipped while waiting for this answer."""
        self.dirty = False
        """Bytes came that nobody asked for: this connection must carry no further request."""

    def passes(self, sending: bool, data: bytes) -> bytes:
        """Note what is sent; of what is received let only the answer through."""
        if sending:
            self._request = data
            self.sent_at_s = self._now()
            self.answered_at_s = self.wrong = None
            self.skipped = 0
            return data
        if self._request is None or self.answered_at_s is not None or self.wrong is not None:
            self.dirty = True
            return b""
        look = examine(self._request, data)
        self.skipped = look.skipped
        if look.wrong is not None:
            self.wrong, self.dirty = look.wrong, True
            if self._on_wrong is not None:
                self._on_wrong()
        if look.answer is None:
            return b""
        self.answered_at_s = self._now()
        self.dirty = look.left_over
        return look.answer
