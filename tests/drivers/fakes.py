"""A link that is a few dictionaries, and a clock that jumps."""

from __future__ import annotations

from dataclasses import dataclass, field

from lungfish.drivers.link import Table
from lungfish.drivers.messages import Reply
from lungfish.errors import DeviceTimeout

__all__ = ["FakeClock", "FakeLink"]


class FakeClock:
    """Virtual time."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def monotonic_s(self) -> float:
        return self.now_s

    async def sleep_until(self, at_s: float) -> None:
        self.now_s = max(self.now_s, at_s)


@dataclass
class FakeLink:
    """Implements RegisterLink; each request takes 10 ms of virtual time."""

    clock: FakeClock
    coils: dict[int, int] = field(default_factory=dict)
    inputs: dict[int, int] = field(default_factory=dict)
    registers: dict[tuple[Table, int], int] = field(default_factory=dict)
    done: list[tuple[object, ...]] = field(default_factory=list)
    silent: bool = False
    follows_after: int = 0
    """So many reads after a write still show the old output."""

    def _reply(self, *values: int) -> Reply:
        self.clock.now_s += 0.01
        if self.silent:
            raise DeviceTimeout("link fake: no answer")
        return Reply(values, self.clock.now_s - 0.005, 0.01)

    async def read_registers(self, *, unit: int, table: Table, address: int, count: int, first: bool = False) -> Reply:
        self.done.append(("read", unit, table, address, count))
        return self._reply(*(self._lag(self.registers.get((table, address + i), 0)) for i in range(count)))

    async def read_coil(self, *, unit: int, address: int) -> Reply:
        self.done.append(("read coil", unit, address))
        return self._reply(self._lag(self.coils.get(address, 0)))

    async def read_discrete_input(self, *, unit: int, address: int) -> Reply:
        self.done.append(("read input", unit, address))
        return self._reply(self.inputs.get(address, 0))

    async def write_coil(self, *, unit: int, address: int, on: bool) -> Reply:
        self.done.append(("write coil", unit, address, on))
        reply = self._reply(int(on))
        self.coils[address] = int(on)
        return reply

    async def write_register(self, *, unit: int, address: int, value: int) -> Reply:
        self.done.append(("write register", unit, address, value))
        reply = self._reply(value)
        self.registers["holding", address] = value
        return reply

    async def mask_register(self, *, unit: int, address: int, and_mask: int, or_mask: int) -> Reply:
        self.done.append(("mask write", unit, address, and_mask, or_mask))
        reply = self._reply()
        was = self.registers.get(("holding", address), 0)
        self.registers["holding", address] = (was & and_mask) | (or_mask & ~and_mask)
        return reply

    async def close(self) -> None:
        pass

    def _lag(self, value: int) -> int:
        if self.follows_after > 0:
            self.follows_after -= 1
            return value ^ 1
        return value
