"""Thousands of requests to a peer that misbehaves at random: no value of another request is ever taken for a reading.

Several callers share one link, some give up while they wait. The peer writes the address and the running number of the
request into every answer, so each value that comes back says whose answer it is.
"""

from __future__ import annotations

import asyncio
import random
from collections import Counter
from collections.abc import Sequence

import pytest
from tests.peer.clocks import SkippingClock
from tests.peer.conftest import TIMEOUT_S
from tests.peer.faults import HARMLESS, faults
from tests.peer.faulty_peer import Asked, FaultyPeer, Step, honest, tell

from lungfish.drivers.modbus_tcp import ModbusTcpLink
from lungfish.errors import DeviceAbsent, DeviceError

FAULTS = faults()
HONEST_SHARE = 0.3
CALLERS = 4


class Campaign:
    """One link, one peer, some callers, one seed."""

    def __init__(self, seed: int, requests: int) -> None:
        self.chance = random.Random(seed)
        self.clock = SkippingClock()
        self.left = requests
        self.told: Counter[str] = Counter()
        """How calls ended."""
        self.done: list[str] = []
        """What the peer did for each request it received: the n-th at n - 1."""
        self.peer = FaultyPeer(script=self._misbehave)

    def _misbehave(self, asked: Asked, right: bytes) -> Sequence[Step]:
        name = "honest" if self.chance.random() < HONEST_SHARE else self.chance.choice(sorted(FAULTS))
        self.done.append(name)
        if self.chance.random() < 0.01:
            self.peer.slam = 2
        return FAULTS[name](asked, right, self.chance)

    async def run(self) -> None:
        async with self.peer:
            self.link = ModbusTcpLink("panel", self.peer.host, self.peer.port, TIMEOUT_S, self.clock)
            await asyncio.gather(*(self._call(unit) for unit in range(1, CALLERS + 1)))
            self.peer.script, self.peer.slam = honest, 0
            for unit in range(1, CALLERS + 1):
                await self._recovers(unit)
            await self.link.close()

    async def _call(self, unit: int) -> None:
        while self.left > 0:
            self.left -= 1
            before = len(self.peer.asked)
            try:
                async with asyncio.timeout(self.chance.choice((None, None, None, TIMEOUT_S * self.chance.random()))):
                    await self._one(unit, before)
                self.told["right"] += 1
            except TimeoutError:
                self.told["gave up"] += 1
            except DeviceError as error:
                self.told[type(error).__name__] += 1
                if isinstance(error, DeviceAbsent) or "not asked" in str(error):
                    self.clock.skip(1.0)

    async def _one(self, unit: int, before: int) -> None:
        """One request; what comes back must be its own answer, and the peer must have meant it."""
        kind = self.chance.choice(("input", "holding", "write coil", "write register"))
        address = self.chance.randrange(1000)
        if kind in ("input", "holding"):
            function = 4 if kind == "input" else 3
            count = self.chance.choice((3, 4, 125))
            reply = await self.link.read_registers(
                unit=unit, table="input" if function == 4 else "holding", address=address, count=count
            )
            assert len(reply.values) == count
            told_address, number = tell(reply.values)
            assert told_address == address
            assert number > before, "an answer from before the question"
            asked = self.peer.asked[number - 1]
            assert (asked.unit, asked.function, asked.address, asked.operand) == (unit, function, address, count)
            assert self.done[number - 1] in HARMLESS
            return
        if kind == "write coil":
            on = self.chance.random() < 0.5
            raw = 0xFF00 if on else 0
            await self.link.write_coil(unit=unit, address=address, on=on)
            wanted = (unit, 5, address, raw)
        else:
            raw = self.chance.randrange(0x10000)
            await self.link.write_register(unit=unit, address=address, value=raw)
            wanted = (unit, 6, address, raw)
        meant = [
            self.done[asked.number - 1]
            for asked in self.peer.asked[before:]
            if (asked.unit, asked.function, asked.address, asked.operand) == wanted
        ]
        assert any(name in HARMLESS for name in meant), "confirmed, but the peer never confirmed it"

    async def _recovers(self, unit: int) -> None:
        for _ in range(3):
            self.clock.skip(10.0)
            try:
                reply = await self.link.read_registers(unit=unit, table="input", address=40, count=3)
            except DeviceError:
                continue  # the last fault's tail
            assert tell(reply.values) == (40, len(self.peer.asked))
            return
        pytest.fail(f"unit {unit} does not come back although the peer is well again")


async def run(seeds: Sequence[int], requests: int) -> None:
    campaigns = [Campaign(seed, requests) for seed in seeds]
    await asyncio.gather(*(campaign.run() for campaign in campaigns))
    told = sum((campaign.told for campaign in campaigns), Counter[str]())
    done = Counter(name for campaign in campaigns for name in campaign.done)
    print(f"\nseeds {seeds[0]} to {seeds[-1]}: {told.total()} calls, {done.total()} requests on the wire")
    print("  calls ended:", ", ".join(f"{name} {count}" for name, count in told.most_common()))
    print("  peer did:", ", ".join(f"{name} {count}" for name, count in sorted(done.items())))
    print("  frames skipped:", sum(campaign.link.stats.skipped for campaign in campaigns))
    assert done.keys() == FAULTS.keys(), "a fault that was never tried"
    assert told.keys() >= {"right", "gave up", "DeviceTimeout", "DeviceGarbled", "DeviceRefused", "DeviceAbsent"}


async def test_no_foreign_value_is_ever_taken() -> None:
    await run(range(1, 7), 150)


@pytest.mark.campaign
@pytest.mark.timeout(1800)
async def test_no_foreign_value_is_ever_taken_at_length() -> None:
    await run(range(100, 116), 2000)
