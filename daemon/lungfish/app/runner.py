"""The runner: the only place where a cycle's actions are performed. It never decides anything about measuring."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Mapping
from typing import Any, Protocol, assert_never

from lungfish.app.purge_valve import PurgeValve
from lungfish.core.events import (
    Abort,
    Action,
    AirGranted,
    AskAir,
    Event,
    Finish,
    Input,
    InputSeen,
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
from lungfish.errors import DeviceError
from lungfish.ports import Clock, Switch, Transmitter, ValveEcho

__all__ = ["CycleRun", "MeasuringCycle"]

_INSIST_S = 10.0
"""A cycle that is over waits this long for its valve to be confirmed shut, then leaves the valve to go on trying."""
_CONFIRM_S = 1.0
"""The same for a cycle that never told its valve to open."""

_LOOK_EVERY_S = 0.25
"""An open valve is read back this often; the cycle wants a plateau of 0.6 s at least."""
_FAILED_LOOKS = 2
_SWITCHES_EVERY_S = 0.3
"""While the valve is open its switches are asked this long after each answer."""


class MeasuringCycle(Protocol):
    """What is run: the cycle of `lungfish.core`, or another machine with the same events and actions."""

    def step(self, event: Event) -> tuple[Action, ...]:
        """Take one event, return what is to be done."""
        ...


class CycleRun:
    """Runs one cycle against one transmitter and one valve.

    Events reach the cycle in the order of their time stamps, with one exception: a deadline or an abort does not
    wait for a read in flight. Closing waits for one transaction at most, that which is in flight on the same link.

    Args:
        cycle: the machine.
        transmitter: where its pressures come from.
        valve: what it opens and shuts; must be confirmed shut, else opening it is refused.
        clock: monotonic time.
        switches: what else it may ask: before opening, and while the valve is open. One that does not answer is not
            asked again in this cycle, so that it can't hold up what matters.
        keep: given the reading, once, on every way out but a bug, cancellation included; by then the valve is
            confirmed shut, or has refused for a while.
        progress: called after each event that a device has brought about: the work that feeds a watchdog.
    """

    def __init__(
        self,
        cycle: MeasuringCycle,
        transmitter: Transmitter,
        valve: PurgeValve,
        clock: Clock,
        *,
        switches: Mapping[Input, Switch] | None = None,
        keep: Callable[[Reading], None] = lambda _reading: None,
        progress: Callable[[], None] = lambda: None,
    ) -> None:
        self._cycle = cycle
        self._transmitter = transmitter
        self._valve = valve
        self._clock = clock
        self._switches = dict(switches or {})
        self._keep = keep
        self._progress = progress
        self._finished: asyncio.Future[Reading] | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._sampling: asyncio.Task[None] | None = None
        self._sampler_sleeps = False
        self._period_s = 0.0
        self._asked_at_s: float | None = None
        self._due_s = 0.0
        self._reads = False
        self._held: list[Event] = []
        self._ticking: asyncio.Task[None] | None = None
        self._ticker_sleeps_until_s: float | None = None
        self._wake_at_s: float | None = None
        self._asking: asyncio.Task[None] | None = None
        self._opening: asyncio.Task[None] | None = None
        self._watching: asyncio.Task[None] | None = None
        self._switching: asyncio.Task[None] | None = None
        self._shutting: asyncio.Task[None] | None = None
        self.kept = False
        """The reading has been passed on."""
        self.events: list[Event] = []
        """Every event that the cycle was given, in order: with them an incident becomes a test."""

    async def run(self) -> Reading:
        """Run the cycle to its end; whatever happens, the valve is told to shut until that is confirmed.

        Returns:
            The reading. When `valve.observed` is not SHUT by then, the valve goes on trying by itself.

        Raises:
            Exception: a bug in cycle or runner; the valve has been told to shut all the same.
        """
        self._finished = finished = asyncio.get_running_loop().create_future()
        self._valve.on_failed_try = self._shut_failed
        try:
            self._spawn(self._feed_later(Start(t_s=self._clock.monotonic_s())), "start")
            if self._switches:
                self._switching = self._spawn(self._ask_switches(), "switches")
            reading, cancelled = await self._end(finished)
        finally:
            try:
                await self._leave()
            finally:
                self._valve.on_failed_try = None
        self.kept = True
        self._keep(reading)
        if cancelled:
            raise asyncio.CancelledError
        return reading

    def abort(self, reason: str) -> None:
        """End the cycle now; `run` returns its reading all the same.

        Args:
            reason: who asked and why, for the reading's sentence.
        """
        if self._finished is not None and not self._finished.done():
            self._spawn(self._feed_later(Abort(t_s=self._clock.monotonic_s(), reason=reason)), "abort")

    async def _end(self, finished: asyncio.Future[Reading]) -> tuple[Reading, bool]:
        """The reading, and whether the run was cancelled meanwhile."""
        try:
            return await asyncio.shield(finished), False
        except asyncio.CancelledError:
            self.abort("the cycle was cancelled")
            return await finished, True

    async def _leave(self) -> None:
        for task in (self._sampling, self._ticking, self._asking, self._watching, self._switching):
            if task is not None:
                task.cancel()
        if self._shutting is None or not self._shutting.done() or self._valve.observed is not ValveState.SHUT:
            within_s = _INSIST_S if self._valve.opening_sent else _CONFIRM_S
            await asyncio.wait({self._valve.ensure_shut()}, timeout=within_s)
        self._valve.yield_air()
        if self._tasks:
            for task in self._tasks:
                task.cancel()
            await asyncio.wait(self._tasks)

    def _spawn(self, work: Coroutine[Any, Any, None], name: str) -> asyncio.Task[None]:
        task = asyncio.create_task(work, name=name)
        self._tasks.add(task)
        task.add_done_callback(self._ended)
        return task

    def _ended(self, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        if task.cancelled() or (error := task.exception()) is None:
            return
        if self._finished is not None and not self._finished.done():
            self._finished.set_exception(error)

    async def _feed_later(self, event: Event) -> None:
        self._feed(event)

    def _feed(self, event: Event) -> None:
        if self._finished is None or self._finished.done():
            return
        self.events.append(event)
        for action in self._cycle.step(event):
            self._perform(action)

    def _perform(self, action: Action) -> None:
        match action:
            case SetValve(state=state):
                self._set_valve(state)
            case AskAir():
                self._asking = self._spawn(self._ask_air(), "air")
            case Sample(period_s=period_s):
                self._sample_every(period_s)
            case Wake(at_s=at_s):
                self._wake(at_s)
            case Finish(reading=reading):
                if self._finished is not None and not self._finished.done():
                    self._finished.set_result(reading)
            case _:
                assert_never(action)

    # -- the valve

    def _set_valve(self, state: ValveState) -> None:
        if state is ValveState.OPEN:
            self._opening = self._spawn(self._open(), "open")
            return
        for task in (self._asking, self._watching, self._switching):
            if task is not None and task is not asyncio.current_task():
                task.cancel()
        if self._opening is not None and self._valve.commanded is not ValveState.OPEN:
            self._opening.cancel()  # it has not begun, and now must not
        shut = self._valve.ensure_shut()  # from here on it goes on by itself, whatever becomes of this run
        if self._shutting is None or self._shutting.done():
            self._shutting = self._spawn(self._shut(shut), "shut")

    async def _ask_air(self) -> None:
        await self._valve.take_air()
        self._feed(AirGranted(t_s=self._clock.monotonic_s()))

    async def _open(self) -> None:
        try:
            echo = await self._valve.open()
        except DeviceError as error:
            event: Event = ValveFailed(t_s=self._clock.monotonic_s(), wanted=ValveState.OPEN, reason=str(error))
        else:
            event = ValveSeen(t_s=echo.at_s, state=echo.state)
            self._watching = self._spawn(self._watch_open(), "watch")
            if self._switches:
                self._switching = self._spawn(self._watch_switches(self._switching), "switches")
        self._feed_in_order(event)

    async def _watch_open(self) -> None:
        """Read an open valve back again and again: when another hand shuts it the pressure stands still too.

        It is looked at more often than the shortest plateau lasts, so that such a standstill never becomes a reading.
        """
        failed = 0
        while True:
            await self._clock.sleep_until(self._clock.monotonic_s() + _LOOK_EVERY_S)
            try:
                state = await self._valve.check_open()
            except DeviceError as error:
                failed += 1
                if failed == _FAILED_LOOKS:
                    at_s = self._clock.monotonic_s()
                    self._feed(ValveFailed(t_s=at_s, wanted=ValveState.OPEN, reason=str(error)))
                    return
                continue
            failed = 0
            if state is ValveState.SHUT:
                reason = "the valve was found shut while it should be open: another hand, or its own device, shut it"
                self._feed(Abort(t_s=self._clock.monotonic_s(), reason=reason))
                return

    async def _watch_switches(self, first: asyncio.Task[None] | None) -> None:
        if first is not None:
            await asyncio.wait({first})  # one question at a time
        while self._switches:
            await self._clock.sleep_until(self._clock.monotonic_s() + _SWITCHES_EVERY_S)
            await self._ask_switches()

    async def _ask_switches(self) -> None:
        for which, switch in list(self._switches.items()):
            try:
                seen = await switch.read()
            except DeviceError:
                del self._switches[which]  # not known; its link tells the trouble
                continue
            self._feed_in_order(InputSeen(t_s=seen.at_s, which=which, active=seen.active))

    async def _shut(self, shut: asyncio.Task[ValveEcho]) -> None:
        echo = await asyncio.shield(shut)
        self._feed_in_order(ValveSeen(t_s=echo.at_s, state=echo.state))

    def _shut_failed(self, reason: str) -> None:
        # in a task of its own: a bug in the cycle must not reach the one that is shutting the valve
        failed = ValveFailed(t_s=self._clock.monotonic_s(), wanted=ValveState.SHUT, reason=reason)
        self._spawn(self._feed_later(failed), "shut failed")

    def _feed_in_order(self, event: Event) -> None:
        """Feed an event of the valve; hold it while a read in flight on another link may turn out the earlier one."""
        self._progress()
        if self._reads:
            self._held.append(event)
        else:
            self._feed(event)

    # -- the transmitter

    def _sample_every(self, period_s: float) -> None:
        running = self._sampling is not None and not self._sampling.done()
        if running and period_s == self._period_s:
            return
        self._period_s = period_s
        self._due_s = self._clock.monotonic_s() if self._asked_at_s is None else self._asked_at_s + period_s
        if self._sampler_sleeps and self._sampling is not None:
            self._sampling.cancel()
        elif running:
            return  # it reads or feeds, and will see the new period when it is through
        if period_s > 0:
            self._sampling = self._spawn(self._sample(), "sample")

    async def _sample(self) -> None:
        while self._period_s > 0:
            self._sampler_sleeps = True
            await self._clock.sleep_until(self._due_s)
            self._sampler_sleeps = False
            now_s = self._clock.monotonic_s()
            # on the grid that was asked for; when the link is slower than that, without catching up
            self._due_s += self._period_s
            if self._due_s <= now_s:
                self._due_s = now_s + self._period_s
            self._asked_at_s = now_s
            event = await self._read()
            self._progress()
            for one in sorted([event, *self._held], key=lambda each: each.t_s):
                self._feed(one)
            self._held.clear()

    async def _read(self) -> Event:
        self._reads = True
        try:
            sample = await self._transmitter.read()
        except DeviceError as error:
            return ReadFailed(t_s=self._clock.monotonic_s(), reason=str(error))
        finally:
            self._reads = False
        return PressureRead(t_s=sample.at_s, gauge_pa=sample.gauge_pa, took_s=sample.took_s)

    # -- deadlines

    def _wake(self, at_s: float) -> None:
        self._wake_at_s = at_s
        if self._ticking is not None and not self._ticking.done():
            if self._ticker_sleeps_until_s is None or self._ticker_sleeps_until_s <= at_s:
                return  # it feeds, or wakes early enough, and then sees the new moment: most wishes only move on
            self._ticking.cancel()
        self._ticking = self._spawn(self._tick(), "tick")

    async def _tick(self) -> None:
        while (at_s := self._wake_at_s) is not None:
            self._ticker_sleeps_until_s = at_s
            await self._clock.sleep_until(at_s)
            self._ticker_sleeps_until_s = None
            if self._wake_at_s != at_s:
                continue
            self._wake_at_s = None
            self._feed(Tick(t_s=max(at_s, self._clock.monotonic_s())))  # a timer may be early by its resolution
