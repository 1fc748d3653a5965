"""Valves that the I/O block opens for a time and shuts by itself: no failure of ours makes an opening longer.

The block counts each length from its own moment, as such blocks do, so a length that is written twice would show.
1,000 random cuts with `pytest -m campaign -s tests/app/test_pulse.py`; some of them without the mark.
"""

from __future__ import annotations

import asyncio
import random
from dataclasses import dataclass, field

import pytest

from lungfish.app.clock import LoopClock
from lungfish.config import Site, ValveSpec, load_site_text
from lungfish.config.valve_model import valves_shut_by_this_computer_alone
from lungfish.drivers.link import Table
from lungfish.drivers.messages import Reply
from lungfish.drivers.valve import ModbusValve
from lungfish.errors import DeviceTimeout
from lungfish.rig.outputs import OutputPulse, move_told
from lungfish.rig.plant import Plant
from lungfish.rig.virtual_loop import run_virtual
from tests.app.virtual_site import HEAD, TANK, VirtualSite
from tests.repo.house import ROOT

TICK_S = 0.02
MAX_OPEN_S = 20.0


@dataclass
class PulseBlock:
    """A link with an I/O block behind it; requests and answers are lost at random, and at last all of them."""

    spec: ValveSpec
    plant: Plant
    clock: LoopClock
    rng: random.Random
    loses: float = 0.0
    cut: bool = False
    pulse: OutputPulse = field(default_factory=OutputPulse)
    opened_s: float | None = None
    longest_s: float = 0.0
    openings: int = 0

    async def _there(self) -> None:
        if self.cut or self.rng.random() < self.loses:
            await asyncio.sleep(0.5)
            raise DeviceTimeout("no answer")
        await asyncio.sleep(0.005)
        self.plant.advance(self.clock.monotonic_s())

    async def _back(self, value: int) -> Reply:
        if self.rng.random() < self.loses:
            await asyncio.sleep(0.5)
            raise DeviceTimeout("no answer")
        return Reply((value,), self.clock.monotonic_s(), 0.005)

    def move(self, *, to_open: bool | None) -> None:
        now_s = self.clock.monotonic_s()
        if to_open is None or to_open is self.plant.coil:
            return
        self.plant.advance(now_s)
        self.plant.command(to_open)
        if to_open:
            self.opened_s, self.openings = now_s, self.openings + 1
        elif self.opened_s is not None:
            self.longest_s = max(self.longest_s, now_s - self.opened_s)
            self.opened_s = None

    def tick(self) -> None:
        if self.pulse.over(self.spec, self.clock.monotonic_s()):
            self.move(to_open=False)

    async def write_register(self, *, unit: int, address: int, value: int) -> Reply:
        await self._there()
        self.move(to_open=move_told(self.spec, 6, address, [value], self.pulse, self.clock.monotonic_s()))
        return await self._back(value)

    async def write_coil(self, *, unit: int, address: int, on: bool) -> Reply:
        await self._there()
        self.move(to_open=move_told(self.spec, 5, address, [on], self.pulse, self.clock.monotonic_s()))
        return await self._back(int(on))

    async def read_coil(self, *, unit: int, address: int) -> Reply:
        await self._there()
        return await self._back(int(self.plant.coil))

    async def read_registers(self, *, unit: int, table: Table, address: int, count: int, first: bool = False) -> Reply:
        raise NotImplementedError

    async def read_discrete_input(self, *, unit: int, address: int) -> Reply:
        raise NotImplementedError

    async def mask_register(self, *, unit: int, address: int, and_mask: int, or_mask: int) -> Reply:
        raise NotImplementedError

    async def close(self) -> None:
        """Nothing is open."""


def site_with(pulse: str) -> Site:
    text = HEAD.format(simultaneous=1) + TANK.format(name="t0", unit=1, every="1 min", max_open=f"{MAX_OPEN_S:g} s")
    return load_site_text(text.replace("max_open: 20 s", f"max_open: 20 s, {pulse}"), ROOT)


@dataclass(frozen=True)
class Cut:
    """What came of one cut with the valve open."""

    longest_s: float
    left_s: float | None
    """From the cut until the block shut the valve, s; None: it never did."""
    good: int
    """Good readings made after the cut."""


async def _cut(site: Site, rng: random.Random) -> Cut:
    made: list[PulseBlock] = []
    spec = site.tanks["t0"].valve
    loses = rng.choice((0.0, 0.05, 0.2))

    def valve(_name: str, plant: Plant, clock: LoopClock) -> ModbusValve:
        made.append(PulseBlock(spec, plant, clock, rng, loses))
        return ModbusValve(made[0], spec, clock)

    virtual = VirtualSite(site, level_m=lambda _t_s: 2.5, make_valve=valve)
    block, now = made[0], virtual.clock.monotonic_s
    running = asyncio.create_task(virtual.run_for(3600.0))
    opening, wait_s = 1 + rng.randrange(3), rng.expovariate(1.0 / 1.5)
    cut_at_s: float | None = None
    while cut_at_s is None or (block.plant.coil and now() < cut_at_s + 120.0):
        await asyncio.sleep(TICK_S)
        block.tick()
        assert now() < 3000.0, "it never opened"
        if cut_at_s is None and block.openings >= opening:
            if block.opened_s is None:
                opening, wait_s = block.openings + 1, 0.0  # that one was over too soon
            elif now() - block.opened_s >= wait_s:
                cut_at_s, block.cut, virtual.links["t0"].silent = now(), True, True
    left_s = None if block.plant.coil else now() - cut_at_s
    running.cancel()
    await asyncio.wait({running})
    good = sum(row.quality == "good" and row.at.monotonic_s > cut_at_s for row in virtual.keeper.readings)
    return Cut(block.longest_s, left_s, good)


@pytest.mark.parametrize(
    "cuts",
    [
        pytest.param(12, id="few"),
        pytest.param(1000, id="all", marks=[pytest.mark.campaign, pytest.mark.timeout(3600)]),
    ],
)
def test_cable_cut_or_computer_dead_the_pulse_ends_within_its_bound(cuts: int) -> None:
    late, longest_share, longest_left_s = 0, 0.0, 0.0
    for seed in range(cuts):
        rng = random.Random(seed)
        unit_ms = rng.choice((10, 100, 1000))
        site = site_with(f"pulse: {{register: 40, unit_time: {unit_ms} ms}}")
        bound_s = site.tanks["t0"].valve.outside_bound_s
        assert bound_s is not None
        seen = run_virtual(_cut(site, rng))
        late += seen.left_s is None or seen.longest_s > bound_s + TICK_S
        longest_share = max(longest_share, seen.longest_s / bound_s)
        longest_left_s = max(longest_left_s, seen.left_s or 0.0)
        assert seen.good == 0, seed
    print(
        f"\n{cuts - late} of {cuts} shut within the pulse; the longest opening took {longest_share:.3f} of it, and "
        f"{longest_left_s:.1f} s of it after the cut"
    )
    assert late == 0
    assert longest_share > 0.9, "else it was not the pulse that ended them"


def test_a_pulse_is_a_layer_outside_this_computer() -> None:
    site = site_with("pulse: {register: 40, unit_time: 100 ms}")
    assert valves_shut_by_this_computer_alone(site.valves) == []
    assert site.tanks["t0"].valve.outside_bound_s == pytest.approx(20.5)
    both = site_with("pulse: {register: 40, unit_time: 100 ms}, module_timeout: 4 s")
    assert both.tanks["t0"].valve.outside_bound_s == 4.0
