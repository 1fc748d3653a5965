"""What every transmitter, valve and switch must do, whatever it is made of: a driver, a simulated one, a fake.

Whoever has one writes a bench for it (how to set the pressure that it should tell, how to cut it off) and passes that
to `check_transmitter`, `check_valve` or `check_switch`.
"""

from __future__ import annotations

import math
from typing import Protocol

import pytest

from lungfish.core.events import ValveState
from lungfish.errors import DeviceError
from lungfish.ports import Clock, Switch, Transmitter, Valve

__all__ = ["SwitchBench", "TransmitterBench", "ValveBench", "check_switch", "check_transmitter", "check_valve"]


class TransmitterBench(Protocol):
    """A transmitter and what stands behind it."""

    @property
    def transmitter(self) -> Transmitter:
        """The one to check."""
        ...

    @property
    def clock(self) -> Clock:
        """The clock that it stamps with."""
        ...

    @property
    def resolution_pa(self) -> float:
        """Half of the smallest step that it can tell, Pa."""
        ...

    async def set_gauge_pa(self, gauge_pa: float) -> None:
        """From now on this is the pressure."""
        ...

    async def cut_off(self) -> None:
        """From now on it can't answer."""
        ...

    async def restore(self) -> None:
        """It can answer again, at once."""
        ...


class ValveBench(Protocol):
    """A valve and what stands behind it."""

    @property
    def valve(self) -> Valve:
        """The one to check."""
        ...

    @property
    def clock(self) -> Clock:
        """The clock that it stamps with."""
        ...

    async def output(self) -> ValveState:
        """What the device's output really is."""
        ...

    async def force(self, state: ValveState) -> None:
        """Somebody else moves it."""
        ...

    async def cut_off(self) -> None:
        """From now on it can't answer."""
        ...

    async def restore(self) -> None:
        """It can answer again, at once."""
        ...


class SwitchBench(Protocol):
    """A switch and what stands behind it."""

    @property
    def switch(self) -> Switch:
        """The one to check."""
        ...

    @property
    def clock(self) -> Clock:
        """The clock that it stamps with."""
        ...

    async def set_active(self, active: bool) -> None:
        """From now on this is what it says."""
        ...

    async def cut_off(self) -> None:
        """From now on it can't answer."""
        ...

    async def restore(self) -> None:
        """It can answer again, at once."""
        ...


async def check_switch(bench: SwitchBench) -> None:
    """Fail unless the bench's switch keeps the contract of `lungfish.ports.Switch`."""
    for active in (False, True, True, False):
        await bench.set_active(active)
        began_s = bench.clock.monotonic_s()
        seen = await bench.switch.read()
        assert seen.active is active
        assert began_s <= seen.at_s <= bench.clock.monotonic_s()
    await bench.set_active(active=True)
    await bench.cut_off()
    for _ in range(2):
        with pytest.raises(DeviceError, match=r"\w"):
            await bench.switch.read()
    await bench.set_active(active=False)
    await bench.restore()
    assert (await bench.switch.read()).active is False


async def check_transmitter(bench: TransmitterBench) -> None:
    """Fail unless the bench's transmitter keeps the contract of `lungfish.ports.Transmitter`."""
    last_at_s = -math.inf
    for gauge_pa in (0.0, 12345.0, 29000.0, 12345.0, -50.0):
        await bench.set_gauge_pa(gauge_pa)
        began_s = bench.clock.monotonic_s()
        sample = await bench.transmitter.read()
        ended_s = bench.clock.monotonic_s()
        # float32, the coarsest float format, keeps 24 bits
        assert sample.gauge_pa == pytest.approx(gauge_pa, rel=2.0**-23, abs=bench.resolution_pa)
        assert sample.took_s >= 0
        assert began_s <= sample.at_s - sample.took_s / 2 + 1e-9
        assert sample.at_s + sample.took_s / 2 <= ended_s + 1e-9
        assert sample.at_s >= last_at_s
        last_at_s = sample.at_s
    await bench.cut_off()
    for _ in range(2):
        with pytest.raises(DeviceError, match=r"\w"):
            await bench.transmitter.read()
    await bench.set_gauge_pa(20000.0)
    await bench.restore()
    sample = await bench.transmitter.read()
    assert sample.gauge_pa == pytest.approx(20000.0, rel=2.0**-23, abs=bench.resolution_pa)


async def check_valve(bench: ValveBench) -> None:
    """Fail unless the bench's valve keeps the contract of `lungfish.ports.Valve`."""
    valve = bench.valve
    for state in (ValveState.SHUT, ValveState.OPEN, ValveState.OPEN, ValveState.SHUT, ValveState.SHUT):
        began_s = bench.clock.monotonic_s()
        echo = await valve.command(state)
        ended_s = bench.clock.monotonic_s()
        assert echo.state is state
        assert began_s <= echo.at_s <= ended_s
        assert await bench.output() is state
        assert (await valve.observe()).state is state
    for state in (ValveState.OPEN, ValveState.SHUT):
        await bench.force(state)
        assert (await valve.observe()).state is state
        assert await bench.output() is state
    await bench.force(ValveState.OPEN)
    with pytest.raises(ValueError, match="unknown"):
        await valve.command(ValveState.UNKNOWN)
    assert await bench.output() is ValveState.OPEN
    await bench.cut_off()
    with pytest.raises(DeviceError, match=r"\w"):
        await valve.command(ValveState.SHUT)
    with pytest.raises(DeviceError, match=r"\w"):
        await valve.observe()
    await bench.restore()
    assert (await valve.command(ValveState.SHUT)).state is ValveState.SHUT
    assert await bench.output() is ValveState.SHUT
