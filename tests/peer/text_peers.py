"""Scripted devices at the other end of a pseudo-terminal: what they say is written out here, with no code of ours."""

from __future__ import annotations

import asyncio
import contextlib
import os
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

__all__ = ["AskedPeer", "PtyLine", "RelayPeer", "StreamPeer", "crc_modbus", "pty_line", "xor_of"]


def crc_modbus(data: bytes) -> int:
    """CRC-16 bit by bit, as MODBUS over Serial Line V1.02, section 6.2.2, describes it."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def xor_of(data: bytes) -> int:
    """All bytes XORed."""
    made = 0
    for byte in data:
        made ^= byte
    return made


@dataclass
class PtyLine:
    """A serial line: we have the device's end."""

    master: int
    port: str
    """The other end, as a serial port's file."""
    on_bytes: Callable[[bytes], None] = lambda _data: None

    def send(self, data: bytes) -> None:
        os.write(self.master, data)

    def listen(self) -> None:
        asyncio.get_running_loop().add_reader(self.master, lambda: self.on_bytes(os.read(self.master, 4096)))


@contextmanager
def pty_line() -> Iterator[PtyLine]:
    """A line that is there while inside, whoever opens and closes the other end."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    try:
        yield PtyLine(master, os.ttyname(slave))
    finally:
        with contextlib.suppress(RuntimeError):  # no loop, no reader
            asyncio.get_running_loop().remove_reader(master)
        os.close(master)
        os.close(slave)


@dataclass
class AskedPeer:
    """Answers `P?` and a carriage return with `P=+0012.345*CRC` in kPa."""

    line: PtyLine
    kpa: Callable[[], float]
    asked: int = 0
    _heard: bytes = b""

    def start(self) -> None:
        self.line.on_bytes = self._hear
        self.line.listen()

    def _hear(self, data: bytes) -> None:
        self._heard += data
        while b"\r" in self._heard:
            question, self._heard = self._heard.split(b"\r", 1)
            if question == b"P?":
                self.asked += 1
                body = f"P={self.kpa():+09.4f}".encode()
                self.line.send(body + b"*%04X\r\n" % crc_modbus(body))


@dataclass
class StreamPeer:
    """Sends `$  123.456 mbar,XOR` twenty times a second, never asked."""

    line: PtyLine
    mbar: Callable[[], float]

    async def run(self) -> None:
        while True:
            await asyncio.sleep(0.05)
            body = f"{self.mbar():9.3f} mbar".encode()
            with contextlib.suppress(BlockingIOError):  # nobody reads yet
                self.line.send(b"$" + body + b",%02X\r\n" % xor_of(body))


@dataclass
class RelayPeer:
    """A board of relays: A0, number, 0 or 1 to shut and open or 2 to ask, and the sum of these; answers what it is."""

    line: PtyLine
    moved: Callable[[int, bool], None]
    is_open: dict[int, bool] = field(default_factory=dict)
    deaf: bool = False
    _heard: bytes = b""

    def start(self) -> None:
        self.line.on_bytes = self.hear
        self.line.listen()

    def hear(self, data: bytes) -> None:
        self._heard += data
        while len(self._heard) >= 4:
            frame = self._heard[:4]
            if frame[0] != 0xA0 or sum(frame[:3]) & 0xFF != frame[3]:
                self._heard = self._heard[1:]
                continue
            self._heard = self._heard[4:]
            if self.deaf:
                continue
            number, order = frame[1], frame[2]
            if order in (0, 1):
                self.is_open[number] = bool(order)
                self.moved(number, bool(order))
            else:
                answer = bytes((0xA0, number, 0x10 + self.is_open.get(number, False)))
                self.line.send(answer + bytes((sum(answer) & 0xFF,)))
