"""The daemon: shuts every valve, keeps every tank's loop running, and on the way out shuts every valve again."""

from __future__ import annotations

import asyncio
import logging
import math
from collections.abc import Coroutine, Mapping
from dataclasses import dataclass, field
from typing import Any

from lungfish.app.air import AirPermits
from lungfish.app.air_budget import AirBudget
from lungfish.app.hold_off import HoldOff
from lungfish.app.isolating import Isolator
from lungfish.app.journal import Journal
from lungfish.app.link_turns import LinkTurns, TimedTransmitter
from lungfish.app.notify import ServiceManager
from lungfish.app.progress import Progress
from lungfish.app.purge_valve import OpenWatch, PurgeValve
from lungfish.app.supervisor import keep_running
from lungfish.app.tank_loop import CycleMaker, TankLoop
from lungfish.config import Site, Tank, blow_valve_name, cycle_setup, isolating_valve_name, vent_valve_name
from lungfish.config.valve_model import shut_by_this_computer_alone, valves_shut_by_this_computer_alone
from lungfish.core.cycle import Cycle
from lungfish.core.events import Input, ValveState
from lungfish.ports import Clock, Isolating, Switch, Transmitter, Valve

__all__ = ["Daemon", "Devices", "build_tank_loop"]

_READY_WITHIN_S = 10.0
"""The service manager is told that all runs when every valve is confirmed shut, or after this long."""
_STOP_WITHIN_S = 15.0
"""A cycle that was told to stop ends by itself long before this."""
_SHUT_WITHIN_S = 10.0
_SETTLE_S = 2.0
_WATCHDOG_SHARE = 1.0 / 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Devices:
    """Transmitters and valves by tank."""

    transmitters: Mapping[str, Transmitter]
    """Where pressures come from."""
    valves: Mapping[str, Valve]
    """What lets air in."""
    blow_valves: Mapping[str, Valve] = field(default_factory=dict)
    """What blows plugs down, where that is a valve of its own."""
    isolating: Mapping[str, Isolating] = field(default_factory=dict)
    """What cuts transmitters off, where there is such a valve."""
    vent_valves: Mapping[str, Valve] = field(default_factory=dict)
    """What opens transmitters to the atmosphere, where there is such a valve."""
    switches: Mapping[str, Mapping[Input, Switch]] = field(default_factory=dict)
    """Optional inputs; a tank without any may be left out."""
    hold_off: Mapping[str, Mapping[str, Switch]] = field(default_factory=dict)
    """By tank and name, the contacts that postpone a purge; a tank without any may be left out."""


def build_tank_loop(
    site: Site,
    tank: Tank,
    devices: Devices,
    clock: Clock,
    journal: Journal,
    air: AirPermits,
    *,
    progress: Progress,
    watch: OpenWatch | None = None,
    make_cycle: CycleMaker = Cycle,
    budget: AirBudget | None = None,
    turns: LinkTurns | None = None,
) -> TankLoop:
    """Put one tank's loop together.

    Args:
        site: the site.
        tank: one of its tanks.
        devices: of the site.
        clock: monotonic time.
        journal: where everything is told.
        air: permits of the site.
        progress: where the loop promises its work.
        watch: shuts valves that are open too long.
        make_cycle: makes the machine for one cycle.
        budget: what may be spent of the air; None: nothing limits it.
        turns: on the transmitter's link; None: nothing else goes on there.
    """
    name = tank.name

    def held(called: str, device: Valve, max_open_s: float, *, lets_air_in: bool = True) -> PurgeValve:
        return PurgeValve(
            called,
            device,
            clock,
            air if lets_air_in else AirPermits(1),
            max_open_s=max_open_s,
            watch=watch if math.isfinite(max_open_s) else None,
            announce=(lambda: journal.announce(name)) if lets_air_in else None,
            tell=lambda text: journal.event("valve", text, tank=name, level=logging.WARNING),
        )

    valve = held(name, devices.valves[name], tank.valve.max_open_s)
    blow = tank.blow_valve
    blow_valve = held(blow_valve_name(name), devices.blow_valves[name], blow.max_open_s) if blow is not None else None
    vent_valve = None
    if tank.vent_valve is not None:
        called, device = vent_valve_name(name), devices.vent_valves[name]
        vent_valve = held(called, device, tank.vent_valve.max_open_s, lets_air_in=False)
        others = [each for each in (valve, blow_valve) if each is not None]
        vent_valve.never_with = tuple(others)
        for each in others:
            each.never_with = (vent_valve,)
    isolator = None
    if tank.isolate is not None:
        devices_of = devices.isolating[name]
        held_open = held(isolating_valve_name(name), devices_of.valve, math.inf, lets_air_in=False)
        held_open.never_with = tuple(each for each in (valve, blow_valve) if each is not None)
        isolator = Isolator(held_open, devices_of.shut, devices_of.safe, clock)
    setup = cycle_setup(site, tank)
    contacts = devices.hold_off.get(name, {})
    return TankLoop(
        tank,
        setup,
        devices.transmitters[name] if turns is None else TimedTransmitter(devices.transmitters[name], turns),
        valve,
        clock,
        journal,
        progress,
        make_cycle,
        devices.switches.get(name),
        blow_valve,
        vent_valve,
        isolator,
        budget,
        site.timezone,
        HoldOff(name, tank.schedule.hold_off, contacts, clock, journal) if contacts else None,
        turns,
    )


async def _first_of(*works: Coroutine[Any, Any, object]) -> None:
    """Wait until one of them has ended; the others are given up."""
    tasks = [asyncio.ensure_future(work) for work in works]
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in tasks:
            task.cancel()


