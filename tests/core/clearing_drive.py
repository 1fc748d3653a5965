"""Drives a clearing against a plant in virtual time, over a link whose every answer takes its own time."""

from __future__ import annotations

import heapq
import random
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from lungfish.core.events import (
    Abort,
    Action,
    AirGranted,
    AskAir,
    Event,
    Finish,
    PressureRead,
    ReadFailed,
    Sample,
    SetValve,
    Start,
    Tick,
    ValveFailed,
    ValveSeen,
    ValveState,
    Wake,
)
from lungfish.core.reading import Reading
from lungfish.rig.plant import Plant

__all__ = ["Link", "drive"]


class Machine(Protocol):
    """A clearing, or a zero check."""

    def step(self, event: Event) -> tuple[Action, ...]: ...


@dataclass(frozen=True, kw_only=True)
class Link:
    """A link that carries one request at a time."""

    timeout_s: float
    """Longest answer, s."""
    quick_share: float = 0.1
    """A usual answer takes up to this share of it."""
    slow: float = 0.0
    """Share of requests that take almost the longest."""
    lost: float = 0.0
    """Share of reads that are not answered."""
    refused: float = 0.0
    """Share of commands to open that are not carried out."""


class _Drive:
    def __init__(
        self,
        plant: Plant,
        clearing: Machine,
        link: Link,
        seed: int,
        abort_at_s: float | None,
        move: Callable[[bool], None] | None = None,
    ) -> None:
        self.plant, self.clearing, self.link = plant, clearing, link
        self.move = move or plant.command
        self.random = random.Random(seed)
        self.now_s = plant.now_s
        self.reading: Reading | None = None
        self.actions: list[object] = []
        self._queue: list[tuple[float, int, Callable[[], None]]] = []
        self._number = 0
        self._busy_until_s = self.now_s
        self._period_s = 0.0
        self._reading_now = False
        self._asked_s = -1e9
        self._wake_s: float | None = None
        if abort_at_s is not None:
            self.at(self.now_s + abort_at_s, lambda: self.feed(Abort(t_s=self.now_s, reason="told to stop")))

    def at(self, at_s: float, act: Callable[[], None]) -> None:
        self._number += 1
        heapq.heappush(self._queue, (at_s, self._number, act))

    def run(self) -> Reading:
        self.feed(Start(t_s=self.now_s))
        while self._queue:
            at_s, _, act = heapq.heappop(self._queue)
            self.now_s = max(self.now_s, at_s)
            self.plant.advance(self.now_s)
            act()
        assert self.reading is not None, "the clearing waits for nothing"
        return self.reading

    def feed(self, event: Event) -> None:
        if self.reading is not None:
            return
        for action in self.clearing.step(event):
            self.actions.append(action)
            match action:
                case SetValve(state=state):
                    self._command(state)
                case AskAir():
                    self.at(self.now_s + self.random.choice([0.0, 0.3, 4.0]), self._grant)
                case Sample(period_s=period_s):
                    self._period_s = period_s
                    if not self._reading_now and period_s > 0:
                        self._reading_now = True
                        self.at(max(self.now_s, self._asked_s + period_s), self._read)
                case Wake(at_s=at_s):
                    self._wake_s = at_s
                    self.at(at_s, lambda due_s=at_s: self._tick(due_s))  # type: ignore[misc]
                case Finish(reading=reading):
                    self.reading = reading

    def _grant(self) -> None:
        self.feed(AirGranted(t_s=self.now_s))

    def _tick(self, due_s: float) -> None:
        if self._wake_s == due_s:
            self.feed(Tick(t_s=self.now_s))

    def _takes_s(self) -> float:
        slow = self.random.random() < self.link.slow
        return self.link.timeout_s * self.random.uniform(*((0.9, 1.0) if slow else (0.01, self.link.quick_share)))

    def _read(self) -> None:
        if self._period_s <= 0 or self.reading is not None:
            self._reading_now = False
            return
        if self.now_s < self._busy_until_s:
            self.at(self._busy_until_s, self._read)
            return
        begin_s = self._asked_s = self.now_s
        if self.random.random() < self.link.lost:
            self._busy_until_s = begin_s + self.link.timeout_s
            self.at(self._busy_until_s, self._fail_read)
            return
        takes_s = self._takes_s()
        self._busy_until_s = begin_s + takes_s
        self.at(begin_s + takes_s * self.random.random(), lambda: self._sample(begin_s, takes_s))

    def _sample(self, begin_s: float, takes_s: float) -> None:
        gauge_pa = self.plant.gauge_pa()
        event = PressureRead(t_s=begin_s + takes_s / 2.0, gauge_pa=gauge_pa, took_s=takes_s)
        self.at(begin_s + takes_s, lambda: self._answer(event))

    def _fail_read(self) -> None:
        self._answer(ReadFailed(t_s=self.now_s, reason="no answer"))

    def _answer(self, event: Event) -> None:
        self.feed(event)
        self.at(max(self.now_s, self._asked_s + self._period_s), self._read)

    def _command(self, state: ValveState) -> None:
        begin_s = max(self.now_s, self._busy_until_s)
        takes_s = self._takes_s()
        self._busy_until_s = begin_s + takes_s
        if state is ValveState.OPEN and self.random.random() < self.link.refused:
            failed = ValveFailed(t_s=begin_s + takes_s, wanted=state, reason="no answer")
            self.at(begin_s + takes_s, lambda: self.feed(failed))
            return
        echo = ValveSeen(t_s=begin_s + takes_s / 2.0, state=state)
        self.at(begin_s + takes_s * self.random.random(), lambda: self.move(state is ValveState.OPEN))
        self.at(begin_s + takes_s, lambda: self.feed(echo))


def drive(
    plant: Plant,
    clearing: Machine,
    link: Link,
    seed: int = 1,
    *,
    abort_at_s: float | None = None,
    freeze_at_s: float | None = None,
    move: Callable[[bool], None] | None = None,
) -> tuple[Reading, list[object]]:
    """Run a clearing, or a zero check with the `move` of its vent, to its end.

    It may be aborted, or have its transmitter frozen, after so long.

    Returns:
        Its row, and every action in order. The plant has been brought to the moment that the last command was through.
    """
    run = _Drive(plant, clearing, link, seed, abort_at_s, move)
    if freeze_at_s is not None:
        run.at(plant.now_s + freeze_at_s, lambda: setattr(plant.faults, "frozen", True))
    return run.run(), run.actions
