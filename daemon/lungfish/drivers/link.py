"""What transmitters, valves and switches need of a link that speaks Modbus, whatever carries it."""

from __future__ import annotations

from typing import Literal, Protocol

from lungfish.drivers.messages import Reply

__all__ = ["RegisterLink", "Table"]

Table = Literal["input", "holding"]


class RegisterLink(Protocol):
    """A bus or a connection with one owner. Every call ends within a bounded time, and each may raise a DeviceError."""

    async def read_registers(self, *, unit: int, table: Table, address: int, count: int, first: bool = False) -> Reply:
        """Read 1 to 125 registers in one request; before all other reads, and never held off, where a valve waits."""
        ...

    async def read_coil(self, *, unit: int, address: int) -> Reply:
        """Read one coil."""
        ...

    async def read_discrete_input(self, *, unit: int, address: int) -> Reply:
        """Read one discrete input."""
        ...

    async def write_coil(self, *, unit: int, address: int, on: bool) -> Reply:
        """Set one coil; the device's echo has been checked."""
        ...

    async def write_register(self, *, unit: int, address: int, value: int) -> Reply:
        """Set one holding register; the device's echo has been checked."""
        ...

    async def mask_register(self, *, unit: int, address: int, and_mask: int, or_mask: int) -> Reply:
        """Let the device set one holding register to (itself AND and_mask) OR or_mask; its echo has been checked."""
        ...

    async def close(self) -> None:
        """Let the request in flight end, then close. What is still queued is never sent."""
        ...
