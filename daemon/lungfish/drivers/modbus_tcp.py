"""A Modbus TCP link: one owner task that puts one request after the other on one connection.

Rules that keep a wrong value from being taken for a reading:

- A request on the wire is never cancelled; a caller who gives up leaves its answer to be thrown away. A request whose
  caller gave up before it went on the wire is never sent: an order to open must not arrive after the order to shut.
- After a time-out, a garbled answer, or bytes that nobody asked for, the socket is closed and a new one opened: what
  still comes for the old one has nobody to be mistaken by. The unit that did not answer is left quiet for a while.
- Writes go before reads; a unit that does not answer delays the others by one time-out for each request that is
  sent to it, and after three in a row only every tenth time-out (see `patience`). Writes are never held off.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections import deque
from dataclasses import dataclass

from lungfish.drivers.connection import Connection
from lungfish.drivers.link import Table
from lungfish.drivers.messages import Function, Reply, Request
from lungfish.drivers.patience import Backoff, UnitPatience
from lungfish.drivers.troublelog import TroubleLog
from lungfish.errors import DeviceAbsent, DeviceError, DeviceGarbled, DeviceRefused, DeviceTimeout
from lungfish.ports import Clock

__all__ = ["LinkStats", "ModbusTcpLink"]

_log = logging.getLogger(__name__)


@dataclass(slots=True)
class LinkStats:
    """Counters since the link was made, as evidence."""

    requests: int = 0
    """Put on the wire."""
    timeouts: int = 0
    """Not answered in time, or a gateway said so."""
    garbled: int = 0
    """Answered with something that is no answer."""
    refused: int = 0
    """Answered with an exception."""
    absent: int = 0
    """Not sent or not answered because there was no connection."""
    held: int = 0
    """Reads answered as timed out without being sent: the unit is held off."""
    skipped: int = 0
    """Late or doubled frames thrown away while waiting for an answer."""
    connects: int = 0
    """Connections made."""

    @property
    def reconnects(self) -> int:
        """Connections made after the first."""
        return max(0, self.connects - 1)


@dataclass(slots=True)
class _Job:
    request: Request
    done: asyncio.Future[Reply]


class ModbusTcpLink:
    """One Modbus TCP server and whatever units stand behind it.

    Args:
        name: Name in the site file.
        host: Host name or address; a name is looked up at each connection.
        port: TCP port.
        timeout_s: Longest wait to connect, and for an answer, s.
        clock: Monotonic time.
    """

    def __init__(self, name: str, host: str, port: int, timeout_s: float, clock: Clock) -> None:
        self.name = name
        """Name in the site file."""
        self.stats = LinkStats()
        """Counters."""
        self._label = f"link {name} ({host}:{port})"
        self._address = (host, port)
        self._timeout_s = timeout_s
        self._now = clock.monotonic_s
        self._troubles = TroubleLog(_log, self._now)
        self._backoff = Backoff()
        self._units: dict[int, UnitPatience] = {}
        self._writes: deque[_Job] = deque()
        self._reads: deque[_Job] = deque()
        self._wake = asyncio.Event()
        self._owner: asyncio.Task[None] | None = None
        self._connection: Connection | None = None
        self._closing = False

    async def read_registers(self, *, unit: int, table: Table, address: int, count: int) -> Reply:
        """Read registers in one request.

        Args:
            unit: Modbus unit id.
            table: `input` or `holding`.
            address: 0-based address of the first.
            count: How many, 1 to 125.

        Raises:
            DeviceError: No usable answer.
        """
        function = Function.READ_INPUT if table == "input" else Function.READ_HOLDING
        return await self._submit(Request(function, unit, address, count))

    async def read_coil(self, *, unit: int, address: int) -> Reply:
        """Read one coil, 0 or 1.

        Raises:
            DeviceError: No usable answer.
        """
        return await self._submit(Request(Function.READ_COILS, unit, address, 1))

    async def read_discrete_input(self, *, unit: int, address: int) -> Reply:
        """Read one discrete input, 0 or 1.

        Raises:
            DeviceError: No usable answer.
        """
        return await self._submit(Request(Function.READ_DISCRETE_INPUTS, unit, address, 1))

    async def write_coil(self, *, unit: int, address: int, on: bool) -> Reply:
        """Set one coil. Goes before all reads that wait.

        Raises:
            DeviceError: Not confirmed; it may or may not have been carried out.
        """
        return await self._submit(Request(Function.WRITE_COIL, unit, address, int(on)))

    async def write_register(self, *, unit: int, address: int, value: int) -> Reply:
        """Set one holding register. Goes before all reads that wait.

        Raises:
            DeviceError: Not confirmed; it may or may not have been carried out.
        """
        return await self._submit(Request(Function.WRITE_REGISTER, unit, address, value))

    async def close(self) -> None:
        """Let the request in flight end, throw away what is queued, close the connection."""
        self._closing = True
        self._wake.set()
        if self._owner is not None:
            await asyncio.wait((self._owner,))

    async def _submit(self, request: Request) -> Reply:
        unit = self._units.get(request.unit)
        if unit is None:
            unit = self._units[request.unit] = UnitPatience(self._timeout_s)
        # alone on its link a dead unit takes nobody's time, so it may be asked as often as anybody likes
        if not request.is_write and len(self._units) > 1 and self._now() < unit.held_until_s:
            self.stats.held += 1
            raise DeviceTimeout(
                f"{self._label}, {request}: not asked, for it left {unit.strikes} requests in a row unanswered"
            )
        if self._closing:
            raise DeviceAbsent(f"{self._label}, {request}: the link has been closed")
        if self._owner is None:
            self._owner = asyncio.create_task(self._own(), name=self._label)
        elif self._owner.done():
            self._owner.result()  # it ends by itself only through a bug of ours, which is to be seen
        job = _Job(request, asyncio.get_running_loop().create_future())
        (self._writes if request.is_write else self._reads).append(job)
        self._wake.set()
        return await job.done

    async def _own(self) -> None:
        """Take one job after the other until closed."""
        job: _Job | None = None
        try:
            while not self._closing:
                job = self._take()
                if job is None:
                    await self._wait()
                else:
                    await self._carry_out(job)
        finally:
            for left in (job, *self._writes, *self._reads):
                if left is not None and not left.done.done():
                    left.done.set_exception(DeviceAbsent(f"{self._label}, {left.request}: the link was closed"))
            await self._drop_connection()

    def _take(self) -> _Job | None:
        """The next job whose unit need not be left quiet: writes first, else in order."""
        now_s = self._now()
        for queue in (self._writes, self._reads):
            for job in queue:
                if now_s >= self._units[job.request.unit].quiet_until_s:
                    queue.remove(job)
                    return job
        return None

    async def _wait(self) -> None:
        """Sleep until something is queued or a unit's quiet time ends."""
        self._wake.clear()
        quiet_ends = [self._units[job.request.unit].quiet_until_s for job in (*self._writes, *self._reads)]
        if not quiet_ends:
            await self._wake.wait()
            return
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(min(quiet_ends) - self._now()):
                await self._wake.wait()

    async def _carry_out(self, job: _Job) -> None:
        if job.done.done():
            return  # its caller gave up while it waited
        try:
            reply = await self._transact(job.request)
        except DeviceError as error:
            self._note(job.request, error)
            if not job.done.done():
                job.done.set_exception(error)
            return
        self._units[job.request.unit].answered()
        self._troubles.well(f"{self._label}, unit {job.request.unit}")
        if not job.done.done():
            job.done.set_result(reply)

    async def _transact(self, request: Request) -> Reply:
        connection = self._connection
        if connection is None or not connection.usable:
            connection = await self._connect(request)
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
        connection = Connection(self._label, *self._address, self._timeout_s, self._now)
        try:
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

    def _note(self, request: Request, error: DeviceError) -> None:
        """Count the failure, and let it decide when to try again."""
        unit = self._units[request.unit]
        subject = f"{self._label}, unit {request.unit}"
        match error:
            case DeviceTimeout():
                self.stats.timeouts += 1
                unit.timed_out(self._now())
            case DeviceGarbled():
                self.stats.garbled += 1
            case DeviceRefused():
                self.stats.refused += 1
                unit.answered()
            case _:
                self.stats.absent += 1
                subject = self._label
        self._troubles.trouble(subject, str(error))
