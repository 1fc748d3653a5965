"""TCP without sockets: the daemon's real links talk, in virtual time, to an I/O block that stands in memory."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any, Protocol, TypeVar

from lungfish.rig.virtual_loop import VirtualLoop

__all__ = ["Listener", "Wire", "WiredLoop", "run_wired"]

_T = TypeVar("_T")


class Listener(Protocol):
    """Whatever stands at a host and port."""

    async def accept(self) -> None:
        """Take a connection; raises OSError to refuse it, and may never return."""
        ...

    def attach(self, wire: Wire) -> None:
        """A connection has come about."""
        ...

    def received(self, wire: Wire, data: bytes) -> None:
        """Bytes came over it."""
        ...

    def detached(self, wire: Wire) -> None:
        """The other end has closed it."""
        ...


class Wire(asyncio.Transport):
    """The client's end of one connection."""

    def __init__(self, loop: asyncio.AbstractEventLoop, protocol: asyncio.Protocol, listener: Listener) -> None:
        super().__init__()
        self._loop = loop
        self._protocol = protocol
        self._listener = listener
        self._closed = False

    def write(self, data: bytes | bytearray | memoryview) -> None:
        """The client sends."""
        if not self._closed:
            self._listener.received(self, bytes(data))

    def deliver(self, data: bytes) -> None:
        """The listener sends."""
        if not self._closed:
            self._protocol.data_received(data)

    def hang_up(self) -> None:
        """The listener closes the connection."""
        if not self._closed:
            self._closed = True
            self._protocol.connection_lost(None)

    def close(self) -> None:
        """The client closes the connection."""
        if not self._closed:
            self._closed = True
            self._listener.detached(self)
            self._loop.call_soon(self._protocol.connection_lost, None)

    def abort(self) -> None:
        """The same, at once."""
        self.close()

    def is_closing(self) -> bool:
        """Whether either end has closed it."""
        return self._closed


class WiredLoop(VirtualLoop):
    """A virtual loop in which a TCP connection leads to a listener in memory."""

    def __init__(self) -> None:
        super().__init__()
        self.listeners: dict[tuple[str, int], Listener] = {}

    async def create_connection(  # type: ignore[override] # only as the Modbus library calls it
        self, protocol_factory: Callable[[], asyncio.Protocol], host: str, port: int, **_how: object
    ) -> tuple[Wire, asyncio.Protocol]:
        """Connect to whoever listens there."""
        listener = self.listeners[host, port]
        await listener.accept()
        protocol = protocol_factory()
        wire = Wire(self, protocol, listener)
        protocol.connection_made(wire)
        listener.attach(wire)
        return wire, protocol


def run_wired(main: Coroutine[Any, Any, _T]) -> _T:
    """Run a coroutine to its end in a wired loop."""
    with asyncio.Runner(loop_factory=WiredLoop) as runner:
        return runner.run(main)
