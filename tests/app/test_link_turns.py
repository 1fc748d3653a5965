"""Turns on a link: a tank that measures is read as often as it must be, and whoever waits gets on."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress

import pytest

from lungfish.app.admission import Admission
from lungfish.app.clock import LoopClock
from lungfish.app.link_turns import LinkTurns, cycles_at_once
from lungfish.app.progress import Progress
from lungfish.rig.virtual_loop import run_virtual


async def _settle() -> None:
    for _ in range(5):
        await asyncio.sleep(0)


@pytest.mark.parametrize(
    ("transaction_s", "cycles"),
    # reads of two registers at 9600, 19200 and 115200 baud, 8N1: MODBUS over Serial Line V1.02, section 2.5.1.1: a
    # character of 11 bits (10 here, without parity), silences of 3.5 characters; 17 characters and two silences. A
    # cycle wants 20 a second
    [(0.0250, 1), (0.0125, 3), (0.00498, 9), (0.2, 1)],
)
def test_as_many_cycles_as_the_wire_can_read_with_one_look_between(transaction_s: float, cycles: int) -> None:
    assert cycles_at_once(transaction_s) == cycles
    if cycles > 1:
        assert (cycles + 1) * transaction_s <= 0.05 + 1e-9


def test_a_slow_link_serves_one_after_the_other_in_order_and_an_alarm_first() -> None:
    async def story() -> list[str]:
        turns, served = LinkTurns(), []
        turns.begin()
        turns.took(0.025)

        async def tank(name: str, *, urgent: bool = False) -> None:
            await turns.take(urgent=urgent)
            served.append(name)

        tasks = [asyncio.create_task(tank("a"))]
        await _settle()
        tasks += [asyncio.create_task(tank("b")), asyncio.create_task(tank("c"))]
        await _settle()
        tasks.append(asyncio.create_task(tank("storm", urgent=True)))
        await _settle()
        assert served == ["a"]
        for _ in range(3):
            turns.give_back()
            await _settle()
        return served

    assert asyncio.run(story()) == ["a", "storm", "b", "c"]


def test_nobody_measures_before_the_valves_have_been_shut() -> None:
    async def story() -> None:
        turns = LinkTurns()
        taking = asyncio.create_task(turns.take(urgent=True))
        await _settle()
        assert not taking.done()
        turns.begin()
        await taking

    asyncio.run(story())


@pytest.mark.parametrize("granted", [False, True])
def test_a_wait_that_is_given_up_keeps_no_turn(granted: bool) -> None:
    async def story() -> None:
        turns = LinkTurns()
        turns.begin()
        await turns.take(urgent=False)
        gone = asyncio.create_task(turns.take(urgent=False))
        await _settle()
        if granted:
            turns.give_back()  # it has its turn, and does not know yet
        gone.cancel()
        with suppress(asyncio.CancelledError):
            await gone
        if not granted:
            turns.give_back()
        await asyncio.wait_for(turns.take(urgent=False), 1.0)

    run_virtual(story())


def _admission(turns: LinkTurns, progress: Progress, name: str) -> tuple[Admission, Callable[[], float]]:
    clock = LoopClock()
    return Admission(name, clock, lambda by_s: progress.promise(name, by_s), turns=turns), clock.monotonic_s


def test_waiting_behind_others_who_get_on_is_no_standstill_and_behind_a_lost_turn_it_is() -> None:
    async def story() -> None:
        turns, progress = LinkTurns(), Progress()
        turns.begin()
        first, now = _admission(turns, progress, "first")
        last, _ = _admission(turns, progress, "last")
        stop = asyncio.Event()
        await first.wait(stop, urgent=False)
        progress.ended("first")
        waiting = asyncio.create_task(last.wait(stop, urgent=False))
        for _ in range(3):  # 75 minutes of others' cycles, each more urgent than this one
            await asyncio.sleep(1500.0)
            assert progress.late(now()) == ()
            storm = asyncio.create_task(turns.take(urgent=True))
            await _settle()
            turns.give_back()
            await storm
        await asyncio.sleep(1900.0)
        assert progress.late(now()) == ("last",)
        stop.set()
        await waiting
        last.ended()

    run_virtual(story())


def test_a_stop_ends_the_wait_and_leaves_no_turn_taken() -> None:
    async def story() -> None:
        turns, progress = LinkTurns(), Progress()
        turns.begin()
        first, _ = _admission(turns, progress, "first")
        last, _ = _admission(turns, progress, "last")
        stop = asyncio.Event()
        await first.wait(asyncio.Event(), urgent=False)
        waiting = asyncio.create_task(last.wait(stop, urgent=False))
        await _settle()
        stop.set()
        await waiting
        last.ended()
        first.ended()
        await asyncio.wait_for(turns.take(urgent=False), 1.0)

    run_virtual(story())
