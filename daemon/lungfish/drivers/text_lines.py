"""From bytes of a serial line to lines, and from a line to a number: what is no whole line is never one. Pure.

A line without a checksum is believed as it comes. How checksums are made is common practice, from memory: XOR and sum
of the bytes as two hexadecimal digits, CRC-16 that of Modbus as four, its high byte first.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from lungfish.config.text_model import Checksum, TextSpec
from lungfish.drivers.rtu_frame import crc16

__all__ = ["Line", "LineSplitter", "checksum_of", "pressure_of"]

_MOST_BYTES = 256
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_SIGNS = {"-": -1.0, "+": 1.0, " ": 1.0, "": 1.0}


@dataclass(frozen=True, slots=True)
class Line:
    """A whole line."""

    text: str
    """Its characters, the end left out."""
    at_s: float
    """When its last byte arrived, monotonic, s."""
    size: int
    """Bytes, the end included."""


class LineSplitter:
    """Cuts what arrives into lines. What stands before the first end may be the rest of a line, and is none.

    Args:
        ends: what ends a line.
        gap_s: a silence so long within a line shows that it was cut short, s.
        whole: what comes first is the beginning of a line, as behind a question.
    """

    def __init__(self, ends: bytes, gap_s: float, *, whole: bool) -> None:
        self._ends = ends
        self._gap_s = gap_s
        self._whole = whole
        self._received = bytearray()
        self._last_s = 0.0
        self.cut_short = 0
        """Pieces that were no whole line."""

    def put(self, data: bytes, now_s: float) -> list[Line]:
        """Take what has arrived.

        Args:
            data: the bytes.
            now_s: monotonic time, s.

        Returns:
            The lines that ended with it.
        """
        if self._received and now_s - self._last_s >= self._gap_s:
            self._lose()
            self._whole = True  # a silence is as good as an end
        self._last_s = now_s
        self._received += data
        lines = []
        while (end := self._received.find(self._ends)) >= 0:
            text = bytes(self._received[:end])
            del self._received[: end + len(self._ends)]
            if self._whole and len(text) <= _MOST_BYTES:
                plain = text.removesuffix(b"\r").decode("latin-1")
                lines.append(Line(plain, now_s, len(text) + len(self._ends)))
            else:
                self.cut_short += 1
            self._whole = True
        if len(self._received) > _MOST_BYTES:
            self._lose()
        return lines

    def _lose(self) -> None:
        self._received.clear()
        self._whole = False
        self.cut_short += 1


def checksum_of(kind: Checksum, body: bytes) -> str:
    """The checksum of some bytes as hexadecimal digits.

    Args:
        kind: how it is made; not NONE.
        body: the bytes.
    """
    if kind is Checksum.CRC16:
        return f"{crc16(body):04X}"
    made = 0
    for byte in body:
        made = made ^ byte if kind is Checksum.XOR else (made + byte) & 0xFF
    return f"{made:02X}"


def pressure_of(spec: TextSpec, text: str) -> float | None:
    """The number that a line tells, in Pa where it names its unit; None when it is no line of this transmitter.

    Args:
        spec: what its lines are like.
        text: the line, its end left out.
    """
    found = spec.pattern.fullmatch(text)
    if found is None:
        return None
    groups = found.groupdict()
    if spec.checksum is not Checksum.NONE:
        body = groups.get("body")
        if body is None:
            body = text[: found.start("checksum")]
        if (groups["checksum"] or "").upper() != checksum_of(spec.checksum, body.encode("latin-1")):
            return None
    number = (groups["value"] or "").strip()
    sign = groups.get("sign") or ""
    if _NUMBER.fullmatch(number) is None or sign not in _SIGNS or (sign and number[0] in "+-"):
        return None
    scale = 1.0
    if spec.units_pa:
        word = groups.get("unit")
        if word is None or word not in spec.units_pa:
            return None
        scale = spec.units_pa[word]
    return _SIGNS[sign] * float(number) * scale
