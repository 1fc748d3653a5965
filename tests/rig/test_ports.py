"""The simulated transmitter and valve keep the contract of the real ones, and their link fails as it is told to."""

from __future__ import annotations

import math

import pytest

from lungfish.core.events import ValveState
from lungfish.errors import DeviceTimeout
from lungfish.rig.plant import Plant, PlantParameters
from lungfish.rig.ports import RigLink, RigTransmitter, RigValve
from tests.drivers.contract import check_transmitter, check_valve
from tests.drivers.fakes import FakeClock


class Bench:
    """A plant with a transmitter and a valve on it."""

    resolution_pa = 0.0

    def __init__(self, takes_s: float = 0.01) -> None:
        self.clock = FakeClock()
        self.plant = Plant(PlantParameters(level_m=lambda _t_s: 2.0, noise_pa=0.0), seed=1)
        self.link = RigLink(takes_s=takes_s)
        self.transmitter = RigTransmitter(self.plant, self.clock, self.link)
        self.valve = RigValve(self.plant, self.clock, self.link)

    async def set_gauge_pa(self, gauge_pa: float) -> None:
        self.plant.faults.reads_pa = gauge_pa

    async def output(self) -> ValveState:
        return ValveState.OPEN if self.plant.coil else ValveState.SHUT

    async def force(self, state: ValveState) -> None:
        self.plant.command(state is ValveState.OPEN)

    async def cut_off(self) -> None:
        self.link.silent = True

    async def restore(self) -> None:
        self.link.silent = False


@pytest.mark.parametrize("takes_s", [0.0, 0.01, 0.3])
async def test_transmitter_and_valve_keep_their_contracts(takes_s: float) -> None:
    await check_transmitter(Bench(takes_s))
    await check_valve(Bench(takes_s))


async def test_a_silent_link_costs_its_time_out_and_reaches_nothing() -> None:
    bench = Bench()
    bench.link.silent, bench.link.timeout_s = True, 0.7
    began_s = bench.clock.monotonic_s()
    with pytest.raises(DeviceTimeout, match=r"0\.7 s"):
        await bench.valve.command(ValveState.OPEN)
    assert bench.clock.monotonic_s() - began_s == pytest.approx(0.7)
    assert not bench.plant.coil


async def test_an_answer_may_be_lost_after_the_command_was_carried_out() -> None:
    """The nastiest one: the caller hears of a failure, and the valve is open."""
    bench = Bench()
    bench.link.loses_answers = True
    with pytest.raises(DeviceTimeout):
        await bench.valve.command(ValveState.OPEN)
    assert bench.plant.coil


async def test_a_link_that_is_deaf_to_shut_still_reads_and_opens() -> None:
    bench = Bench()
    bench.link.deaf_to_shut = True
    assert (await bench.valve.command(ValveState.OPEN)).state is ValveState.OPEN
    with pytest.raises(DeviceTimeout):
        await bench.valve.command(ValveState.SHUT)
    assert (await bench.valve.observe()).state is ValveState.OPEN
    assert math.isfinite((await bench.transmitter.read()).gauge_pa)


async def test_a_look_brings_the_plant_up_to_the_moment_of_the_request() -> None:
    bench = Bench(takes_s=0.2)
    await bench.clock.sleep_until(130.0)
    sample = await bench.transmitter.read()
    assert sample.at_s == pytest.approx(130.1)
    assert bench.plant.now_s == pytest.approx(130.1)
    assert sample.took_s == pytest.approx(0.2)


async def test_a_valve_that_hangs_is_told_from_its_coil() -> None:
    """What is read back is the output of the coil; a spindle that hangs shows in the pressure only."""
    bench = Bench()
    bench.plant.faults.valve_stuck = False
    assert (await bench.valve.command(ValveState.OPEN)).state is ValveState.OPEN
    assert not bench.plant.valve_open
