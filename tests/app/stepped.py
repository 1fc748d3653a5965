"""Slots under a wall clock that is stepped again and again, in time that only this file moves."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

from lungfish.app.clock import Stamps
from lungfish.app.journal import Journal
from lungfish.app.slots import Slots, slots_of
from lungfish.config import load_site_text
from lungfish.ports import ClockState
from tests.app.virtual_site import HEAD, TANK, MemoryKeeper

__all__ = ["CYCLE_S", "NOTICED_S", "Step", "Walk", "random_steps", "walk"]

CYCLE_S = 8.0
"""From the start of a cycle to its end."""
NOTICED_S = 1.0
"""A step is noticed at most this long after it came."""
BEGIN = datetime(2026, 2, 10, 9, 0, tzinfo=UTC).timestamp()


@dataclass(frozen=True)
class Step:
    at_s: float
    by_s: float


@dataclass
class HandClock:
    """Moved by hand."""

    now_s: float = 0.0
    ahead_s: float = BEGIN

    def monotonic_s(self) -> float:
        return self.now_s

    def utc_s(self) -> float:
        return self.now_s + self.ahead_s

    async def sleep_until(self, at_s: float) -> None:
        raise NotImplementedError


@dataclass
class Walk:
    """What came of it, in monotonic time."""

    purges: list[tuple[float, str]] = field(default_factory=list)
    """When each began, and why."""
    stretches: list[tuple[float, float, float]] = field(default_factory=list)
    """From, to, and by how much the wall clock was ahead of monotonic time."""
    missed: int = 0

    @property
    def gaps_s(self) -> list[float]:
        times = [at_s for at_s, _ in self.purges]
        return [b - a for a, b in pairwise(times)]


def random_steps(seed: int, number: int, usual_s: float) -> list[Step]:
    """Steps of seconds to ten days, both ways, at random moments: some in a row, some after several intervals."""
    rng = random.Random(seed)
    at_s, steps = 0.0, []
    for _ in range(number):
        at_s += usual_s * 10.0 ** rng.uniform(-2.0, 0.7)
        steps.append(Step(at_s, rng.choice((-1.0, 1.0)) * 10.0 ** rng.uniform(0.0, 5.94)))
    return steps


def slots_for(keys: str, every: str, zone: str, clock: HandClock) -> Slots:
    head = HEAD.format(simultaneous=1).replace("Europe/London", zone)
    text = head + TANK.format(name="t0", unit=1, every=every, max_open="60 s") + keys
    site = load_site_text(text, Path())
    stamps = Stamps("boot", clock, clock.utc_s, lambda: ClockState.SYNCHRONISED)
    found = slots_of(site.tanks["t0"], zone, Journal(MemoryKeeper(), stamps), 0.0)
    assert isinstance(found, Slots)
    return found


async def walk(keys: str, every: str, zone: str, steps: list[Step], *, after_s: float, seed: int = 1) -> Walk:
    """Take cycles as the daemon does, until so long after the last step."""
    clock, came, rng = HandClock(), Walk(), random.Random(seed)
    slots = slots_for(keys, every, zone, clock)
    waiting = iter([*steps, Step(float("inf"), 0.0)])
    step = next(waiting)
    since_s = 0.0
    end_s = steps[-1].at_s + after_s

    def take(step: Step, waiting: Iterator[Step]) -> Step:
        nonlocal since_s
        came.stretches.append((since_s, step.at_s, clock.ahead_s))
        clock.ahead_s += step.by_s
        since_s = step.at_s
        return next(waiting)

    while clock.now_s < end_s:
        slots.began(clock.now_s)
        came.purges.append((clock.now_s, slots.why))
        clock.now_s += CYCLE_S
        while step.at_s <= clock.now_s:
            step = take(step, waiting)
        due_s, missed = slots.next_slot(clock.now_s)
        came.missed += missed
        while step.at_s < due_s:
            clock.now_s = max(clock.now_s, step.at_s)
            step = take(step, waiting)
            noticed_s = clock.now_s + rng.uniform(0.0, NOTICED_S)
            if noticed_s >= due_s:
                break  # the wait is over before anybody has noticed
            clock.now_s = noticed_s
            due_s, missed = slots.next_slot(clock.now_s)
            came.missed += missed
        clock.now_s = max(clock.now_s, due_s)
    came.stretches.append((since_s, clock.now_s, clock.ahead_s))
    return came
