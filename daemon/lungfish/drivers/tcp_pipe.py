"""Bytes over a TCP connection to a device server that has a serial line behind it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from lungfish.drivers.patience import Backoff
from lungfish.errors import DeviceAbsent

__all__ = ["TcpPipe"]


class TcpPipe:
    """Implements `lungfish.drivers.byte_pipe.BytePipe`.

    Args:
        label: what messages call the link.
        host: host name or address; a name is looked up at each connection.
        port: TCP port.
        timeout_s: longest wait for a connection, s.
        now: monotonic clock, s.
    """

    def __init__(self, label: str, host: str, port: int, timeout_s: float, now: Callable[[], float]) -> None:
        self.may_be_half_open = True
        """A cable pulled between the two is not told."""
        self.on_bytes: Callable[[bytes], None] = _ignore
        """Called in the event loop with each piece that arrives."""
        self.on_lost: Callable[[str], None] = _ignore
        """Called in the event loop, once, when the other end has gone; told why."""
        self._label = label
        self._address = (host, port)
        self._timeout_s = timeout_s
        self._now = now
        self._backoff = Backoff()
        self._transport: asyncio.Transport | None = None

    @property
    def is_open(self) -> bool:
        """Whether it is connected, as far as is known."""
        return self._transport is not None

    async def open(self) -> None:
        """Connect.

        Raises:
            DeviceAbsent: Nobody there; or it is too soon after the last failure.
        """
        if self._transport is not None:
            return
        wait_s = self._backoff.next_at_s - self._now()
        if wait_s > 0.0:
            raise DeviceAbsent(f"{self._label}: no connection; next attempt in {wait_s:.1f} s")
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(self._timeout_s):
                self._transport, _ = await loop.create_connection(lambda: _Ends(self), *self._address)
        except TimeoutError as error:
            self._backoff.failed(self._now())
            raise DeviceAbsent(
                f"{self._label}: no connection within {self._timeout_s:g} s; look at power, cable, host"
            ) from error
        except (OSError, UnicodeError) as error:  # UnicodeError: no such host name can be
            self._backoff.failed(self._now())
            raise DeviceAbsent(
                f"{self._label}: connection refused, or no way to that host; look at host and port"
            ) from error

    async def take_turn(self) -> None:
        """Nothing to do: a connection has one owner."""

    def end_turn(self) -> None:
        """Nothing to do: a connection has one owner."""

    async def write(self, data: bytes) -> None:
        """Hand all bytes over.

        Raises:
            DeviceAbsent: It is not open, or has gone.
        """
        if self._transport is None:
            raise DeviceAbsent(f"{self._label}: the connection is gone")
        self._transport.write(data)

    def discard(self) -> None:
        """Nothing to do: what has arrived has been told."""

    def answered(self) -> None:
        """Something sensible came: the next failure is the first again."""
        self._backoff.succeeded()

    def close(self) -> None:
        """Close it; `on_lost` is not called."""
        transport, self._transport = self._transport, None
        if transport is not None:
            transport.abort()

    def heard(self, data: bytes) -> None:
        """Bytes came."""
        if self._transport is not None:
            self.on_bytes(data)

    def lost(self, transport: object) -> None:
        """The other end closed, or the network gave up."""
        if transport is self._transport and self._transport is not None:
            self.close()
            self._backoff.failed(self._now())
            self.on_lost("the other end closed the connection")


class _Ends(asyncio.Protocol):
    def __init__(self, pipe: TcpPipe) -> None:
        self._pipe = pipe
        self._transport: asyncio.BaseTransport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        self._pipe.heard(data)

    def connection_lost(self, error: Exception | None) -> None:
        self._pipe.lost(self._transport)


def _ignore(_: object) -> None:
    pass
