"""A Modbus TCP link: one connection, and one request after the other on it.

Beside the rules of every owner (see `owned_link`): after a time-out, a garbled answer, or bytes that nobody asked for,
the socket is closed and a new one opened: what still comes for the old one has nobody to be mistaken by. The unit that
did not answer is left quiet for a while.
"""

from __future__ import annotations

from lungfish.config.link_model import TlsSpec
from lungfish.drivers.connection import Connection
from lungfish.drivers.messages import Reply, Request
from lungfish.drivers.owned_link import Job, LinkStats, NotSent, OwnedLink
from lungfish.drivers.patience import Backoff
from lungfish.drivers.tls import tls_context
from lungfish.errors import DeviceAbsent, DeviceGarbled
from lungfish.ports import Clock

__all__ = ["LinkStats", "ModbusTcpLink"]


class ModbusTcpLink(OwnedLink):
    """One Modbus TCP server and whatever units stand behind it.

    Args:
        name: Name in the site file.
        host: Host name or address; a name is looked up at each connection.
        port: TCP port.
        timeout_s: Longest wait to connect, and for an answer, s.
        clock: Monotonic time.
        tls: How the connection is secured; None: not.
    """

    def __init__(
        self, name: str, host: str, port: int, timeout_s: float, clock: Clock, tls: TlsSpec | None = None
    ) -> None:
        super().__init__(name, f"link {name} ({host}:{port})", timeout_s, clock)
        self._address = (host, port)
        self._tls = tls
        self._backoff = Backoff()
        self._connection: Connection | None = None

    async def _transact(self, job: Job) -> Reply:
        request, connection = job.request, self._connection
        if connection is None or not connection.usable:
            connection = await self._connect(request)
            if job.done.done():
                raise NotSent
        self.stats.requests += 1
        try:
            return await connection.ask(request)
        except (DeviceAbsent, DeviceGarbled):
            self._backoff.failed(self._now())
            raise
        finally:
            self.stats.skipped += connection.skipped
            if connection.answers:
                self._backoff.succeeded()
                self._troubles.well(self._label)
            if not connection.usable:
                await self._drop_connection()

    async def _connect(self, request: Request) -> Connection:
        """Open a connection, unless it is too soon after the last failure.

        Raises:
            DeviceAbsent: Too soon, or nobody there.
        """
        await self._drop_connection()
        wait_s = self._backoff.next_at_s - self._now()
        if wait_s > 0:
            raise DeviceAbsent(f"{self._label}, {request}: no connection; next attempt in {wait_s:.1f} s")
        try:
            tls = None if self._tls is None else tls_context(self._tls, self._address[0], self._label)
            connection = Connection(self._label, *self._address, self._timeout_s, self._now, tls)
            await connection.open()
        except DeviceAbsent:
            self._backoff.failed(self._now())
            raise
        self.stats.connects += 1
        self._connection = connection
        return connection

    async def _drop_connection(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            await connection.close()