class Daemon:
    """All tanks of a site. Make it inside the running loop, then `run` it once.

    Args:
        site: the site.
        devices: transmitters and valves.
        clock: monotonic time.
        journal: where everything is told.
        watch: shuts valves that are open too long, from outside the event loop; None when there is none.
        manager: the service manager.
        make_cycle: makes the machine for one cycle.
    """

    def __init__(
        self,
        site: Site,
        devices: Devices,
        clock: Clock,
        journal: Journal,
        *,
        watch: OpenWatch | None = None,
        manager: ServiceManager | None = None,
        make_cycle: CycleMaker = Cycle,
    ) -> None:
        self._site = site
        self._clock = clock
        self._journal = journal
        self._manager = manager or ServiceManager({})
        self._progress = Progress()
        self._stopping = asyncio.Event()
        air = AirPermits(site.air.simultaneous)
        budget = AirBudget(site, clock, journal, devices.switches)
        self._turns = {name: LinkTurns() for name in site.links}
        self.loops = {
            name: build_tank_loop(
                site,
                tank,
                devices,
                clock,
                journal,
                air,
                progress=self._progress,
                watch=watch,
                make_cycle=make_cycle,
                budget=budget,
                turns=self._turns[tank.transmitter.link],
            )
            for name, tank in site.tanks.items()
        }

    async def run(self, stop: asyncio.Event, leave_off: asyncio.Event | None = None) -> bool:
        """Work until told to stop.

        Args:
            stop: set by whoever wants the end.
            leave_off: set by whoever wants the end too, but with time for each cycle under way to come to its own.

        Returns:
            Whether every valve is confirmed shut at the end.
        """
        self._journal.event("start", f"{self._site.name}: {len(self.loops)} tanks; every valve is being shut first")
        for valve in self._valves():
            valve.ensure_shut()
        if alone := valves_shut_by_this_computer_alone(self._site.valves):
            self._journal.event("outside-layer", shut_by_this_computer_alone(alone), level=logging.WARNING)
        works = [
            asyncio.create_task(
                keep_running(name, loop.run, self._clock, self._journal, self._stopping),
                name=name,
            )
            for name, loop in self.loops.items()
        ]
        tending = asyncio.create_task(self._tend(), name="service manager")
        opening = asyncio.create_task(self._let_cycles_begin(), name="turns")
        try:
            if leave_off is None:
                await stop.wait()
            else:
                await _first_of(stop.wait(), leave_off.wait())
                if not stop.is_set():
                    self._stopping.set()
                    for loop in self.loops.values():
                        loop.leave_off()
                    await _first_of(stop.wait(), asyncio.wait(works))
        finally:
            tending.cancel()
            opening.cancel()
            all_shut = await self._finish(works, stop.is_set())
        return all_shut

    def tell(self, status: str) -> None:
        """Let the service manager show a sentence."""
        self._manager.tell(f"STATUS={status}")

    def abort(self, tank: str, reason: str) -> None:
        """End a tank's cycle under way; its row says why."""
        self.loops[tank].abort(reason)

    def clock_stepped(self) -> None:
        """The wall clock was stepped: what a schedule puts on it is worked out anew."""
        for loop in self.loops.values():
            loop.clock_stepped()

    def _valves(self) -> list[PurgeValve]:
        return [valve for loop in self.loops.values() for valve in loop.every_valve]

    async def _let_cycles_begin(self) -> None:
        """On a slow link the first cycle would else find no time to read between the commands that shut every valve."""
        await asyncio.wait({valve.ensure_shut() for valve in self._valves()}, timeout=_READY_WITHIN_S)
        for turns in self._turns.values():
            turns.begin()

    async def _tend(self) -> None:
        """Tell the service manager when all runs, then feed its watchdog for as long as work gets done."""
        shutting = {valve.ensure_shut() for valve in self._valves()}
        await asyncio.wait(shutting, timeout=_READY_WITHIN_S)
        open_or_unknown = [valve.called for valve in self._valves() if valve.observed is ValveState.UNKNOWN]
        status = f"valves not confirmed shut: {', '.join(open_or_unknown)}" if open_or_unknown else "measuring"
        if alone := valves_shut_by_this_computer_alone(self._site.valves):
            status += f"; nothing outside this computer is known to shut {', '.join(alone)}"
        self._manager.tell(f"READY=1\nSTATUS={status}")
        every_s = self._manager.watchdog_s
        while every_s is not None:
            late = self._progress.late(self._clock.monotonic_s())
            if not late:
                self._manager.tell("WATCHDOG=1")
            await self._clock.sleep_until(self._clock.monotonic_s() + every_s * _WATCHDOG_SHARE)

    async def _finish(self, works: list[asyncio.Task[None]], for_good: bool) -> bool:
        self._manager.tell("STOPPING=1" if for_good else "RELOADING=1")
        self._stopping.set()
        for loop in self.loops.values():
            loop.stop("lungfish was told to stop")
        _, late = await asyncio.wait(works, timeout=_STOP_WITHIN_S)
        for task in late:
            task.cancel()
        shutting = {valve.ensure_shut() for valve in self._valves()}
        await asyncio.wait(shutting, timeout=_SHUT_WITHIN_S)
        await self._journal.settle(_SETTLE_S)  # so that the stop is told last
        not_shut = [valve.called for valve in self._valves() if valve.observed is not ValveState.SHUT]
        if not_shut:
            text = f"stopped, but valves are not confirmed shut and may be open: {', '.join(not_shut)}"
            self._journal.event("stop", text, level=logging.ERROR)
        else:
            self._journal.event("stop", "stopped; every valve is confirmed shut")
        return not not_shut
