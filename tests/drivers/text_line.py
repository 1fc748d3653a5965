"""A serial line in virtual time with a scripted device: it can answer late, twice, cut short or spoilt."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from lungfish.errors import DeviceAbsent

__all__ = ["FakePipe"]


class FakePipe:
    """Implements `lungfish.drivers.byte_pipe.BytePipe`.

    Args:
        answer: given each thing that is written; what comes back, each piece after so many seconds.
    """

    def __init__(self, answer: Callable[[bytes], list[tuple[float, bytes]]]) -> None:
        self.may_be_half_open = False
        self.on_bytes: Callable[[bytes], None] = lambda _data: None
        self.on_lost: Callable[[str], None] = lambda _why: None
        self.written: list[bytes] = []
        self.gone = False
        self._answer = answer
        self._open = False
        self._turn = False
        self._waiting = bytearray()

    @property
    def is_open(self) -> bool:
        return self._open

    async def open(self) -> None:
        if self.gone:
            raise DeviceAbsent("no such port")
        self._open = True

    async def take_turn(self) -> None:
        self._turn = True
        self._tell()

    def end_turn(self) -> None:
        self._turn = False

    async def write(self, data: bytes) -> None:
        if self.gone:
            raise DeviceAbsent("the port has gone")
        self.written.append(data)
        for after_s, piece in self._answer(data):
            self.arrive(after_s, piece)

    def arrive(self, after_s: float, piece: bytes) -> None:
        """Something comes down the line."""
        asyncio.get_running_loop().call_later(after_s, self._receive, piece)

    def discard(self) -> None:
        self._waiting.clear()

    def answered(self) -> None:
        """Nothing to count here."""

    def close(self) -> None:
        self._open = False

    def lose(self) -> None:
        """The adapter is pulled out."""
        self.gone, self._open = True, False
        self.on_lost("the port has gone")

    def _receive(self, piece: bytes) -> None:
        self._waiting += piece
        if self._turn:
            self._tell()

    def _tell(self) -> None:
        data = bytes(self._waiting)
        self._waiting.clear()
        if data:
            self.on_bytes(data)
