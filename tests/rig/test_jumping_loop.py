"""Moving the clock from inside a task changes nothing but the time that it takes to run."""

from __future__ import annotations

import asyncio
import random

import pytest

from lungfish.app.clock import pause_until
from lungfish.rig.jumping_loop import JumpingClock, JumpingLoop, run_jumping
from lungfish.rig.virtual_loop import run_virtual


async def _walkers(seed: int) -> list[tuple[float, int]]:
    """Some tasks that wait for random times; who woke when."""
    told: list[tuple[float, int]] = []
    clock = JumpingClock()

    async def walk(number: int) -> None:
        chance = random.Random(seed + number)
        for _ in range(50):
            await clock.sleep_until(clock.monotonic_s() + chance.choice((0.0, chance.uniform(0.1, 3.0))))
            told.append((clock.monotonic_s(), number))

    await asyncio.gather(*(walk(number) for number in range(3)))
    return told


@pytest.mark.parametrize("seed", range(0, 50, 10))
def test_everything_happens_at_the_time_and_in_the_order_of_plain_waiting(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    jumped = run_jumping(_walkers(seed))
    monkeypatch.setattr(JumpingLoop, "jump", lambda _self, _at_s: False)
    waited = run_jumping(_walkers(seed))
    assert jumped == waited
    assert waited[-1][0] > 10.0


def test_a_timer_that_is_due_before_is_not_jumped_over() -> None:
    async def main() -> list[float]:
        loop, clock, rang = asyncio.get_running_loop(), JumpingClock(), []
        loop.call_later(5.0, lambda: rang.append(clock.monotonic_s()))
        await clock.sleep_until(10.0)
        return [*rang, clock.monotonic_s()]

    assert run_jumping(main()) == pytest.approx([5.0, 10.0])


def test_the_clock_never_runs_back() -> None:
    async def main() -> float:
        clock = JumpingClock()
        await clock.sleep_until(10.0)
        await clock.sleep_until(3.0)
        return clock.monotonic_s()

    assert run_jumping(main()) == pytest.approx(10.0)


def test_a_thread_at_work_holds_the_clock() -> None:
    async def main() -> float:
        loop, clock = asyncio.get_running_loop(), JumpingClock()
        work = loop.run_in_executor(None, sum, (1, 2))
        waiting = asyncio.ensure_future(clock.sleep_until(5.0))
        assert await work == 3
        at_s = clock.monotonic_s()
        await waiting
        return at_s

    assert run_jumping(main()) == 0.0


def test_another_loop_is_refused() -> None:
    async def main() -> None:
        JumpingClock()

    with pytest.raises(TypeError, match="JumpingLoop"):
        run_virtual(main())


@pytest.mark.parametrize("jumps", [True, False], ids=["alone", "in company"])
def test_a_pause_ends_at_its_moment_or_when_it_is_told_to(jumps: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    if not jumps:
        monkeypatch.setattr(JumpingLoop, "jump", lambda _self, _at_s: False)

    async def main() -> list[float]:
        clock, stop, ended = JumpingClock(), asyncio.Event(), []
        for at_s in (5.0, 5.0, 2.0, 7.0):
            await pause_until(clock, at_s, stop)
            ended.append(clock.monotonic_s())
        asyncio.get_running_loop().call_later(1.0, stop.set)
        for _ in range(2):
            await pause_until(clock, 100.0, stop)
            ended.append(clock.monotonic_s())
        stop.clear()  # and once more from the beginning
        await pause_until(clock, 20.0, stop)
        ended.append(clock.monotonic_s())
        asyncio.get_running_loop().call_later(1.0, stop.set)
        await pause_until(clock, 100.0, stop)
        return [*ended, clock.monotonic_s()]

    assert run_jumping(main()) == pytest.approx([5.0, 5.0, 5.0, 7.0, 8.0, 8.0, 20.0, 21.0])
