"""One tank at work: a cycle at once, then one in each slot, until told to stop."""

from __future__ import annotations

import asyncio
import hashlib
import logging
from collections.abc import Callable, Coroutine, Mapping
from dataclasses import replace
from typing import Any

from lungfish.app.admission import Admission
from lungfish.app.air_budget import AirBudget
from lungfish.app.clearing import Unplugging
from lungfish.app.hold_off import HoldOff
from lungfish.app.isolating import Isolator
from lungfish.app.journal import Journal
from lungfish.app.link_turns import LinkTurns
from lungfish.app.pacing import Pacing
from lungfish.app.progress import Progress
from lungfish.app.purge_valve import PurgeValve
from lungfish.app.records import aborted_record, reading_record
from lungfish.app.runner import CycleRun, MeasuringCycle
from lungfish.app.slots import Slots, slots_of
from lungfish.app.upkeep import Upkeep
from lungfish.app.watching import Watching
from lungfish.app.zeroing import Zeroing
from lungfish.config import Tank
from lungfish.core.events import Input, ValveState
from lungfish.core.reading import Reading
from lungfish.core.setup import CycleSetup, Learned
from lungfish.ports import Clock, ReadingRecord, Switch, Transmitter

__all__ = ["CycleMaker", "TankLoop", "first_learned", "settings_hash"]

CycleMaker = Callable[[CycleSetup, Learned], MeasuringCycle]

_SHUT_WITHIN_S = 5.0
"""Before a cycle its valve has this long to be confirmed shut; then the cycle runs without being able to open it."""
_NEXT_EVENT_S = 30.0
"""A cycle under way hears from a device, an answer or a time-out, much more often than this."""
_LEAST_DAMPING_S = 0.02
_NOT_SHUT = "a valve of the tank is not confirmed shut"
_STATED_LOG_U = 0.25


def settings_hash(setup: CycleSetup) -> str:
    """Short hash of a tank's settings: what was learned under others is not used.

    Args:
        setup: the tank as its cycle sees it.
    """
    return hashlib.sha256(repr(setup).encode()).hexdigest()[:16]


def first_learned(setup: CycleSetup) -> Learned:
    """What is known of a tube before its first cycle: the transmitter's damping, if the site file states it.

    Args:
        setup: the tank as its cycle sees it.
    """
    if setup.damping_s is None:
        return Learned()
    # a data sheet's time constant is good to about a quarter, and the sense line adds its own (common practice)
    return Learned(damping_s=max(setup.damping_s, _LEAST_DAMPING_S), log_damping_u=_STATED_LOG_U)


