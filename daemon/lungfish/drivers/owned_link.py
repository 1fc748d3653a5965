"""The owner of a link: one task that puts one request after the other on the line, whatever carries it.

Rules that keep a wrong value from being taken for a reading, and an order from coming too late:

- A request on the wire is never cancelled; a caller who gives up leaves its answer to be thrown away. A request whose
  caller gave up before it went on the wire is never sent: an order to open must not arrive after the order to shut.
- Writes go before reads; a unit that does not answer delays the others by one time-out for each request that is
  sent to it, and after three in a row only every tenth time-out (see `patience`). Writes are never held off.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from abc import ABC, abstractmethod
from collections import deque
from dataclasses import dataclass

from lungfish.drivers.link import Table
from lungfish.drivers.messages import Function, Reply, Request
from lungfish.drivers.patience import UnitPatience
from lungfish.drivers.troublelog import TroubleLog
from lungfish.errors import DeviceAbsent, DeviceError, DeviceGarbled, DeviceRefused, DeviceTimeout
from lungfish.ports import Clock

__all__ = ["Job", "LinkStats", "NotSent", "OwnedLink"]

_log = logging.getLogger(__name__)


class NotSent(DeviceAbsent):
    """The caller gave up before the request went on the wire: nothing is wrong with the link."""


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
class Job:
    """A request that waits or is on the wire."""

    request: Request
    """What is asked."""
    done: asyncio.Future[Reply]
    """Told the answer; done before when its caller gave up."""


class OwnedLink(ABC):
    """What every link that carries Modbus has in common; implements `lungfish.drivers.link.RegisterLink`.

    Args:
        name: Name in the site file.
        label: What messages call it.
        timeout_s: Longest wait for an answer, s.
        clock: Monotonic time.
    """

    def __init__(self, name: str, label: str, timeout_s: float, clock: Clock) -> None:
        self.name = name
        """Name in the site file."""
        self.stats = LinkStats()
        """Counters."""
        self._label = label
        self._timeout_s = timeout_s
        self._now = clock.monotonic_s
        self._troubles = TroubleLog(_log, self._now)
        self._units: dict[int, UnitPatience] = {}
        self._writes: deque[Job] = deque()
        self._reads: deque[Job] = deque()
        self._wake = asyncio.Event()
        self._owner: asyncio.Task[None] | None = None
        self._closing = False

    @abstractmethod
    async def _transact(self, job: Job) -> Reply:
        """Put a request on the wire and wait for its answer; not when its caller has given up by then.

        Raises:
            DeviceError: No usable answer.
            NotSent: Its caller gave up.
        """

    @abstractmethod
    async def _drop_connection(self) -> None:
        """Close what carries the link, if it is open."""

    async def read_registers(self, *, unit: int, table: Table, address: int, count: int, first: bool = False) -> Reply:
        """Read registers in one request.

        Args:
            unit: Modbus unit id.
            table: `input` or `holding`.
            address: 0-based address of the first.
            count: How many, 1 to 125.
            first: It goes before all other reads and is never held off: a valve waits for it.

        Raises:
            DeviceError: No usable answer.
        """
        function = Function.READ_INPUT if table == "input" else Function.READ_HOLDING
        return await self._submit(Request(function, unit, address, count), first=first)

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

    async def mask_register(self, *, unit: int, address: int, and_mask: int, or_mask: int) -> Reply:
        """Let the device change some bits of one holding register. Goes before all reads that wait.

        Args:
            unit: Modbus unit id.
            address: 0-based address.
            and_mask: Bits that are kept.
            or_mask: What the others become.

        Raises:
            DeviceError: Not confirmed; it may or may not have been carried out.
        """
        return await self._submit(Request(Function.MASK_WRITE, unit, address, and_mask << 16 | or_mask))

    async def close(self) -> None:
        """Let the request in flight end, throw away what is queued, close the connection."""
        self._closing = True
        self._wake.set()
        if self._owner is not None:
            await asyncio.wait((self._owner,))

    async def _submit(self, request: Request, *, first: bool = False) -> Reply:
        unit = self._units.get(request.unit)
        if unit is None:
            unit = self._units[request.unit] = UnitPatience(self._timeout_s)
        # alone on its link a dead unit takes nobody's time, so it may be asked as often as anybody likes
        first = first or request.is_write
        if not first and len(self._units) > 1 and self._now() < unit.held_until_s:
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
        job = Job(request, asyncio.get_running_loop().create_future())
        (self._writes if first else self._reads).append(job)
        self._wake.set()
        return await job.done

    async def _own(self) -> None:
        """Take one job after the other until closed."""
        job: Job | None = None
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

    def _take(self) -> Job | None:
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

    async def _carry_out(self, job: Job) -> None:
        if job.done.done():
            return  # its caller gave up while it waited
        try:
            reply = await self._transact(job)
        except NotSent:
            return
        except DeviceError as error:
            self._note(job.request, error)
            if not job.done.done():
                job.done.set_exception(error)
            return
        self._units[job.request.unit].answered()
        self._troubles.well(f"{self._label}, unit {job.request.unit}")
        if not job.done.done():
            job.done.set_result(reply)

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
