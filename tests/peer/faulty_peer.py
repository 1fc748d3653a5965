"""A Modbus TCP server that misbehaves as it is told: bytes written by hand, with no Modbus library behind it.

Every answer to a register read is unlike every other: it tells the address asked for and the number of the request, so
that whoever gets it can tell whose answer it is. Frames: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3.
"""

from __future__ import annotations

import asyncio
import contextlib
import ssl
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

__all__ = ["Asked", "Close", "FaultyPeer", "Pause", "Step", "frame", "honest", "tell"]


@dataclass(frozen=True, slots=True)
class Asked:
    """One request as the peer received it."""

    number: int
    """1 for the first that the peer ever got."""
    connection: int
    """Which connection it came over, from 1."""
    transaction: int
    unit: int
    function: int
    address: int
    operand: int
    """How many, or the raw value of a write."""


@dataclass(frozen=True, slots=True)
class Pause:
    """Do nothing for a while."""

    for_s: float


class Close:
    """Close the connection."""


Step = bytes | Pause | Close
Script = Callable[[Asked, bytes], Sequence[Step]]
"""From a request and its right answer to what is done instead."""


def frame(transaction: int, unit: int, pdu: bytes) -> bytes:
    """A frame with its header."""
    return struct.pack(">HHHB", transaction, 0, len(pdu) + 1, unit) + pdu


def honest(_asked: Asked, right: bytes) -> Sequence[Step]:
    """Answer as one should."""
    return (right,)


def tell(values: Sequence[int]) -> tuple[int, int]:
    """From a register answer of at least three registers: the address asked for, and the number of the request."""
    return values[0], values[1] << 16 | values[2]


@dataclass
class FaultyPeer:
    """An async context manager; listens on a free port of 127.0.0.1."""

    script: Script = honest
    """What is done for each request; may be changed at any time."""
    slam: int = 0
    """So many of the next connections are closed as soon as they are accepted."""
    asked: list[Asked] = field(default_factory=list)
    """Every request, in the order received."""
    outputs: dict[tuple[int, int, int], int] = field(default_factory=dict)
    """(unit, function that writes it, address): the raw value last written."""
    connections: int = 0
    """Connections accepted."""
    open_now: int = 0
    """Connections that neither end has closed."""
    secured: ssl.SSLContext | None = None
    """What its connections are secured with; None: they are not."""
    host: str = "127.0.0.1"
    port: int = 0

    async def __aenter__(self) -> Self:
        self._tasks: set[asyncio.Task[None]] = set()
        self._server = await asyncio.start_server(self._accept, self.host, self.port, ssl=self.secured)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await self._server.wait_closed()

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        self.connections += 1
        self.open_now += 1
        try:
            if self.slam > 0:
                self.slam -= 1
                return
            await self._serve(self.connections, reader, writer)
        except (ConnectionError, asyncio.IncompleteReadError):
            pass  # the client has hung up, as it may
        except asyncio.CancelledError:
            pass  # the peer is being closed; a stream's own task must not end as cancelled
        finally:
            self.open_now -= 1
            self._tasks.discard(task)
            writer.close()
            with contextlib.suppress(ConnectionError):
                await writer.wait_closed()

    async def _serve(self, connection: int, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            transaction, protocol, length, unit = struct.unpack(">HHHB", await reader.readexactly(7))
            function, address, operand = struct.unpack(">BHH", await reader.readexactly(length - 1))
            assert protocol == 0
            asked = Asked(len(self.asked) + 1, connection, transaction, unit, function, address, operand)
            self.asked.append(asked)
            for step in self.script(asked, self._right(asked)):
                if isinstance(step, bytes):
                    writer.write(step)
                    await writer.drain()
                elif isinstance(step, Pause):
                    await asyncio.sleep(step.for_s)
                else:
                    return

    def _right(self, asked: Asked) -> bytes:
        """Carry the request out and say so, as the Modbus application protocol has it."""
        function, count = asked.function, asked.operand
        if function in (5, 6):
            self.outputs[asked.unit, function, asked.address] = asked.operand
            return frame(asked.transaction, asked.unit, struct.pack(">BHH", function, asked.address, asked.operand))
        if function == 1:
            on = self.outputs.get((asked.unit, 5, asked.address), 0) == 0xFF00
            return frame(asked.transaction, asked.unit, bytes((1, 1, int(on))))
        written = self.outputs.get((asked.unit, 6, asked.address))
        if function == 3 and count == 1 and written is not None:
            return frame(asked.transaction, asked.unit, struct.pack(">BBH", 3, 2, written))
        words = [asked.address, asked.number >> 16, asked.number & 0xFFFF] + [0] * 125
        return frame(asked.transaction, asked.unit, struct.pack(f">BB{count}H", function, 2 * count, *words[:count]))
