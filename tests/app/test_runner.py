"""The runner: actions performed, events in order, and a valve that is shut on every way out."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from itertools import pairwise

import pytest

from lungfish.app.air import AirPermits
from lungfish.app.clock import LoopClock
from lungfish.app.purge_valve import PurgeValve
from lungfish.app.runner import CycleRun
from lungfish.core.events import (
    Abort,
    Action,
    Event,
    PressureRead,
    ReadFailed,
    Sample,
    SetValve,
    ValveFailed,
    ValveSeen,
    ValveState,
)
from lungfish.core.reading import Reading
from lungfish.errors import DeviceRefused, DeviceTimeout
from lungfish.rig.virtual_loop import run_virtual
from tests.app.scripted import ScriptedCycle, ScriptedTransmitter, ScriptedValve


class Bench:
    """One run on scripted devices, its valve confirmed shut beforehand as the daemon does at its start."""

    def __init__(self, cycle: ScriptedCycle | None = None, *, simultaneous: int = 1) -> None:
        self.clock = LoopClock()
        self.cycle = cycle or ScriptedCycle()
        self.transmitter = ScriptedTransmitter(self.clock)
        self.device = ScriptedValve(self.clock)
        self.air = AirPermits(simultaneous)
        self.told: list[str] = []
        self.kept: list[Reading] = []
        self.valve = PurgeValve("sump", self.device, self.clock, self.air, max_open_s=90.0, tell=self.told.append)
        self.run = CycleRun(self.cycle, self.transmitter, self.valve, self.clock, keep=self.kept.append)

    def confirmed_shut(self) -> bool:
        return self.valve.observed is ValveState.SHUT

    async def ready(self) -> Bench:
        await self.valve.ensure_shut()
        self.device.commands.clear()
        return self

    async def after(self, delay_s: float, act: Callable[[], object]) -> None:
        await asyncio.sleep(delay_s)
        act()


def test_a_cycle_opens_once_and_ends_shut_with_its_reading() -> None:
    async def main() -> None:
        bench = await Bench().ready()
        reading = await bench.run.run()
        assert reading.diagnosis == "ok"
        assert bench.kept == [reading]
        assert [is_open for _, is_open in bench.device.moves] == [True, False]
        assert reading.open_s == pytest.approx(bench.device.open_s(0.0), abs=1e-6)
        assert bench.confirmed_shut()
        assert bench.air.out == 0

    run_virtual(main())


@pytest.mark.parametrize("takes_s", [0.002, 0.05, 0.4])
def test_samples_go_from_request_to_request_or_as_fast_as_the_link_allows(takes_s: float) -> None:
    async def main() -> None:
        bench = await Bench().ready()
        bench.transmitter.takes_s = takes_s
        await bench.run.run()
        asked = bench.transmitter.requests_s
        gaps = [b - a for a, b in pairwise(asked)]
        assert len(gaps) > 10
        # the sampler never sends before the grid allows and never waits once it may
        assert sum(gaps) / len(gaps) == pytest.approx(max(0.1, takes_s), rel=0.02)
        assert min(gaps) >= min(takes_s, 0.1) - 1e-9

    run_virtual(main())


def test_a_new_period_counts_from_the_last_request_not_from_now() -> None:
    class TwoSpeeds(ScriptedCycle):
        def step(self, event: Event) -> tuple[Action, ...]:
            actions = super().step(event)
            if isinstance(event, ValveSeen) and event.state is ValveState.OPEN:
                return (Sample(period_s=0.02), *actions)
            return actions

    async def main() -> None:
        bench = await Bench(TwoSpeeds(look_s=1.05, period_s=1.0, open_s=0.5, listen_s=0.1)).ready()
        bench.transmitter.takes_s = 0.001
        await bench.run.run()
        at = [t - bench.transmitter.requests_s[0] for t in bench.transmitter.requests_s]
        # requests at 0 and 1 s by the first period; the valve opens at 1.06 s, from when 20 ms rule
        assert at[:2] == pytest.approx([0.0, 1.0])
        assert at[2] == pytest.approx(1.06, abs=0.001)
        assert [b - a for a, b in pairwise(at[2:])] == pytest.approx([0.02] * (len(at) - 3))

    run_virtual(main())


@pytest.mark.parametrize("look_s", [1.013, 1.06, 1.15, 1.19])
def test_pressures_and_valve_echoes_reach_the_cycle_in_time_order_although_a_read_is_slow(look_s: float) -> None:
    async def main() -> None:
        bench = await Bench(ScriptedCycle(look_s=look_s)).ready()
        bench.transmitter.takes_s = 0.3  # on a slow link of its own; the valve answers in 10 ms
        await bench.run.run()
        moments = [e.t_s for e in bench.run.events if isinstance(e, PressureRead | ValveSeen)]
        assert len(moments) > 10
        assert moments == sorted(moments)

    run_virtual(main())


def test_closing_does_not_wait_for_a_slow_read() -> None:
    async def main() -> None:
        bench = await Bench(ScriptedCycle(look_s=1.0, open_s=3.0)).ready()
        bench.transmitter.takes_s = 5.0
        await bench.run.run()
        commanded_at_s = next(t for t, state in bench.device.commands if state is ValveState.SHUT)
        assert bench.device.moves[-1][0] - commanded_at_s < 0.02

    run_virtual(main())


def test_failed_reads_become_events_and_no_sample_is_repeated_for_them() -> None:
    async def main() -> None:
        bench = await Bench().ready()
        bench.transmitter.fails = DeviceTimeout("unit 1 does not answer")
        reading = await bench.run.run()
        failed = [e for e in bench.run.events if isinstance(e, ReadFailed)]
        assert len(failed) > 10
        assert {e.reason for e in failed} == {"unit 1 does not answer"}
        assert reading.trace == ()

    run_virtual(main())


def test_abort_in_any_phase_shuts_and_still_gives_a_row() -> None:
    async def main(at_s: float) -> tuple[Bench, Reading]:
        bench = await Bench().ready()
        stop = asyncio.create_task(bench.after(at_s, lambda: bench.run.abort("told to stop")))
        reading = await bench.run.run()
        await stop
        return bench, reading

    for tenths in range(61):
        bench, reading = run_virtual(main(tenths / 10))
        assert reading.diagnosis == "aborted"
        assert reading.findings[0].sentence == "told to stop"
        assert bench.kept == [reading]
        assert not bench.device.is_open
        assert bench.confirmed_shut()
        assert bench.air.out == 0


def test_cancelling_in_any_phase_shuts_and_still_gives_a_row() -> None:
    async def main(at_s: float) -> Bench:
        bench = await Bench().ready()
        run = asyncio.create_task(bench.run.run())
        await asyncio.sleep(at_s)
        run.cancel()
        with pytest.raises(asyncio.CancelledError):
            await run
        return bench

    for tenths in range(60):
        bench = run_virtual(main(tenths / 10))
        assert [reading.diagnosis for reading in bench.kept] == ["aborted"]
        assert not bench.device.is_open
        assert bench.confirmed_shut()
        assert bench.air.out == 0


def test_a_bug_in_the_cycle_is_not_hidden_and_the_valve_is_shut() -> None:
    class Broken(ScriptedCycle):
        def step(self, event: Event) -> tuple[Action, ...]:
            if isinstance(event, PressureRead) and self.opened_at_s is not None:
                raise ZeroDivisionError("bug")
            return super().step(event)

    async def main() -> None:
        bench = await Bench(Broken()).ready()
        with pytest.raises(ZeroDivisionError):
            await bench.run.run()
        assert bench.device.moves[0][1] is True
        assert not bench.device.is_open
        assert bench.confirmed_shut()

    run_virtual(main())


def test_a_bug_while_the_valve_does_not_answer_does_not_end_the_trying() -> None:
    class Broken(ScriptedCycle):
        def step(self, event: Event) -> tuple[Action, ...]:
            if isinstance(event, ValveFailed):
                raise ZeroDivisionError("bug")
            return super().step(event)

    async def main() -> None:
        bench = await Bench(Broken()).ready()
        bench.device.shut_fails = 4
        with pytest.raises(ZeroDivisionError):
            await bench.run.run()
        assert not bench.device.is_open
        assert bench.confirmed_shut()

    run_virtual(main())


def test_a_cycle_that_finishes_in_the_step_that_shuts_still_waits_for_the_confirmation() -> None:
    class Hasty(ScriptedCycle):
        def _due(self, t_s: float) -> tuple[Action, ...]:
            return self._finish(t_s) if self.opened_at_s is not None else super()._due(t_s)

    async def main() -> None:
        bench = await Bench(Hasty()).ready()
        bench.device.shut_fails = 3
        await bench.run.run()
        assert not bench.device.is_open
        assert bench.confirmed_shut()

    run_virtual(main())


def test_a_valve_that_does_not_answer_is_tried_for_ever_and_told_once() -> None:
    async def main() -> None:
        bench = await Bench().ready()
        bench.device.shut_fails = 1000
        reading = await bench.run.run()
        assert reading.diagnosis == "link_lost"
        assert reading.shut_at_s is None  # not confirmed, so not told as shut
        assert not bench.confirmed_shut()
        assert bench.air.out == 0  # other tanks may go on
        await asyncio.sleep(3600)
        tries = [t for t, state in bench.device.commands if state is ValveState.SHUT]
        assert max(b - a for a, b in pairwise(tries)) < 16.0
        assert len(bench.told) == 1
        assert "may be open" in bench.told[0]
        bench.device.shut_fails = 0
        await asyncio.sleep(16)
        assert not bench.device.is_open
        assert bench.confirmed_shut()
        assert "confirmed shut" in bench.told[1]

    run_virtual(main())


def test_an_output_that_takes_the_command_and_reads_back_as_open_is_not_taken_for_shut() -> None:
    async def main() -> None:
        bench = await Bench().ready()
        bench.device.shut_ignored = 5
        await bench.run.run()
        assert bench.device.shut_ignored == 0, "told again, until it reads back as shut"
        assert not bench.device.is_open
        assert bench.confirmed_shut()
        assert "may be open" in bench.told[0]

    run_virtual(main())


def test_without_an_air_permit_it_is_not_opened() -> None:
    async def main() -> None:
        bench = await Bench().ready()
        with pytest.raises(DeviceRefused, match="no air permit"):
            await bench.valve.open()
        assert bench.device.commands == []

    run_virtual(main())


def test_no_opening_while_the_valve_is_not_confirmed_shut() -> None:
    async def main() -> None:
        bench = Bench()  # nobody has shut it yet
        bench.device.shut_fails = 1000
        reading = await bench.run.run()
        assert reading.diagnosis == "link_lost"
        assert all(state is ValveState.SHUT for _, state in bench.device.commands)
        assert bench.device.moves == []

    run_virtual(main())


@pytest.mark.parametrize("obeys", [True, False])
def test_an_opening_without_an_answer_is_shut_at_once(obeys: bool) -> None:
    async def main() -> None:
        bench = await Bench().ready()
        bench.device.open_fails = 1
        bench.device.obeys_lost_open = obeys
        reading = await bench.run.run()
        assert reading.diagnosis == "link_lost"
        assert not bench.device.is_open
        assert bench.device.open_s(0.0) < 0.1
        assert bench.confirmed_shut()
        assert bench.air.out == 0

    run_virtual(main())


def test_while_it_waits_for_air_it_goes_on_sampling_and_can_be_aborted() -> None:
    async def main() -> None:
        bench = await Bench().ready()
        await bench.air.take()  # another tank's valve is open
        run = asyncio.create_task(bench.run.run())
        await asyncio.sleep(60)
        assert bench.device.moves == []
        assert len(bench.transmitter.requests_s) == pytest.approx(600, abs=3)
        bench.run.abort("told to stop")
        reading = await run
        assert reading.diagnosis == "aborted"
        assert bench.device.moves == []
        bench.air.give_back()
        await asyncio.sleep(60)
        assert bench.device.moves == []  # nobody opens it later
        assert bench.air.out == 0

    run_virtual(main())


def test_air_is_given_in_the_order_of_asking() -> None:
    async def main() -> None:
        air = AirPermits(2)
        order: list[int] = []

        async def purge(number: int) -> None:
            await asyncio.sleep(number / 1000)
            await air.take()
            order.append(number)
            assert air.out <= 2
            await asyncio.sleep(5)
            air.give_back()

        await asyncio.gather(*(purge(number) for number in reversed(range(20))))
        assert order == list(range(20))

    run_virtual(main())


def test_the_intent_is_down_before_the_valve_opens() -> None:
    async def main() -> None:
        bench = await Bench().ready()
        noted: list[int] = []

        async def announce() -> None:
            await asyncio.sleep(0.5)
            noted.append(len(bench.device.moves))

        bench.valve = PurgeValve("sump", bench.device, bench.clock, bench.air, max_open_s=90.0, announce=announce)
        await bench.valve.ensure_shut()
        await CycleRun(bench.cycle, bench.transmitter, bench.valve, bench.clock).run()
        assert noted == [0]
        assert len(bench.device.moves) == 2

    run_virtual(main())


def test_what_was_aborted_can_be_replayed_from_the_events_kept() -> None:
    async def main() -> tuple[list[Event], Reading]:
        bench = await Bench().ready()
        stop = asyncio.create_task(bench.after(2.5, lambda: bench.run.abort("told to stop")))
        reading = await bench.run.run()
        await stop
        return bench.run.events, reading

    events, reading = run_virtual(main())
    assert any(isinstance(event, Abort) for event in events)
    again = ScriptedCycle()
    actions = [action for event in events for action in again.step(event)]
    assert SetValve(state=ValveState.OPEN) in actions
    assert actions[-1].reading == reading  # type: ignore[union-attr]  # the last action is Finish