class TankLoop:
    """Runs a tank's cycles. One at a time, never more often than its slots, whatever goes wrong in one.

    Args:
        tank: the tank.
        setup: the tank as its cycle sees it.
        transmitter: its transmitter.
        valve: its valve.
        clock: monotonic time.
        journal: where its readings and events go.
        progress: where it promises its next work.
        make_cycle: makes the machine for one cycle.
        switches: its optional inputs.
        blow_valve: what a plug is blown down with, if that is not the purge valve.
        vent_valve: what opens the transmitter to the atmosphere, if anything does.
        isolator: what cuts the transmitter off while the tube is blown down, if anything does.
        budget: what may be spent of the air; None: a person asks for the purge, and has it.
        timezone: of the site, IANA name, for a schedule.
        hold_off: what postpones a purge, if anything does.
        turns: on the transmitter's link; None: nobody else is on it.
    """

    def __init__(
        self,
        tank: Tank,
        setup: CycleSetup,
        transmitter: Transmitter,
        valve: PurgeValve,
        clock: Clock,
        journal: Journal,
        progress: Progress,
        make_cycle: CycleMaker,
        switches: Mapping[Input, Switch] | None = None,
        blow_valve: PurgeValve | None = None,
        vent_valve: PurgeValve | None = None,
        isolator: Isolator | None = None,
        budget: AirBudget | None = None,
        timezone: str = "UTC",
        hold_off: HoldOff | None = None,
        turns: LinkTurns | None = None,
    ) -> None:
        self.tank = tank
        self.valve = valve
        self._blow_valve = blow_valve or valve
        self._vent_valve = vent_valve
        self.valves = tuple(each for each in (valve, blow_valve, vent_valve) if each is not None)
        """Those that must all be shut before one of them opens."""
        self._isolator = isolator
        self.every_valve = self.valves if isolator is None else (*self.valves, isolator.valve)
        """With the isolating valve, which is open while there is measuring."""
        self._said_isolated = ""
        self._setup = setup
        self._config = settings_hash(setup)
        self._transmitter = transmitter
        self._zeroing = Zeroing(tank, setup, self._config, journal, transmitter)
        self._clock = clock
        self._journal = journal
        self._progress = progress
        self._make_cycle = make_cycle
        self._switches = switches
        self._learned = journal.keeper.learned(tank.name, self._config) or first_learned(setup)
        self._upkeep = Upkeep(tank.name, setup, self._config, journal)
        self._unplugging = Unplugging(tank, setup, journal)
        self.watching = Watching(tank, setup, clock, journal, self.valves, isolator, budget, turns)
        self._found: Reading | None = None
        self._budget = budget
        self._timezone = timezone
        self._admission = Admission(
            tank.name, clock, lambda by_s: progress.promise(tank.name, by_s), hold_off, budget, turns
        )
        self._pacing: Pacing | Slots | None = None
        self._run: CycleRun | None = None
        self.last_record: ReadingRecord | None = None
        """The row of the last cycle; None before the first."""
        self._stop = asyncio.Event()
        self._wake = asyncio.Event()
        self._stop_reason = ""

    def stop(self, reason: str) -> None:
        """End the cycle under way, which still gives its row, and take no further one.

        Args:
            reason: who asked, for the reading's sentence.
        """
        self._stop_reason = reason
        self._stop.set()
        self._wake.set()
        self.abort(reason)

    def leave_off(self) -> None:
        """Take no further cycle; one under way comes to its own end."""
        self._stop.set()
        self._wake.set()

    def clock_stepped(self) -> None:
        """The wall clock was stepped: a slot that a schedule put on it is worked out anew."""
        if isinstance(self._pacing, Slots):
            self._wake.set()

    def abort(self, reason: str) -> None:
        """End the cycle under way, if there is one; the next comes in its slot."""
        if self._run is not None:
            self._run.abort(reason)

    async def run(self) -> None:
        """Work until stopped. Called again after a fault, it waits for the next slot."""
        if self._pacing is None:
            self._pacing = slots_of(self.tank, self._timezone, self._journal, self._clock.monotonic_s())
        else:
            await self._rest(self._pacing)
        while not self._stop.is_set():
            if self._pacing.out_of_service:
                await self._rest(self._pacing)
                continue
            try:
                await self._admission.wait(self._stop, urgent=self.watching.urgent)
                if not self._stop.is_set():
                    await self._work(self._pacing)
            finally:
                self._admission.ended()
            if not self._stop.is_set():
                await self._rest(self._pacing)
        self.finish()
        self._progress.ended(self.tank.name)

    def finish(self) -> None:
        """Hand over to the store what is not kept yet; no further cycle comes."""
        self._upkeep.finish()

    async def _work(self, pacing: Pacing | Slots) -> None:
        """A cycle, and what it calls for."""
        reading = await self.cycle()
        if reading is None:
            return
        pacing.found(reading)
        self.watching.taken(reading, self._learned)
        if not self._stop.is_set() and not await self._clear_after(reading):
            await self._check_zero_after(reading)

    async def cycle(self) -> Reading | None:
        """Take one cycle now.

        Returns:
            What it found; None when told to stop before it began.
        """
        if self._pacing is not None:
            self._pacing.began(self._clock.monotonic_s(), after_others=self._admission.after_others)
        self._promise()
        await asyncio.gather(self._see_it_shut(), self._upkeep.heed())
        if self._stop.is_set():
            return None
        if self._isolator is not None and not await self._connected(self._isolator):
            return None
        if self._stop.is_set():
            return None
        machine = self._make_cycle(self._zeroing.setup, self._learned)
        performing = self._perform(machine, self.valve, self._keep, self._switches, self._zeroing.transmitter)
        await self._watched(performing, ValveState.OPEN)
        return self._found

    async def leave(self, within_s: float) -> None:
        """Shut what only measuring holds open.

        Args:
            within_s: longest wait for it to be confirmed, s.
        """
        if self._isolator is not None:
            await asyncio.wait({self._isolator.valve.ensure_shut()}, timeout=within_s)

    async def _connected(self, isolator: Isolator) -> bool:
        """Put the transmitter on the tube; when that can't be, the slot has its row all the same, without a level."""
        why = await isolator.connect()
        if why is None:
            self._said_isolated = ""
            return True
        sentence = f"the transmitter is cut off from the tube: {why}"
        if self._said_isolated != why:
            self._said_isolated = why
            self._journal.event("isolating", sentence, tank=self.tank.name, level=logging.WARNING)
        self._put(aborted_record(self.tank.name, self._journal.stamps, sentence, opening_sent=False))
        return False

    async def _watched(self, performing: Coroutine[Any, Any, Reading], state: ValveState) -> None:
        """Run something; end it as soon as the isolating valve does not stand as it should."""
        if self._isolator is None:
            await performing
            return
        watching = asyncio.create_task(self._isolator.watch(state, self.abort), name="isolating valve")
        try:
            await performing
        finally:
            watching.cancel()

    async def _clear_after(self, reading: Reading) -> bool:
        """Blow the tube down if this cycle and the one before call for it and the site file allows it.

        Returns:
            Whether a try was due.
        """
        self._unplugging.take_in(reading)
        clearing = await self._unplugging.next_try(self._learned)
        if clearing is None:
            return False
        if await self._all_shut():
            why = None if self._isolator is None else await self._isolator.isolate()
            if why is not None:
                self._unplugging.not_made(f"the transmitter was not cut off: {why}")
                return True
            await self._watched(self._perform(clearing, self._blow_valve, self._keep_clearing), ValveState.SHUT)
            self._unplugging.ended(clearing)
        elif not self._stop.is_set():
            self._unplugging.not_made(_NOT_SHUT)
        return True

    async def _check_zero_after(self, reading: Reading) -> None:
        """Open the transmitter to the atmosphere for a look at its zero, if that is due."""
        check = None if self._vent_valve is None else self._zeroing.next_check(reading, self._learned)
        if check is None or self._vent_valve is None:
            return
        if await self._all_shut():
            self._zeroing.begin(reading)
            await self._perform(check, self._vent_valve, self._keep_check)
            if not self._stop.is_set():
                self._zeroing.ended(check)
            self._learned = self._zeroing.adjusted(self._learned)
        elif not self._stop.is_set():
            self._zeroing.not_made(_NOT_SHUT)

    async def _all_shut(self) -> bool:
        """See to it that every valve of the tank is confirmed shut; False when one is not, or when told to stop."""
        self._promise()
        await self._see_it_shut()
        return not self._stop.is_set() and all(valve.observed is ValveState.SHUT for valve in self.valves)

    async def _perform(
        self,
        machine: MeasuringCycle,
        valve: PurgeValve,
        keep: Callable[[CycleRun, Reading], None],
        switches: Mapping[Input, Switch] | None = None,
        transmitter: Transmitter | None = None,
    ) -> Reading:
        run = CycleRun(
            machine,
            transmitter or self._transmitter,
            valve,
            self._clock,
            switches=switches,
            keep=lambda reading: keep(run, reading),
            progress=self._promise,
        )
        valve.opening_sent = False
        self._run = run
        try:
            return await run.run()
        finally:
            self._run = None
            if not run.kept and valve is not self._vent_valve:
                sentence = "lungfish failed in this cycle; the log has the details"
                opening_sent = valve.opening_sent
                self._put(aborted_record(self.tank.name, self._journal.stamps, sentence, opening_sent=opening_sent))

    def _keep(self, run: CycleRun, reading: Reading) -> None:
        zero = self._zeroing.evidence()
        reading = self._found = self._zeroing.take_in(reading, self._learned)
        record = self._record(run, reading, self.valve)
        if zero is not None:
            record = replace(record, evidence={**record.evidence, "zero": zero})
        self._learned = self._zeroing.adjusted(reading.learned)
        self._journal.keeper.put_learned(self.tank.name, self._learned, self._config)
        self._put(record)
        self._upkeep.after(reading, record.at.utc_s)

    def _keep_clearing(self, run: CycleRun, reading: Reading) -> None:
        """A blow-down has its row, as every opening has; it teaches nothing, and the tube's air is not what it was."""
        self._learned = replace(self._learned, shut_at_s=None)
        self._upkeep.disturbed()
        self.watching.disturbed("the tube was blown down")
        self._put(self._record(run, reading, self._blow_valve))

    def _keep_check(self, run: CycleRun, reading: Reading) -> None:
        """A zero check lets no air in and has no row of its own; what it found `Zeroing` keeps."""
        self._learned = replace(self._learned, shut_at_s=None)
        self._upkeep.disturbed()
        self.watching.disturbed("the transmitter's zero was looked at")

    def _record(self, run: CycleRun, reading: Reading, valve: PurgeValve) -> ReadingRecord:
        return reading_record(
            self.tank,
            reading,
            self._journal.stamps,
            air_k=self._setup.air_k,
            opening_sent=valve.opening_sent,
            shut_at_s=valve.shut_at_s if valve.observed is ValveState.SHUT else None,
            events=run.events,
        )

    def _put(self, record: ReadingRecord) -> None:
        self.last_record = record
        if self._budget is not None:
            self._budget.took(record)
        self._journal.reading(record)

    async def _see_it_shut(self) -> None:
        """Look at the valves before each cycle: whatever else has moved one, it must be shut before one may open."""
        await asyncio.gather(*map(self._see_shut, self.valves))

    async def _see_shut(self, valve: PurgeValve) -> None:
        if valve.observed is ValveState.SHUT and await valve.look() is ValveState.SHUT:
            return
        await asyncio.wait({valve.ensure_shut()}, timeout=_SHUT_WITHIN_S)

    async def _rest(self, pacing: Pacing | Slots) -> None:
        """Wait for the next slot, or for the stop; a step of the clock may move a slot that a schedule put on it."""
        while not await self._next_slot(pacing):
            pass

    async def _next_slot(self, pacing: Pacing | Slots) -> bool:
        """Wait for the slot as it stands now; False when it has to be worked out again."""
        self._wake.clear()
        due_s, missed = pacing.next_slot(self._clock.monotonic_s())
        if missed and not self._admission.postponed:
            self._journal.event(
                "gap",
                f"{missed} slot{'s' if missed > 1 else ''} of {self.tank.name} passed without a cycle, for the one "
                f"before took longer than every {self.tank.every_s:g} s",
                tank=self.tank.name,
                level=logging.WARNING,
            )
        self._progress.promise(self.tank.name, due_s + _NEXT_EVENT_S)
        if not self._stop.is_set():
            await self.watching.rest(due_s, self._wake, self._zeroing.transmitter, acts=not pacing.out_of_service)
        return self._stop.is_set() or not self._wake.is_set()

    def _promise(self) -> None:
        self._progress.promise(self.tank.name, self._clock.monotonic_s() + _NEXT_EVENT_S)
