"""Listens to a shut tube while a tank rests, and ends the rest when the level may have moved."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence

from lungfish.app.air_budget import AirBudget
from lungfish.app.clock import pause_until
from lungfish.app.isolating import Isolator
from lungfish.app.journal import Journal
from lungfish.app.link_turns import LinkTurns
from lungfish.app.log import event_log
from lungfish.app.purge_valve import PurgeValve
from lungfish.config import Tank
from lungfish.config.watching import WatchSpec
from lungfish.core.events import ValveState
from lungfish.core.reading import Reading
from lungfish.core.setup import CycleSetup, Learned
from lungfish.core.watch import Decision, Estimate, Watch
from lungfish.core.watch_alarms import AlarmLevels
from lungfish.errors import DeviceError
from lungfish.ports import Clock, Transmitter

__all__ = ["Watching"]

_LOG = logging.getLogger("lungfish")


def _watch_of(tank: Tank, spec: WatchSpec, setup: CycleSetup) -> Watch:
    alarms = tank.alarms
    levels = AlarmLevels(
        highs_m=tuple(at_m for at_m in (alarms.high_m, alarms.high_high_m) if at_m is not None),
        lows_m=tuple(at_m for at_m in (alarms.low_m, alarms.low_low_m) if at_m is not None),
        deadband_m=alarms.deadband_m,
    )
    return Watch(setup, step_m=spec.step_m, timer_s=tank.every_s, alarms=levels)


class Watching:
    """The watch of one tank. What it estimates is never kept as a level.

    Args:
        tank: the tank; one without `watch` is not listened to.
        setup: the tank as its cycle sees it.
        clock: monotonic time.
        journal: where early purges are told.
        must_be_shut: the valves without which the tube is no shut one.
        isolator: what cuts the transmitter off from the tube, if anything does.
        budget: what may be spent of the air; None: no limit.
        turns: on the transmitter's link, if others are on it.
    """

    def __init__(
        self,
        tank: Tank,
        setup: CycleSetup,
        clock: Clock,
        journal: Journal,
        must_be_shut: Sequence[PurgeValve],
        isolator: Isolator | None = None,
        budget: AirBudget | None = None,
        turns: LinkTurns | None = None,
    ) -> None:
        self._tank = tank
        self._clock = clock
        self._journal = journal
        self._must_be_shut = must_be_shut
        self._must_be_open = None if isolator is None else isolator.valve
        self._budget = budget
        self._turns = turns or LinkTurns()
        self._spec = tank.watch
        self._watch = None if tank.watch is None else _watch_of(tank, tank.watch, setup)
        self._called = False
        self.urgent = False
        """The purge that is due now was called for by an alarm's level: its air is not to be waited for."""
        self._taken = False
        self._blind = False
        self._said_blind = False
        self.estimate: Estimate | None = None
        """What the last look gave, an estimate and no level; None: none since the last purge."""
        self.on_estimate: Callable[[Estimate], None] = lambda _estimate: None
        """Given what each look gave."""

    def taken(self, reading: Reading, learned: Learned) -> None:
        """Count from a reading on, and learn from it.

        Args:
            reading: of the cycle that has just ended.
            learned: what it leaves for the next one.
        """
        if self._watch is not None:
            self._watch.taken(reading, learned, called=self._called, urgent=self.urgent)
        self._said_blind = self._said_blind and self._blind  # an interval without is news again
        self._called, self.urgent, self._taken, self._blind, self.estimate = False, False, True, False, None

    def disturbed(self, why: str) -> None:
        """Something other than a cycle has moved the tube's air.

        Args:
            why: in one sentence.
        """
        if self._watch is not None:
            self._watch.disturbed(why)
        self.estimate = None

    async def rest(self, due_s: float, wake: asyncio.Event, transmitter: Transmitter, *, acts: bool) -> None:
        """Wait for a moment, or until the level may have moved; a look that fails is no look.

        Args:
            due_s: the moment, monotonic s.
            wake: ends the wait.
            transmitter: where pressures come from.
            acts: whether it may be ended early, if the air's budget does not make the purge wait.
        """
        look_s = self._clock.monotonic_s()
        soon = self._watch.foreseen(look_s) if self._watch is not None and acts and self._taken else None
        if soon is not None and not wake.is_set():
            self._purge_early(soon)
            return
        while True:
            if self._spec is not None and self._watch is not None:
                look_s = max(look_s + self._spec.every_s, self._clock.monotonic_s())
            else:
                look_s = due_s
            await pause_until(self._clock, min(due_s, look_s), wake)
            if wake.is_set() or look_s >= due_s:
                return
            call = await self._called_for(transmitter)
            if call is not None and not wake.is_set() and acts and (call.urgent or self._affordable()):
                self._purge_early(call)
                return

    def _purge_early(self, call: Estimate) -> None:
        self._called, self.urgent = True, call.urgent
        self._journal.event("watch", f"{call.reason}: purged early", tank=self._tank.name)

    async def _called_for(self, transmitter: Transmitter) -> Estimate | None:
        """What calls for a purge now; None: nothing does, as far as can be told."""
        if self._watch is None or not self._taken or not self._listens():
            return None
        try:
            async with self._turns.looks:
                sample = await transmitter.read()
        except DeviceError:
            return None  # the next purge tells of a lost link
        if not self._listens():
            return None
        estimate = self.estimate = self._watch.feed(sample.at_s, sample.gauge_pa)
        self.on_estimate(estimate)
        name, moved = self._tank.name, estimate.moved_m
        if moved is not None and _LOG.isEnabledFor(logging.DEBUG):
            event_log(
                _LOG,
                logging.DEBUG,
                "estimate",
                tank=name,
                moved_m=round(moved.value, 4),
                moved_u_m=round(2.0 * moved.u, 4),
                decision=estimate.decision.value,
            )
        if estimate.decision is Decision.BLIND:
            self._blind = True
            if not self._said_blind:
                self._said_blind = True
                text = f"the watch is blind: {estimate.reason}; until the next purge the timer alone rules"
                self._journal.event("watch", text, tank=name)
        return estimate if estimate.decision is Decision.PURGE else None

    def _affordable(self) -> bool:
        now_s = self._clock.monotonic_s()
        return self._budget is None or self._budget.may_purge(self._tank.name, now_s).from_s <= now_s

    def _listens(self) -> bool:
        """The tube is shut as far as anybody knows, and the transmitter on it."""
        seen = self._must_be_open
        return all(valve.observed is ValveState.SHUT for valve in self._must_be_shut) and (
            seen is None or seen.observed is ValveState.OPEN
        )
